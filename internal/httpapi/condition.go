package httpapi

import (
	"encoding/base64"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
)

// etag is the version of a thing as its entity tag; it is a strong one.
func etag(version int) string { return `"` + strconv.Itoa(version) + `"` }

// versionSeen gives the version that an edit names in If-Match. Where it names
// several, or any ("*"), current is asked and must be among them. RFC 9110,
// 13.1.1: the comparison is strong, so that W/"3" never matches.
func versionSeen(header *string, current func() (int, error)) (int, error) {
	if header == nil || strings.TrimSpace(*header) == "" {
		return 0, &fault.Error{Kind: fault.NoVersion, Field: "If-Match", Msg: "is needed: the ETag that was read, so that nobody's edit is lost"}
	}
	tags, any, err := entityTags(*header)
	if err != nil {
		return 0, err
	}
	if len(tags) == 1 && !any {
		if v, ok := tags[0].version(); ok {
			return v, nil
		}
	}
	now, err := current()
	if err != nil {
		return 0, err
	}
	for _, t := range tags {
		if v, ok := t.version(); ok && v == now {
			return now, nil
		}
	}
	if any {
		return now, nil
	}
	return 0, &fault.Error{Kind: fault.Stale, Field: "If-Match", Value: *header, Msg: "names no version that is recorded now, which is " + etag(now)}
}

type entityTag struct {
	weak   bool
	opaque string
}

func (t entityTag) version() (int, bool) {
	v, err := strconv.Atoi(t.opaque)
	return v, err == nil && !t.weak && v > 0
}

// entityTags reads a list of entity tags as RFC 9110, 8.8.3 writes them.
func entityTags(header string) (tags []entityTag, any bool, err error) {
	rest := strings.TrimSpace(header)
	if rest == "*" {
		return nil, true, nil
	}
	bad := &fault.Error{Kind: fault.Malformed, Field: "If-Match", Value: header, Msg: `is a list of entity tags, such as "3"`}
	for {
		var t entityTag
		rest, t.weak = strings.CutPrefix(rest, "W/")
		after, ok := strings.CutPrefix(rest, `"`)
		if !ok {
			return nil, false, bad
		}
		t.opaque, rest, ok = strings.Cut(after, `"`)
		if !ok {
			return nil, false, bad
		}
		tags = append(tags, t)
		rest = strings.TrimSpace(rest)
		if rest == "" {
			return tags, false, nil
		}
		if rest, ok = strings.CutPrefix(rest, ","); !ok {
			return nil, false, bad
		}
		rest = strings.TrimSpace(rest)
	}
}

// idempotencyKey reads the key of a retry-safe request, quoted (as a structured
// field string) or bare.
func idempotencyKey(header string) (string, error) {
	key := header
	if inner, ok := strings.CutPrefix(key, `"`); ok {
		key = strings.TrimSuffix(inner, `"`)
	}
	bad := len(key) < 1 || len(key) > 255
	for i := 0; i < len(key); i++ {
		bad = bad || key[i] < 0x21 || key[i] > 0x7e
	}
	if bad {
		return "", &fault.Error{Kind: fault.Malformed, Field: "header.Idempotency-Key", Msg: "takes 1 to 255 visible ASCII characters, fresh for each new request"}
	}
	return key, nil
}

// cursor is where a list is read on, bound to the list that gave it.
type cursor struct {
	List  string `json:"l"`
	After string `json:"a"`
}

// page reads the query of a list. One row more than asked for is read, to know
// whether there is a next page.
func page(list string, token *string, limit *int) (access.Page, error) {
	p := access.Page{Limit: 50}
	if limit != nil {
		p.Limit = *limit
	}
	p.Limit++
	if token == nil {
		return p, nil
	}
	raw, err := base64.RawURLEncoding.DecodeString(*token)
	var c cursor
	if err != nil || json.Unmarshal(raw, &c) != nil || c.List != list {
		return p, &fault.Error{Kind: fault.Malformed, Field: "query.cursor", Value: *token, Msg: "is not one that this list gave; begin without it"}
	}
	p.After = c.After
	return p, nil
}

// cut takes the row too many off a page and gives the cursor to read on from.
func cut[T any](list string, rows []T, p access.Page, key func(T) string) ([]T, *string) {
	if len(rows) < p.Limit {
		return rows, nil
	}
	rows = rows[:p.Limit-1]
	raw, _ := json.Marshal(cursor{list, key(rows[len(rows)-1])}) // two strings always marshal
	next := base64.RawURLEncoding.EncodeToString(raw)
	return rows, &next
}

// unchanged answers a GET with 304 and no body when the reader has the version
// that would be sent. RFC 9110, 13.1.2: this comparison is weak.
func unchanged(c *gin.Context) {
	have := c.GetHeader("If-None-Match")
	if c.Request.Method != http.MethodGet || have == "" {
		return
	}
	tags, any, err := entityTags(have)
	if err != nil {
		return // a condition that cannot be read is no condition
	}
	c.Writer = &sparing{ResponseWriter: c.Writer, tags: tags, any: any}
}

// sparing drops the body of an answer whose entity tag the reader already has.
type sparing struct {
	gin.ResponseWriter
	tags []entityTag
	any  bool
	drop bool
}

func (w *sparing) WriteHeader(status int) {
	if tag := w.Header().Get("ETag"); status == http.StatusOK && tag != "" {
		mine, _, err := entityTags(tag)
		for _, t := range w.tags {
			w.drop = w.drop || err == nil && t.opaque == mine[0].opaque
		}
		if w.drop = w.drop || w.any; w.drop {
			w.Header().Del("Content-Type")
			status = http.StatusNotModified
		}
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *sparing) Write(b []byte) (int, error) {
	if w.drop {
		w.ResponseWriter.WriteHeaderNow()
		return len(b), nil
	}
	return w.ResponseWriter.Write(b)
}

func (w *sparing) WriteString(s string) (int, error) { return w.Write([]byte(s)) }
