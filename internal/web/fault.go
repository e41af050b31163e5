package web

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
)

// faultPage says what happened and what to do next.
type faultPage struct {
	Status int
	Title  string
	Detail string
	Next   string // what helps
	Links  []crumb
	Mine   bool // it is in our log
	// What was typed into a form that could not be taken, to be sent again from here.
	Again *again
}

// again is a form that is sent once more as it was.
type again struct {
	Path   string
	Values []pair
}

// fault shows a fault to people. Nobody signed in is no fault to show: the
// browser goes to sign in and comes back.
func (p *pages) fault(c *gin.Context, status int, f *fault.Error) {
	guard(c)
	if strings.HasPrefix(c.Request.URL.Path, "/enter/") {
		c.Header("Referrer-Policy", "no-referrer")
	}
	if f.Kind == fault.NoIdentity && c.GetHeader("Authorization") == "" {
		to := "/sign-in"
		if c.Request.Method == http.MethodGet && c.Request.URL.Path != "/" {
			to += "?next=" + url.QueryEscape(c.Request.URL.RequestURI())
		}
		c.Redirect(http.StatusSeeOther, to)
		return
	}
	// An address that belongs to no page never met Identify; the frame is kinder
	// when it knows who is there. Should that fail, the page for it goes out.
	who, known := door.Who(c.Request.Context())
	if !known && status == http.StatusNotFound && c.FullPath() == "" {
		p.door.Identify(c)
		if c.Writer.Written() {
			return
		}
		who, known = door.Who(c.Request.Context())
	}
	g := faultPage{Status: status, Detail: sentence(shownDetail(f)), Mine: status >= 500}
	g.Title, g.Next = advice(status, f)
	if status == http.StatusServiceUnavailable {
		if g.Again = typedAgain(c.Request); g.Again != nil {
			g.Next = "Nothing was changed. What you typed is kept on this page: wait a few seconds and send it again from here. It is done once, however often it is sent."
		}
	}
	switch {
	case strings.HasPrefix(c.Request.URL.Path, "/enter/") && status == http.StatusNotFound:
		g.Title, g.Next = "This link no longer opens", "If you have a password, sign in. If not, ask your service manager for a new link."
		g.Links = []crumb{{"/sign-in", "Sign in"}}
	case known:
		g.Links = []crumb{{"/", "Overview"}, {"/sites", "Sites"}}
	default:
		g.Links = []crumb{{"/sign-in", "Sign in"}}
	}
	v := visit{c: c, ctx: c.Request.Context(), who: who, now: p.now()}
	if err := p.show(v, status, "fault", g.Title, g); err != nil {
		c.String(http.StatusInternalServerError, "Something went wrong on our side. Request %s.\n", door.RequestID(c))
	}
}

// typedAgain keeps what a form brought, so that it need not be typed anew. Of a password
// nothing is written into a page, and a file is chosen again: nil then.
func typedAgain(r *http.Request) *again {
	path := r.URL.Path
	if r.Method != http.MethodPost || strings.HasPrefix(path, "/sign-") || strings.HasPrefix(path, "/enter/") || path == "/account/password" ||
		!strings.HasPrefix(r.Header.Get("Content-Type"), "application/x-www-form-urlencoded") || r.ParseForm() != nil {
		return nil
	}
	a := &again{Path: r.URL.RequestURI()}
	for _, name := range slices.Sorted(maps.Keys(r.PostForm)) {
		for _, value := range r.PostForm[name] {
			a.Values = append(a.Values, pair{name, value})
		}
	}
	if len(a.Values) == 0 {
		return nil
	}
	return a
}

// whoseRight says for whom it is what takes a right, in the words of a page.
var whoseRight = map[access.Capability]string{access.SeeInternal: "our own people", access.SeePrice: "those who see prices", access.SeeCost: "those who see what things cost us", access.KeepRegister: "those who keep sites and positions",
	access.KeepCatalogue: "those who keep the catalogue", access.RecordWork: "technicians", access.ReadCounters: "those who read counters", access.ExplainReadings: "those who explain readings", access.ReportFault: "those who report faults",
	access.DoRounds: "the site's own staff", access.Plan: "those who plan visits", access.MoveStock: "those who move stock", access.Approve: "owners, who say when no stop is wanted", access.Administer: "those who keep accounts"}

// shownDetail is the fault in a sentence, with the field first where one is to blame.
func shownDetail(f *fault.Error) string {
	if whose := whoseRight[access.Capability(f.Value)]; f.Kind == fault.Forbidden && f.Field == "" && whose != "" {
		return "this is for " + whose
	}
	if f.Field == "" || f.Field == "If-Match" || f.Field == "Idempotency-Key" {
		return f.Msg
	}
	text := strings.ReplaceAll(f.Field, "_", " ")
	if f.Value != "" {
		text += " “" + f.Value + "”"
	}
	return local(text+" "+f.Msg, time.UTC)
}

func advice(status int, f *fault.Error) (title, next string) {
	switch status {
	case http.StatusBadRequest:
		return "This request cannot be read", "Go back, open the page anew and try from there."
	case http.StatusUnauthorized:
		return "Nobody is signed in", "Sign in, or send a token that is still good."
	case http.StatusForbidden:
		if strings.Contains(f.Msg, "another site") {
			return "This came from somewhere else", "It was sent by a page of another site and was not carried out. If it was you, open the page here and send it from there."
		}
		return "Not in your roles", "Nothing was changed. If it belongs to your work, ask your service manager for the role."
	case http.StatusNotFound:
		return "Not found", "It may have another address, or lie outside the sites that are yours to see."
	case http.StatusMethodNotAllowed:
		return "Not that way", "Open the page by its link and send the form from there."
	case http.StatusConflict, http.StatusPreconditionFailed:
		return "It contradicts what is recorded", "Nothing was changed. Go back, open the page anew and look at what is recorded now."
	case http.StatusUnprocessableEntity:
		return "It breaks a rule", "Nothing was changed. Go back and change what is named above."
	case http.StatusTooManyRequests:
		return "Too many tries", "Wait a little, then try again."
	case http.StatusRequestEntityTooLarge:
		return "Too large", "Send less at once."
	case http.StatusServiceUnavailable:
		return "Not available at the moment", "Nothing was changed. Try again in a few seconds; what you typed is still there when you go back."
	}
	return "Something went wrong on our side", "Nothing was changed. Try again; if it happens again, tell us the number below."
}

// problemKind explains one kind of problem document.
type problemKind struct {
	door.Explained
	Means, Help string
}

func (p *pages) problems(v visit) error {
	var all []problemKind
	for _, e := range door.Problems() {
		x := problemTexts[e.Name]
		all = append(all, problemKind{e, x[0], x[1]})
	}
	return p.ok(v, "problems", "Problems", all)
}

// problemTexts say what a kind of problem means and what a caller does about it.
var problemTexts = map[string][2]string{
	"internal":    {"The fault is ours. What was asked was not carried out.", "Send it again with the same Idempotency-Key; if it stays, report the number of the request."},
	"malformed":   {"The request is not what the description of the API says: a body that is no JSON, an unknown member, a cursor that no list gave.", "Mend the request. Sending the same again gives the same."},
	"invalid":     {"The request can be read and breaks a rule of the record. Each field is named with its value and the rule.", "Change what is named under errors."},
	"no-identity": {"No session and no token, or one that is no longer good.", "Sign in, or send a token that has neither expired nor been revoked."},
	"forbidden":   {"The roles of this actor do not include the right that it takes.", "Ask a manager for the role. Nothing was changed."},
	"not-found":   {"There is no such thing within the sites of this actor. What lies elsewhere looks the same.", "Look at the id, and at the scope of the roles."},
	"conflict":    {"It contradicts what is recorded, such as a code that is in use. The thing that stands in the way is named under existing.", "Read what is recorded, then decide."},
	"stale":       {"The edit names a version that is not the one recorded now: somebody else was faster.", "Read it again, and repeat the edit with the new ETag in If-Match."},
	"no-version":  {"An edit must say which version it edits.", "Send the ETag that was read as If-Match."},
	"throttled":   {"Too many tries in a short time.", "Wait as long as Retry-After says."},
	"unavailable": {"The database is away, or two changed the same things in one instant.", "Send it again after Retry-After, with the same Idempotency-Key."},
	"too-large":   {"The request brings more than is taken at once.", "Send it in parts."},
}
