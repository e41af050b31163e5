package httpapi

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/gin-gonic/gin"

	"spindlebook/api"
	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
)

// gatekeeper holds every request against the specification before a handler
// sees it: who may (x-capability), then what is well formed.
type gatekeeper struct {
	door   *door.Door
	router routers.Router
}

func newGatekeeper(d *door.Door) (*gatekeeper, error) {
	doc, err := Spec()
	if err != nil {
		return nil, err
	}
	router, err := gorillamux.NewRouter(doc)
	if err != nil {
		return nil, fmt.Errorf("route the API specification: %w", err)
	}
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			if most, ok := op.Extensions["x-max-body"].(float64); ok {
				d.Larger(method, door.APIPath+inGin.ReplaceAllString(path, ":$1"), int64(most))
			}
		}
	}
	return &gatekeeper{door: d, router: router}, nil
}

// inGin finds the parameters of a path, which gin writes with a colon.
var inGin = regexp.MustCompile(`\{([^}]*)\}`)

// Spec gives the specification, checked.
func Spec() (*openapi3.T, error) {
	doc, err := openapi3.NewLoader().LoadFromData(api.Spec)
	if err != nil {
		return nil, fmt.Errorf("read the API specification: %w", err)
	}
	if err := doc.Validate(context.Background()); err != nil {
		return nil, fmt.Errorf("check the API specification: %w", err)
	}
	return doc, nil
}

// Capability gives what an operation asks of its actor: "none" of anybody,
// "any" of somebody signed in, else the name of a capability.
func Capability(op *openapi3.Operation) string {
	s, _ := op.Extensions["x-capability"].(string)
	return s
}

// unasked refuses what is no parameter of an operation: a filter whose name is mistyped
// would give everything, and nobody would know.
func unasked(query url.Values, route *routers.Route) error {
	var takes []string
	for _, all := range []openapi3.Parameters{route.PathItem.Parameters, route.Operation.Parameters} {
		for _, p := range all {
			if p.Value.In == openapi3.ParameterInQuery {
				takes = append(takes, p.Value.Name)
			}
		}
	}
	slices.Sort(takes)
	var faults []*fault.Error
	for _, name := range slices.Sorted(maps.Keys(query)) {
		if !slices.Contains(takes, name) {
			faults = append(faults, fault.Field("query."+name, query.Get(name), "is no parameter here; these are: %s", cmp.Or(strings.Join(takes, ", "), "none")))
		}
	}
	return fault.Collect(faults...)
}

func (g *gatekeeper) admit(c *gin.Context) {
	route, params, err := g.router.FindRoute(c.Request)
	if err != nil {
		g.door.Fail(c, &fault.Error{Kind: fault.NotFound, Value: c.Request.URL.Path, Msg: "there is nothing at this address"})
		return
	}
	if want := Capability(route.Operation); want != "none" {
		who, err := door.Must(c.Request.Context())
		if err == nil && want != "any" {
			err = who.Must(access.Capability(want))
		}
		if err != nil {
			g.door.Fail(c, err)
			return
		}
	}
	file := false // a file is for its handler to read, as a stream
	if route.Operation.RequestBody != nil {
		content := route.Operation.RequestBody.Value.Content
		given := c.GetHeader("Content-Type")
		t, _, err := mime.ParseMediaType(given)
		if err != nil || content[t] == nil {
			g.door.Fail(c, door.WrongType{Given: given, Taken: strings.Join(slices.Sorted(maps.Keys(content)), " or ")})
			return
		}
		file = t != "application/json"
		if streamed, _ := route.Operation.Extensions["x-streamed"].(bool); streamed {
			// Its handler reads the items one by one and judges each: the generated
			// code would hold them all, and hands on as a stream what is of the other type.
			file = true
			c.Request.Header.Set("Content-Type", "application/x-ndjson")
		}
	}
	asked := c.Request
	if file {
		// The validator would read all of it into memory, for those who look at the
		// body to find out who asks: it gets the request without.
		bare := *c.Request
		bare.Body, asked = http.NoBody, &bare
	} else if err := oneDocument(c.Request); err != nil {
		g.door.Fail(c, err)
		return
	}
	query, err := url.ParseQuery(c.Request.URL.RawQuery) // what cannot be read is left out of what handlers see
	if err != nil {
		g.door.Fail(c, &fault.Error{Kind: fault.Malformed, Field: "query", Value: c.Request.URL.RawQuery, Msg: "cannot be read: " + err.Error()})
		return
	}
	err = openapi3filter.ValidateRequest(c.Request.Context(), &openapi3filter.RequestValidationInput{
		Request: asked, PathParams: params, Route: route,
		Options: &openapi3filter.Options{MultiError: true, AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, ExcludeRequestBody: file},
	})
	if err == nil {
		err = unasked(query, route)
	} else {
		err = unfit(err)
	}
	if err != nil {
		g.door.Fail(c, err)
	}
}

// oneDocument refuses a body that is not one whole JSON document: a decoder
// would read the first and drop the rest.
func oneDocument(r *http.Request) error {
	if r.Body == nil || r.Body == http.NoBody {
		return nil
	}
	raw, err := io.ReadAll(r.Body)
	if err != nil {
		return err
	}
	r.Body = io.NopCloser(bytes.NewReader(raw))
	var it json.RawMessage
	if err := json.Unmarshal(raw, &it); err != nil && len(raw) > 0 {
		return &fault.Error{Kind: fault.Malformed, Field: "body", Msg: "must be one JSON document: " + err.Error()}
	}
	return nil
}

// unfit turns what the validator found into one fault that names every field.
// What cannot be read is malformed; what can be read and breaks a rule of the
// specification is invalid.
func unfit(err error) error {
	if tooLarge, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return tooLarge
	}
	f := &fault.Error{Kind: fault.Invalid}
	var walk func(err error, where string)
	walk = func(err error, where string) {
		switch e := err.(type) {
		case openapi3.MultiError:
			for _, one := range e {
				walk(one, where)
			}
			return
		case *openapi3filter.RequestError:
			if e.Parameter != nil {
				where = e.Parameter.In + "." + e.Parameter.Name
				if e.Err == nil || errors.Is(e.Err, openapi3filter.ErrInvalidRequired) || errors.Is(e.Err, openapi3filter.ErrInvalidEmptyValue) {
					f.Kind = fault.Malformed
					f.Parts = append(f.Parts, fault.Part{Field: where, Msg: "is needed"})
					return
				}
			} else {
				where = "body"
				if errors.Is(e.Err, openapi3filter.ErrInvalidRequired) {
					f.Kind = fault.Malformed
					f.Parts = append(f.Parts, fault.Part{Field: where, Msg: "is needed: a JSON document"})
					return
				}
			}
			if e.Err != nil {
				walk(e.Err, where)
				return
			}
		case *openapi3.SchemaError:
			f.Parts = append(f.Parts, schemaPart(e, where))
			if e.SchemaField == "type" || e.SchemaField == "format" {
				f.Kind = fault.Malformed
			}
			return
		case *openapi3filter.ParseError:
			f.Kind = fault.Malformed
			f.Parts = append(f.Parts, fault.Part{Field: where, Value: shortened(e.Value), Msg: "cannot be read: " + e.Error()})
			return
		}
		if inner := errors.Unwrap(err); inner != nil {
			walk(inner, where)
			return
		}
		f.Kind = fault.Malformed
		f.Parts = append(f.Parts, fault.Part{Field: where, Msg: "cannot be read: " + err.Error()})
	}
	walk(err, "request")
	if len(f.Parts) == 1 {
		p := f.Parts[0]
		return &fault.Error{Kind: f.Kind, Field: p.Field, Value: p.Value, Msg: p.Msg}
	}
	f.Msg = strconv.Itoa(len(f.Parts)) + " fields are to blame"
	return f
}

// unsupported is how the validator names a field that the schema does not have.
var unsupported = regexp.MustCompile(`^property "(.*)" is unsupported`)

// schemaPart says which field broke which rule of its schema, and what would be
// accepted.
func schemaPart(e *openapi3.SchemaError, where string) fault.Part {
	path := where
	for _, p := range e.JSONPointer() {
		if _, err := strconv.Atoi(p); err == nil {
			path += "[" + p + "]"
		} else {
			path += "." + p
		}
	}
	rule := e.Reason
	if name := unsupported.FindStringSubmatch(e.Reason); e.SchemaField == "properties" && name != nil {
		path += "." + name[1]
	}
	switch s := e.Schema; e.SchemaField {
	case "enum":
		words := make([]string, len(s.Enum))
		for i, v := range s.Enum {
			words[i] = fmt.Sprint(v)
		}
		rule = "is one of " + strings.Join(words, ", ")
	case "pattern":
		rule = "must match " + s.Pattern
		if s.Description != "" {
			rule += " (" + strings.TrimSuffix(strings.TrimSpace(s.Description), ".") + ")"
		}
	case "required":
		rule = "is needed"
	case "properties":
		rule = "is not a field that is taken here"
	case "type":
		rule = "is of the wrong type"
		if s.Type != nil {
			rule = "must be of type " + strings.Join(s.Type.Slice(), " or ")
		}
	case "minLength":
		rule = fmt.Sprintf("takes at least %d characters", s.MinLength)
	case "maxLength":
		rule = fmt.Sprintf("takes at most %d characters", val(s.MaxLength))
	case "minimum":
		rule = fmt.Sprintf("is at least %v", val(s.Min))
	case "maximum":
		rule = fmt.Sprintf("is at most %v", val(s.Max))
	case "minItems":
		rule = fmt.Sprintf("takes at least %d items", s.MinItems)
	case "maxItems":
		rule = fmt.Sprintf("takes at most %d items", val(s.MaxItems))
	case "format":
		rule = "must be a " + s.Format
	}
	return fault.Part{Field: path, Value: shortened(e.Value), Msg: rule}
}

// shortened shows a small value and leaves a document out: it may hold a password.
func shortened(v any) string {
	switch v := v.(type) {
	case string:
		if r := []rune(v); len(r) > 80 {
			return string(r[:77]) + "..."
		}
		return v
	case float64, int, int64, bool:
		return fmt.Sprint(v)
	}
	return ""
}
