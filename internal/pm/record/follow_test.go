package record

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"spindlebook/internal/assets"
	"spindlebook/internal/pm/isolation"
)

var (
	t0    = time.Date(2025, 6, 10, 4, 0, 0, 0, time.UTC)
	tom   = who("Tom")
	lidia = who("Lidia")
	point = id("E1")
	far   = time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
	// Tom is a senior technician, Lidia a licensed electrician
	shown = held{*tom.ID: {"T2": far, "AU": far}, *lidia.ID: {"EL": far, "T1": far, "AU": far}}
)

func id(text string) uuid.UUID { return uuid.NewSHA1(uuid.NameSpaceOID, []byte(text)) }

func who(name string) isolation.Person {
	account := id(name)
	return isolation.Person{ID: &account, Name: name, By: account}
}

// steps of a short swap: what a gearmotor's has, in few.
func steps() []StepNow {
	all := []Step{
		{Label: "IN 1", Kind: "isolate", Hold: true, Says: "own locks on"},
		{Label: "IN 2", Kind: "prove_dead", Hold: true, Skills: []string{"AU"}, Says: "prove it"},
		{Label: "J01 1", Kind: "do", Skills: []string{"T1", "T2"}, Needs: []string{"electrical"}, Says: "take the weight"},
		{Label: "J01 2", Kind: "do", Hold: true, Skills: []string{"EL"}, Needs: []string{"electrical"}, Records: []string{LinksSet}, Says: "set the links"},
		{Label: "J01 3", Kind: "do", Hold: true, Needs: []string{"electrical"}, Records: []string{SecondCheck}, Says: "another compares them"},
		{Label: "ROT 1", Kind: "test", Hold: true, Records: []string{DirectionSeen}, Says: "jog and compare"},
		{Label: "OUT 1", Kind: "restore", Hold: true, Says: "locks off"},
		{Label: "OUT 2", Kind: "do", Says: "hand over"},
	}
	out := make([]StepNow, len(all))
	for i, s := range all {
		s.ID, s.Ordinal = id(s.Label), float64(i+1)*apart
		out[i] = StepNow{Step: s}
	}
	return out
}

func at(minute int) time.Time { return t0.Add(time.Duration(minute) * time.Minute) }

// tick is an answer at a minute, each in a version of its own.
func tick(label string, minute int, p isolation.Person, change ...func(*Entry)) Entry {
	step := id(label)
	e := Entry{ID: id(fmt.Sprint(label, minute, p.Name)), StepID: &step, Act: OfStep, Outcome: DoneWell, Person: p, At: at(minute), ReceivedAt: at(minute), Made: minute + 1, VersionSeen: minute}
	for _, c := range change {
		c(&e)
	}
	return e
}

func values(name, value string) func(*Entry) {
	return func(e *Entry) { e.Said.Values = map[string]string{name: value} }
}

func with(p isolation.Person) func(*Entry) {
	return func(e *Entry) { e.Others = []Helper{{p.ID, p.Name}} }
}

// locks is an isolation by Tom and Lidia, under test from minute 50 to 60, proved again
// until 70, and given back at 80.
func locks() isolation.Point {
	both := []isolation.Person{tom, lidia}
	return isolation.Point{Stage: isolation.InService, Spans: []isolation.Span{
		{From: at(1), Stage: isolation.Isolating, Owners: both}, {From: at(10), Stage: isolation.Proven, Owners: both},
		{From: at(50), Stage: isolation.Test}, {From: at(60), Stage: isolation.Proven, Owners: both}, {From: at(70), Stage: isolation.Test}, {From: at(80), Stage: isolation.InService}}}
}

// stands follows a card of those entries.
func stands(looked []isolation.Look, entries ...Entry) Card {
	c := Card{Head: Head{People: 2, State: "open", Energies: []string{"electrical"}, OpenedAt: t0},
		Frozen: Frozen{Turning: assets.Turning{Known: true, Clockwise: true, SeenFrom: "above"}, Points: []Point{{ID: point, Code: "E1", Energy: "electrical"}}},
		Steps:  steps(), Entries: entries, Isolation: map[uuid.UUID]isolation.Point{point: locks()}, LinksFor: "high"}
	follow(&c, shown, looked)
	return c
}

func (c Card) said() string {
	all := []string{}
	for _, m := range c.Marks {
		all = append(all, m.Code)
	}
	return strings.Join(all, " ")
}

func (c Card) blocked() string {
	all := []string{}
	for _, b := range c.Blocks {
		all = append(all, b.Code)
	}
	return strings.Join(slices.Compact(all), " ")
}

// inOrder is a card worked down as it must be.
func inOrder() []Entry {
	return []Entry{
		tick("IN 1", 5, tom), tick("IN 2", 11, lidia), tick("J01 1", 20, tom, with(lidia)), tick("J01 2", 30, lidia, values(LinksSet, "high")), tick("J01 3", 40, tom),
		tick("ROT 1", 72, tom, values(DirectionSeen, "clockwise")), tick("OUT 1", 81, tom), tick("OUT 2", 90, tom),
	}
}

func mustBe(t *testing.T, what string, c Card, marks, blocks string) {
	t.Helper()
	if c.said() != marks || c.blocked() != blocks {
		for _, m := range c.Marks {
			t.Log(m.Code, m.Says)
		}
		for _, b := range c.Blocks {
			t.Log(b.Code, b.Says)
		}
		t.Errorf("%s: marked %q and blocked by %q, want %q and %q", what, c.said(), c.blocked(), marks, blocks)
	}
}

func TestACardWorkedDownInOrderHasNothingInTheWay(t *testing.T) {
	c := stands(nil, inOrder()...)
	mustBe(t, "in order", c, "", "")
	if c.Turned != "right" || c.Steps[7].State != DoneWell || !c.lastWork().Equal(at(90)) {
		t.Errorf("it stands %+v", c.Head)
	}
	for i, s := range stands(nil).Steps {
		if want := map[bool]string{true: "", false: "IN 1"}[i == 0]; s.Behind != want || s.State != "open" {
			t.Errorf("with nothing declared %s is behind %q, want %q", s.Label, s.Behind, want)
		}
	}
	mustBe(t, "nothing declared", stands(nil), "", "hold people")
}

// Every hold by itself: without it the card cannot be signed off.
func TestNoCardWithAnUnmetHoldCanBeSigned(t *testing.T) {
	for _, s := range steps() {
		if !s.Hold {
			continue
		}
		all := slices.DeleteFunc(inOrder(), func(e Entry) bool { return *e.StepID == s.ID })
		c := stands(nil, all...)
		if !strings.Contains(c.blocked(), "hold") {
			t.Errorf("without %s it is blocked by %q", s.Label, c.blocked())
		}
		if later := s.Label != "OUT 1"; later && !strings.Contains(c.said(), "behind_hold") {
			t.Errorf("without %s the marks are %q", s.Label, c.said())
		}
		for _, outcome := range []string{NotOK, NotPossible} {
			all := inOrder()
			for i := range all {
				if *all[i].StepID == s.ID {
					all[i].Outcome, all[i].Note = outcome, "no"
				}
			}
			if c := stands(nil, all...); !strings.Contains(c.blocked(), "hold") {
				t.Errorf("with %s %s it is blocked by %q", s.Label, outcome, c.blocked())
			}
		}
	}
}

func TestWhatContradictsTheCardIsKeptAndMarked(t *testing.T) {
	replace := func(label string, e Entry) []Entry {
		all := inOrder()
		for i := range all {
			if *all[i].StepID == id(label) {
				all[i] = e
			}
		}
		return all
	}
	for what, c := range map[string]struct {
		entries       []Entry
		marks, blocks string
	}{
		"behind an unmet hold":            {replace("J01 1", tick("J01 1", 10, tom, with(lidia))), "behind_hold", "mark"},
		"a work step during test":         {replace("J01 1", tick("J01 1", 55, tom, with(lidia))), "in_test", "mark"},
		"before anything was isolated":    {replace("J01 2", tick("J01 2", 85, lidia, values(LinksSet, "high"))), "behind_hold behind_hold behind_hold not_isolated", "mark"},
		"proved before it was":            {replace("IN 2", tick("IN 2", 7, lidia)), "not_proved", "mark"},
		"isolated without a lock":         {replace("IN 1", tick("IN 1", 0, tom)), "not_locked", "mark"},
		"without an own lock":             {replace("J01 3", tick("J01 3", 40, who("Sam"))), "no_own_lock", "mark"},
		"one person where two are needed": {replace("J01 1", tick("J01 1", 20, tom)), "hands", "mark"},
		"a person without the skill":      {replace("J01 2", tick("J01 2", 30, tom, values(LinksSet, "high"))), "skill second_person", "mark"},
		"the second look by the same":     {replace("J01 3", tick("J01 3", 40, lidia)), "second_person", "mark"},
		"links that do not suit":          {replace("J01 2", tick("J01 2", 30, lidia, values(LinksSet, "low"))), "links", "mark"},
		"a clock that ran ahead":          {replace("OUT 2", tick("OUT 2", 90, tom, func(e *Entry) { e.Said.Early = true })), "clock", "mark"},
		"two phones on one step":          {append(inOrder(), tick("J01 1", 21, lidia, with(tom), func(e *Entry) { e.Made, e.VersionSeen = 95, 15 })), "two_phones", "mark"},
		"two phones that knew":            {append(inOrder(), tick("J01 1", 21, lidia, with(tom), func(e *Entry) { e.Made, e.VersionSeen = 95, 94 })), "", ""},
		"the same phone again":            {append(inOrder(), tick("J01 1", 21, tom, with(lidia), func(e *Entry) { e.Made, e.VersionSeen = 95, 15 })), "", ""},
	} {
		mustBe(t, what, stands(nil, c.entries...), c.marks, c.blocks)
	}
	// evidence that has run out is none, on the day after
	late := held{*tom.ID: shown[*tom.ID], *lidia.ID: {"EL": t0.Truncate(24 * time.Hour), "T1": far, "AU": far}}
	if !late.has(lidia, "EL", at(30)) || late.has(lidia, "EL", t0.AddDate(0, 0, 1)) || late.has(isolation.Person{Name: "Sam"}, "OP", t0) {
		t.Error("evidence is read wrongly")
	}
	// who may do more may do less, and nobody counts twice
	if !shown.suit([]isolation.Person{tom, lidia}, []string{"T1", "T2"}, t0) || shown.suit([]isolation.Person{tom}, []string{"T1", "T2"}, t0) || shown.suit([]isolation.Person{lidia, who("Sam")}, []string{"T2", "EL"}, t0) {
		t.Error("skills are shared out wrongly")
	}
}

func TestAMarkStandsUntilAManagerHasLooked(t *testing.T) {
	all := inOrder()
	all[2] = tick("J01 1", 55, tom, with(lidia))
	c := stands(nil, all...)
	if c.Unseen != 1 || c.Marks[0].Looked != nil {
		t.Fatalf("unseen are %d", c.Unseen)
	}
	look := isolation.Look{EntryID: c.Marks[0].EntryID, Mark: "in_test", LookedBy: "Wilma", Remark: "the phone was an hour late"}
	c = stands([]isolation.Look{look}, all...)
	mustBe(t, "looked at", c, "in_test", "")
	if c.Unseen != 0 || *c.Marks[0].Looked != look {
		t.Errorf("looked at %+v", c.Marks)
	}
	// another mark of the same entry is not covered by it
	look.Mark = "hands"
	mustBe(t, "at another", stands([]isolation.Look{look}, all...), "in_test", "mark")
	// a hold that was not possible
	all = inOrder()
	all[5].Outcome, all[5].Note, all[5].Said.Values = NotPossible, "the line controller is down", nil
	c = stands(nil, all...)
	mustBe(t, "a hold not possible", c, "hold_not_possible behind_hold behind_hold", "hold mark")
	looks := []isolation.Look{}
	for _, m := range c.Marks {
		looks = append(looks, isolation.Look{EntryID: m.EntryID, Mark: m.Code})
	}
	mustBe(t, "a hold not possible, looked at", stands(looks[:1], all...), "hold_not_possible", "")
	// of a step of which nobody could tell whether it applies no manager is asked
	c = stands(nil)
	c.Entries = all
	c.Steps[5].Unsure = []string{"turning"}
	c.Marks, c.Blocks = nil, nil
	follow(&c, shown, nil)
	mustBe(t, "a step that did not apply", c, "", "")
}

func TestRotationThatIsOppositeIsNotComplete(t *testing.T) {
	turn := func(minute int, way string) Entry { return tick("ROT 1", minute, tom, values(DirectionSeen, way)) }
	exchange := func(minute int, p isolation.Person) Entry {
		e := tick("ROT 1", minute, p)
		e.ID, e.StepID, e.Act, e.Outcome = id(fmt.Sprint("x", minute)), nil, Exchange, ""
		return e
	}
	begun, end := inOrder()[:5], inOrder()[6:]
	card := func(middle ...Entry) Card {
		return stands(nil, slices.Concat(begun, middle, end)...)
	}
	c := card(turn(52, "counter_clockwise"))
	mustBe(t, "opposite", c, "behind_hold behind_hold", "hold rotation mark")
	if c.Turned != "opposite" || c.Steps[5].State != NotOK {
		t.Errorf("it turned %q, and the step is %q", c.Turned, c.Steps[5].State)
	}
	mustBe(t, "isolated, exchanged by an electrician, proved and tested again", card(turn(52, "counter_clockwise"), exchange(61, lidia), turn(72, "clockwise")), "", "")
	mustBe(t, "exchanged by somebody else", card(turn(52, "counter_clockwise"), exchange(61, tom), turn(72, "clockwise")), "skill", "mark")
	mustBe(t, "exchanged in the test", card(turn(52, "counter_clockwise"), exchange(55, lidia), turn(72, "clockwise")), "in_test", "mark")
	mustBe(t, "nobody exchanged anything", card(turn(52, "counter_clockwise"), turn(72, "clockwise")), "rotation_unexplained", "mark")
	// an even number of exchanges changes nothing (NEMA MG 1 part 2, read in reprints: any two of three lines)
	mustBe(t, "exchanged twice", card(turn(52, "counter_clockwise"), exchange(61, lidia), exchange(62, lidia), turn(72, "clockwise")), "rotation_unexplained", "mark")
	mustBe(t, "exchanged three times", card(turn(52, "counter_clockwise"), exchange(61, lidia), exchange(62, lidia), exchange(63, lidia), turn(72, "clockwise")), "", "")
	// right today, whatever comes later: the record shows what was seen
	c = stands(nil)
	c.Entries, c.Turning = inOrder(), assets.Turning{Gap: "no direction is recorded"}
	c.Marks, c.Blocks = nil, nil
	follow(&c, shown, nil)
	mustBe(t, "nobody knows which way", c, "rotation_unknown", "mark")
}

func TestLocksAndPeopleStandInTheWay(t *testing.T) {
	c := stands(nil)
	on := locks()
	on.Locks = []isolation.Lock{{ID: id("lock"), Owner: tom}, {ID: id("other"), Owner: who("Sam")}}
	on.Marks = []isolation.Mark{{EntryID: id("an entry"), Code: "order", Says: "out of order"}}
	c.Entries, c.Isolation = inOrder(), map[uuid.UUID]isolation.Point{point: on}
	c.Marks, c.Blocks = nil, nil
	follow(&c, shown, nil)
	mustBe(t, "a lock that is on", c, "", "isolation lock")
	if len(c.Blocks) != 2 || !strings.Contains(c.Blocks[1].Says, "Tom") || c.Unseen != 1 {
		t.Errorf("in the way stands %+v", c.Blocks)
	}
	follow2 := c
	follow2.Marks, follow2.Blocks = nil, nil
	follow(&follow2, shown, []isolation.Look{{EntryID: id("an entry"), Mark: "order"}})
	mustBe(t, "looked at", follow2, "", "lock")
	// one person alone where it takes two
	alone := slices.DeleteFunc(inOrder(), func(e Entry) bool { return e.Person.Name == "Lidia" || len(e.Others) > 0 })
	if got := stands(nil, alone...).blocked(); !strings.Contains(got, "people") {
		t.Errorf("alone it is blocked by %q", got)
	}
	// no point is recorded for an energy
	c = stands(nil)
	c.Entries, c.Points = inOrder(), nil
	c.Marks, c.Blocks = nil, nil
	follow(&c, shown, nil)
	mustBe(t, "no point", c, "no_point no_point no_point", "mark")
	// what comes after the card was closed is kept and marked
	closed := at(100)
	c = stands(nil)
	c.EndedAt, c.Entries = &closed, append(inOrder(), tick("OUT 2", 91, lidia, func(e *Entry) { e.ReceivedAt, e.VersionSeen = at(200), 95 }))
	c.Marks, c.Blocks = nil, nil
	follow(&c, shown, nil)
	mustBe(t, "late", c, "late", "mark")
}

// The same entries in any order give the same card.
func TestEntriesOfACardMayComeInAnyOrder(t *testing.T) {
	labels := []string{"IN 1", "IN 2", "J01 1", "J01 2", "J01 3", "ROT 1", "OUT 1", "OUT 2"}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 20).Draw(t, "entries")
		var all []Entry
		for i := range n {
			p := rapid.SampledFrom([]isolation.Person{tom, lidia}).Draw(t, "who")
			e := tick(rapid.SampledFrom(labels).Draw(t, "step"), rapid.IntRange(0, 95).Draw(t, "at"), p)
			e.ID, e.Made, e.VersionSeen = id(fmt.Sprint(i)), rapid.IntRange(1, 9).Draw(t, "made"), rapid.IntRange(0, 8).Draw(t, "seen")
			e.Outcome = rapid.SampledFrom([]string{DoneWell, DoneWell, NotOK, NotPossible}).Draw(t, "outcome")
			if *e.StepID == id("ROT 1") {
				e.Said.Values = map[string]string{DirectionSeen: rapid.SampledFrom([]string{"clockwise", "counter_clockwise"}).Draw(t, "way")}
			}
			all = append(all, e)
		}
		want := stands(nil, slices.Clone(all)...)
		rand.New(rand.NewPCG(uint64(n), rapid.Uint64().Draw(t, "seed"))).Shuffle(n, func(i, j int) { all[i], all[j] = all[j], all[i] })
		got := stands(nil, all...)
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("in another order\n%+v and not\n%+v", got.Marks, want.Marks)
		}
		for i, s := range want.Steps {
			if s.Hold && s.State != DoneWell && want.Steps[i].State != NotPossible && !strings.Contains(want.blocked(), "hold") {
				t.Fatalf("%s is %s, and nothing stands in the way", s.Label, s.State)
			}
		}
	})
}

// What is written down of a media set is held against the pattern of the position: the
// letters one by one, however often the part that recurs is written.
func TestAMediaOrderIsHeldAgainstThePattern(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		must, is string
		ok       bool
	}{
		{"AABBx4", "AABBx4", true}, {"AABBx4", "aabb X4", true}, {"AABBx4", "AABBAABBAABBAABB", true}, {"AABBx4", "AABB", true}, {"ABx8", "A B", true},
		{"AABBx4", "ABAB", false}, {"AABBx4", "BBAAx4", false}, {"AABBx4", "AABBx5", false},
		{"AABBx4", "as before", true}, {"", "AABB", true}, // of what is no pattern nobody can tell
	} {
		if got := ordered(c.must, c.is); got != c.ok {
			t.Errorf("%s against %s: %t", c.is, c.must, got)
		}
	}
	all := steps()
	all[2].Records = []string{MediaOrder}
	stand := func(is string) Card {
		c := Card{Head: Head{People: 1, State: "open", OpenedAt: t0}, Frozen: Frozen{Facts: map[string]string{"media_pattern": "AABBx4"}}, Steps: []StepNow{all[2]},
			Entries: []Entry{tick("J01 1", 20, tom, with(lidia), values(MediaOrder, is))}}
		c.Steps[0].Needs = nil
		follow(&c, shown, nil)
		return c
	}
	mustBe(t, "as it must be", stand("AABBx4"), "", "")
	mustBe(t, "two of one letter out of order", stand("ABABx4"), "media_order", "mark")
	// what comes off may stand as it likes: that is why it is written down
	all[2].Phase = "remove"
	mustBe(t, "the old ones out of order", stand("ABABx4"), "", "")
}

func TestNamesThatNobodyHasThoughtOfAreText(t *testing.T) {
	t.Parallel()
	if w := WrittenAs("minutes_on_puller"); w.Label != "Minutes on puller" || w.Kind != "text" || w.sound("x", "18 or so") != nil {
		t.Errorf("it is asked for as %+v", w)
	}
	for _, c := range [][2]string{{AntiSeize, "much"}, {CapBolt, "gone"}, {LinksSet, "middle"}, {SpacersCount, "-1"}, {SpacersCount, "2.5"}} {
		if bad := WrittenAs(c[0]).sound(c[0], c[1]); bad == nil || bad.Field != "said.values."+c[0] || bad.Value != c[1] || bad.Msg == "" {
			t.Errorf("%s %q: %v", c[0], c[1], bad)
		}
	}
}
