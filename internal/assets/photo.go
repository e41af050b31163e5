package assets

import (
	"bytes"
	"context"
	"crypto/sha256"
	"image"
	_ "image/jpeg" // the kinds of picture that are taken
	_ "image/png"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// A photo is shrunk on the phone to these; a larger one is refused.
const (
	MostPhotoBytes = 1 << 20
	MostPhotoSide  = 2000 // pixels
)

// types are the kinds of picture that are kept.
var types = map[string]string{"jpeg": "image/jpeg", "png": "image/png"}

// Photo is a picture of a position, a line, a unit or, where it is of none of these, a site.
type Photo struct {
	ID           uuid.UUID
	SiteID       *uuid.UUID // where it was taken
	PositionID   *uuid.UUID
	LineID       *uuid.UUID
	UnitID       *uuid.UUID
	Caption      string
	MediaType    string
	Width        int
	Height       int
	TakenAt      time.Time
	RecordedAt   time.Time
	RecordedBy   string
	WithdrawnAt  *time.Time // then it is kept and not shown
	WithdrawnWhy *string
}

// NewPhoto is what it takes to keep a picture of one thing.
type NewPhoto struct {
	PositionID *uuid.UUID
	LineID     *uuid.UUID
	SiteID     *uuid.UUID
	UnitID     *uuid.UUID
	Caption    string
	TakenAt    *time.Time // nil is now
	Content    []byte     // JPEG or PNG
}

const photos = `
select f.id, f.site_id, f.position_id, f.line_id, f.unit_id, f.caption, f.media_type, f.width, f.height, f.taken_at, f.recorded_at, coalesce(a.name, '') as recorded_by,
       f.withdrawn_at, f.withdrawn_why
  from photo as f
  left join actor as a on a.id = f.recorded_by`

// AddPhoto keeps a picture. It is read as a picture first: what only has the
// name of one is refused.
func AddPhoto(tx *gorm.DB, who access.Actor, now time.Time, in NewPhoto) (Photo, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return Photo{}, err
	}
	if len(in.Content) > MostPhotoBytes {
		return Photo{}, &fault.Error{Kind: fault.TooLarge, Field: "content", Msg: "a photo takes at most 1 MiB; shrink it first"}
	}
	dims, kind, err := image.DecodeConfig(bytes.NewReader(in.Content))
	if err != nil {
		return Photo{}, fault.Field("content", "", "is no JPEG or PNG picture")
	}
	if dims.Width > MostPhotoSide || dims.Height > MostPhotoSide || dims.Width < 1 || dims.Height < 1 {
		return Photo{}, fault.Field("content", dims.Width, "is at most %d pixels a side; shrink it first", MostPhotoSide)
	}
	if kind := types[kind]; kind == "" { // other parts of the program may read other kinds
		return Photo{}, fault.Field("content", kind, "is no JPEG or PNG picture")
	}
	_, _, err = image.Decode(bytes.NewReader(in.Content)) // bounded by the check before
	if err != nil {
		return Photo{}, fault.Field("content", "", "is a picture that is broken: %v", err)
	}
	taken := since(in.TakenAt, now)
	if taken.After(now) {
		return Photo{}, fault.Field("taken_at", taken.UTC().Format(time.RFC3339), "must not lie ahead")
	}
	var site *uuid.UUID
	of := slices.DeleteFunc([]*uuid.UUID{in.PositionID, in.LineID, in.SiteID, in.UnitID}, func(id *uuid.UUID) bool { return id == nil })
	switch {
	case len(of) != 1:
		return Photo{}, fault.Field("position_id", "", "or a line, a site or a unit: one of them is shown")
	case in.PositionID != nil:
		p, err := positionInTx(tx, *in.PositionID)
		if err != nil {
			return Photo{}, err
		}
		site = &p.SiteID
	case in.LineID != nil:
		l, err := lineInTx(tx, *in.LineID)
		if err != nil {
			return Photo{}, err
		}
		site = &l.SiteID
	case in.SiteID != nil:
		if _, err := siteInTx(tx, *in.SiteID); err != nil {
			return Photo{}, err
		}
		site = in.SiteID
	default:
		if _, err := unitInTx(tx, now, *in.UnitID); err != nil {
			return Photo{}, err
		}
		// taken where the unit, or the one that it is inside, was then: that decides who sees it
		found, err := pgdb.One[struct{ SiteID *uuid.UUID }](tx, "", "", `
select (select coalesce(st.site_id, o.site_id)
          from stay as st
          left join slot as s on s.id = st.slot_id
          left join stay as o on o.unit_id = s.unit_id and o.during @> cast(@at as timestamptz)
         where st.unit_id = @unit and st.during @> cast(@at as timestamptz)) as site_id`,
			map[string]any{"unit": *in.UnitID, "at": taken})
		if err != nil {
			return Photo{}, err
		}
		site = found.SiteID
	}
	id, sum := pgdb.NewID(), sha256.Sum256(in.Content)
	err = tx.Exec(`
insert into photo (id, site_id, position_id, line_id, unit_id, caption, media_type, width, height, sha256, content, taken_at, recorded_at, recorded_by)
values (@id, @site, @position, @line, @unit, @caption, @type, @width, @height, @sum, @content, @taken, @now, @who)`,
		map[string]any{"id": id, "site": site, "position": in.PositionID, "line": in.LineID, "unit": in.UnitID, "caption": strings.TrimSpace(in.Caption), "type": types[kind],
			"width": dims.Width, "height": dims.Height, "sum": sum[:], "content": in.Content, "taken": taken, "now": now, "who": who.ID}).Error
	if err != nil {
		return Photo{}, err
	}
	return pgdb.One[Photo](tx, "photo", id.String(), photos+` where f.id = @id`, map[string]any{"id": id})
}

// WithdrawPhoto takes back a picture that should not be there, such as one of
// another brush or with somebody's face. It is kept with the reason, and shown
// to nobody.
func WithdrawPhoto(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, reason string) (Photo, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return Photo{}, err
	}
	if reason = strings.TrimSpace(reason); reason == "" {
		return Photo{}, fault.Field("reason", reason, "must not be blank")
	}
	f, err := pgdb.One[Photo](tx, "photo", id.String(), photos+` where f.id = @id for update of f`, map[string]any{"id": id})
	if err != nil {
		return Photo{}, err
	}
	if f.WithdrawnAt != nil {
		return f, &fault.Error{Kind: fault.Conflict, Field: "photo", Value: f.Caption, Msg: "was withdrawn already: " + *f.WithdrawnWhy}
	}
	if err := tx.Exec(`update photo set withdrawn_at = ?, withdrawn_why = ? where id = ?`, now, reason, id).Error; err != nil {
		return f, err
	}
	return pgdb.One[Photo](tx, "photo", id.String(), photos+` where f.id = @id`, map[string]any{"id": id})
}

// photoMine keeps to the actor's sites; photoShown to what of theirs is to be seen.
const (
	photoMine  = `(@everywhere or f.site_id = any (@sites))`
	photoShown = photoMine + ` and f.withdrawn_at is null`
)

// OnePhoto gives what is known of a picture, also of one that was withdrawn.
func OnePhoto(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Photo, error) {
	return pgdb.ReadOne[Photo](ctx, db, who.ID, "photo", id.String(), photos+` where f.id = @id and `+photoMine, args(who, map[string]any{"id": id}))
}

// PhotosOfPosition lists the pictures of a position, the latest first.
func PhotosOfPosition(ctx context.Context, db *pgdb.DB, who access.Actor, position uuid.UUID) ([]Photo, error) {
	if _, err := OnePosition(ctx, db, who, position); err != nil {
		return nil, err
	}
	return pgdb.Read[Photo](ctx, db, who.ID, photos+` where f.position_id = @position and `+photoShown+` order by f.taken_at desc, f.id`, args(who, map[string]any{"position": position}))
}

// PhotosOfUnit lists the pictures of a unit, the latest first.
func PhotosOfUnit(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, unit uuid.UUID) ([]Photo, error) {
	if _, err := OneUnit(ctx, db, who, now, unit); err != nil {
		return nil, err
	}
	return pgdb.Read[Photo](ctx, db, who.ID, photos+` where f.unit_id = @unit and `+photoShown+` order by f.taken_at desc, f.id`, args(who, map[string]any{"unit": unit}))
}

// Picture is the picture itself.
type Picture struct {
	MediaType string
	Content   []byte
}

// OnePicture gives the picture itself.
func OnePicture(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Picture, error) {
	return pgdb.ReadOne[Picture](ctx, db, who.ID, "photo", id.String(), `select f.media_type, f.content from photo as f where f.id = @id and `+photoShown, args(who, map[string]any{"id": id}))
}
