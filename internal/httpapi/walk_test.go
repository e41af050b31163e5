package httpapi_test

import (
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/httpapi"
)

// walk calls fn for each operation of the specification, in the order of their names.
func walk(t *testing.T, fn func(method, path string, op *openapi3.Operation)) {
	t.Helper()
	doc, err := httpapi.Spec()
	if err != nil {
		t.Fatal(err)
	}
	type one struct {
		method, path string
		op           *openapi3.Operation
	}
	var all []one
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			all = append(all, one{method, path, op})
		}
	}
	slices.SortFunc(all, func(a, b one) int { return strings.Compare(a.path+a.method, b.path+b.method) })
	if len(all) < 50 {
		t.Fatalf("only %d operations: the walk is too short to prove anything", len(all))
	}
	for _, o := range all {
		fn(o.method, o.path, o.op)
	}
}

// fill puts a place's ids into a path.
func (s *service) fill(path string, p place) string {
	path = strings.NewReplacer("{procedureId}", p.work.String(), "{planId}", p.plan.String(), "{planVersionId}", p.planVersion.String(), "{assignmentId}", p.assignment.String(),
		"{overrideId}", p.override.String(), "{taskId}", p.task.String(), "{completionId}", p.completion.String()).Replace(path)
	return strings.NewReplacer("{countId}", p.count.ID.String(), "{containerId}", uuid.NewString(), "{lotId}", uuid.NewString(), "{discrepancyId}", uuid.NewString(), "{claimId}", uuid.NewString(), "{bagId}", p.bag.String(), "{orderId}", p.order.ID.String(), "{coreId}", uuid.NewString(), "{warrantyId}", uuid.NewString(),
		"{customerId}", p.customer.ID.String(), "{siteId}", p.site.ID.String(), "{lineId}", p.line.ID.String(),
		"{positionId}", p.left.ID.String(), "{pointId}", p.point.ID.String(), "{blackoutId}", p.blackout.ID.String(), "{supplyId}", p.supply.ID.String(),
		"/units/{unitId}/facts/{factId}", "/units/"+p.unit.ID.String()+"/facts/"+p.unitFact.ID.String(),
		"{factId}", p.fact.ID.String(), "{partId}", p.part.ID.String(), "{unitId}", p.unit.ID.String(), "/photos/{photoId}/withdrawal", "/photos/"+p.blurred.ID.String()+"/withdrawal", // the other is looked at
		"{photoId}", p.photo.ID.String(), "{locationId}", p.shelf.ID.String(), "{meterId}", p.meter.ID.String(), "{readingId}", p.reading.String(), "{faultId}", p.fault.ID.String(), "{visitId}", p.visit.String(), "{choiceId}", p.choice.String(), "{changeId}", uuid.NewString(), "{exportKind}", "units", "{listKind}", "stock", "{recordId}", p.card.String(), "{evidenceId}", uuid.NewString(), "{supplierId}", p.supplier.ID.String(), "{successionId}", p.follows.ID.String(), "{interchangeId}", p.goesFor.ID.String(), "{procedureVersionId}", p.procedure.String(), "{classCode}", "hub", "{calendarId}", uuid.NewString(), "{accountId}", uuid.NewString(), "{grantId}", uuid.NewString(), "{tokenId}", uuid.NewString()).Replace(path)
}

// sample makes a body that the schema accepts.
func sample(ref *openapi3.SchemaRef, p place) any {
	s := ref.Value
	if len(s.AllOf) > 0 {
		return sample(s.AllOf[0], p)
	}
	if len(s.Enum) > 0 {
		return s.Enum[0]
	}
	if strings.Contains(s.Pattern, "[0-9]{1,3}") { // an amount
		return "1"
	}
	switch {
	case s.Type.Is("object"):
		m := map[string]any{}
		for _, name := range s.Required {
			switch name {
			case "customer_id":
				m[name] = p.customer.ID
			case "site_id":
				m[name] = p.site.ID
			case "kind":
				m[name] = "side_brush_low"
				if len(s.Properties[name].Value.Enum) > 0 {
					m[name] = s.Properties[name].Value.Enum[0]
				}
			case "line_side":
				m[name] = "centre"
			case "zone":
				m[name] = "America/Chicago"
			case "fact":
				m[name] = "media_colour"
			case "amount", "least":
				m[name] = "1"
			case "login":
				m[name] = "someone.new@wash.example"
			case "starts":
				m[name] = "06:00"
			case "currency":
				m[name] = "USD"
			case "code":
				m[name] = "NEW" + strings.ToUpper(uuid.NewString()[:6])
			case "part_id":
				m[name] = p.part.ID
			case "position_id":
				m[name] = p.left.ID
			case "slot_id":
				m[name] = p.slot
			case "content":
				m[name] = onePixel
			case "number":
				m[name] = "NEW" + strings.ToUpper(uuid.NewString()[:8])
			case "class":
				m[name] = "hub"
			case "meter_id":
				m[name] = p.meter.ID
			case "until", "expires_at":
				m[name] = time.Now().Add(48 * time.Hour)
				if s.Properties[name].Value.Format == "date" {
					m[name] = time.Now().Add(48 * time.Hour).Format(time.DateOnly)
				}
			default:
				m[name] = sample(s.Properties[name], p)
			}
		}
		return m
	case s.Type.Is("array"):
		if s.MinItems > 0 {
			return []any{sample(s.Items, p)}
		}
		return []any{}
	case s.Type.Is("boolean"):
		return true
	case s.Type.Is("integer"), s.Type.Is("number"):
		if s.Min != nil {
			return *s.Min
		}
		return 1
	case s.Format == "uuid":
		return uuid.New()
	case s.Format == "date-time":
		return time.Now().Add(-time.Minute)
	case s.Format == "date":
		return "2026-05-12"
	}
	return "four plain words"
}

// queryOf gives the query that an operation needs.
func queryOf(op *openapi3.Operation) string {
	for _, p := range op.Parameters {
		if p.Value.In == "query" && p.Value.Required {
			return "?" + p.Value.Name + "=T" // the other place begins with it
		}
	}
	return ""
}

func bodyOf(op *openapi3.Operation, p place) any {
	if op.RequestBody == nil {
		return nil
	}
	if content := op.RequestBody.Value.Content["application/json"]; content != nil {
		return sample(content.Schema, p)
	}
	return "customer,name\nNEW" + strings.ToUpper(uuid.NewString()[:6]) + ",New Wash\n"
}

// typeOf gives the type of that body.
func typeOf(op *openapi3.Operation) string {
	if op.RequestBody != nil && op.RequestBody.Value.Content["text/csv"] != nil {
		return "text/csv"
	}
	return "application/json"
}

// The programme is everybody's.
var everybodys = regexp.MustCompile(`\{(procedureId|planId|planVersionId)\}|^/procedure-versions/\{procedureVersionId\}($|/publication|/steps)`)

// Every operation, asked by nobody, with tokens that are not good, by every
// role, and for another customer's things.
func TestEveryOperationKeepsToRolesAndScope(t *testing.T) {
	s := newService(t)
	ended, program := s.addToken("ended", access.NewGrant{Role: "manager"}, s.now.Add(time.Hour))
	revoked, owner := s.addToken("revoked", access.NewGrant{Role: "manager"}, s.now.Add(time.Hour))
	_ = program
	s.revokeAll(owner)
	disabled, shut := s.addToken("disabled", access.NewGrant{Role: "technician"}, s.now.Add(time.Hour))
	s.disable(shut)

	capabilities := s.capabilities()
	walk(t, func(method, path string, op *openapi3.Operation) {
		want := httpapi.Capability(op)
		ask := func(as string, p place) answer {
			return s.call(t, request{method: method, path: s.fill(path, p) + queryOf(op), as: as, body: bodyOf(op, p), header: map[string]string{"If-Match": `"999"`, "Content-Type": typeOf(op)}})
		}
		name := func(as string) string { return fmt.Sprintf("%s %s as %s", method, path, as) }
		if want == "none" {
			if a := ask("", s.own); a.status == http.StatusForbidden {
				t.Errorf("%s: %d %s", name("nobody"), a.status, a.body)
			}
			return
		}
		if want != "any" && capabilities["manager"][want] == false {
			t.Errorf("%s %s asks for %q, which no manager has", method, path, want)
		}
		for as, token := range map[string]string{"nobody": "", "a stranger": "spb_" + strings.Repeat("x", 43), "no token of ours": "abc", "a revoked token": revoked, "a disabled program": disabled} {
			a := ask(token, s.own)
			if a.status != http.StatusUnauthorized {
				t.Errorf("%s: %d %s", name(as), a.status, a.body)
			}
			// RFC 9110, 15.5.2 wants a challenge; RFC 6750, 3.1 no error code where no token was sent
			challenge := a.header.Get("WWW-Authenticate")
			if !strings.HasPrefix(challenge, "Bearer ") || strings.Contains(challenge, "error=") != (token != "") {
				t.Errorf("%s: challenge %q", name(as), challenge)
			}
		}
		for role := range s.tokens {
			a := ask(role, s.own)
			if want != "any" && !capabilities[role][want] {
				if a.status != http.StatusForbidden || !strings.Contains(a.header.Get("WWW-Authenticate"), "insufficient_scope") {
					t.Errorf("%s: %d %s", name(role), a.status, a.body)
				}
				continue
			}
			if a.status == http.StatusUnauthorized || a.status == http.StatusForbidden && !strings.HasPrefix(path, "/me/") || a.status >= 500 {
				t.Errorf("%s, whose roles include it: %d %s", name(role), a.status, a.body)
			}
			if method == http.MethodGet && a.status != http.StatusOK && !strings.Contains(path, "{accountId}") &&
				!(role == "gateway" && strings.Contains(path, "{customerId}")) { // a gateway knows its site and no customer
				t.Errorf("%s: %d %s", name(role), a.status, a.body)
			}
		}
		// what is another customer's does not exist for an owner, its staff and a gateway
		if strings.Contains(path, "{") && !strings.Contains(path, "{accountId}") && !strings.Contains(path, "{partId}") && !strings.Contains(path, "{exportKind}") && !strings.Contains(path, "{listKind}") && !everybodys.MatchString(path) { // the catalogue is everybody's, and the names of kinds are
			for _, role := range []string{"owner", "site_staff", "gateway"} {
				if a := ask(role, s.other); a.status != http.StatusNotFound && a.status != http.StatusForbidden || method == http.MethodGet && want == "any" && a.status != http.StatusNotFound {
					t.Errorf("%s of another customer's: %d %s", name(role), a.status, a.body)
				}
			}
		}
	})

	s.now = s.now.Add(2 * time.Hour)
	if a := s.call(t, request{method: "GET", path: "/me", as: ended}); a.status != http.StatusUnauthorized {
		t.Errorf("an expired token: %d", a.status)
	}
}

// What lists give to somebody of narrow scope holds nothing of others.
func TestListsHoldNothingOfOthers(t *testing.T) {
	s := newService(t)
	foreign := []string{s.other.customer.ID.String(), s.other.site.ID.String(), s.other.line.ID.String(), s.other.left.ID.String(), s.other.unit.ID.String(), s.other.unit.Tag, s.other.meter.ID.String(), s.other.reading.String(), s.other.fault.ID.String(), s.other.assignment.String(), s.other.done.String(), s.other.task.String(), s.other.override.String(), s.other.completion.String(), s.other.visit.String(), "THO"}
	walk(t, func(method, path string, op *openapi3.Operation) {
		if method != http.MethodGet || strings.Contains(path, "{accountId}") {
			return
		}
		for _, role := range []string{"owner", "site_staff", "gateway"} {
			a := s.call(t, request{method: method, path: s.fill(path, s.own) + queryOf(op), as: role})
			for _, f := range foreign {
				if strings.Contains(string(a.body), f) {
					t.Errorf("GET %s as %s tells of another customer's: %s", path, role, a.body)
				}
			}
		}
	})
}
