package registry

import (
	"fmt"
	"time"

	"tidegate/poct"
)

// ReadyFacts is Look.ReadyFacts of the usual Look.
func ReadyFacts(book poct.Book, serial string, now time.Time) (poct.Facts, string, error) {
	return Look{}.ReadyFacts(book, serial, now)
}

// ReadyFacts looks up what tells whether a meter may be used at a time, and
// the strip lot that it used last: of its newest results the one tested last.
// The lot is "" where none of them names one. An error means that the book
// could not be read.
func (k Look) ReadyFacts(book poct.Book, serial string, now time.Time) (poct.Facts, string, error) {
	wrap := func(err error) error { return fmt.Errorf("look up readiness: %w", err) }
	past, err := book.MeterResults(serial, meterBackLate)
	if err != nil {
		return poct.Facts{}, "", wrap(err)
	}
	lot, last := "", time.Time{}
	for _, p := range past {
		if p.Reading.StripLot != "" && p.Tested.After(last) && !p.Tested.After(now) {
			lot, last = p.Reading.StripLot, p.Tested
		}
	}
	l := &lookup{
		look: k, book: book, f: poct.Facts{Now: now, Received: now, MeterHistory: past, PatientSource: k.source()},
		r: poct.Reading{Kind: poct.KindPatient, Meter: serial, StripLot: lot, TestedAt: poct.Stamp{At: now}},
	}
	for _, step := range []func() error{l.meter, l.clock, l.stripLot, l.lotGate, l.controls, l.chains, l.empty} {
		if err := step(); err != nil {
			return poct.Facts{}, "", wrap(err)
		}
	}
	return l.f, lot, nil
}
