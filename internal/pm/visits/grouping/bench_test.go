package grouping

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"spindlebook/internal/pm/visits/crew"
)

// many are sites with work over two years. With room, two people have the hours of a night.
func many(sites, tasks, horizon int, room bool) (all []Site) {
	r := rand.New(rand.NewPCG(1, 2))
	for range sites {
		s := Site{Days: days(horizon), Trip: trip}
		for i := range s.Days {
			if room {
				s.Days[i].Room = &Room{Down: 300, People: []crew.Person{
					{Name: "Ana", Skills: []crew.Skill{{Name: "T1"}}, Minutes: 300}, {Name: "Ben", Skills: []crew.Skill{{Name: "T1"}, {Name: "EL"}}, Minutes: 300}}}
			}
		}
		for i := range tasks {
			d, between := r.IntN(horizon), 30+r.IntN(300)
			t := task(fmt.Sprint("task ", i), d-between/10, d, d+between/10, graver[r.IntN(4)])
			t.Interval, t.Worth, t.Down = between, r.Int64N(80000), 60
			if t.Earliest < 1 {
				t.Earliest = 1
			}
			if i%8 == 0 {
				t.Pair = fmt.Sprint(i / 16)
			}
			s.Tasks = append(s.Tasks, t)
		}
		all = append(all, s)
	}
	return all
}

func bench(b *testing.B, sites, tasks, horizon int, room bool) {
	all := many(sites, tasks, horizon, room)
	var trips, alone, conflicts int
	b.ReportAllocs()
	for b.Loop() {
		trips, alone, conflicts = 0, 0, 0
		for i := range all {
			p, err := Propose(all[i])
			if err != nil {
				b.Fatal(err)
			}
			trips, alone, conflicts = trips+p.Together.Trips, alone+p.Alone.Trips, conflicts+len(p.Conflicts)
		}
	}
	b.ReportMetric(float64(trips), "trips")
	b.ReportMetric(float64(alone), "alone")
	b.ReportMetric(float64(conflicts), "conflicts")
}

// Two years of 500 sites, and the twelve weeks that are planned.
func BenchmarkPropose(b *testing.B) {
	b.Run("500x60x730", func(b *testing.B) { bench(b, 500, 60, 730, false) })
	b.Run("500x60x730/limits", func(b *testing.B) { bench(b, 500, 60, 730, true) })
	b.Run("500x60x84", func(b *testing.B) { bench(b, 500, 60, 84, false) })
	b.Run("500x60x84/limits", func(b *testing.B) { bench(b, 500, 60, 84, true) })
}
