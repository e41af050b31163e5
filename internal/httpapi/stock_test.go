package httpapi_test

import (
	"net/http"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
)

// A pail of oil by API: it comes, is opened, is given more time on evidence, and is written off
// with the van in which it lies, which somebody drives.
func TestAPailOfOilByAPI(t *testing.T) {
	s := newService(t)
	type m = map[string]any
	var van, scrap, oil, ida uuid.UUID
	s.as(func(tx *gorm.DB) error {
		for code, into := range map[string]*uuid.UUID{"van": &van, "scrap": &scrap} {
			l, err := assets.AddLocation(tx, access.System, s.now, assets.NewLocation{Code: "X-" + map[string]string{"van": "V", "scrap": "S"}[code], Name: code, Kind: code})
			if err != nil {
				return err
			}
			*into = l.ID
		}
		p, err := assets.AddPart(tx, access.System, s.now, assets.PartEdit{Number: "MW-90002", Description: "Gear oil", Class: "lubricant"})
		if err != nil {
			return err
		}
		oil = p.ID
		pail, _ := amount.Parse("18.9")
		months := 24
		if _, err := parts.SetStocking(tx, access.System, p.ID, p.Version, parts.StockingEdit{MeasuredIn: "L", BoughtIn: "pail", Pack: pail, Container: &pail, Tracking: "lot_expiry", OpenMonths: &months}); err != nil {
			return err
		}
		a, err := access.AddPerson(tx, access.System, s.now, access.NewPerson{Name: "Ida Falk", Login: "ida@marrowgate.example", Grants: []access.NewGrant{{Role: "technician"}}})
		ida = a.ID
		return err
	})
	send := func(as, path string, body m, want int) m {
		return s.json(t, request{method: http.MethodPost, path: path, as: as, header: map[string]string{"Idempotency-Key": uuid.NewString()}, body: body}, want)
	}
	list := func(path string) []any {
		return s.json(t, request{method: http.MethodGet, path: path, as: "parts_clerk"}, http.StatusOK)["items"].([]any)
	}
	last := s.now.AddDate(0, 6, 0).Format("2006-01-02")
	send("parts_clerk", "/stock-movements", m{"items": []m{{"kind": "receive", "part_id": oil, "lot": "OIL-7", "amount": "18.9", "to_id": van, "expires_on": last}}}, http.StatusCreated)
	lot := list("/stock?location_id=" + van.String())[0].(m)["lots"].([]any)[0].(m)["lot_id"].(string)

	open := send("parts_clerk", "/stock-containers", m{"location_id": van, "part_id": oil, "lot": "OIL-7"}, http.StatusCreated)
	if open["expires_on"] != last || open["level"] != "full" {
		t.Errorf("%v", open)
	}
	if again := send("parts_clerk", "/stock-containers", m{"location_id": van, "part_id": oil, "lot": "OIL-7"}, http.StatusCreated); again["id"] != open["id"] {
		t.Errorf("a second one is open: %v", again)
	}
	level := "/stock-containers/" + open["id"].(string) + "/level"
	send("parts_clerk", level, m{"version": open["version"], "level": "half"}, http.StatusCreated)
	send("parts_clerk", level, m{"version": open["version"], "level": "low"}, http.StatusPreconditionFailed)
	if all := list("/stock-containers?location_id=" + van.String()); len(all) != 1 || all[0].(m)["level"] != "half" {
		t.Errorf("%v", all)
	}

	longer := s.now.AddDate(1, 0, 0).Format("2006-01-02")
	send("parts_clerk", "/lots/"+lot+"/extensions", m{"until": s.now.Format("2006-01-02"), "reason": "clear", "evidence": "report 7"}, http.StatusUnprocessableEntity)
	send("parts_clerk", "/lots/"+lot+"/extensions", m{"until": longer, "reason": "clear", "evidence": "report 7"}, http.StatusCreated)
	if all := list("/lots/" + lot + "/extensions"); len(all) != 1 || all[0].(m)["was"] != last || all[0].(m)["until"] != longer || all[0].(m)["evidence"] != "report 7" {
		t.Errorf("%v", all)
	}

	send("parts_clerk", "/van-holders", m{"location_id": van, "person_id": ida}, http.StatusForbidden)
	send("manager", "/van-holders", m{"location_id": scrap, "person_id": ida}, http.StatusUnprocessableEntity)
	send("manager", "/van-holders", m{"location_id": van, "person_id": ida}, http.StatusCreated)
	if all := list("/van-holders?location_id=" + van.String()); len(all) != 1 || all[0].(m)["person"] != "Ida Falk" {
		t.Errorf("%v", all)
	}

	off := send("parts_clerk", "/locations/"+van.String()+"/write-off", m{"scrap_id": scrap, "reason": "burnt out"}, http.StatusCreated)
	if moved := off["movements"].([]any); len(moved) != 1 || moved[0].(m)["amount"] != "18.9" || moved[0].(m)["kind"] != "write_off" {
		t.Errorf("%v", off)
	}
}
