package readiness

import "spindlebook/internal/calendar"

// Works tells on which days somebody works; nil: every day.
type Works func(calendar.Date) bool

// farthest bounds how far a working day is looked for.
const farthest = 366

// on gives the first day from d on, by steps of one day forwards or back, on which
// there is work; zero where there is none for a year.
func (w Works) on(d, step calendar.Date) calendar.Date {
	for range farthest {
		if d < 1 || w == nil || w(d) {
			return max(d, 0)
		}
		d += step
	}
	return 0
}

// Lead is how long a supplier takes: working days from the day of the order to the
// day of delivery, as many as suffice in nine cases of ten or whichever share the
// caller holds to.
type Lead struct {
	Days  int
	Works Works
}

// Staging gives the day on which what a visit takes along is put ready: the last
// of our working days before it.
func Staging(visit calendar.Date, ours Works) calendar.Date { return ours.on(visit-1, -1) }

// OrderBy gives the last day on which an order still arrives for a visit: one
// staging day before it, and before that the lead time, counted in the supplier's
// working days. Zero where there is none.
func OrderBy(visit calendar.Date, ours Works, l Lead) calendar.Date {
	d := l.Works.on(Staging(visit, ours), -1)
	for range l.Days {
		d = l.Works.on(d-1, -1)
	}
	return d
}

// Possible gives the first day of a visit for which an order of today still
// arrives in time. Zero where there is none.
func Possible(today calendar.Date, ours Works, l Lead) calendar.Date {
	d := l.Works.on(today, 1)
	for range l.Days {
		if d > 0 {
			d = l.Works.on(d+1, 1)
		}
	}
	if d > 0 {
		d = ours.on(d, 1)
	}
	if d == 0 {
		return 0
	}
	return d + 1
}
