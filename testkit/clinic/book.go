package clinic

import (
	"slices"
	"time"

	"tidegate/poct"
)

// book is the clinic's registry and history.
type book struct{ c *Clinic }

var _ poct.Book = book{}

func (b book) open() (func(), error) {
	b.c.mu.Lock()
	if b.c.BookDown {
		b.c.mu.Unlock()
		return nil, errDown
	}
	return b.c.mu.Unlock, nil
}

func row[T any](b book, of func() (T, bool)) (T, bool, error) {
	done, err := b.open()
	if err != nil {
		var none T
		return none, false, err
	}
	defer done()
	v, ok := of()
	return v, ok, nil
}

func rows[T any](b book, of func() []T) ([]T, error) {
	done, err := b.open()
	if err != nil {
		return nil, err
	}
	defer done()
	return of(), nil
}

func (b book) Site(id string) (poct.Site, bool, error) {
	return row(b, func() (poct.Site, bool) { s, ok := b.c.sites[id]; return s, ok })
}

func (b book) Meter(serial string) (poct.Meter, bool, error) {
	return row(b, func() (poct.Meter, bool) {
		i := slices.IndexFunc(b.c.meters, func(m poct.Meter) bool { return m.Serial == serial })
		if i < 0 {
			return poct.Meter{}, false
		}
		return b.c.meters[i], true
	})
}

func (b book) Operator(id string) (poct.Operator, bool, error) {
	return row(b, func() (poct.Operator, bool) { o, ok := b.c.operators[id]; return o, ok })
}

func (b book) StripLot(lot string) (poct.StripLot, bool, error) {
	return row(b, func() (poct.StripLot, bool) { l, ok := b.c.lots[lot]; return l, ok })
}

func (b book) StripLotNumbers() ([]string, error) {
	return rows(b, func() []string {
		var out []string
		for l := range b.c.lots {
			out = append(out, l)
		}
		slices.Sort(out)
		return out
	})
}

func (b book) ControlLots(lot string) ([]poct.ControlLot, error) {
	return kept(b, func(s *shelf) []poct.ControlLot { return s.controlLots }, func(l poct.ControlLot) bool { return l.Lot == lot })
}

func (b book) Patients(authority, id string) ([]poct.Patient, error) {
	return rows(b, func() []poct.Patient {
		var out []poct.Patient
		for _, p := range b.c.patients {
			if p.ID == id && (authority == "" || p.Authority == authority) {
				out = append(out, p)
			}
		}
		return out
	})
}

func (b book) Visits(authority, id string) ([]poct.Visit, error) {
	return rows(b, func() []poct.Visit {
		var out []poct.Visit
		for _, v := range b.c.visits {
			if v.Patient == id && v.Authority == authority {
				out = append(out, v)
			}
		}
		return out
	})
}

func (b book) Orders(string, string) ([]poct.Order, error) { return nil, nil }

func (b book) ByKey(string) (poct.Past, bool, error) { return poct.Past{}, false, nil }

func (b book) Controls(meter string, from, to time.Time) ([]poct.Past, error) {
	return rows(b, func() []poct.Past { return between(b.c.controls[meter], from, to) })
}

func (b book) PatientResults(p poct.PatientRef, from, to time.Time, _ int) ([]poct.Past, error) {
	return rows(b, func() []poct.Past {
		out := between(b.c.history[p], from, to)
		slices.Reverse(out)
		return out
	})
}

func (b book) MeterResults(meter string, n int) ([]poct.Past, error) {
	all, err := kept(b, func(s *shelf) []poct.Past { return slices.Concat(s.trials, b.c.controls[meter]) }, func(p poct.Past) bool { return p.Reading.Meter == meter })
	slices.SortStableFunc(all, func(p, q poct.Past) int { return q.Tested.Compare(p.Tested) })
	return all[:min(n, len(all))], err
}

func (b book) Shipments(lot, site string) ([]poct.Shipment, error) {
	return kept(b, func(s *shelf) []poct.Shipment { return s.shipments }, func(p poct.Shipment) bool { return p.StripLot == lot && p.Site == site })
}

func (b book) Acceptances(lot, site string) ([]poct.Acceptance, error) {
	return kept(b, func(s *shelf) []poct.Acceptance { return s.acceptances }, func(a poct.Acceptance) bool { return a.StripLot == lot && a.Site == site })
}

func (b book) Findings(string, string) ([]poct.Finding, error) {
	return rows(b, func() []poct.Finding { return nil })
}

func (b book) ControlRuns(meter, stripLot string, to time.Time, n int) ([]poct.Past, error) {
	return rows(b, func() []poct.Past {
		var out []poct.Past
		left := map[string]int{}
		for _, p := range slices.Backward(between(b.c.controls[meter], time.Time{}, to)) {
			chain := p.Reading.ControlLot + "|" + p.Reading.ControlLevel
			if p.Reading.StripLot != stripLot {
				continue
			}
			if left[chain]++; left[chain] <= n {
				out = append(out, p)
			}
		}
		slices.Reverse(out)
		return out
	})
}

func (b book) LabResults(p poct.PatientRef, from, to time.Time) ([]poct.Past, error) {
	all, err := kept(b, func(s *shelf) []poct.Past { return between(s.labs, from, to) }, func(l poct.Past) bool { return l.Reading.Patient == p })
	slices.Reverse(all)
	return all, err
}

func (b book) SiteLots(string, int) ([]string, error) {
	return rows(b, func() []string { return nil })
}

func (b book) Contact(string) (poct.Contact, bool, error) {
	return row(b, func() (poct.Contact, bool) { return poct.Contact{}, false })
}

func between(all []poct.Past, from, to time.Time) []poct.Past {
	var out []poct.Past
	for _, p := range all {
		if !p.Tested.Before(from) && !p.Tested.After(to) {
			out = append(out, p)
		}
	}
	return out
}

func (b book) ReadBacks(lot, site string) ([]poct.ReadBack, error) {
	return kept(b, func(s *shelf) []poct.ReadBack { return s.readBacks }, func(r poct.ReadBack) bool { return r.StripLot == lot && r.Site == site })
}

func (b book) CorrectiveActions(meter string) ([]poct.CorrectiveAction, error) {
	return kept(b, func(s *shelf) []poct.CorrectiveAction { return s.actions }, func(a poct.CorrectiveAction) bool { return a.Meter == meter })
}
