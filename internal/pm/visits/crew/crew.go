// Package crew shares a visit's work out among the people who come: who has the
// skill on that day, and the minutes. It knows no database and no clock.
package crew

import (
	"fmt"
	"slices"

	"spindlebook/internal/calendar"
)

// Hand is one person's part in a job: the skill that it needs, "" for anybody,
// and the minutes.
type Hand struct {
	Skill   string
	Minutes int
}

// Skill is what a person has shown to be able or allowed to do.
type Skill struct {
	Name  string
	Until calendar.Date // last day on which the evidence is good; zero: without end
}

// Person is somebody who comes, with the minutes of work that the day leaves.
type Person struct {
	Name    string
	Skills  []Skill
	Minutes int
}

// has tells whether the person has the skill on a day.
func (p *Person) has(skill string, day calendar.Date) bool {
	return skill == "" || slices.ContainsFunc(p.Skills, func(s Skill) bool { return s.Name == skill && (s.Until == 0 || day <= s.Until) })
}

// Team is the people of one visit while work is shared out among them.
type Team struct {
	day    calendar.Date
	people []Person
	left   []int // minutes
}

// NewTeam gathers the people of a visit. The fewer skills somebody has, the sooner
// they are given work that others could do as well.
func NewTeam(people []Person, day calendar.Date) *Team {
	t := &Team{day: day, people: slices.Clone(people)}
	slices.SortStableFunc(t.people, func(a, b Person) int { return len(a.Skills) - len(b.Skills) })
	for i := range t.people {
		t.left = append(t.left, t.people[i].Minutes)
	}
	return t
}

// Clone gives a team with the same minutes left.
func (t *Team) Clone() *Team {
	return &Team{t.day, t.people, slices.Clone(t.left)}
}

// Take gives a job to the team: each hand to another person with the skill and
// the minutes, whose names come back in the order of the hands. Where that is not
// possible nothing is taken, and lack says why. A job is shared out exactly, jobs
// one after another as they come.
func (t *Team) Take(hands []Hand) (names []string, lack string) {
	who := make([]int, len(hands))
	if !t.match(hands, who, 0, func(i int, h Hand) bool { return t.left[i] >= h.Minutes }) {
		return nil, t.lack(hands, who)
	}
	for k, i := range who {
		t.left[i] -= hands[k].Minutes
		names = append(names, t.people[i].Name)
	}
	return names, ""
}

// match finds a different person for each hand from the k-th on.
func (t *Team) match(hands []Hand, who []int, k int, can func(int, Hand) bool) bool {
	if k == len(hands) {
		return true
	}
	for i := range t.people {
		if !slices.Contains(who[:k], i) && t.people[i].has(hands[k].Skill, t.day) && can(i, hands[k]) {
			if who[k] = i; t.match(hands, who, k+1, can) {
				return true
			}
		}
	}
	return false
}

// lack says why nobody can take the hands.
func (t *Team) lack(hands []Hand, who []int) string {
	if len(hands) > len(t.people) {
		return fmt.Sprintf("needs %s and has %d", people(len(hands)), len(t.people))
	}
	for _, h := range hands {
		have, need := 0, 0
		for i := range t.people {
			if t.people[i].has(h.Skill, t.day) {
				have++
			}
		}
		for _, o := range hands {
			if o.Skill == h.Skill {
				need++
			}
		}
		switch {
		case have == 0:
			return t.nobody(h.Skill)
		case have < need:
			return fmt.Sprintf("needs %s with %s and has %d", people(need), h.Skill, have)
		}
	}
	if !t.match(hands, who, 0, func(int, Hand) bool { return true }) {
		return fmt.Sprintf("needs %s, and those there who have its skills are fewer", people(len(hands)))
	}
	for _, h := range hands {
		most := 0
		for i := range t.people {
			if t.people[i].has(h.Skill, t.day) {
				most = max(most, t.left[i])
			}
		}
		if most < h.Minutes {
			return fmt.Sprintf("needs %d minutes%s, %d are left", h.Minutes, of(h.Skill), most)
		}
	}
	return fmt.Sprintf("needs %s at once for longer than they have left", people(len(hands)))
}

func (t *Team) nobody(skill string) string {
	for i := range t.people {
		for _, s := range t.people[i].Skills {
			if s.Name == skill {
				return fmt.Sprintf("%s's evidence of %s ended on %s", t.people[i].Name, skill, s.Until.Words())
			}
		}
	}
	return "nobody there has " + skill
}

func of(skill string) string {
	if skill == "" {
		return ""
	}
	return " of " + skill
}

func people(n int) string {
	if n == 1 {
		return "1 person"
	}
	return fmt.Sprintf("%d people", n)
}
