package web_test

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"mime/multipart"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/measure"
)

// store is a ground with parts, places where stock lies, and units: the left
// brush has its gearmotor and its media set, the right one nothing on record.
type store struct {
	*ground
	motorPart, mediaPart, hubPart assets.Part
	warehouse, returns            assets.Location
	motor, spare, turned          assets.Unit // gearmotors: fitted, in the warehouse, in the warehouse with another orientation
	inner                         assets.Unit // the motor in the fitted gearmotor
	media                         assets.Unit
	supply                        assets.Supply
	photo                         assets.Photo
}

func newStore(t testing.TB) *store {
	t.Helper()
	s := &store{ground: newGround(t)}
	s.fill(t)
	return s
}

func (s *store) fill(t testing.TB) {
	t.Helper()
	sys := access.System
	part := func(number, description, class string, facts ...assets.PartFactEdit) assets.Part {
		return write(t, s.db, func(tx *gorm.DB) (assets.Part, error) {
			return assets.AddPart(tx, sys, now, assets.PartEdit{Number: number, Description: description, Class: class, Facts: facts})
		})
	}
	fact := func(kind, value string) assets.PartFactEdit { return assets.PartFactEdit{Fact: kind, Value: value} }
	s.motorPart = part("MW-10110", "Gearmotor 1.5 hp", "gearmotor", assets.PartFactEdit{Fact: "bore", Measure: &measure.Typed{Value: 1.375, Unit: "in"}},
		fact("plate_volts", "208-230/460"), fact("plate_hertz", "60"), fact("plate_phases", "3"), fact("leads", "9"), fact("frame_standard", "NEMA"))
	s.mediaPart = part("MW-31010", "Foam set, low side", "media_set", fact("media", "foam"), fact("media_pattern", "AABBx4"))
	s.hubPart = part("MW-21010", "Hub, clamped", "hub", fact("hub_fixing", "clamp4"))
	motorAlone := part("MW-10120", "Motor 1.5 hp", "motor")
	location := func(code, name, kind string) assets.Location {
		return write(t, s.db, func(tx *gorm.DB) (assets.Location, error) {
			return assets.AddLocation(tx, sys, now, assets.NewLocation{Code: code, Name: name, Kind: kind})
		})
	}
	s.warehouse, s.returns = location("WH", "Main warehouse", "warehouse"), location("RET", "Returns shelf", "returns")
	unit := func(in assets.UnitEdit) assets.Unit {
		return write(t, s.db, func(tx *gorm.DB) (assets.Unit, error) {
			return assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: in})
		})
	}
	s.motor, s.spare, s.turned = unit(assets.UnitEdit{PartID: s.motorPart.ID, Serial: "4471"}), unit(assets.UnitEdit{PartID: s.motorPart.ID, Serial: "0010-O0"}), unit(assets.UnitEdit{PartID: s.motorPart.ID, Serial: "9920"})
	s.inner = unit(assets.UnitEdit{PartID: motorAlone.ID, Serial: "M-17"})
	s.media = unit(assets.UnitEdit{PartID: s.mediaPart.ID, Lot: "L-2291", Pattern: "AABBAABBAABBAABB"})
	for _, u := range []assets.Unit{s.motor, s.spare, s.turned} {
		s.put(t, u, assets.Place{LocationID: &s.warehouse.ID}, now.AddDate(0, -11, 0), "day")
	}
	s.put(t, s.motor, assets.Place{SlotID: s.slot(t, s.left, "gearmotor")}, now.AddDate(0, -10, 0), "day")
	inside, err := assets.FittedInUnit(ctx, s.db, sys, now, s.motor.ID)
	if err != nil {
		t.Fatal(err)
	}
	s.put(t, s.inner, assets.Place{SlotID: &inside[0].SlotID}, now.AddDate(0, -10, 0), "month")
	write(t, s.db, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, sys, now, assets.Putting{UnitID: s.media.ID, Place: assets.Place{SlotID: s.slot(t, s.left, "media")}})
	})
	write(t, s.db, func(tx *gorm.DB) ([]assets.ReplacedSection, error) {
		return assets.ReplaceSection(tx, sys, now, s.media.ID, 3, "L-2300", now.AddDate(0, -1, 0))
	})
	record := func(u assets.Unit, kind, value string) {
		write(t, s.db, func(tx *gorm.DB) (assets.Fact, error) {
			return assets.RecordOfUnit(tx, sys, now, u.ID, assets.NewFact{Fact: kind, Value: value, How: "seen", SeenBy: "Imre"})
		})
	}
	record(s.motor, "gearmotor_orientation", "O12")
	record(s.turned, "gearmotor_orientation", "O9")
	write(t, s.db, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.Record(tx, sys, now, s.left.ID, assets.NewFact{Fact: "gearmotor_orientation", Value: "O3", How: "seen"})
	})
	began := now.AddDate(-1, 0, 0)
	s.supply = write(t, s.db, func(tx *gorm.DB) (assets.Supply, error) {
		return assets.AddSupply(tx, sys, now, s.site.ID, assets.NewSupply{Code: "UMB-S1", Volts: 480, Phases: 3, Hertz: 60, From: &began})
	})
	write(t, s.db, func(tx *gorm.DB) (assets.Position, error) {
		q, err := assets.OnePosition(ctx, s.db, sys, s.left.ID)
		if err != nil {
			return q, err
		}
		along := measure.Typed{Value: 38, Unit: "ft"}
		return assets.EditPosition(tx, sys, q.ID, q.Version, assets.PositionEdit{LineID: q.LineID, Code: q.Code, Name: q.Name, Kind: q.Kind, LineSide: q.LineSide, Along: &along, SupplyID: &s.supply.ID, Aliases: q.Aliases})
	})
	s.photo = write(t, s.db, func(tx *gorm.DB) (assets.Photo, error) {
		return assets.AddPhoto(tx, sys, now, assets.NewPhoto{PositionID: &s.left.ID, Caption: "The nameplate", Content: picture(t, 640, 480)})
	})
}

func (s *store) put(t testing.TB, u assets.Unit, to assets.Place, from time.Time, precision string) {
	t.Helper()
	write(t, s.db, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, access.System, now, assets.Putting{UnitID: u.ID, Place: to, From: &from, Precision: precision})
	})
}

// slot gives a slot of a position by its code.
func (s *store) slot(t testing.TB, q assets.Position, code string) *uuid.UUID {
	t.Helper()
	all, err := assets.FittedAtPosition(ctx, s.db, access.System, q.ID, now)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if f.SlotCode == code && f.Depth == 0 {
			return &f.SlotID
		}
	}
	t.Fatalf("%s has no slot %s", q.Code, code)
	return nil
}

// picture makes a JPEG.
func picture(t testing.TB, w, h int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, painted(w, h), &jpeg.Options{Quality: 80}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func painted(w, h int) image.Image {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			m.Set(x, y, color.RGBA{uint8(x * 200 / w), uint8(y * 200 / h), 120, 255})
		}
	}
	return m
}

func pngOf(t testing.TB, w, h int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, painted(w, h)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// send posts a form with a file in it.
func (v *visitor) send(path string, values url.Values, name string, file []byte) answer {
	v.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for k, all := range values {
		for _, one := range all {
			if err := w.WriteField(k, one); err != nil {
				v.t.Fatal(err)
			}
		}
	}
	if file != nil {
		part, err := w.CreateFormFile(name, "IMG_0001.JPG")
		if err != nil {
			v.t.Fatal(err)
		}
		if _, err := part.Write(file); err != nil {
			v.t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		v.t.Fatal(err)
	}
	r, err := http.NewRequest(http.MethodPost, v.h.URL+path, &b)
	if err != nil {
		v.t.Fatal(err)
	}
	r.Header.Set("Content-Type", w.FormDataContentType())
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return v.do(r)
}
