package registry

import (
	"slices"
	"time"

	"tidegate/poct"
)

const (
	chainRuns = 12             // newest runs of each control level: rules look back on ten, and two more keep a run whole
	ownRuns   = 40             // where mean and SD come from the runs themselves: 20 for these, and 20 that are judged by them
	labsAbout = 72 * time.Hour // how far from a test a laboratory result may lie to be compared
	siteTests = 20             // newest patient tests of a site, to see which lots are in use
)

// lotGate looks up how the strip lot came to the meter's site and whether it
// was accepted there.
func (l *lookup) lotGate() error {
	at := l.r.Tested()
	if l.f.Meter == nil || l.r.StripLot == "" || at.IsZero() {
		return nil
	}
	site := l.f.Meter.Site
	var err error
	if l.f.Shipment, err = l.shipment(l.r.StripLot, at); err != nil {
		return err
	}
	accepted, err := l.book.Acceptances(l.r.StripLot, site)
	for _, a := range accepted {
		if !a.At.After(at) && (l.f.Acceptance == nil || !a.At.Before(l.f.Acceptance.At)) {
			l.f.Acceptance = &a
		}
	}
	if err != nil || l.f.Shipment == nil {
		return err
	}
	return l.newerLot(at)
}

// shipment is the newest one of a lot to the meter's site that had arrived by
// a time; its Arrived is then an instant.
func (l *lookup) shipment(lot string, by time.Time) (*poct.Shipment, error) {
	rows, err := l.book.Shipments(lot, l.f.Meter.Site)
	if err != nil {
		return nil, err
	}
	var newest *poct.Shipment
	var when time.Time
	for _, s := range rows {
		arrived, ok := l.arrived(s)
		if ok && !arrived.After(by) && (newest == nil || arrived.After(when)) {
			s.Arrived = arrived.Format(time.RFC3339)
			newest, when = &s, arrived
		}
	}
	return newest, nil
}

// arrived is the instant of a shipment's arrival: as written, or the start of
// that day at the site.
func (l *lookup) arrived(s poct.Shipment) (time.Time, bool) {
	if t, err := time.Parse(time.RFC3339, s.Arrived); err == nil {
		return t, true
	}
	t, err := time.ParseInLocation(time.DateOnly, s.Arrived, l.zone())
	return t, err == nil
}

// zone is that of the meter's site, UTC if it is not known.
func (l *lookup) zone() *time.Location {
	if l.f.Zone != nil {
		return l.f.Zone
	}
	return time.UTC
}

// newerLot finds a lot that the site uses for this model of meter and that
// came there after the reading's lot.
func (l *lookup) newerLot(at time.Time) error {
	lots, err := l.book.SiteLots(l.f.Meter.Site, siteTests)
	if err != nil {
		return err
	}
	l.f.LotsInUse = lots
	newest, _ := time.Parse(time.RFC3339, l.f.Shipment.Arrived)
	for _, number := range lots {
		if number == l.r.StripLot {
			continue
		}
		lot, ok, err := l.book.StripLot(number)
		if err != nil {
			return err
		}
		if !ok || l.f.StripLot == nil || lot.Model != l.f.StripLot.Model {
			continue
		}
		s, err := l.shipment(number, at)
		if err != nil {
			return err
		}
		if s == nil {
			continue
		}
		if arrived, _ := time.Parse(time.RFC3339, s.Arrived); arrived.After(newest) {
			l.f.NewerLot, newest = s, arrived
		}
	}
	return nil
}

// chains are the runs for the control charts of this meter and lot, with the
// rows that may state their mean and SD. Long chains cost as much as all other
// look-ups together, so they are read only where a chart can be drawn from
// them; else the controls that are known already show why not.
func (l *lookup) chains() error {
	at := l.r.Tested()
	if l.r.Meter == "" || at.IsZero() {
		return nil
	}
	l.f.Chains = l.f.Controls
	other := func(p poct.Past) bool { return p.Reading.StripLot != l.r.StripLot }
	if slices.ContainsFunc(l.f.Chains, other) {
		l.f.Chains = slices.DeleteFunc(slices.Clone(l.f.Chains), other)
	}
	stated, err := l.chainRanges()
	if err != nil || len(l.f.Chains) == 0 || !stated && !l.look.OwnRuns {
		return err
	}
	n := chainRuns
	if l.look.OwnRuns {
		n = ownRuns
	}
	if l.f.Chains, err = l.book.ControlRuns(l.r.Meter, l.r.StripLot, at, n); err != nil {
		return err
	}
	if _, err = l.chainRanges(); err != nil {
		return err
	}
	actions, err := l.book.CorrectiveActions(l.r.Meter)
	for _, a := range actions {
		if !a.At.After(at) {
			l.f.Actions = append(l.f.Actions, a)
		}
	}
	return err
}

// chainRanges reads the rows of the control lots in the chains, and whether
// any of them states an SD.
func (l *lookup) chainRanges() (stated bool, err error) {
	l.f.ChainRanges = nil
	var seen []string
	for _, run := range l.f.Chains {
		lot := run.Reading.ControlLot
		if slices.Contains(seen, lot) {
			continue
		}
		seen = append(seen, lot)
		rows, err := l.book.ControlLots(lot)
		if err != nil {
			return false, err
		}
		for _, row := range rows {
			stated = stated || !row.SD.IsZero() || !row.RangeSDs.IsZero()
		}
		l.f.ChainRanges = append(l.f.ChainRanges, rows...)
	}
	return stated, nil
}

// labs are laboratory results of the patient about the test.
func (l *lookup) labs() error {
	rows, err := l.about(l.book.LabResults)
	l.f.Labs = rows
	return err
}

// meterResults are the patient's results by meter about a laboratory's own.
func (l *lookup) meterResults() error {
	rows, err := l.about(func(p poct.PatientRef, from, to time.Time) ([]poct.Past, error) {
		return l.book.PatientResults(p, from, to, historyRows)
	})
	l.f.History = rows
	return err
}

// about lists results of the patient on both sides of the test, newest first,
// under every identifier that was merged.
func (l *lookup) about(ask func(p poct.PatientRef, from, to time.Time) ([]poct.Past, error)) ([]poct.Past, error) {
	at := l.r.Tested()
	if l.f.Patient == nil || at.IsZero() {
		return nil, nil
	}
	return l.each(func(ref poct.PatientRef) ([]poct.Past, error) {
		return ask(ref, at.Add(-labsAbout), at.Add(labsAbout))
	})
}

// findings are those of the patient in force at the test. One whose times
// cannot be read counts as in force.
func (l *lookup) findings() error {
	at := l.r.Tested()
	if l.f.Patient == nil || at.IsZero() {
		return nil
	}
	for _, ref := range l.merged {
		rows, err := l.book.Findings(ref.Authority, ref.ID)
		if err != nil {
			return err
		}
		for _, row := range rows {
			from, badFrom := time.Parse(time.RFC3339, row.At)
			until, badUntil := time.Parse(time.RFC3339, row.Until)
			if (badFrom != nil || !from.After(at)) && (badUntil != nil || !until.Before(at)) {
				l.f.Findings = append(l.f.Findings, row)
			}
		}
	}
	return nil
}

// clock is what is known of the meter's clock and of the site's.
func (l *lookup) clock() error {
	if l.f.Meter == nil {
		return nil
	}
	c, ok, err := l.book.Contact(l.r.Meter)
	if ok {
		l.f.Contact = &c
	}
	if !l.f.Received.IsZero() {
		l.f.ClocksChange = nearestChange(l.f.Received.In(l.zone()))
	}
	return err
}

// nearestChange is the change of a zone's clocks nearest to a time in it, zero
// if there is none.
func nearestChange(t time.Time) time.Time {
	before, after := t.ZoneBounds()
	switch {
	case before.IsZero():
		return after
	case after.IsZero() || t.Sub(before) <= after.Sub(t):
		return before
	}
	return after
}
