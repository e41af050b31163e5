package assets_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// rowsOf runs a query as the system.
func rowsOf[T any](t testing.TB, s stock, sql string) []T {
	t.Helper()
	found, err := pgdb.Read[T](ctx, s.db, access.System.ID, sql, nil)
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func TestFind(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	old := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, access.System, now, assets.NewUnit{Tag: "OLD-77", UnitEdit: assets.UnitEdit{PartID: s.motor.ID, Serial: "BO1I-0088"}})
	})
	zeros := s.unit(t, s.motor, "0042317")
	for _, c := range []struct{ text, want string }{
		{"umb-1/sbl-l", "position UMB-1/SBL-L code"},
		{"left BIG", "position UMB-1/SBL-L alias, position UMB-1/SBL-R alias"},
		{"UMB", "position UMB-1/SBL-L code, position UMB-1/SBL-R code, site UMB code, site UMB name"},
		{"umb exp", "site UMB name"},
		{"mw-10110", "part MW-10110 number"},
		{"old-7", "unit OLD-77 tag"},               // a label from before ours
		{"bo1i-00", "unit OLD-77 serial"},          // in small letters
		{"B011-O0", "unit OLD-77 serial"},          // as somebody reads it off the plate
		{"00423", "unit " + zeros.Tag + " serial"}, // the zeros belong to it
		{"42317", ""},                     // and what begins otherwise is not found by the end
		{"  old-77  ", "unit OLD-77 tag"}, // with blanks around it
		{"", ""},
		{"   ", ""},
		{"<script>alert(1)</script>", ""},
		{"%", ""},
		{"_", ""},
		{`\`, ""},
		{"' or 1=1 --", ""},
		{"🧽", ""},
		{strings.Repeat("x", 5000), ""},
	} {
		hits, err := assets.Find(ctx, s.db, access.System, c.text, 20)
		var got []string
		for _, h := range hits {
			got = append(got, h.Kind+" "+h.Code+" "+h.By)
		}
		slices.Sort(got)
		if strings.Join(got, ", ") != c.want || err != nil {
			t.Errorf("%.40q finds %v %v, not %s", c.text, got, err, c.want)
		}
	}
	if hits, err := assets.Find(ctx, s.db, access.System, "OLD", 20); err != nil || len(hits) != 1 || hits[0].ID != old.ID || hits[0].Name != "MW-10110" {
		t.Errorf("%+v %v", hits, err)
	}
	if hits, err := assets.Find(ctx, s.db, access.System, "MW", 2); err != nil || len(hits) != 2 {
		t.Errorf("more than two: %v %v", hits, err)
	}
	// markup in a name is a name
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.motor.ID, Serial: "<b>77</b>"}})
	})
	if hits, err := assets.Find(ctx, s.db, access.System, "<b>", 20); err != nil || len(hits) != 1 || !strings.Contains(hits[0].Name, "<b>77</b>") {
		t.Errorf("%v %v", fmt.Sprint(hits), err)
	}
	if _, err := assets.Find(ctx, s.db, access.System, "a\x00b", 20); err == nil {
		t.Error("a zero byte is no text")
	}
}
