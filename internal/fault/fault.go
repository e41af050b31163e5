// Package fault is the vocabulary in which every part of the program says why
// it could not do what was asked. It knows nothing of HTTP: the door turns a
// Kind into a status, a page or a problem document.
package fault

import (
	"errors"
	"fmt"
	"time"
)

// Kind says whose fault it is and what helps. The zero value is Internal, so
// an error nobody classified is treated as ours and its text is never shown.
type Kind int

const (
	Internal    Kind = iota // ours: hidden from the caller, logged
	Malformed               // the request cannot be read: wrong syntax or type
	Invalid                 // it can be read, but breaks a rule
	NoIdentity              // nobody is signed in, or the token is no longer good
	Forbidden               // this actor's roles do not include that
	NotFound                // not there, or outside what this actor may see
	Conflict                // contradicts what is recorded
	Stale                   // the version named is not the one recorded now
	NoVersion               // an edit did not say which version it edits
	Throttled               // too many tries; RetryAfter says when
	Unavailable             // the database is away; RetryAfter says when
	TooLarge                // more than we take in one request
)

// Error is a fault that may be shown to the caller, except for Err.
type Error struct {
	Kind     Kind
	Field    string // what is to blame, as a path into the request: "lines[2].code"
	Value    string // what was given, shortened where it is long
	Msg      string // the rule that was broken and what would be accepted
	Existing *Ref   // for Conflict: what stands in the way
	Parts    []Part // when several fields are to blame at once
	// Tallies counts what Parts lists only in part, by rule.
	Tallies []Tally
	// RetryAfter is how long to wait; for Throttled and Unavailable only.
	RetryAfter time.Duration
	Err        error // the cause, for the log only
}

// Part is one field's share of a fault that blames several.
type Part struct {
	Field    string
	Value    string
	Msg      string
	Existing *Ref // for a conflict: what stands in the way
	// Of a cell in a file: where it is, and the short name of the rule.
	Sheet  string
	Row    int
	Column string
	Rule   string
}

// Tally counts how often one rule was broken.
type Tally struct {
	Rule  string
	Count int
}

// Ref names a recorded thing so that a person and a program can find it.
type Ref struct {
	Kind string // "site", "position", ...
	ID   string
	Code string
}

// Error gives the sentence, the field first where one is to blame.
func (e *Error) Error() string {
	s := e.Msg
	if e.Field != "" {
		s = e.Field + ": " + s
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// KindOf gives the kind of the first fault in err's chain, Internal if none.
func KindOf(err error) Kind {
	if f, ok := errors.AsType[*Error](err); ok {
		return f.Kind
	}
	return Internal
}

// Field says that one field's value breaks a rule.
func Field(field string, value any, format string, args ...any) *Error {
	return &Error{Kind: Invalid, Field: field, Value: show(value), Msg: fmt.Sprintf(format, args...)}
}

// Missing says that no such thing is recorded within the actor's scope. The
// same words serve for what exists elsewhere, so that nothing can be probed.
func Missing(kind, id string) *Error {
	return &Error{Kind: NotFound, Value: show(id), Msg: "no such " + kind}
}

// Taken says that a code is in use and by what.
func Taken(field string, existing Ref) *Error {
	return &Error{Kind: Conflict, Field: field, Value: existing.Code,
		Msg: fmt.Sprintf("is in use by another %s", existing.Kind), Existing: &existing}
}

// Outdated says that the thing was changed since the version the caller saw.
func Outdated(kind string, seen, now int) *Error {
	return &Error{Kind: Stale, Field: "If-Match", Value: fmt.Sprintf(`"%d"`, seen),
		Msg: fmt.Sprintf(`the %s has been changed meanwhile and is at version "%d"; read it again and repeat the edit`, kind, now)}
}

// Collect joins the faults of several fields into one answer, so that a person
// mends a form once. It gives nil when there is none. The answer is a Conflict
// when nothing but conflicts stand in the way, and otherwise Invalid.
func Collect(faults ...*Error) error {
	var parts []Part
	kind := Conflict
	for _, f := range faults {
		if f == nil {
			continue
		}
		if f.Kind != Conflict {
			kind = Invalid
		}
		parts = append(parts, Part{Field: f.Field, Value: f.Value, Msg: f.Msg, Existing: f.Existing})
	}
	switch len(parts) {
	case 0:
		return nil
	case 1:
		p := parts[0]
		return &Error{Kind: kind, Field: p.Field, Value: p.Value, Msg: p.Msg, Existing: p.Existing}
	}
	return &Error{Kind: kind, Msg: fmt.Sprintf("%d fields break a rule", len(parts)), Parts: parts}
}

// Renamed gives a fault whose fields are called as its caller calls them.
func Renamed(err error, name func(field string) string) error {
	f, ok := err.(*Error)
	if !ok {
		return err
	}
	if f.Field != "" {
		f.Field = name(f.Field)
	}
	for i := range f.Parts {
		f.Parts[i].Field = name(f.Parts[i].Field)
	}
	return f
}

// show keeps an answer readable when somebody sends a novel as a code.
func show(v any) string {
	s := fmt.Sprint(v)
	if r := []rune(s); len(r) > 80 {
		return string(r[:77]) + "..."
	}
	return s
}
