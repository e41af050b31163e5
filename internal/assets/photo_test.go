package assets_test

import (
	"bytes"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
)

func picture(w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for x := range w {
		img.Set(x, h/2, color.RGBA{200, 30, 30, 255})
	}
	return img
}

func jpegOf(t testing.TB, w, h int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, picture(w, h), nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func pngOf(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestPhotos(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	add := func(who access.Actor, in assets.NewPhoto) (assets.Photo, error) {
		return pgtest.Write(s.db, who, func(tx *gorm.DB) (assets.Photo, error) { return assets.AddPhoto(tx, who, now, in) })
	}
	small := jpegOf(t, 40, 30)
	var moving bytes.Buffer
	if err := gif.Encode(&moving, picture(4, 4), nil); err != nil {
		t.Fatal(err)
	}
	broken := pngOf(t, picture(60, 60))
	broken = broken[:len(broken)-40]
	noise := image.NewRGBA(image.Rect(0, 0, 1200, 900)) // does not shrink
	for i := range noise.Pix {
		noise.Pix[i] = byte(rand.Uint32())
	}
	u, none := s.unit(t, s.motor, ""), uuid.New()
	of := func(content []byte) assets.NewPhoto { return assets.NewPhoto{PositionID: &s.left.ID, Content: content} }
	for _, c := range []struct {
		name string
		in   assets.NewPhoto
		kind fault.Kind
		says string
	}{
		{"a script that is called a picture", of([]byte("#!/bin/sh\nrm -rf /\n")), fault.Invalid, "content: is no JPEG or PNG picture"},
		{"a page", of([]byte("<html><script>alert(1)</script></html>")), fault.Invalid, "is no JPEG or PNG picture"},
		{"nothing", of(nil), fault.Invalid, "is no JPEG or PNG picture"},
		{"another kind of picture", of(moving.Bytes()), fault.Invalid, "is no JPEG or PNG picture"},
		{"40 MB", of(make([]byte, 40<<20)), fault.TooLarge, "at most 1 MiB"},
		{"a picture of more than a MiB", of(pngOf(t, noise)), fault.TooLarge, "shrink it first"},
		{"3000 pixels wide", of(pngOf(t, image.NewGray(image.Rect(0, 0, 3000, 10)))), fault.Invalid, "at most 2000 pixels a side"},
		{"3000 pixels high", of(pngOf(t, image.NewGray(image.Rect(0, 0, 10, 3000)))), fault.Invalid, "at most 2000 pixels a side"},
		{"broken", of(broken), fault.Invalid, "is a picture that is broken"},
		{"cut off", of(small[:len(small)/2]), fault.Invalid, "picture"},
		{"taken tomorrow", assets.NewPhoto{PositionID: &s.left.ID, Content: small, TakenAt: days(1)}, fault.Invalid, "taken_at: must not lie ahead"},
		{"of nothing", assets.NewPhoto{Content: small}, fault.Invalid, "one of them is shown"},
		{"of two things", assets.NewPhoto{PositionID: &s.left.ID, UnitID: &u.ID, Content: small}, fault.Invalid, "one of them is shown"},
		{"of a line and its site", assets.NewPhoto{LineID: s.left.LineID, SiteID: &s.left.SiteID, Content: small}, fault.Invalid, "one of them is shown"},
		{"of no line", assets.NewPhoto{LineID: &none, Content: small}, fault.NotFound, "no such line"},
		{"of no site", assets.NewPhoto{SiteID: &none, Content: small}, fault.NotFound, "no such site"},
		{"of no position", assets.NewPhoto{PositionID: &none, Content: small}, fault.NotFound, "no such position"},
		{"of no unit", assets.NewPhoto{UnitID: &none, Content: small}, fault.NotFound, "no such unit"},
	} {
		_, err := add(access.System, c.in)
		t.Run(c.name, func(t *testing.T) { wantKind(t, err, c.kind, c.says) })
	}
	_, err := add(nobody, of(small))
	wantKind(t, err, fault.Forbidden, "")

	p, err := add(access.System, assets.NewPhoto{PositionID: &s.left.ID, Content: small, Caption: " the lid ", TakenAt: days(-2)})
	if err != nil {
		t.Fatal(err)
	}
	if p.Width != 40 || p.Height != 30 || p.MediaType != "image/jpeg" || p.Caption != "the lid" || !p.TakenAt.Equal(*days(-2)) {
		t.Errorf("%+v", p)
	}
	full := pngOf(t, image.NewGray(image.Rect(0, 0, assets.MostPhotoSide, 3)))
	if p, err = add(access.System, of(full)); err != nil || p.MediaType != "image/png" || !p.TakenAt.Equal(now) {
		t.Errorf("%+v %v", p, err)
	}
	got, err := assets.OnePicture(ctx, s.db, access.System, p.ID)
	if err != nil || !bytes.Equal(got.Content, full) || got.MediaType != "image/png" {
		t.Errorf("the picture came back as %s, %d bytes, %v", got.MediaType, len(got.Content), err)
	}
	all, err := assets.PhotosOfPosition(ctx, s.db, access.System, s.left.ID)
	if err != nil || len(all) != 2 || all[0].ID != p.ID {
		t.Errorf("%+v %v", all, err)
	}
	// of a whole line or site, with the same checks
	for what, in := range map[string]assets.NewPhoto{"line": {LineID: s.left.LineID}, "site": {SiteID: &s.left.SiteID}} {
		in.Content = []byte("<html><script>alert(1)</script></html>")
		_, err := add(access.System, in)
		wantKind(t, err, fault.Invalid, "is no JPEG or PNG picture")
		in.Content = small
		f, err := add(access.System, in)
		if err != nil || f.PositionID != nil || f.UnitID != nil || *f.SiteID != s.left.SiteID || (f.LineID != nil) != (what == "line") {
			t.Errorf("of a %s: %+v, %v", what, f, err)
		}
		if got, err := assets.OnePicture(ctx, s.db, access.System, f.ID); err != nil || !bytes.Equal(got.Content, small) {
			t.Errorf("of a %s: %d bytes, %v", what, len(got.Content), err)
		}
	}
	// the trail tells of it without the picture itself
	trail := rowsOf[struct {
		N    int
		With int
	}](t, s, `select count(*)::int as n, count(*) filter (where after ? 'content')::int as "with" from trail where entity = 'photo'`)
	if trail[0].N != 4 || trail[0].With != 0 {
		t.Errorf("the trail holds %+v", trail)
	}
}

// A picture of a position is seen by whoever owned it then.
func TestPhotosOfASiteThatIsSold(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	seller := s.person(t, "seller", access.NewGrant{Role: "owner", CustomerID: &s.customer.ID})
	customer, buyer := s.newOwner(t, "VFP")
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, access.System, s.site.ID, customer.ID, *days(-10))
	})
	for who, at := range map[string]*time.Time{"seller": days(-20), "buyer": days(-2)} {
		p := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Photo, error) {
			return assets.AddPhoto(tx, access.System, now, assets.NewPhoto{PositionID: &s.left.ID, Content: jpegOf(t, 4, 4), TakenAt: at, Caption: who})
		})
		for _, a := range []access.Actor{s.actor(t, seller.ID), s.actor(t, buyer.ID)} {
			_, err := assets.OnePicture(ctx, s.db, a, p.ID)
			if mine := who == "seller" == (a.ID == seller.ID); mine != (err == nil) {
				t.Errorf("the picture of the %s, asked for by %s: %v", who, a.Name, err)
			}
		}
	}
	for _, a := range []access.Actor{s.actor(t, seller.ID), s.actor(t, buyer.ID)} {
		if n := raw(t, s.db, a, "photo"); n != 1 {
			t.Errorf("%s reads %d pictures", a.Name, n)
		}
	}
}

// A picture that should not be there is kept with the reason, and shown to nobody.
func TestAPhotoIsWithdrawn(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	u := s.unit(t, s.motor, "")
	add := func(in assets.NewPhoto) assets.Photo {
		in.Content = jpegOf(t, 8, 8)
		return pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Photo, error) { return assets.AddPhoto(tx, access.System, now, in) })
	}
	right, wrong, ofUnit := add(assets.NewPhoto{PositionID: &s.left.ID}), add(assets.NewPhoto{PositionID: &s.left.ID, Caption: "a face"}), add(assets.NewPhoto{UnitID: &u.ID})
	withdraw := func(who access.Actor, id uuid.UUID, reason string) (assets.Photo, error) {
		return pgtest.Write(s.db, who, func(tx *gorm.DB) (assets.Photo, error) { return assets.WithdrawPhoto(tx, who, now, id, reason) })
	}
	_, err := withdraw(nobody, wrong.ID, "a face")
	wantKind(t, err, fault.Forbidden, "")
	_, err = withdraw(access.System, wrong.ID, "  ")
	wantKind(t, err, fault.Invalid, "reason: must not be blank")
	_, err = withdraw(access.System, uuid.New(), "a face")
	wantKind(t, err, fault.NotFound, "no such photo")
	for _, id := range []uuid.UUID{wrong.ID, ofUnit.ID} {
		if f, err := withdraw(access.System, id, " shows a face "); err != nil || f.WithdrawnWhy == nil || *f.WithdrawnWhy != "shows a face" || !f.WithdrawnAt.Equal(now) {
			t.Errorf("%+v %v", f, err)
		}
		_, err = withdraw(access.System, id, "again")
		wantKind(t, err, fault.Conflict, "was withdrawn already: shows a face")
		_, err = assets.OnePicture(ctx, s.db, access.System, id)
		wantKind(t, err, fault.NotFound, "")
		if f, err := assets.OnePhoto(ctx, s.db, access.System, id); err != nil || f.WithdrawnAt == nil {
			t.Errorf("what is known of it: %+v %v", f, err)
		}
	}
	if all, err := assets.PhotosOfPosition(ctx, s.db, access.System, s.left.ID); err != nil || len(all) != 1 || all[0].ID != right.ID {
		t.Errorf("the position shows %+v %v", all, err)
	}
	if all, err := assets.PhotosOfUnit(ctx, s.db, access.System, now, u.ID); err != nil || len(all) != 0 {
		t.Errorf("the unit shows %+v %v", all, err)
	}
	if n := raw(t, s.db, access.System, "photo"); n != 3 {
		t.Errorf("%d photos are kept", n)
	}
	told, err := access.Trail(ctx, s.db, access.System, access.TrailFilter{EntityID: &wrong.ID}, access.Page{Limit: 10})
	if err != nil || len(told) != 2 {
		t.Errorf("the trail tells %+v %v", told, err)
	}
}
