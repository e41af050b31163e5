package door

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"spindlebook/internal/fault"
)

// statuses gives each kind its status, the name under which /problems explains
// it, and its title.
var statuses = map[fault.Kind]struct {
	status      int
	name, title string
}{
	fault.Internal:    {http.StatusInternalServerError, "internal", "Something went wrong on our side"},
	fault.Malformed:   {http.StatusBadRequest, "malformed", "The request cannot be read"},
	fault.Invalid:     {http.StatusUnprocessableEntity, "invalid", "The request breaks a rule"},
	fault.NoIdentity:  {http.StatusUnauthorized, "no-identity", "Nobody is signed in"},
	fault.Forbidden:   {http.StatusForbidden, "forbidden", "Not in your roles"},
	fault.NotFound:    {http.StatusNotFound, "not-found", "Not found"},
	fault.Conflict:    {http.StatusConflict, "conflict", "It contradicts what is recorded"},
	fault.Stale:       {http.StatusPreconditionFailed, "stale", "It was changed meanwhile"},
	fault.NoVersion:   {http.StatusPreconditionRequired, "no-version", "The edit names no version"},
	fault.Throttled:   {http.StatusTooManyRequests, "throttled", "Too many tries"},
	fault.Unavailable: {http.StatusServiceUnavailable, "unavailable", "Not available at the moment"},
	fault.TooLarge:    {http.StatusRequestEntityTooLarge, "too-large", "Too large"},
}

// Problem is a problem document, RFC 9457.
type Problem struct {
	Type     string    `json:"type"`
	Title    string    `json:"title"`
	Status   int       `json:"status"`
	Detail   string    `json:"detail,omitempty"`
	Instance string    `json:"instance,omitempty"`
	Errors   []field   `json:"errors,omitempty"`
	Counts   []count   `json:"counts,omitempty"`
	Existing *existing `json:"existing,omitempty"`
}

type field struct {
	Field string `json:"field"`
	Value string `json:"value,omitempty"`
	Rule  string `json:"rule"`
	// of a cell in a file
	Sheet  string `json:"sheet,omitempty"`
	Row    int    `json:"row,omitempty"`
	Column string `json:"column,omitempty"`
	Code   string `json:"code,omitempty"`
}

type count struct {
	Code  string `json:"code"`
	Count int    `json:"count"`
}

type existing struct {
	Kind string `json:"kind"`
	ID   string `json:"id"`
	Code string `json:"code"`
}

// TooLarge is the fault of a body above the bound.
func TooLarge(most int64) *fault.Error {
	return &fault.Error{Kind: fault.TooLarge, Msg: fmt.Sprintf("a request takes at most %d bytes; send it in parts", most)}
}

// WrongType is the fault of a body that is not what is taken.
type WrongType struct{ Given, Taken string }

func (w WrongType) Error() string {
	return fmt.Sprintf("content type %q; %s is taken", w.Given, w.Taken)
}

// Fail answers a request with a fault and ends it: the one door for every error
// of the API and of the pages. What is ours stays in the log.
func (d *Door) Fail(c *gin.Context, err error) {
	if tooLarge, ok := errors.AsType[*http.MaxBytesError](err); ok {
		err = TooLarge(tooLarge.Limit)
	}
	if w, ok := errors.AsType[WrongType](err); ok {
		d.answer(c, http.StatusUnsupportedMediaType, &fault.Error{Kind: fault.Malformed, Field: "Content-Type", Value: w.Given, Msg: "must be " + w.Taken})
		return
	}
	f, ok := errors.AsType[*fault.Error](err)
	if !ok {
		f = &fault.Error{Err: err}
	}
	d.answer(c, statuses[f.Kind].status, f)
}

// answer writes the fault as a problem document to programs and as a page to people.
func (d *Door) answer(c *gin.Context, status int, f *fault.Error) {
	c.Abort()
	if f.Kind == fault.Internal || f.Kind == fault.Unavailable {
		d.log.ErrorContext(c.Request.Context(), "request failed", "request", RequestID(c), "method", c.Request.Method, "route", c.FullPath(), "err", f.Err)
	}
	if c.Writer.Written() {
		return // half an answer is out already: the connection ends
	}
	h := c.Writer.Header()
	h.Del("ETag")
	switch f.Kind {
	case fault.Throttled, fault.Unavailable:
		h.Set("Retry-After", strconv.Itoa(max(1, int(math.Ceil(f.RetryAfter.Seconds())))))
	case fault.NoIdentity:
		challenge := `Bearer realm="spindlebook"`
		if c.GetHeader("Authorization") != "" { // RFC 6750, 3.1: no code where no token was shown
			challenge += `, error="invalid_token"`
		}
		h.Set("WWW-Authenticate", challenge)
	case fault.Forbidden:
		if c.GetHeader("Authorization") != "" {
			h.Set("WWW-Authenticate", `Bearer realm="spindlebook", error="insufficient_scope"`)
		}
	}
	if !isAPI(c) && d.page != nil {
		d.page(c, status, shown(f))
		return
	}
	h.Set("Content-Type", "application/problem+json")
	c.JSON(status, problem(status, shown(f), RequestID(c)))
}

// shown is what of a fault a caller may see.
func shown(f *fault.Error) *fault.Error {
	if f.Kind == fault.Internal {
		return &fault.Error{Kind: fault.Internal, Msg: "the request was not carried out; it is in our log under the number of this request"}
	}
	return f
}

func problem(status int, f *fault.Error, request string) Problem {
	s := statuses[f.Kind]
	p := Problem{Type: "/problems#" + s.name, Title: s.title, Status: status, Instance: "urn:uuid:" + request}
	if status != s.status { // a matter of HTTP alone, such as 405
		p.Type, p.Title = "about:blank", http.StatusText(status)
	}
	p.Detail = sentence(f)
	for _, part := range f.Parts {
		p.Errors = append(p.Errors, field{part.Field, part.Value, part.Msg, part.Sheet, part.Row, part.Column, part.Rule})
	}
	if f.Field != "" {
		p.Errors = []field{{Field: f.Field, Value: f.Value, Rule: f.Msg}}
	}
	for _, t := range f.Tallies {
		p.Counts = append(p.Counts, count{t.Rule, t.Count})
	}
	if e := f.Existing; e != nil {
		p.Existing = &existing{e.Kind, e.ID, e.Code}
	}
	return p
}

// sentence says in one line what a person needs to know.
func sentence(f *fault.Error) string {
	if f.Field == "" {
		return f.Msg
	}
	if f.Value == "" {
		return f.Field + " " + f.Msg
	}
	return fmt.Sprintf("%s %q %s", f.Field, f.Value, f.Msg)
}

func methodNotAllowed(c *gin.Context) *fault.Error {
	return &fault.Error{Kind: fault.Malformed, Field: "method", Value: c.Request.Method,
		Msg: "is not taken here; this address takes " + strings.ReplaceAll(c.Writer.Header().Get("Allow"), ", ", " or ")}
}

// Explained is one kind of problem as the page /problems tells it.
type Explained struct {
	Name, Title string
	Status      int
}

// Problems lists the kinds of problem by status.
func Problems() []Explained {
	var all []Explained
	for k := fault.Internal; k <= fault.TooLarge; k++ {
		s := statuses[k]
		all = append(all, Explained{s.name, s.title, s.status})
	}
	return all
}

func (d *Door) recovered(c *gin.Context, err any) {
	d.metrics.panics.Inc()
	d.Fail(c, fmt.Errorf("panic: %v", err))
}
