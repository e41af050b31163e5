package isolation

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
)

var (
	t0     = time.Date(2025, 6, 10, 4, 0, 0, 0, time.UTC)
	tom    = who("Tom")
	lidia  = who("Lidia")
	lockT  = id("lock of Tom")
	lockL  = id("lock of Lidia")
	theirs = map[uuid.UUID]Person{lockT: tom, lockL: lidia}
)

func id(text string) uuid.UUID { return uuid.NewSHA1(uuid.NameSpaceOID, []byte(text)) }

func who(name string) Person {
	account := id(name)
	return Person{ID: &account, Name: name, By: account}
}

// story writes entries a minute apart: "locked" is Tom's, "locked L" Lidia's.
func story(acts ...string) []Entry {
	all := make([]Entry, len(acts))
	for i, a := range acts {
		e := Entry{ID: id(fmt.Sprint(i, a)), Act: Act(a), Person: tom, LockID: lockT, At: t0.Add(time.Duration(i) * time.Minute), How: "start tried, 0 V between all", Instrument: "tester 3"}
		if act, ok := strings.CutSuffix(a, " L"); ok {
			e.Act, e.Person, e.LockID = Act(act), lidia, lockL
		}
		if !e.Act.OfALock() {
			e.LockID = uuid.Nil
		}
		all[i] = e
	}
	return all
}

var controlled = []string{"prepared", "told", "shut_down", "isolated", "locked", "relieved", "proved"}

func after(more ...string) []Entry { return story(append(slices.Clone(controlled), more...)...) }

// said gives the codes of marks with the act of their entry.
func marks(entries []Entry, p Point) string {
	all := []string{}
	for _, m := range p.Marks {
		for _, e := range entries {
			if e.ID == m.EntryID {
				all = append(all, string(e.Act)+":"+m.Code)
			}
		}
	}
	return strings.Join(all, " ")
}

func mustStand(t *testing.T, entries []Entry, stage Stage, want string) Point {
	t.Helper()
	p := Follow(entries)
	if got := marks(entries, p); p.Stage != stage || got != want {
		t.Errorf("it stands %q with the marks %q, want %q with %q", p.Stage, got, stage, want)
	}
	return p
}

// Each clause of 29 CFR 1910.147, public domain: (d)(1) to (d)(5), (c)(4)(ii) and
// (e)(3) from its text, the others from memory.

func Test1910_147_d_TheSequenceLeadsToProved(t *testing.T) {
	p := mustStand(t, after(), Proven, "")
	if p.Proof == nil || p.Proof.Instrument != "tester 3" || p.Proof.By.Name != "Tom" || !p.Since.Equal(t0.Add(6*time.Minute)) || len(p.Locks) != 1 || len(p.Done) != 7 {
		t.Errorf("proved as %+v", p)
	}
	// the stages on the way
	for n, stage := range []Stage{InService, Isolating, Isolating, Isolating, Isolating, Isolating, Isolating, Proven} {
		if p := Follow(story(controlled[:n]...)); p.Stage != stage {
			t.Errorf("after %d acts it stands %q, want %q", n, p.Stage, stage)
		}
	}
}

// A step missing, or out of order, or no proof: "work may start" is not reached.
func Test1910_147_d_AnyStepMissingOrOutOfOrderIsNotProved(t *testing.T) {
	for _, c := range []struct {
		clause, missing, marks string
	}{
		{"(d)(1)", "prepared", "shut_down:order isolated:order locked:order relieved:order proved:order"},
		{"(c)(9)", "told", "locked:order relieved:order proved:order"},
		{"(d)(2)", "shut_down", "isolated:order locked:order relieved:order proved:order"},
		{"(d)(3)", "isolated", "locked:order relieved:order proved:order"},
		{"(d)(4)", "locked", "relieved:order proved:order"},
		{"(d)(5)", "relieved", "proved:order"},
		{"(d)(6)", "proved", ""},
	} {
		t.Run(c.clause, func(t *testing.T) {
			acts := slices.DeleteFunc(slices.Clone(controlled), func(a string) bool { return a == c.missing })
			want := c.marks
			if c.missing == "locked" { // without any lock there is nothing to prove behind
				want = "relieved:order proved:order"
			}
			mustStand(t, story(acts...), Isolating, want)
		})
	}
	// every other order of the six elements fails as well
	all := 0
	var permute func(rest, so []string)
	permute = func(rest, so []string) {
		if len(rest) == 0 {
			all++
			order := append([]string{"told"}, so...)
			stage := Isolating
			if slices.Equal(so, []string{"prepared", "shut_down", "isolated", "locked", "relieved", "proved"}) {
				stage = Proven
			}
			if p := Follow(story(order...)); p.Stage != stage {
				t.Errorf("%v stands %q, want %q", order, p.Stage, stage)
			}
			return
		}
		for i := range rest {
			permute(append(slices.Clone(rest[:i]), rest[i+1:]...), append(slices.Clone(so), rest[i]))
		}
	}
	permute([]string{"prepared", "shut_down", "isolated", "locked", "relieved", "proved"}, nil)
	if all != 720 {
		t.Errorf("tried %d orders", all)
	}
}

// What was forgotten can be made good: the acts after it are declared anew.
func TestWhatWasForgottenIsMadeGoodByDoingItAgain(t *testing.T) {
	entries := story("prepared", "shut_down", "isolated", "locked", "relieved", "proved", "told", "locked", "relieved", "proved")
	p := mustStand(t, entries, Proven, "locked:order relieved:order proved:order")
	if len(p.Locks) != 1 {
		t.Errorf("the lock was put on %d times", len(p.Locks))
	}
	if before, then := p.At(t0.Add(8*time.Minute)).Stage, p.At(t0.Add(9*time.Minute)).Stage; before != Isolating || then != Proven {
		t.Errorf("it stood %q and then %q", before, then)
	}
}

func Test1910_147_e_Release(t *testing.T) {
	for clause, c := range map[string]struct {
		acts  []string
		stage Stage
		marks string
	}{
		"(e) in order":                                      {[]string{"inspected", "clear", "unlocked", "told_after", "restored"}, InService, ""},
		"(e)(1) not inspected":                              {[]string{"clear", "unlocked", "told_after", "restored"}, InService, "unlocked:order"},
		"(e)(2)(i) nobody counted":                          {[]string{"inspected", "unlocked", "told_after", "restored"}, InService, "unlocked:order"},
		"(e)(2)(ii) nobody told":                            {[]string{"inspected", "clear", "unlocked", "restored"}, InService, "restored:order"},
		"(e)(2)(ii) told too early":                         {[]string{"inspected", "clear", "told_after", "unlocked", "restored"}, InService, "told_after:order restored:order"},
		"(e)(3) the lock is still on when the energy comes": {[]string{"inspected", "clear", "told_after", "restored"}, Proven, "told_after:order restored:locks_on"},
	} {
		t.Run(clause, func(t *testing.T) { mustStand(t, after(c.acts...), c.stage, c.marks) })
	}
	// and a new isolation begins from nothing
	mustStand(t, after("inspected", "clear", "unlocked", "told_after", "restored", "relieved", "proved"), Isolating, "relieved:order proved:order")
	// also where work goes on before the energy was back
	mustStand(t, after("inspected", "clear", "unlocked", "isolated", "locked", "relieved", "proved"), Isolating, "isolated:order locked:order relieved:order proved:order")
}

func Test1910_147_e3_AnothersLock(t *testing.T) {
	all := after("inspected", "clear", "unlocked")
	last := &all[len(all)-1]
	last.Person = lidia
	p := mustStand(t, all, Restoring, "unlocked:anothers_lock")
	if !strings.Contains(p.Marks[0].Says, "not whole") {
		t.Errorf("it says %q", p.Marks[0].Says)
	}
	last.Anothers = AnothersLock{"asked at the gate", "called twice", "by letter"}
	p = mustStand(t, all, Restoring, "unlocked:anothers_lock")
	for _, word := range []string{"Lidia", "Tom", "asked at the gate", "called twice", "by letter"} {
		if !strings.Contains(p.Marks[0].Says, word) {
			t.Errorf("it says %q, without %q", p.Marks[0].Says, word)
		}
	}
	// a lock put on in another's name, off for a test or on again by another: kept, and it changes nothing
	for _, act := range []string{"off_for_test", "back_on", "left_on"} {
		all := after("clear", act)
		all[len(all)-1].Person = lidia
		mustStand(t, all, Proven, act+":anothers_lock")
	}
	all = after("locked")
	all[len(all)-1].Person = lidia
	mustStand(t, all, Proven, "locked:anothers_lock")
}

func Test1910_147_f1_Test(t *testing.T) {
	mustStand(t, after("clear", "off_for_test"), Test, "")
	mustStand(t, after("off_for_test"), Test, "off_for_test:order") // (f)(1)(i), (ii): tools and people first
	back := []string{"clear", "off_for_test", "isolated", "back_on", "relieved", "proved"}
	for n, stage := range []Stage{Proven, Proven, Test, Test, Isolating, Isolating, Proven} {
		mustStand(t, after(back[:n]...), stage, "")
	}
	// (f)(1)(v): taken off the energy, locked and proved again, in this order
	mustStand(t, after("clear", "off_for_test", "back_on", "relieved", "proved"), Isolating, "back_on:order relieved:order proved:order")
	mustStand(t, after("clear", "off_for_test", "isolated", "relieved", "proved", "back_on", "proved"), Isolating, "relieved:order proved:order proved:order")
	mustStand(t, after("clear", "off_for_test", "isolated", "back_on", "back_on"), Isolating, "back_on:order")
	// without more work it is given back from the test
	mustStand(t, after("clear", "off_for_test", "inspected", "unlocked", "told_after", "restored"), InService, "")
	// (f)(3): as long as one is off it is a test, and each puts the own one back
	p := mustStand(t, after("locked L", "clear", "off_for_test", "off_for_test L", "isolated", "back_on"), Test, "")
	if len(p.Locks) != 2 || p.Locks[0].OffAt != nil || p.Locks[1].OffAt == nil {
		t.Errorf("the locks are %+v", p.Locks)
	}
	mustStand(t, after("locked L", "clear", "off_for_test", "off_for_test L", "isolated", "back_on", "back_on L", "relieved", "proved"), Proven, "")
}

func Test1910_147_f3_EachHasAnOwnLock(t *testing.T) {
	entries := after("locked L", "inspected", "clear", "unlocked")
	p := mustStand(t, entries, Proven, "")
	if s := p.At(t0.Add(7 * time.Minute)); !s.Locked(tom) || !s.Locked(lidia) {
		t.Errorf("locked by %+v", s.Owners)
	}
	if s := p.At(t0.Add(time.Hour)); s.Locked(tom) || !s.Locked(lidia) || len(p.Locks) != 1 {
		t.Errorf("then locked by %+v", s.Owners)
	}
	if s := p.At(t0.Add(-time.Hour)); s.Stage != InService || s.Locked(tom) {
		t.Errorf("before everything it stood %+v", s)
	}
	// who comes late looks anew before leaving: what the first had cleared is not clear any more
	mustStand(t, after("inspected", "clear", "locked L", "unlocked L"), Proven, "unlocked:order")
}

func Test1910_147_f4_AShiftChangeKeepsThePointLocked(t *testing.T) {
	until := t0.Add(20 * time.Hour)
	entries := after("left_on", "locked L", "inspected", "clear", "unlocked")
	entries[7].Until, entries[7].HandedTo = &until, "Lidia"
	p := mustStand(t, entries[:8], Proven, "")
	if l := p.Locks[0]; l.Until == nil || !l.Until.Equal(until) || l.HandedTo != "Lidia" {
		t.Errorf("left on as %+v", l)
	}
	p = mustStand(t, entries, Proven, "")
	for _, s := range p.Spans {
		if s.From.After(t0.Add(3*time.Minute)) && len(s.Owners) == 0 {
			t.Errorf("at %v nobody's lock was on", s.From)
		}
	}
}

func TestALockThatNobodyKnowsIsKeptAndMarked(t *testing.T) {
	mustStand(t, story("unlocked"), InService, "unlocked:no_lock")
	mustStand(t, after("inspected", "clear", "unlocked", "unlocked"), Restoring, "unlocked:lock_off")
	mustStand(t, story("proved"), InService, "proved:order")
	mustStand(t, after("clear", "off_for_test", "proved"), Test, "proved:order")
	early := story("prepared")
	early[0].Early = true
	mustStand(t, early, Isolating, "prepared:clock")
	// who has no account is told apart by name and by who speaks for them
	sam := Person{Name: "Sam", By: *tom.ID}
	if !sam.same(Person{Name: "Sam", By: *tom.ID}) || sam.same(Person{Name: "Sam", By: *lidia.ID}) || sam.same(tom) || tom.same(sam) || !tom.same(tom) || tom.same(lidia) {
		t.Error("people are mixed up")
	}
}

// The same entries in any order give the same answer, also where each is sent twice.
func TestEntriesMayComeInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 24).Draw(t, "entries")
		var all []Entry
		for i := range n {
			e := Entry{ID: id(fmt.Sprint(i)), Act: rapid.SampledFrom(Acts).Draw(t, "act"), Person: tom, At: t0.Add(time.Duration(rapid.IntRange(0, 12).Draw(t, "at")) * time.Minute)}
			if rapid.Bool().Draw(t, "Lidia") {
				e.Person = lidia
			}
			if e.Act.OfALock() {
				e.LockID = rapid.SampledFrom([]uuid.UUID{lockT, lockL}).Draw(t, "lock")
			}
			all = append(all, e)
		}
		want := Follow(all)
		shuffled := slices.Clone(all)
		rand.New(rand.NewPCG(uint64(n), rapid.Uint64().Draw(t, "seed"))).Shuffle(n, func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		if got := Follow(shuffled); !reflect.DeepEqual(got, want) {
			t.Fatalf("in another order it stands\n%+v and not\n%+v", got, want)
		}
		// what holds whatever was declared
		for _, s := range want.Spans {
			if s.Stage == Proven && len(s.Owners) == 0 {
				t.Fatalf("proved at %v without a lock", s.From)
			}
		}
		if (want.Proof != nil) != (want.Stage == Proven) {
			t.Fatalf("proof %v in stage %q", want.Proof, want.Stage)
		}
		if want.Stage == InService && len(want.Locks) > 0 {
			t.Fatalf("in service under the lock of %s", owners(want.Locks))
		}
		for _, l := range want.Locks {
			if theirs[l.ID].Name == "" {
				t.Fatal("a lock of nobody")
			}
		}
	})
}

func TestWhatComesNextIsNamed(t *testing.T) {
	for n, first := range []Act{Prepared, Told, ShutDown, Isolated, Locked, Relieved, Proved, Inspected} {
		if p := Follow(story(controlled[:n]...)); p.Next[0] != first {
			t.Errorf("after %v comes %v", controlled[:n], p.Next)
		}
	}
	for _, c := range []struct {
		more  []string
		first Act
	}{
		{[]string{"clear", "off_for_test"}, Isolated},
		{[]string{"clear", "off_for_test", "isolated"}, BackOn},
		{[]string{"inspected", "clear", "unlocked"}, ToldAfter},
		{[]string{"inspected", "clear", "unlocked", "told_after"}, Restored},
	} {
		if p := Follow(after(c.more...)); p.Next[0] != c.first {
			t.Errorf("after %v comes %v", c.more, p.Next)
		}
	}
}

// No word of ours is a permission.
func TestNothingSaysThatItIsSafe(t *testing.T) {
	all := slices.Collect(func(yield func(string) bool) {
		for _, w := range words {
			if !yield(w) {
				return
			}
		}
	})
	for _, energy := range []string{"electrical", "air", "gravity", "hydraulic", "water", "chemical"} {
		c := Cautions(assets.IsolationPoint{Code: "E1", Energy: energy, Positions: []assets.PositionRef{{Code: "UMB-1/SBL-L"}, {Code: "UMB-1/SBL-R"}}})
		if len(c) != 3 || c[1] == "" || !strings.Contains(c[2], "UMB-1/SBL-R") || !strings.Contains(c[0], "energy-control procedure") {
			t.Errorf("the cautions for %s are %q", energy, c)
		}
		all = append(all, c...)
		if alone := Cautions(assets.IsolationPoint{Energy: energy, Positions: []assets.PositionRef{{}}}); len(alone) != 2 {
			t.Errorf("of a point of one position %q", alone)
		}
	}
	for _, a := range Acts {
		if rank[a] == 0 || words[a] == "" {
			t.Errorf("%s has no place or no words", a)
		}
	}
	for _, text := range all {
		for _, word := range []string{"safe to", "is safe", "are safe", "SAFE", "permitted", "ensure", "make sure", "should"} {
			if strings.Contains(text, word) {
				t.Errorf("%q says %q", text, word)
			}
		}
	}
}
