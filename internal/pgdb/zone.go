package pgdb

import (
	"strings"
	"sync"
	"time"

	"gorm.io/gorm"
)

// Zones are the names of time zones that the database knows.
type Zones map[string]bool

// Know tells whether a name is that of a time zone which this program knows as well: both
// reckon with it. What a machine calls its own is no place, and is another on the next one.
func (z Zones) Know(name string) bool {
	switch folder, _, _ := strings.Cut(name, "/"); folder {
	case "Local", "localtime", "posixrules", "Factory", "posix", "right":
		return false
	}
	_, err := time.LoadLocation(name)
	return err == nil && z[name]
}

var zones struct {
	sync.Mutex
	known Zones
}

// ZonesOf asks for them. The database goes through all its files to say so: that is done once.
func ZonesOf(tx *gorm.DB) (Zones, error) {
	zones.Lock()
	defer zones.Unlock()
	if zones.known == nil {
		var names []string
		if err := tx.Raw(`select name from pg_timezone_names`).Scan(&names).Error; err != nil {
			return nil, err
		}
		known := make(Zones, len(names))
		for _, n := range names {
			known[n] = true
		}
		zones.known = known
	}
	return zones.known, nil
}
