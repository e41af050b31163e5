package web

import (
	"bytes"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/diary"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm/visits"
)

// calendarFile gives the calendar at a secret address to whatever program reads it:
// nobody signs in for it.
func (p *pages) calendarFile(c *gin.Context) {
	h := c.Writer.Header()
	h.Set("Referrer-Policy", "no-referrer") // the address is a secret
	h.Set("X-Robots-Tag", "noindex")
	secret, ok := strings.CutSuffix(c.Param("file"), ".ics")
	if !ok {
		guard(c)
		p.door.Fail(c, &fault.Error{Kind: fault.NotFound, Msg: "there is nothing at this address"})
		return
	}
	f, err := diary.Read(c.Request.Context(), p.db, p.now(), secret, p.door.Public)
	if err != nil {
		guard(c)
		p.door.Fail(c, err)
		return
	}
	h.Set("Content-Type", "text/calendar; charset=utf-8")
	h.Set("Content-Disposition", `inline; filename="visits.ics"`)
	h.Set("Cache-Control", "private, no-cache") // kept, and asked about each time
	h.Set("ETag", f.Tag)
	http.ServeContent(c.Writer, c.Request, "", f.ChangedAt, bytes.NewReader(f.Body))
}

var accountCrumbs = []crumb{{"/account", "Your account"}}

// calendarSheet asks what a calendar is to show.
func (p *pages) calendarSheet(v visit) (*sheet, error) {
	var shows []option
	if v.may(access.RecordWork) {
		shows = append(shows, option{"person:" + v.who.ID.String(), "The visits on which I go"})
	}
	if v.who.Everywhere {
		shows = append(shows, option{diary.All, "All visits"})
	} else {
		shows = append(shows, option{diary.All, "Visits to all own sites"})
	}
	if v.may(access.Plan) {
		staff, err := visits.Staff(v.ctx, p.db, v.who)
		if err != nil {
			return nil, err
		}
		for _, m := range staff {
			if m.PersonID != v.who.ID {
				shows = append(shows, option{"person:" + m.PersonID.String(), "Visits of " + m.Name})
			}
		}
	}
	sites, err := p.siteOptions(v)
	if err != nil {
		return nil, err
	}
	for _, s := range sites {
		shows = append(shows, option{"site:" + s.Value, "Visits to " + s.Name})
	}
	s := &sheet{Title: "Read visits in your own calendar", Verb: "Make the address", Cancel: "/account", Crumbs: accountCrumbs,
		Lead: "Your calendar program asks at a secret address and shows what is planned, moved or called off. Whoever knows the address can read it: keep it to yourself, and revoke it when a phone is lost.",
		Fields: []*field{
			{Name: "shows", Label: "What it shows", Kind: "choice", Options: shows},
			{Name: "with_due", Label: "Also what falls due within 90 days and is on no visit yet", Short: "What falls due", Kind: "check", Hint: "As entries of whole days. For the calendar of one site only."},
		}}
	preset := shows[0].Value
	if site := v.c.Query("site"); site != "" {
		preset = "site:" + site
	}
	s.fill(map[string]string{"shows": preset})
	return s, nil
}

func (p *pages) makeCalendar(v visit, s *sheet) (string, error) {
	in := diary.New{WithDue: s.checked("with_due")}
	kind, of, _ := strings.Cut(s.get("shows"), ":")
	in.Shows = kind
	if kind != diary.All {
		id, err := uuid.Parse(of)
		if err != nil {
			s.wrong("shows", "is not among the choices any more; choose another")
			return "", nil
		}
		if kind == diary.Site {
			in.SiteID = &id
		} else {
			in.PersonID = &id
		}
	}
	type made struct {
		Title  string
		secret string
	}
	m, err := once(p, v, s, func(tx *gorm.DB) (made, error) {
		c, secret, err := diary.Make(tx, v.who, v.now, in)
		return made{c.Title(), secret}, err
	})
	if err != nil {
		return "", err
	}
	t := &secret{Title: m.Title, Again: "/account/calendars/new"}
	if m.secret != "" {
		t.Value = p.door.Public(diary.Path(m.secret))
		t.Text = "Give it to your calendar program as a calendar by address (it may call that a subscription). It is shown here once. The program asks again by itself, some every few hours only: for today, look here."
	}
	return "", p.showAccount(v, t)
}

// revokeCalendarSheet asks whether an address of the reader is to end.
func (p *pages) revokeCalendarSheet(v visit) (*sheet, error) {
	id, err := idOf(v, "id", "calendar")
	if err != nil {
		return nil, err
	}
	own, err := diary.Own(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	for _, c := range own {
		if c.ID == id {
			return &sheet{Title: "Revoke the address", Over: c.Title(), Verb: "Revoke it", Grave: true, Cancel: "/account", Crumbs: accountCrumbs, about: c,
				Lead: "Programs that read it find nothing there any more, at once. What they have read already stays with them until they ask again."}, nil
		}
	}
	return nil, fault.Missing("calendar", id.String())
}

func (p *pages) revokeCalendar(v visit, s *sheet) (string, error) {
	c := s.about.(diary.Calendar)
	_, err := once(p, v, s, func(tx *gorm.DB) (diary.Calendar, error) { return diary.Revoke(tx, v.who, v.now, c.ID) })
	return "/account#calendars", err
}
