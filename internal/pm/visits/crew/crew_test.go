package crew

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spindlebook/internal/calendar"
)

var monday = calendar.On(2026, 5, 18)

func skills(names string) (all []Skill) {
	for _, n := range strings.Fields(names) {
		all = append(all, Skill{Name: n})
	}
	return all
}

// Two at a gearmotor: a technician and, for the wiring, an electrician.
func TestWhoDoesWhat(t *testing.T) {
	ana, ben := Person{"Ana", skills("T1 T2 EL"), 240}, Person{"Ben", skills("T1"), 240}
	for name, c := range map[string]struct {
		people []Person
		jobs   [][]Hand
		names  string // of the last job
		lack   string
	}{
		"each what the other cannot":                  {[]Person{ana, ben}, [][]Hand{{{"T1", 60}, {"EL", 60}}}, "Ben Ana", ""},
		"whichever way round":                         {[]Person{ana, ben}, [][]Hand{{{"EL", 60}, {"T1", 60}}}, "Ana Ben", ""},
		"the plain work to the one with fewer skills": {[]Person{ana, ben}, [][]Hand{{{"", 60}}}, "Ben", ""},
		"nobody":               {[]Person{ben}, [][]Hand{{{"EL", 60}}}, "", "nobody there has EL"},
		"alone":                {[]Person{ana}, [][]Hand{{{"T1", 60}, {"EL", 60}}}, "", "needs 2 people and has 1"},
		"two of a kind":        {[]Person{ana, ben}, [][]Hand{{{"T2", 60}, {"T2", 60}}}, "", "needs 2 people with T2 and has 1"},
		"one who is both":      {[]Person{ana, ben}, [][]Hand{{{"T2", 60}, {"EL", 60}}}, "", "needs 2 people, and those there who have its skills are fewer"},
		"no time left":         {[]Person{ana}, [][]Hand{{{"EL", 200}}, {{"EL", 60}}}, "", "needs 60 minutes of EL, 40 are left"},
		"no time left for two": {[]Person{ana, ben}, [][]Hand{{{"", 100}}, {{"T1", 200}, {"T1", 200}}}, "", "needs 2 people at once for longer than they have left"},
		"the first of two is at it, the other takes the next": {[]Person{ana, ben}, [][]Hand{{{"T1", 200}}, {{"T1", 200}}}, "Ana", ""},
	} {
		team, names, lack := NewTeam(c.people, monday), []string(nil), ""
		for _, j := range c.jobs {
			names, lack = team.Take(j)
		}
		if got := strings.Join(names, " "); got != c.names || !strings.Contains(lack, c.lack) || (c.lack == "") != (lack == "") {
			t.Errorf("%s: %q %q, want %q %q", name, got, lack, c.names, c.lack)
		}
	}
}

func TestEvidenceIsGoodOnItsLastDay(t *testing.T) {
	licensed := []Person{{"Eva", []Skill{{"EL", monday}}, 480}}
	if _, lack := NewTeam(licensed, monday).Take([]Hand{{"EL", 60}}); lack != "" {
		t.Errorf("on the last day: %s", lack)
	}
	if _, lack := NewTeam(licensed, monday+1).Take([]Hand{{"EL", 60}}); lack != "Eva's evidence of EL ended on 18 May 2026" {
		t.Errorf("on the day after: %q", lack)
	}
}

// Whatever is taken: nobody does two hands of one job, lacks the skill or works
// longer than they have; what is refused changes nothing.
func TestNobodyIsGivenWhatTheyCannotDo(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var people []Person
		for i := range rapid.IntRange(0, 4).Draw(t, "people") {
			some := rapid.SliceOfDistinct(rapid.SampledFrom([]string{"T1", "T2", "EL"}), rapid.ID[string]).Draw(t, "skills")
			people = append(people, Person{string(rune('a' + i)), skills(strings.Join(some, " ")), rapid.IntRange(0, 300).Draw(t, "minutes")})
		}
		team, worked := NewTeam(people, monday), map[string]int{}
		for range rapid.IntRange(1, 6).Draw(t, "jobs") {
			var job []Hand
			for range rapid.IntRange(1, 3).Draw(t, "hands") {
				job = append(job, Hand{rapid.SampledFrom([]string{"", "T1", "T2", "EL"}).Draw(t, "skill"), rapid.IntRange(1, 150).Draw(t, "minutes")})
			}
			before := team.Clone()
			names, lack := team.Take(job)
			if (lack == "") != possible(before, job) {
				t.Fatalf("%v of %v with %v left: %v %q", job, before.people, before.left, names, lack)
			}
			if lack != "" {
				if !slices.Equal(before.left, team.left) {
					t.Fatal("a refusal took minutes")
				}
				continue
			}
			for k, n := range names {
				i := slices.IndexFunc(people, func(p Person) bool { return p.Name == n })
				if slices.Contains(names[:k], n) || !people[i].has(job[k].Skill, monday) {
					t.Fatalf("%v given to %v", job, names)
				}
				if worked[n] += job[k].Minutes; worked[n] > people[i].Minutes {
					t.Fatalf("%s works %d of %d minutes", n, worked[n], people[i].Minutes)
				}
			}
		}
	})
}

// possible tries every way to hand a job out.
func possible(team *Team, job []Hand) bool {
	ways := 1
	for range job {
		ways *= len(team.people)
	}
	for w := range ways {
		ok, taken := true, 0
		for _, h := range job {
			i := w % len(team.people)
			w /= len(team.people)
			ok = ok && taken&(1<<i) == 0 && team.people[i].has(h.Skill, monday) && team.left[i] >= h.Minutes
			taken |= 1 << i
		}
		if ok {
			return true
		}
	}
	return false
}
