package web

import (
	"fmt"
	"strconv"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
)

// lettersSheet asks whether somebody wants the daily letter, and when.
func (p *pages) lettersSheet(v visit) (*sheet, error) {
	if v.who.Kind != "person" {
		return nil, &fault.Error{Kind: fault.Forbidden, Msg: "only people get letters"}
	}
	now, err := access.PreferenceOf(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	var hours []option
	for h := range 24 {
		hours = append(hours, option{strconv.Itoa(h), fmt.Sprintf("%02d:00", h)})
	}
	says := "your visits of today and tomorrow."
	switch {
	case v.may(access.Plan):
		says = "visits of the next days that cannot go, late work, faults that stand, counters that nobody has read for long."
	case v.may(access.RecordWork):
	case v.may(access.MoveStock):
		says = "orders that are late, parts to set aside for the next days, counts that are open, differences that nobody has settled."
	default:
		says = "visits that come to your sites within two weeks, what was done there since the last letter, faults that stand."
	}
	s := &sheet{Title: "A letter each day", Verb: "Keep it so", Cancel: "/account", Crumbs: accountCrumbs,
		Lead: "It tells what presses, with the way to each: " + says + " On days on which there is nothing to tell none comes.",
		Fields: []*field{
			{Name: "digest", Label: "Send me the letter", Kind: "check"},
			{Name: "email", Label: "E-mail address", Most: 254, Auto: "email", Optional: true},
			{Name: "digest_hour", Label: "From this hour on", Kind: "choice", Options: hours},
			{Name: "zone", Label: "Time zone of that hour", Most: 64, Hint: "By the IANA names, such as America/Chicago."},
		}}
	values := map[string]string{"email": now.Email, "digest_hour": strconv.Itoa(now.DigestHour), "zone": now.Zone}
	if now.Digest {
		values["digest"] = "yes"
	}
	s.fill(values)
	return s, nil
}

func (p *pages) setLetters(v visit, s *sheet) (string, error) {
	in := access.Preference{Email: s.get("email"), Digest: s.checked("digest"), Zone: s.get("zone")}
	if h := s.whole("digest_hour"); h != nil {
		in.DigestHour = *h
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (access.Preference, error) { return access.SetPreference(tx, v.who, in) })
	return "/account#letters", err
}
