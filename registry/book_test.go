package registry_test

import (
	"errors"
	"slices"
	"time"

	"tidegate/poct"
)

// shelf is a poct.Book that keeps its rows in slices, as the tests write them.
type shelf struct {
	rows     poct.RegistryRows
	past     []poct.Past // of every kind, in order of arrival
	contacts []poct.Contact
	fail     string   // the look-up that fails
	seen     []string // look-ups asked, in order
}

var errShelf = errors.New("shelf fell over")

func (s *shelf) asked(what string) error {
	s.seen = append(s.seen, what)
	if s.fail == what {
		return errShelf
	}
	return nil
}

func find[T any](rows []T, fits func(T) bool) (T, bool) {
	i := slices.IndexFunc(rows, fits)
	if i < 0 {
		var none T
		return none, false
	}
	return rows[i], true
}

func filter[T any](rows []T, fits func(T) bool) []T {
	return slices.DeleteFunc(slices.Clone(rows), func(r T) bool { return !fits(r) })
}

func (s *shelf) Site(id string) (poct.Site, bool, error) {
	row, ok := find(s.rows.Sites, func(r poct.Site) bool { return r.ID == id })
	return row, ok, s.asked("site")
}

func (s *shelf) Meter(serial string) (poct.Meter, bool, error) {
	row, ok := find(s.rows.Meters, func(r poct.Meter) bool { return r.Serial == serial })
	return row, ok, s.asked("meter")
}

func (s *shelf) Operator(id string) (poct.Operator, bool, error) {
	row, ok := find(s.rows.Operators, func(r poct.Operator) bool { return r.ID == id })
	return row, ok, s.asked("operator")
}

func (s *shelf) StripLot(lot string) (poct.StripLot, bool, error) {
	row, ok := find(s.rows.StripLots, func(r poct.StripLot) bool { return r.Lot == lot })
	return row, ok, s.asked("strip lot")
}

func (s *shelf) StripLotNumbers() ([]string, error) {
	var lots []string
	for _, l := range s.rows.StripLots {
		lots = append(lots, l.Lot)
	}
	return lots, s.asked("lots")
}

func (s *shelf) ControlLots(lot string) ([]poct.ControlLot, error) {
	return filter(s.rows.ControlLots, func(r poct.ControlLot) bool { return r.Lot == lot }), s.asked("control lots")
}

func (s *shelf) Patients(authority, id string) ([]poct.Patient, error) {
	return filter(s.rows.Patients, func(r poct.Patient) bool {
		return r.ID == id && (authority == "" || r.Authority == authority)
	}), s.asked("patients")
}

func (s *shelf) Visits(authority, id string) ([]poct.Visit, error) {
	return filter(s.rows.Visits, func(r poct.Visit) bool { return r.Patient == id && r.Authority == authority }), s.asked("visits")
}

func (s *shelf) Orders(authority, id string) ([]poct.Order, error) {
	return filter(s.rows.Orders, func(r poct.Order) bool { return r.Patient == id && r.Authority == authority }), s.asked("orders")
}

func (s *shelf) ByKey(key string) (poct.Past, bool, error) {
	row, ok := find(s.past, func(p poct.Past) bool { return p.Key == key })
	return row, ok, s.asked("key")
}

func (s *shelf) Controls(meter string, from, to time.Time) ([]poct.Past, error) {
	return filter(s.past, func(p poct.Past) bool {
		return p.Reading.Kind == poct.KindControl && p.Reading.Meter == meter && within(p, from, to)
	}), s.asked("controls")
}

func (s *shelf) PatientResults(ref poct.PatientRef, from, to time.Time, _ int) ([]poct.Past, error) {
	rows := filter(s.past, func(p poct.Past) bool {
		return p.Reading.Kind == poct.KindPatient && p.Reading.Patient == ref && within(p, from, to)
	})
	slices.SortStableFunc(rows, func(a, b poct.Past) int { return b.Tested.Compare(a.Tested) })
	return rows, s.asked("patient results")
}

func (s *shelf) MeterResults(meter string, limit int) ([]poct.Past, error) {
	rows := filter(s.past, func(p poct.Past) bool { return p.Reading.Meter == meter })
	slices.Reverse(rows)
	return rows[:min(limit, len(rows))], s.asked("meter results")
}

func (s *shelf) Shipments(lot, site string) ([]poct.Shipment, error) {
	return filter(s.rows.Shipments, func(r poct.Shipment) bool { return r.StripLot == lot && r.Site == site }), s.asked("shipments")
}

func (s *shelf) Acceptances(lot, site string) ([]poct.Acceptance, error) {
	return filter(s.rows.Acceptances, func(r poct.Acceptance) bool { return r.StripLot == lot && r.Site == site }), s.asked("acceptances")
}

func (s *shelf) ReadBacks(lot, site string) ([]poct.ReadBack, error) {
	return filter(s.rows.ReadBacks, func(r poct.ReadBack) bool { return r.StripLot == lot && r.Site == site }), s.asked("read_backs")
}

func (s *shelf) CorrectiveActions(meter string) ([]poct.CorrectiveAction, error) {
	return filter(s.rows.Actions, func(r poct.CorrectiveAction) bool { return r.Meter == meter }), s.asked("corrective_actions")
}

func (s *shelf) Findings(authority, id string) ([]poct.Finding, error) {
	return filter(s.rows.Findings, func(r poct.Finding) bool { return r.Authority == authority && r.Patient == id }), s.asked("findings")
}

func (s *shelf) ControlRuns(meter, stripLot string, to time.Time, n int) ([]poct.Past, error) {
	runs := filter(s.past, func(p poct.Past) bool {
		return p.Reading.Kind == poct.KindControl && p.Reading.Meter == meter && p.Reading.StripLot == stripLot && !p.Tested.After(to)
	})
	count := map[string]int{}
	var newest []poct.Past
	for _, p := range slices.Backward(runs) {
		if chain := p.Reading.ControlLot + "|" + p.Reading.ControlLevel; count[chain] < n {
			count[chain]++
			newest = append(newest, p)
		}
	}
	slices.Reverse(newest)
	return newest, s.asked("control runs")
}

func (s *shelf) LabResults(ref poct.PatientRef, from, to time.Time) ([]poct.Past, error) {
	rows := filter(s.past, func(p poct.Past) bool {
		return p.Reading.Kind == poct.KindComparison && p.Reading.Patient == ref && within(p, from, to)
	})
	slices.SortStableFunc(rows, func(a, b poct.Past) int { return b.Tested.Compare(a.Tested) })
	return rows, s.asked("laboratory results")
}

func (s *shelf) SiteLots(site string, n int) ([]string, error) {
	var lots []string
	for _, p := range slices.Backward(s.past) {
		m, _ := find(s.rows.Meters, func(m poct.Meter) bool { return m.Serial == p.Reading.Meter })
		if p.Reading.Kind != poct.KindPatient || m.Site != site || n == 0 {
			continue
		}
		n--
		if lot := p.Reading.StripLot; lot != "" && !slices.Contains(lots, lot) {
			lots = append(lots, lot)
		}
	}
	return lots, s.asked("lots in use")
}

func (s *shelf) Contact(meter string) (poct.Contact, bool, error) {
	row, ok := find(s.contacts, func(c poct.Contact) bool { return c.Meter == meter })
	return row, ok, s.asked("contact")
}

func within(p poct.Past, from, to time.Time) bool {
	return !p.Tested.Before(from) && !p.Tested.After(to)
}
