package fault_test

import (
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
	"testing"

	"spindlebook/internal/fault"
)

func TestWhatNobodyClassifiedIsOurs(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		err  error
		want fault.Kind
	}{
		"nothing":          {nil, fault.Internal},
		"any error":        {io.EOF, fault.Internal},
		"a bare fault":     {&fault.Error{}, fault.Internal},
		"a fault":          {&fault.Error{Kind: fault.Stale}, fault.Stale},
		"a wrapped fault":  {fmt.Errorf("edit the site: %w", &fault.Error{Kind: fault.Stale}), fault.Stale},
		"the first of two": {&fault.Error{Kind: fault.Conflict, Err: &fault.Error{Kind: fault.NotFound}}, fault.Conflict},
		"a joined one":     {errors.Join(io.EOF, &fault.Error{Kind: fault.TooLarge}), fault.TooLarge},
	} {
		if got := fault.KindOf(c.err); got != c.want {
			t.Errorf("%s is of kind %d, want %d", name, got, c.want)
		}
	}
}

func TestAFaultReadsAsASentence(t *testing.T) {
	t.Parallel()
	f := &fault.Error{Kind: fault.Invalid, Field: "code", Msg: "must not be blank", Err: io.EOF}
	if got := f.Error(); got != "code: must not be blank: EOF" {
		t.Errorf("reads %q", got)
	}
	if got := (&fault.Error{Msg: "no such site"}).Error(); got != "no such site" {
		t.Errorf("reads %q", got)
	}
	if !errors.Is(f, io.EOF) {
		t.Error("the cause is lost")
	}
}

func TestTheUsualFaults(t *testing.T) {
	t.Parallel()
	ref := fault.Ref{Kind: "site", ID: "7", Code: "UMB"}
	for name, c := range map[string]struct{ got, want *fault.Error }{
		"a field":  {fault.Field("volts", 0, "lies between %d and %d", 1, 1000), &fault.Error{Kind: fault.Invalid, Field: "volts", Value: "0", Msg: "lies between 1 and 1000"}},
		"missing":  {fault.Missing("site", "7"), &fault.Error{Kind: fault.NotFound, Value: "7", Msg: "no such site"}},
		"taken":    {fault.Taken("code", ref), &fault.Error{Kind: fault.Conflict, Field: "code", Value: "UMB", Msg: "is in use by another site", Existing: &ref}},
		"outdated": {fault.Outdated("site", 2, 3), &fault.Error{Kind: fault.Stale, Field: "If-Match", Value: `"2"`, Msg: `the site has been changed meanwhile and is at version "3"; read it again and repeat the edit`}},
	} {
		if !reflect.DeepEqual(c.got, c.want) {
			t.Errorf("%s: %+v, want %+v", name, c.got, c.want)
		}
	}
}

func TestAnAnswerRepeatsNoNovel(t *testing.T) {
	t.Parallel()
	for _, long := range []string{strings.Repeat("a", 81), strings.Repeat("ä", 5000)} {
		got := fault.Field("name", long, "is too long").Value
		if n := len([]rune(got)); n != 80 || !strings.HasSuffix(got, "...") || !strings.HasPrefix(long, strings.TrimSuffix(got, "...")) {
			t.Errorf("of %d bytes the answer repeats %d characters: %q", len(long), n, got)
		}
	}
	if got := fault.Missing("site", strings.Repeat("a", 80)).Value; len(got) != 80 || strings.Contains(got, ".") {
		t.Errorf("what fits was shortened to %q", got)
	}
}

func TestCollectTellsEverythingOnce(t *testing.T) {
	t.Parallel()
	var none *fault.Error
	// a nil error, not an error that holds nothing
	if err := fault.Collect(); err != nil {
		t.Errorf("of nothing came %v", err)
	}
	if err := fault.Collect(none, nil); err != nil {
		t.Errorf("of two nils came %v", err)
	}
	ref := &fault.Ref{Kind: "site", ID: "7", Code: "UMB"}
	blank := &fault.Error{Field: "name", Msg: "must not be blank"} // Kind left out, as in a table of words
	taken := fault.Taken("code", *ref)
	zone := fault.Field("zone", "Mars", "is no zone")
	for name, c := range map[string]struct {
		in   []*fault.Error
		want *fault.Error
	}{
		"one":          {[]*fault.Error{nil, blank}, &fault.Error{Kind: fault.Invalid, Field: "name", Msg: "must not be blank"}},
		"one conflict": {[]*fault.Error{taken, nil}, &fault.Error{Kind: fault.Conflict, Field: "code", Value: "UMB", Msg: "is in use by another site", Existing: ref}},
		"two": {[]*fault.Error{zone, blank}, &fault.Error{Kind: fault.Invalid, Msg: "2 fields break a rule",
			Parts: []fault.Part{{Field: "zone", Value: "Mars", Msg: "is no zone"}, {Field: "name", Msg: "must not be blank"}}}},
		"mixed": {[]*fault.Error{taken, blank}, &fault.Error{Kind: fault.Invalid, Msg: "2 fields break a rule",
			Parts: []fault.Part{{Field: "code", Value: "UMB", Msg: "is in use by another site", Existing: ref}, {Field: "name", Msg: "must not be blank"}}}},
		"two conflicts": {[]*fault.Error{taken, taken}, &fault.Error{Kind: fault.Conflict, Msg: "2 fields break a rule",
			Parts: []fault.Part{{Field: "code", Value: "UMB", Msg: "is in use by another site", Existing: ref}, {Field: "code", Value: "UMB", Msg: "is in use by another site", Existing: ref}}}},
	} {
		if got := fault.Collect(c.in...); !reflect.DeepEqual(got, error(c.want)) {
			t.Errorf("%s: %+v, want %+v", name, got, c.want)
		}
	}
}
