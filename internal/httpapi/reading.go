package httpapi

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/door"
	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/pgdb"
)

func readingOut(r meters.Reading) gen.Reading {
	return gen.Reading{Id: r.ID, MeterId: r.MeterID, Meter: r.Meter, At: r.At, Value: r.Unit.Format(r.Value), Typed: r.Typed, Source: gen.ReadingSource(r.Source), State: gen.ReadingState(r.State),
		Doubt: (*gen.ReadingDoubt)(r.Doubt), Total: formatted(r.Unit, r.Total), ReceivedAt: r.ReceivedAt, RecordedBy: r.RecordedBy, Act: r.Act, Reason: some(val(r.Reason)), ActBy: r.ActBy, ById: r.ByID}
}

func offersOut(all []meters.Offer) []gen.Offer {
	return each(all, func(o meters.Offer) gen.Offer {
		out := gen.Offer{As: gen.ExplainedAs(o.As), Means: o.Means, Fits: o.Fits, Value: some(o.Value), Unit: some(o.Unit)}
		if id, err := uuid.Parse(o.MeterID); err == nil {
			out.MeterId = &id
		}
		return out
	})
}

func outcomeOut(t meters.Taken) gen.ReadingOutcome {
	out := gen.ReadingOutcome{Outcome: gen.ReadingOutcomeOutcome(t.Outcome), Doubt: (*gen.ReadingDoubt)(some(t.Doubt)), Says: some(t.Says), Recorded: some(t.Recorded)}
	if t.ReadingID != uuid.Nil {
		out.ReadingId = &t.ReadingID
	}
	if t.Offers != nil {
		offers := offersOut(t.Offers)
		out.Offers = &offers
	}
	if t.Fault != nil {
		out.Field, out.Value, out.Rule = some(t.Fault.Field), some(t.Fault.Value), some(t.Fault.Msg)
	}
	return out
}

// ListReadings lists what was read on a meter.
func (s *Server) ListReadings(ctx context.Context, r gen.ListReadingsRequestObject) (gen.ListReadingsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	list := "readings " + r.MeterId.String()
	p, err := page(list, r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := meters.Readings(ctx, s.db, who, r.MeterId, p)
	rows, next := cut(list, rows, p, meters.Reading.Key)
	return gen.ListReadings200JSONResponse{Items: each(rows, readingOut), NextCursor: next}, err
}

// ListWaitingReadings lists readings that wait for an explanation.
func (s *Server) ListWaitingReadings(ctx context.Context, r gen.ListWaitingReadingsRequestObject) (gen.ListWaitingReadingsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("waiting", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := meters.Doubts(ctx, s.db, who, r.Params.SiteId, p)
	rows, next := cut("waiting", rows, p, func(r meters.Reading) string { return r.ID.String() })
	return gen.ListWaitingReadings200JSONResponse{Items: each(rows, readingOut), NextCursor: next}, err
}

// GetReading reads a reading with what may be behind it.
func (s *Server) GetReading(ctx context.Context, r gen.GetReadingRequestObject) (gen.GetReadingResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	d, err := meters.OneReading(ctx, s.db, who, s.now(), r.ReadingId)
	return gen.GetReading200JSONResponse{Reading: readingOut(d.Reading), Says: some(d.Says), Offers: offersOut(d.Offers)}, err
}

// CreateReading records what somebody saw on a meter.
func (s *Server) CreateReading(ctx context.Context, r gen.CreateReadingRequestObject) (gen.CreateReadingResponseObject, error) {
	it, err := once(ctx, s, "createReading", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (meters.Taken, error) {
		in := meters.NewReading{MeterID: r.MeterId, At: now, Value: r.Body.Value, Unit: string(val(r.Body.Unit)), Source: string(val(r.Body.Source))}
		if r.Body.At != nil {
			in.At = *r.Body.At
		}
		all, err := meters.Take(tx, who, now, []meters.NewReading{in})
		switch {
		case err != nil:
			return meters.Taken{}, err
		case all[0].Fault != nil && all[0].Fault.Field == "meter_id":
			return meters.Taken{}, fault.Missing("meter", r.MeterId.String())
		case all[0].Fault != nil:
			return meters.Taken{}, all[0].Fault
		}
		return all[0], nil
	})
	return gen.CreateReading200JSONResponse(outcomeOut(it)), err
}

// mostItems is how many readings a batch may bring.
const mostItems = 10_000

// batch is what became of many readings, as it is kept for a retry: a letter for
// each, and more only where there is more to say.
type batch struct {
	Outcomes string
	Details  map[int]meters.Taken
}

var letters = map[string]byte{meters.Took: 't', meters.AlreadyThere: 'a', meters.Conflicts: 'c', meters.NeedsExplanation: 'n', meters.Quarantined: 'q', meters.Refused: 'r'}

func (b batch) out() gen.ReadingOutcomes {
	items := make([]gen.ReadingOutcome, len(b.Outcomes))
	for i := range b.Outcomes {
		if t, told := b.Details[i]; told {
			items[i] = outcomeOut(t)
			continue
		}
		items[i].Outcome = gen.ReadingOutcomeOutcomeTaken
		if b.Outcomes[i] == letters[meters.AlreadyThere] {
			items[i].Outcome = gen.ReadingOutcomeOutcomeAlreadyThere
		}
	}
	return gen.ReadingOutcomes{Items: items}
}

// CreateReadings records many readings, answered item by item. The body is read
// as a stream; all of it must have come before any of it is taken.
func (s *Server) CreateReadings(ctx context.Context, r gen.CreateReadingsRequestObject) (gen.CreateReadingsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	key, err := idempotencyKey(r.Params.IdempotencyKey)
	if err != nil {
		return nil, err
	}
	hash := sha256.New()
	in, faults, err := readItems(io.TeeReader(r.Body, hash))
	if err != nil {
		return nil, err
	}
	now := s.now()
	done, err := pgdb.Once(ctx, s.db, who.ID, now, pgdb.Request{Key: key, Act: "createReadings", Body: hex.EncodeToString(hash.Sum(nil))}, func(tx *gorm.DB) (batch, error) {
		all, err := meters.Take(tx, who, now, in)
		if err != nil {
			return batch{}, err
		}
		b, text := batch{Details: map[int]meters.Taken{}}, make([]byte, len(all))
		for i, t := range all {
			if faults[i] != nil {
				t = meters.Taken{Outcome: meters.Refused, Fault: faults[i]}
			}
			text[i] = letters[t.Outcome]
			if t.Outcome != meters.Took && t.Outcome != meters.AlreadyThere || t.Says != "" {
				b.Details[i] = t
			}
		}
		b.Outcomes = string(text)
		return b, nil
	})
	return gen.CreateReadings200JSONResponse(done.out()), err
}

// line is a reading as a gateway writes it.
type line struct {
	MeterID string          `json:"meter_id"`
	Meter   string          `json:"meter"`
	At      string          `json:"at"`
	Value   json.RawMessage `json:"value"`
	Unit    string          `json:"unit"`
	Source  string          `json:"source"`
}

// isDocument tells a document {"items": [...]} from readings line by line.
var isDocument = regexp.MustCompile(`^\s*\{\s*"items"\s*:`)

// readItems reads readings one by one. What is wrong with one of them is a fault
// of its own; what is wrong with the whole is an error.
func readItems(body io.Reader) ([]meters.NewReading, map[int]*fault.Error, error) {
	r := bufio.NewReaderSize(body, 64<<10)
	head, err := r.Peek(256)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, nil, err
	}
	dec := json.NewDecoder(r)
	more, whole := dec.More, isDocument.Match(head)
	if start := bytes.TrimSpace(head); len(start) > 0 && start[0] != '{' {
		return nil, nil, &fault.Error{Kind: fault.Malformed, Field: "body", Msg: `must be {"items": [...]}, or one reading a line`}
	}
	if whole {
		for range 3 { // {, "items" and [
			if t, err := dec.Token(); err != nil {
				return nil, nil, cutOff(err, 0)
			} else if d, ok := t.(json.Delim); ok && d != '{' && d != '[' {
				return nil, nil, &fault.Error{Kind: fault.Malformed, Field: "body.items", Msg: "must be a list"}
			}
		}
	}
	var all []meters.NewReading
	faults := map[int]*fault.Error{}
	for more() {
		if len(all) == mostItems {
			return nil, nil, &fault.Error{Kind: fault.TooLarge, Field: "body.items", Msg: fmt.Sprintf("takes at most %d readings at once; nothing of it was taken", mostItems)}
		}
		var l line
		var f *fault.Error
		if err := dec.Decode(&l); err != nil {
			wrong, ok := errors.AsType[*json.UnmarshalTypeError](err)
			if !ok {
				return nil, nil, cutOff(err, len(all))
			}
			if f = fault.Field(wrong.Field, wrong.Value, "must be a text"); wrong.Field == "" {
				f = fault.Field("", wrong.Value, "must be a reading: an object with meter, at and value")
			}
		}
		reading, bad := l.reading()
		if f == nil {
			f = bad
		}
		if f != nil {
			faults[len(all)] = f
		}
		all = append(all, reading)
	}
	if whole {
		for _, want := range []json.Delim{']', '}'} {
			if t, err := dec.Token(); err != nil {
				return nil, nil, cutOff(err, len(all))
			} else if t != want {
				return nil, nil, &fault.Error{Kind: fault.Malformed, Field: "body", Msg: "holds more than items; nothing of it was taken"}
			}
		}
		if _, err := dec.Token(); !errors.Is(err, io.EOF) {
			return nil, nil, &fault.Error{Kind: fault.Malformed, Field: "body", Msg: "must be one JSON document; nothing of it was taken"}
		}
	}
	if len(all) == 0 {
		return nil, nil, fault.Field("body.items", "", "takes at least 1 items")
	}
	return all, faults, nil
}

// cutOff says where a body stops being one.
func cutOff(err error, items int) error {
	if _, tooLarge := errors.AsType[*http.MaxBytesError](err); tooLarge {
		return err
	}
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return &fault.Error{Kind: fault.Malformed, Field: "body", Msg: fmt.Sprintf("ends after %d whole readings, in the middle; nothing of it was taken, send it again as a whole", items), Err: err}
	}
	return &fault.Error{Kind: fault.Malformed, Field: "body", Msg: fmt.Sprintf("cannot be read after %d readings: %v; nothing of it was taken", items, err), Err: err}
}

// reading turns a line into a reading; bad is the field that cannot be one.
func (l line) reading() (r meters.NewReading, bad *fault.Error) {
	r = meters.NewReading{Meter: l.Meter, Unit: l.Unit, Source: l.Source}
	if l.MeterID != "" {
		id, err := uuid.Parse(l.MeterID)
		if err != nil {
			bad = fault.Field("meter_id", l.MeterID, "must be a UUID")
		}
		r.MeterID = id
	}
	if at, err := time.Parse(time.RFC3339Nano, l.At); err == nil {
		r.At = at
	} else if bad == nil {
		bad = fault.Field("at", l.At, "must be an instant such as 2026-02-05T14:00:00Z")
	}
	switch v := bytes.TrimSpace(l.Value); {
	case len(v) > 0 && v[0] == '"':
		if err := json.Unmarshal(v, &r.Value); err != nil && bad == nil {
			bad = fault.Field("value", string(v), "must be a number")
		}
	default:
		r.Value = string(v)
		if strings.ContainsAny(r.Value, "eE") && bad == nil {
			bad = fault.Field("value", r.Value, "must be written in digits with a point, such as 12345.6")
		}
	}
	return r, bad
}

// ImportReadings brings a sheet of readings in.
func (s *Server) ImportReadings(ctx context.Context, r gen.ImportReadingsRequestObject) (gen.ImportReadingsResponseObject, error) {
	who, key, file, err := received(ctx, r.Params.IdempotencyKey, r.Body, exchange.ReceiveReadings)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	done, err := exchange.ImportReadings(ctx, s.db, who, s.now(), file, exchange.Options{DryRun: val(r.Params.DryRun), Dates: string(val(r.Params.Dates)), Key: key})
	if err != nil {
		return nil, err
	}
	return gen.ImportReadings200JSONResponse{DryRun: done.DryRun, Rows: done.Rows, Taken: done.Taken, AlreadyThere: done.AlreadyThere, NeedsExplanation: done.NeedsExplanation,
		Quarantined: done.Quarantined, Notes: each(done.Notes, func(n string) string { return n }), Warnings: each(done.Warnings, warningOut), WarningCounts: each(done.Warned, tallyOut)}, nil
}

// ExplainReading says what is behind a reading.
func (s *Server) ExplainReading(ctx context.Context, r gen.ExplainReadingRequestObject) (gen.ExplainReadingResponseObject, error) {
	it, err := once(ctx, s, "explainReading", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (meters.Reading, error) {
		b := r.Body
		return meters.Explain(tx, who, now, r.ReadingId, meters.Explanation{As: string(b.As), At: b.At, OldLast: val(b.OldLast), NewFirst: val(b.NewFirst),
			Counter: counterIn(b.Shows, b.Modulus, b.Digits, b.Decimals, b.Serial), Value: val(b.Value), Unit: string(val(b.Unit)), SeenAt: b.SeenAt, MeterID: val(b.MeterId), Reason: val(b.Reason)})
	})
	return gen.ExplainReading200JSONResponse(readingOut(it)), err
}

// SupersedeReading puts another value or time in the place of a reading.
func (s *Server) SupersedeReading(ctx context.Context, r gen.SupersedeReadingRequestObject) (gen.SupersedeReadingResponseObject, error) {
	it, err := once(ctx, s, "supersedeReading", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (meters.Reading, error) {
		b := r.Body
		return meters.Explain(tx, who, now, r.ReadingId, meters.Explanation{As: "mistyped", Value: val(b.Value), Unit: string(val(b.Unit)), SeenAt: b.SeenAt, Reason: val(b.Reason)})
	})
	return gen.SupersedeReading200JSONResponse(readingOut(it)), err
}

// VoidReading says that a reading is worth nothing.
func (s *Server) VoidReading(ctx context.Context, r gen.VoidReadingRequestObject) (gen.VoidReadingResponseObject, error) {
	it, err := once(ctx, s, "voidReading", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (meters.Reading, error) {
		return meters.Void(tx, who, now, r.ReadingId, r.Body.Reason)
	})
	return gen.VoidReading200JSONResponse(readingOut(it)), err
}
