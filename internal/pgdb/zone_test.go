package pgdb_test

import (
	"testing"

	"gorm.io/gorm"

	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// A zone must be known to both who reckon with it.
func TestZonesAreKnownToBoth(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	var zones pgdb.Zones
	for range 2 {
		err := db.InTx(ctx, system, func(tx *gorm.DB) (err error) {
			zones, err = pgdb.ZonesOf(tx)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	for name, want := range map[string]bool{"America/Chicago": true, "Europe/London": true, "UTC": true, "Asia/Kathmandu": true,
		"": false, "Local": false, "Mars/Olympus": false, "america/chicago ": false, "../zoneinfo/UTC": false,
		"right/America/Chicago": false,                                                                        // with leap seconds: Go reads it where the machine has it
		"localtime":             false, "posixrules": false, "Factory": false, "posix/America/Chicago": false, // the machine's own, another's is another
	} {
		if zones.Know(name) != want {
			t.Errorf("%q is known: %v", name, !want)
		}
	}
	if (pgdb.Zones{"UTC": true, "Mars/Olympus": true}).Know("America/Chicago") || (pgdb.Zones{"Mars/Olympus": true}).Know("Mars/Olympus") {
		t.Error("what one of them does not know is known")
	}
	// whatever is known can be reckoned with in the database
	err := db.InTx(ctx, system, func(tx *gorm.DB) error {
		for name := range zones {
			if zones.Know(name) && len(name)%7 == 0 {
				if err := tx.Exec(`select now() at time zone ?`, name).Error; err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}
