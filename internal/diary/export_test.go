package diary

import (
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/google/uuid"

	"spindlebook/internal/calendar"
)

// WriteText writes a calendar of one event with these texts, and WriteAt one with an
// event at each of some times in a zone, for what only the written form shows.
func WriteText(title, summary, says, place string) ([]byte, error) {
	return write(title, []entry{{uid: uuid.MustParse("01980000-0000-7000-8000-000000000001"), changed: time.Unix(1_780_000_000, 0), status: ics.ObjectStatusConfirmed,
		summary: summary, says: says, place: place, path: "/visits/1", day: calendar.On(2026, 10, 24)}}, func(p string) string { return "https://wash.example" + p })
}

func WriteAt(at map[string][]time.Time) ([]byte, error) {
	var all []entry
	for name, times := range at {
		zone, err := time.LoadLocation(name)
		if err != nil {
			return nil, err
		}
		for _, t := range times {
			all = append(all, entry{uid: uuid.NewSHA1(uuid.NameSpaceURL, []byte(name+t.UTC().String())), changed: t, status: ics.ObjectStatusConfirmed, summary: name, path: "/",
				starts: t, ends: t.Add(90 * time.Minute), zone: zone})
		}
	}
	return write("zones", all, func(p string) string { return "https://wash.example" + p })
}
