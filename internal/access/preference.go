package access

import (
	"context"
	"net/mail"
	"slices"
	"strings"

	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// Preference is how somebody wants to be told.
type Preference struct {
	Email      string
	Digest     bool   // a letter each day about what presses
	DigestHour int    // from which hour of their day on it is sent
	Zone       string // whose hours these are
	// In which units pages show what was entered in others. Blank leaves what was chosen before.
	Units measure.System
}

// PreferenceOf gives what the actor has chosen. Who has chosen nothing gets no letter;
// their sign-in name, where it is an address, and the zone of their first site are put forward.
func PreferenceOf(ctx context.Context, db *pgdb.DB, who Actor) (Preference, error) {
	return pgdb.ReadOne[Preference](ctx, db, who.ID, "account", who.ID.String(), `
select coalesce(f.email, case when p.login like '%_@_%' then p.login end, '') as email, coalesce(f.digest, false) as digest, coalesce(f.digest_hour, 6)::integer as digest_hour,
       coalesce(f.zone, (select s.zone from site as s where @everywhere or s.id = any (@sites) order by s.code limit 1), 'UTC') as zone, coalesce(f.units, 'as_entered') as units
  from actor as a
  left join person as p on p.actor_id = a.id
  left join person_preference as f on f.actor_id = a.id
 where a.id = current_actor()`, who.Scope(nil))
}

// SetPreference keeps what the actor has chosen.
func SetPreference(tx *gorm.DB, who Actor, in Preference) (Preference, error) {
	if who.Kind != "person" {
		return in, &fault.Error{Kind: fault.Forbidden, Msg: "only people get letters"}
	}
	in.Email = strings.TrimSpace(in.Email)
	var faults []*fault.Error
	if in.Email != "" {
		if a, err := mail.ParseAddress(in.Email); err != nil || a.Address != in.Email || len(in.Email) > 254 {
			faults = append(faults, fault.Field("email", in.Email, "is an address such as name@wash.example"))
		}
	} else if in.Digest {
		faults = append(faults, fault.Field("email", "", "is needed: the letter has to go somewhere"))
	}
	if in.DigestHour < 0 || in.DigestHour > 23 {
		faults = append(faults, fault.Field("digest_hour", in.DigestHour, "lies between 0 and 23"))
	}
	zones, err := pgdb.ZonesOf(tx)
	if err != nil {
		return in, err
	}
	if !zones.Know(in.Zone) {
		faults = append(faults, fault.Field("zone", in.Zone, "is a time zone by the IANA names, such as America/Chicago"))
	}
	if in.Units != "" && !slices.Contains(measure.Systems, in.Units) {
		faults = append(faults, fault.Field("units", string(in.Units), "is one of as_entered, metric, us"))
	}
	if err := fault.Collect(faults...); err != nil {
		return in, err
	}
	return in, tx.Raw(`
insert into person_preference as f (actor_id, email, digest, digest_hour, zone, units) values (@who, @email, @digest, @hour, @zone, coalesce(nullif(@units, ''), 'as_entered'))
on conflict (actor_id) do update set email = excluded.email, digest = excluded.digest, digest_hour = excluded.digest_hour, zone = excluded.zone,
       units = coalesce(nullif(@units, ''), f.units)
returning units`,
		map[string]any{"who": who.ID, "email": in.Email, "digest": in.Digest, "hour": in.DigestHour, "zone": in.Zone, "units": string(in.Units)}).Scan(&in.Units).Error
}
