package httpapi

import (
	"context"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/diary"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/measure"
)

func calendarOut(c diary.Calendar) gen.Calendar {
	return gen.Calendar{Id: c.ID, Shows: gen.CalendarShows(c.Shows), Title: c.Title(), SiteId: c.SiteID, PersonId: c.PersonID, WithDue: c.WithDue,
		MadeAt: c.MadeAt, RevokedAt: c.RevokedAt, ReadAt: c.ReadAt}
}

// ListCalendars lists the addresses of whoever asks.
func (s *Server) ListCalendars(ctx context.Context, _ gen.ListCalendarsRequestObject) (gen.ListCalendarsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := diary.Own(ctx, s.db, who)
	return gen.ListCalendars200JSONResponse{Items: each(all, calendarOut)}, err
}

// CreateCalendar makes an address for a calendar program.
func (s *Server) CreateCalendar(ctx context.Context, r gen.CreateCalendarRequestObject) (gen.CreateCalendarResponseObject, error) {
	c, err := once(ctx, s, "createCalendar", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (secretly[diary.Calendar], error) {
		c, secret, err := diary.Make(tx, who, now, diary.New{Shows: string(r.Body.Shows), SiteID: r.Body.SiteId, PersonID: r.Body.PersonId, WithDue: val(r.Body.WithDue)})
		return secretly[diary.Calendar]{c, secret}, err
	})
	out := calendarOut(c.It)
	if c.Secret != "" {
		out.Address = new(s.door.Public(diary.Path(c.Secret)))
	}
	return gen.CreateCalendar201JSONResponse(out), err
}

// RevokeCalendar ends an address.
func (s *Server) RevokeCalendar(ctx context.Context, r gen.RevokeCalendarRequestObject) (gen.RevokeCalendarResponseObject, error) {
	c, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (diary.Calendar, error) {
		return diary.Revoke(tx, who, now, r.CalendarId)
	})
	return gen.RevokeCalendar200JSONResponse(calendarOut(c)), err
}

func preferenceOut(p access.Preference) gen.Preference {
	units := gen.PreferenceUnits(p.Units)
	return gen.Preference{Email: p.Email, Digest: p.Digest, DigestHour: p.DigestHour, Zone: p.Zone, Units: &units}
}

// GetPreference says how whoever asks wants to be told.
func (s *Server) GetPreference(ctx context.Context, _ gen.GetPreferenceRequestObject) (gen.GetPreferenceResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := access.PreferenceOf(ctx, s.db, who)
	return gen.GetPreference200JSONResponse(preferenceOut(p)), err
}

// ReplacePreference keeps how whoever asks wants to be told.
func (s *Server) ReplacePreference(ctx context.Context, r gen.ReplacePreferenceRequestObject) (gen.ReplacePreferenceResponseObject, error) {
	p, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (access.Preference, error) {
		in := access.Preference{Email: r.Body.Email, Digest: r.Body.Digest, DigestHour: r.Body.DigestHour, Zone: r.Body.Zone}
		if r.Body.Units != nil {
			in.Units = measure.System(*r.Body.Units)
		}
		return access.SetPreference(tx, who, in)
	})
	return gen.ReplacePreference200JSONResponse(preferenceOut(p)), err
}
