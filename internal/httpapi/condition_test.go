package httpapi

import (
	"strconv"
	"strings"
	"testing"

	"spindlebook/internal/access"
)

// Whatever a header holds, it is read or refused, and what is read can be
// written again.
func FuzzEntityTags(f *testing.F) {
	for _, s := range []string{`"xyzzy"`, `W/"xyzzy"`, `""`, `*`, `"1", W/"2" ,"3"`, `"1`, `W/`, `"a""b"`, `,`} { // RFC 9110, 8.8.3
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, header string) {
		tags, any, err := entityTags(header)
		if err != nil || any {
			return
		}
		parts := make([]string, len(tags))
		for i, tag := range tags {
			if parts[i] = `"` + tag.opaque + `"`; tag.weak {
				parts[i] = "W/" + parts[i]
			}
		}
		again, _, err := entityTags(strings.Join(parts, ", "))
		if err != nil || len(again) != len(tags) {
			t.Fatalf("%q was read as %v, which is not read again: %v", header, tags, err)
		}
	})
}

func FuzzCursor(f *testing.F) {
	rows := []string{"UMB", "a/b", "ä", ""}
	for _, after := range rows {
		_, next := cut("sites", []string{after, "more"}, pageOf(2), func(s string) string { return s })
		f.Add(*next)
	}
	f.Add("e30")
	f.Fuzz(func(t *testing.T, token string) {
		p, err := page("sites", &token, nil)
		if err != nil {
			return
		}
		_, next := cut("sites", []string{p.After, "more"}, pageOf(2), func(s string) string { return s })
		again, err := page("sites", next, nil)
		if err != nil || again.After != strings.ToValidUTF8(p.After, "\uFFFD") {
			t.Fatalf("%q leads to %q and then to %q: %v", token, p.After, again.After, err)
		}
	})
}

func pageOf(limit int) (p access.Page) { p.Limit = limit; return p }

func FuzzIdempotencyKey(f *testing.F) {
	for _, s := range []string{`"8e03978e-40d5-43e8-bc93-6894a57f9324"`, "bare", `"`, `""`, "ä", strings.Repeat("k", 256)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, header string) {
		key, err := idempotencyKey(header)
		if err != nil {
			return
		}
		if len(key) < 1 || len(key) > 255 || strconv.QuoteToASCII(key) != strconv.Quote(key) {
			t.Fatalf("%q gave the key %q", header, key)
		}
	})
}
