package registry

import (
	"fmt"
	"slices"
	"time"

	"tidegate/poct"
)

const (
	controlsBack  = 8 * 24 * time.Hour       // least time that controls are looked back for
	controlsMost  = 100 * 24 * time.Hour     // and the most, however long a site's interval is
	historyRows   = 12                       // of these the newest
	historyBack   = 90 * 24 * time.Hour      // the patient's results that may be compared
	historyMost   = 3 * 365 * 24 * time.Hour // where the newest earlier one is looked for
	visitSlack    = 12 * time.Hour           // how far from a visit a test may lie to belong to it
	meterBack     = 8                        // results of the meter, to see its clock go backwards
	meterBackLate = 32                       // the same for a control, to see what came before it though tested after it
	mergesMost    = 16                       // links of merged identifiers that are followed
)

// Look says how much is looked up. The zero Look is the usual one.
type Look struct {
	// OwnRuns reads as many control runs as a mean and SD of their own need:
	// for rules whose control charts take them from there.
	OwnRuns bool
	// Record is the outlet whose record system patients come from; "" where they
	// are rows of the registry.
	Record string
	// Orders says which orders are looked for; none at first, unless the meter
	// sends the number of one.
	Orders Orders
}

func (k Look) source() string {
	if k.Record != "" {
		return "record"
	}
	return "registry"
}

// Facts is Look.Facts of the usual Look.
func Facts(book poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error) {
	return Look{}.Facts(book, r, received, now)
}

// Facts looks up what is known about a reading. received is when its arrival
// came, now is the moment of judgement. Controls and history reach up to the
// test, so that an arrival judged late is judged by the state at its test. An
// error means that the book could not be read.
func (k Look) Facts(book poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error) {
	l := &lookup{look: k, book: book, r: r, f: poct.Facts{Now: now, Received: received, PatientSource: k.source(), Record: k.Record}}
	steps := []func() error{l.meter, l.owner}
	switch r.Kind {
	case poct.KindPatient:
		steps = append(steps, l.clock, l.operator, l.stripLot, l.lotGate, l.patient, l.visit, l.orders, l.controls, l.chains,
			l.history, l.labs, l.findings, l.meterHistory, l.control)
	case poct.KindControl:
		steps = append(steps, l.clock, l.operator, l.stripLot, l.lotGate, l.control, l.meterHistory)
	case poct.KindComparison:
		steps = append(steps, l.patient, l.meterResults)
	}
	for _, step := range append(steps, l.empty) {
		if err := step(); err != nil {
			return poct.Facts{}, fmt.Errorf("look up facts: %w", err)
		}
	}
	return l.f, nil
}

// lookup fills facts step by step; later steps build on earlier ones.
type lookup struct {
	look   Look
	book   poct.Book
	r      poct.Reading
	f      poct.Facts
	merged []poct.PatientRef // the identifiers that lead to f.Patient
}

func (l *lookup) meter() error {
	if l.r.Meter == "" {
		return nil
	}
	m, ok, err := l.book.Meter(l.r.Meter)
	if err != nil {
		return err
	}
	if !ok {
		return l.nearestMeter()
	}
	l.f.Meter = &m
	s, ok, err := l.book.Site(m.Site)
	if ok {
		l.f.Site = &s
		l.f.Zone, _ = zone(s.TimeZone) // a zone that cannot be read is not known
	}
	return err
}

// nearestMeter looks for a serial that differs in one sign that is easily
// taken for another.
func (l *lookup) nearestMeter() error {
	for _, serial := range lookalikes(l.r.Meter) {
		_, ok, err := l.book.Meter(serial)
		if err != nil {
			return err
		}
		if ok {
			l.f.NearestMeter = serial
			return nil
		}
	}
	return nil
}

func (l *lookup) owner() error {
	key := l.r.Key()
	if key == "" {
		return nil
	}
	past, ok, err := l.book.ByKey(key)
	if ok {
		l.f.Owner = &past
	}
	return err
}

func (l *lookup) operator() error {
	if l.r.Operator == "" {
		return nil
	}
	op, ok, err := l.book.Operator(l.r.Operator)
	if ok {
		l.f.Operator = &op
	}
	return err
}

func (l *lookup) stripLot() error {
	if l.r.StripLot == "" {
		return nil
	}
	lot, ok, err := l.book.StripLot(l.r.StripLot)
	if err != nil {
		return err
	}
	if ok {
		l.f.StripLot = &lot
		return nil
	}
	lots, err := l.book.StripLotNumbers()
	l.f.NearestLot = nearest(l.r.StripLot, lots)
	return err
}

// control looks up the ranges of a control's lot; and for an unknown patient,
// whether the identifier is a control lot that stands in the wrong place.
func (l *lookup) control() error {
	lot := l.r.ControlLot
	if lot == "" && l.r.Kind == poct.KindPatient && len(l.f.Patients) == 0 {
		lot = l.r.Patient.ID
	}
	if lot == "" {
		return nil
	}
	rows, err := l.book.ControlLots(lot)
	l.f.ControlLots = rows
	return err
}

// patient finds the rows of the identifier and follows merged ones to the
// patient that survives. More than one row, a merge that leads nowhere and one
// that runs in a circle leave no patient.
func (l *lookup) patient() error {
	ref := l.r.Patient
	if ref.ID == "" {
		return nil
	}
	rows, err := l.book.Patients(ref.Authority, ref.ID)
	if err != nil || len(rows) == 0 {
		return err
	}
	l.f.Patients = rows
	if len(rows) > 1 {
		return nil
	}
	p := rows[0]
	chain := []poct.PatientRef{{Authority: p.Authority, ID: p.ID}}
	for p.MergedTo != "" {
		next := poct.PatientRef{Authority: p.Authority, ID: p.MergedTo}
		if slices.Contains(chain, next) || len(chain) > mergesMost {
			return nil
		}
		rows, err := l.book.Patients(next.Authority, next.ID)
		if err != nil {
			return err
		}
		if len(rows) != 1 {
			return nil
		}
		p, chain = rows[0], append(chain, next)
	}
	l.f.Patient, l.merged = &p, chain
	return nil
}

// visit finds the visit that a test belongs to: one that was open, else the
// nearest within the slack; among equals one at the meter's site, else the
// one that began last.
func (l *lookup) visit() error {
	at := l.r.Tested()
	if l.f.Patient == nil || at.IsZero() {
		return nil
	}
	var visits []poct.Visit
	for _, ref := range l.merged {
		rows, err := l.book.Visits(ref.Authority, ref.ID)
		if err != nil {
			return err
		}
		visits = append(visits, rows...)
	}
	here := ""
	if l.f.Meter != nil {
		here = l.f.Meter.Site
	}
	var best *poct.Visit
	for i := range visits {
		v := &visits[i]
		if !v.Cancelled && distance(*v, at) <= visitSlack && (best == nil || closer(*v, *best, at, here)) {
			best = v
		}
	}
	if best != nil {
		v := *best
		l.f.Visit = &v
	}
	return nil
}

func closer(a, b poct.Visit, at time.Time, here string) bool {
	da, db := distance(a, at), distance(b, at)
	switch {
	case da != db:
		return da < db
	case (a.Site == here) != (b.Site == here):
		return a.Site == here
	}
	return a.Start.After(b.Start)
}

// distance is how far a time lies outside a visit; 0 while it was open.
func distance(v poct.Visit, at time.Time) time.Duration {
	switch {
	case at.Before(v.Start):
		return v.Start.Sub(at)
	case !v.End.IsZero() && at.After(v.End):
		return at.Sub(v.End)
	}
	return 0
}

// controls looks back further where the site's interval is longer.
func (l *lookup) controls() error {
	at := l.r.Tested()
	if l.r.Meter == "" || at.IsZero() {
		return nil
	}
	back := controlsBack
	if l.f.Site != nil {
		back = min(max(back, l.f.Site.QCInterval+24*time.Hour), controlsMost)
	}
	rows, err := l.book.Controls(l.r.Meter, at.Add(-back), at)
	l.f.Controls = rows
	return err
}

// history is the patient's results of 90 days before the test, under every
// identifier that was merged; if there is none, the newest earlier one.
func (l *lookup) history() error {
	at := l.r.Tested()
	if l.f.Patient == nil || at.IsZero() {
		return nil
	}
	rows, err := l.results(at.Add(-historyBack), at)
	if err == nil && len(rows) == 0 {
		rows, err = l.results(at.Add(-historyMost), at.Add(-historyBack))
		rows = rows[:min(1, len(rows))]
	}
	l.f.History = rows
	return err
}

func (l *lookup) results(from, to time.Time) ([]poct.Past, error) {
	return l.each(func(ref poct.PatientRef) ([]poct.Past, error) {
		return l.book.PatientResults(ref, from, to, historyRows)
	})
}

// each asks for every identifier of the patient and joins the answers, newest
// first and each result once.
func (l *lookup) each(ask func(poct.PatientRef) ([]poct.Past, error)) ([]poct.Past, error) {
	var all []poct.Past
	for _, ref := range l.merged {
		rows, err := ask(ref)
		if err != nil {
			return nil, err
		}
		all = append(all, rows...)
	}
	if len(l.merged) > 1 {
		slices.SortStableFunc(all, func(a, b poct.Past) int { return b.Tested.Compare(a.Tested) })
		seen := map[string]bool{}
		all = slices.DeleteFunc(all, func(p poct.Past) bool {
			again := p.Result != "" && seen[p.Result]
			seen[p.Result] = true
			return again
		})
	}
	return all, nil
}

// meterHistory is asked for a control too: results that were tested after it
// and came before it.
func (l *lookup) meterHistory() error {
	rows := meterBack
	switch {
	case l.r.Meter == "" || l.r.Kind == poct.KindPatient && l.r.Sequence == "":
		return nil
	case l.r.Kind == poct.KindControl:
		rows = meterBackLate
	}
	past, err := l.book.MeterResults(l.r.Meter, rows)
	l.f.MeterHistory = past
	return err
}

// empty tells a registry without rows from one that lacks this row: nothing
// that this reading names was found, and there are no lots at all.
func (l *lookup) empty() error {
	f := &l.f
	if f.Meter != nil || f.Operator != nil || f.StripLot != nil || len(f.Patients) > 0 || len(f.ControlLots) > 0 {
		return nil
	}
	if l.r.Kind != poct.KindPatient && l.r.Kind != poct.KindControl {
		return nil
	}
	lots, err := l.book.StripLotNumbers()
	f.RegistryEmpty = err == nil && len(lots) == 0
	return err
}
