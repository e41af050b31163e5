package web

import (
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/isolation"
	"spindlebook/internal/pm/record"
	"spindlebook/internal/pm/visits"
)

// colleagues are those with whom somebody works: who have shown a skill.
func (p *pages) colleagues(v visit) ([]option, error) {
	staff, err := visits.Staff(v.ctx, p.db, v.who)
	all := []option{{"", "nobody"}}
	for _, m := range staff {
		if m.PersonID != v.who.ID {
			all = append(all, option{m.PersonID.String(), m.Name + " (" + m.Skills + ")"})
		}
	}
	return all, err
}

// together reads who did it together with whoever sends it. Of an entry that was sent before
// the colleague is called as then, wherever they have gone since.
func (p *pages) together(v visit, c record.Card, key uuid.UUID, id, name string) ([]record.Helper, error) {
	var all []record.Helper
	if who, bad := uuid.Parse(id); bad == nil {
		called := ""
		for _, e := range c.Entries {
			for _, h := range e.Others {
				if e.ID == key && h.ID != nil && *h.ID == who {
					called = h.Name
				}
			}
		}
		if called == "" {
			staff, err := visits.Staff(v.ctx, p.db, v.who)
			if err != nil {
				return nil, err
			}
			i := slices.IndexFunc(staff, func(m visits.Member) bool { return m.PersonID == who })
			if i < 0 {
				return nil, &fault.Error{Kind: fault.Invalid, Msg: "the colleague who was chosen is not on the list any more: choose another, or write the name beside it"}
			}
			called = staff[i].Name
		}
		all = append(all, record.Helper{ID: &who, Name: called})
	}
	if name = strings.TrimSpace(name); name != "" {
		all = append(all, record.Helper{Name: name})
	}
	return all, nil
}

// pictured keeps the picture of a form that takes one, and puts its key into the entry;
// of an entry that says nothing it keeps none.
func (p *pages) pictured(v visit, s *sheet, c record.Card, e *record.NewEntry, field, caption string) error {
	if bad := e.Check(c); bad != nil {
		return entryFault(bad)
	}
	content := s.field(field).file
	if len(content) == 0 {
		return nil
	}
	sent := pgdb.Request{Key: "picture " + s.Key, Act: "keep a picture", Body: s.values()}
	f, err := pgdb.Once(v.ctx, p.db, v.who.ID, v.now, sent, func(tx *gorm.DB) (assets.Photo, error) {
		return assets.AddPhoto(tx, v.who, v.now, c.Picture(caption, content))
	})
	if bad, is := errors.AsType[*fault.Error](err); is {
		return entryFault(bad)
	}
	if err != nil {
		return err
	}
	e.PhotoIDs = []uuid.UUID{f.ID}
	return nil
}

// jobReadingSheet asks for what the counters of the place show.
func (p *pages) jobReadingSheet(v visit) (*sheet, error) {
	s, c, err := p.jobSheet(v, "Read the counters", "Take the readings")
	if err != nil {
		return nil, err
	}
	all, err := meters.List(v.ctx, p.db, v.who, meters.Filter{SiteID: &c.SiteID}, access.Page{Limit: 200})
	if err != nil {
		return nil, err
	}
	// the one at the brush first, then those of its line, then the others of the site
	near := func(m meters.Meter) int {
		switch {
		case m.PositionID != nil && c.PositionID != nil && *m.PositionID == *c.PositionID:
			return 0
		case m.PositionID != nil:
			return 2
		}
		return 1
	}
	all = slices.DeleteFunc(all, func(m meters.Meter) bool {
		return m.Kind == "computed" || near(m) == 2 || m.Until != nil
	})
	slices.SortStableFunc(all, func(a, b meters.Meter) int { return near(a) - near(b) })
	s.Lead = "Before anything is touched, and again at the end. Leave blank what you do not see. What looks odd is kept, and somebody is asked."
	for _, m := range all {
		f := wheelsField(readingOf(m), m.Code+" "+nameOf(m), m)
		f.Optional, f.Short = true, m.Code
		s.Fields = append(s.Fields, f)
	}
	if len(all) == 0 {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "no counter is on record here; add one at the site first"}
	}
	s.Fields = append(s.Fields, &field{Name: "note", Label: "Remark", Optional: true, Most: 500, Hint: "Such as: the glass is blind, read from the side."})
	s.about = readingsOfJob{c, all}
	return s, nil
}

// readingOf names the field of a counter: another that is added meanwhile shifts none.
func readingOf(m meters.Meter) string { return "value_" + m.ID.String() }

type readingsOfJob struct {
	card   record.Card
	meters []meters.Meter
}

func (p *pages) jobReading(v visit, s *sheet) (string, error) {
	of := s.about.(readingsOfJob)
	var in []record.NewEntry
	var fields []string
	for _, m := range of.meters {
		name := readingOf(m)
		text := s.wheels(name)
		if text == "" {
			if s.field(name).Unit != "" {
				s.wrong(name, "has only its tenths")
			}
			continue
		}
		// the same form sent again is the same entry
		in = append(in, record.NewEntry{ID: uuid.NewSHA1(uuid.MustParse(s.Key), m.ID[:]), Act: record.Reading, Said: record.Said{MeterID: &m.ID, Value: text}, Note: s.get("note"), VersionSeen: of.card.Version, DoneAt: v.now, Stamped: true})
		fields = append(fields, name)
	}
	if len(in) == 0 && len(s.Mend) == 0 {
		s.Mend = append(s.Mend, mend{Text: "No counter has a value. Type in at least one."})
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	taken, err := record.Take(v.ctx, p.db, v.who, v.now, of.card.ID, in)
	var kept []*field
	for i, t := range taken {
		switch {
		case t.Fault == nil:
			kept = append(kept, s.field(fields[i]))
		case t.Fault.Kind == fault.Conflict: // the form was sent before, and changed since
			err = entryFault(t.Fault)
		default:
			s.wrong(fields[i], t.Fault.Msg)
		}
	}
	if err != nil && len(s.Mend) == 0 {
		s.blame(err)
	}
	if len(s.Mend) > 0 { // what is recorded stays out of the form, so that it is not recorded twice
		for _, f := range kept {
			f.Value, f.Unit = "", ""
			s.Mend = append(s.Mend, mend{Text: f.Short + " is recorded already, and is left blank here."})
		}
	}
	return "/jobs/" + of.card.ID.String() + "#booked", err
}

func (p *pages) jobNoteSheet(v visit) (*sheet, error) {
	photo := pictureField("photo")
	photo.Optional = true
	s, _, err := p.jobSheet(v, "Write a note", "Keep the note",
		&field{Name: "note", Label: "What is there to say?", Short: "The note", Kind: "area", Most: 2000, Hint: "What was found, what is worn, what the next one must know. Leads as found, should there be no step for them."},
		photo)
	return s, err
}

func (p *pages) jobNote(v visit, s *sheet) (string, error) {
	c := s.about.(record.Card)
	e := record.NewEntry{ID: uuid.MustParse(s.Key), Act: record.Note, Note: s.get("note"), DoneAt: v.now}
	if err := p.pictured(v, s, c, &e, "photo", cutText(e.Note, 200)); err != nil {
		return "", err
	}
	return p.entry(v, s, c, e)
}

func cutText(text string, most int) string {
	if r := []rune(text); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return text
}

// lockFor finds the lock in the path, as it is on now.
func (p *pages) lockFor(v visit) (isolation.OpenLock, []crumb, error) {
	id, err := idOf(v, "id", "lock")
	if err != nil {
		return isolation.OpenLock{}, nil, err
	}
	if err := v.who.Must(access.DoRounds); err != nil {
		return isolation.OpenLock{}, nil, err
	}
	l, err := isolation.OneLock(v.ctx, p.db, v.who, v.now, id)
	if err == nil && l.RemovedAt != nil && v.c.Request.Method == http.MethodGet { // what was on its way is still taken
		zone, bad := time.LoadLocation(l.Zone)
		if bad != nil {
			return l, nil, bad
		}
		err = &fault.Error{Kind: fault.Conflict, Msg: "this lock of " + l.Person + " is off since " + l.RemovedAt.In(zone).Format("2 January, 15:04")}
	}
	back := crumb{"/jobs#locks", "Locks that are on"}
	if l.RecordID != nil && v.may(access.RecordWork) {
		back = crumb{"/jobs/" + l.RecordID.String() + "#p-" + l.PointID.String(), "The job card"}
	}
	return l, []crumb{back}, err
}

func ownLock(v visit, l isolation.OpenLock) bool { return l.PersonID != nil && *l.PersonID == v.who.ID }

func lockOver(l isolation.OpenLock, at *time.Location) string {
	return "Lock of " + l.Person + " at " + l.Point + ", on since " + l.LockedAt.In(at).Format("2 January, 15:04")
}

func (p *pages) leaveLockSheet(v visit) (*sheet, error) {
	l, crumbs, err := p.lockFor(v)
	if err != nil {
		return nil, err
	}
	if !ownLock(v, l) {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "this is the lock of " + l.Person + ", and only its owner leaves it on"}
	}
	zone, err := time.LoadLocation(l.Zone)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Leave my lock on", Over: lockOver(l, zone), Verb: "I leave it on", Cancel: crumbs[0].Path, Crumbs: crumbs, at: zone, about: l,
		Lead: "It stays on the list of locks, for everybody, until you have taken it off. Whoever goes on puts an own lock on before yours comes off: the protection is never broken in between.",
		Fields: []*field{{Name: "until", Label: "Until when?", Short: "The time", Kind: "moment", Hint: "When you or the next one is back at it. Local time at the site."},
			{Name: "handed_to", Label: "Handed over to", Optional: true, Hint: "Who knows about it, and goes on: by name."},
			{Name: "note", Label: "What stays behind, and how it stands", Short: "The remark", Kind: "area", Optional: true, Most: 1000}}}
	return s, nil
}

func (p *pages) leaveLock(v visit, s *sheet) (string, error) {
	l := s.about.(isolation.OpenLock)
	until := s.moment("until")
	if until != nil && !until.After(v.now) {
		s.wrong("until", "lies ahead: when somebody is back at it")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	return s.Cancel, p.ofLock(v, s, isolation.NewEntry{Act: isolation.LeftOn, Until: until, HandedTo: s.get("handed_to"), Note: s.get("note")}, l)
}

// anothersRule is told before anybody touches the lock of another.
const anothersRule = "Each takes off the own lock. Another's comes off only under the employer's own written rule, by whom that rule names, after all three: it was checked that the owner is not at the site, everything was done to reach the owner, and the owner gets to know before working there again (29 CFR 1910.147 (e)(3)). The site's own procedure and local law come first. A manager looks at it."

func (p *pages) takeLockOffSheet(v visit) (*sheet, error) {
	l, crumbs, err := p.lockFor(v)
	if err != nil {
		return nil, err
	}
	if ownLock(v, l) {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "this is your own lock: tick it off at its point on the job card"}
	}
	zone, err := time.LoadLocation(l.Zone)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "The owner of a lock is not there", Over: lockOver(l, zone), Verb: "It was taken off by this rule", Grave: true, Cancel: crumbs[0].Path, Crumbs: crumbs, at: zone, about: l, Caution: anothersRule,
		Fields: []*field{{Name: "not_here", Label: "How was it checked that the owner is not at the site?", Short: "How that was checked", Kind: "area", Most: 1000},
			{Name: "tried", Label: "What was done to reach the owner?", Short: "What was done", Kind: "area", Most: 1000},
			{Name: "knows", Label: "How does the owner get to know before working there again?", Short: "How the owner gets to know", Kind: "area", Most: 1000}}}
	return s, nil
}

func (p *pages) takeLockOff(v visit, s *sheet) (string, error) {
	return s.Cancel, p.ofLock(v, s, isolation.NewEntry{Act: isolation.Unlocked, Anothers: isolation.AnothersLock{NotHere: s.get("not_here"), Tried: s.get("tried"), Knows: s.get("knows")}}, s.about.(isolation.OpenLock))
}

// ofLock declares one thing about a lock, once however often it is sent.
func (p *pages) ofLock(v visit, s *sheet, e isolation.NewEntry, l isolation.OpenLock) error {
	e.ID, e.PointID, e.LockID, e.PointVersion, e.DoneAt, e.Stamped, e.RecordID, e.VisitID = uuid.MustParse(s.Key), l.PointID, &l.ID, l.PointVersion, v.now, true, l.RecordID, l.VisitID
	_, err := once(p, v, s, func(tx *gorm.DB) (uuid.UUID, error) {
		taken, err := isolation.Take(tx, v.who, v.now, []isolation.NewEntry{e})
		if err == nil && taken[0].Fault != nil {
			err = entryFault(taken[0].Fault)
		}
		return e.ID, err
	})
	return err
}
