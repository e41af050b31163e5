package web

import (
	"net/http"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
)

// photo sends a picture. It never changes, so that the browser of whoever was
// let in keeps it, an hour long: it may be withdrawn. Nothing on the way keeps it.
func (p *pages) photo(v visit) error {
	id, err := idOf(v, "id", "photo")
	if err != nil {
		return err
	}
	it, err := assets.OnePicture(v.ctx, p.db, v.who, id)
	if err != nil {
		return err
	}
	v.c.Header("Cache-Control", "private, max-age=3600, immutable")
	v.c.Data(http.StatusOK, it.MediaType, it.Content)
	return nil
}

// shot is what a photo is of, or the photo that is withdrawn.
type shot struct {
	photo          uuid.UUID
	position, unit *uuid.UUID
	path           string
}

func pictureField(name string) *field {
	return &field{Name: name, Label: "Picture", Kind: "picture",
		Hint: "JPEG or PNG, at most 1 MB and 2000 pixels a side. A phone's picture is made smaller before it is sent, where scripts may run."}
}

func photoSheet(over, path string, about shot, crumbs []crumb) *sheet {
	return &sheet{Title: "Add a photo", Over: over, Verb: "Keep the photo", Cancel: path, Crumbs: crumbs, about: about,
		Fields: []*field{
			pictureField("content"),
			{Name: "caption", Label: "What it shows", Short: "The caption", Optional: true, Hint: "Such as: the motor's nameplate, or the diagram in the lid."},
			{Name: "taken_at", Label: "Taken on", Short: "The time", Kind: "moment", Optional: true, Hint: "Now where nothing is said."},
		}}
}

func (p *pages) positionPhotoSheet(v visit) (*sheet, error) {
	q, site, crumbs, err := p.positionFor(v, access.RecordWork)
	if err != nil {
		return nil, err
	}
	s := photoSheet(q.Code+" "+q.Name, crumbs[1].Path+"#photos", shot{position: &q.ID, path: crumbs[1].Path + "#photos"}, crumbs)
	s.at = site.Location()
	return s, nil
}

func (p *pages) unitPhotoSheet(v visit) (*sheet, error) {
	u, at, crumbs, err := p.unitFor(v)
	if err != nil {
		return nil, err
	}
	s := photoSheet(u.Tag+" "+u.PartDescription, crumbs[1].Path+"#photos", shot{unit: &u.ID, path: crumbs[1].Path + "#photos"}, crumbs)
	s.at = at
	return s, nil
}

func (p *pages) addPhoto(v visit, s *sheet) (string, error) {
	of := s.about.(shot)
	in := assets.NewPhoto{PositionID: of.position, UnitID: of.unit, Caption: s.get("caption"), TakenAt: s.moment("taken_at"), Content: s.field("content").file}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Photo, error) { return assets.AddPhoto(tx, v.who, v.now, in) })
	return of.path, err
}

func (p *pages) withdrawPhotoSheet(v visit) (*sheet, error) {
	id, err := idOf(v, "id", "photo")
	if err != nil {
		return nil, err
	}
	f, err := assets.OnePhoto(v.ctx, p.db, v.who, id)
	if err == nil {
		err = v.who.Must(access.RecordWork)
	}
	if err != nil {
		return nil, err
	}
	path := ""
	switch {
	case f.PositionID != nil:
		path = "/positions/" + f.PositionID.String() + "#photos"
	case f.UnitID != nil:
		path = "/units/" + f.UnitID.String() + "#photos"
	default: // of a line or of the site as such
		path = "/sites/" + f.SiteID.String()
	}
	name := f.Caption
	if name == "" {
		name = "Photo without words"
	}
	return &sheet{Title: "Withdraw a photo", Over: name, Verb: "Withdraw it", Grave: true, Cancel: path, Crumbs: []crumb{{path, "Photos"}}, about: shot{photo: f.ID, path: path},
		Lead:   "It is not shown any more, and kept on record with your reason.",
		Fields: []*field{{Name: "reason", Label: "Why should it not be there?", Short: "The reason", Kind: "area", Most: 500}}}, nil
}

func (p *pages) withdrawPhoto(v visit, s *sheet) (string, error) {
	of := s.about.(shot)
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Photo, error) {
		return assets.WithdrawPhoto(tx, v.who, v.now, of.photo, s.get("reason"))
	})
	return of.path, err
}
