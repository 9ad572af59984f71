package registry

import (
	"sync"
	"time"

	"tidegate/poct"
)

// zones keeps each time zone once read: a zone is a file, and every reading
// without an offset needs one.
var zones sync.Map // IANA name -> *time.Location

// Zones gives the time zone of a meter's site, nil if meter, site or zone is
// unknown or cannot be looked up.
func Zones(book poct.Book) func(meter string) *time.Location {
	return func(meter string) *time.Location {
		m, ok, err := book.Meter(meter)
		if err != nil || !ok {
			return nil
		}
		s, ok, err := book.Site(m.Site)
		if err != nil || !ok {
			return nil
		}
		loc, err := zone(s.TimeZone)
		if err != nil {
			return nil
		}
		return loc
	}
}

// zone reads an IANA time zone. "" and "Local" are none: they would mean the
// zone of this machine.
func zone(name string) (*time.Location, error) {
	if loc, ok := zones.Load(name); ok {
		return loc.(*time.Location), nil
	}
	if name == "" || name == "Local" {
		return nil, errNoZone
	}
	loc, err := time.LoadLocation(name)
	if err != nil {
		return nil, errNoZone
	}
	zones.Store(name, loc)
	return loc, nil
}
