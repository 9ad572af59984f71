package poct1a

import (
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	wire "tidegate/wire/poct1a"
)

// wish is what a meter is to be told now. One that the registry does not know
// is told nothing. off is how far its clock is off, nil if it did not say.
func (s *session) wish(off *time.Duration) wire.Wish {
	w, cfg := wire.Wish{}, s.in.cfg
	s.refresh = time.Time{}
	if !s.known {
		return w
	}
	if cfg.Continuous && (cfg.SendOperators || cfg.SendPatients) {
		s.refresh = time.Now().Add(cfg.Refresh)
	}
	w.SetTime = cfg.SetTime && off != nil && off.Abs() > cfg.ClockTolerance
	m := s.in.memory(s.serial)
	if cfg.Lock == lockWithdrawn && s.in.set.Locked != nil {
		// A lock that a person set at the meter is not ours to end.
		locked := s.in.set.Locked(s.serial)
		w.Lock, w.Unlock = locked && !m.locked, !locked && m.locked
	}
	words := s.in.rules.Words
	if cfg.SendOperators && s.in.set.Operators != nil {
		rows, err := s.in.set.Operators(s.site)
		s.in.lists.Is(err)
		if err == nil {
			w.Operators = s.in.share(s.site, func(x *shared) { x.operators = same(x.operators, operators(rows)) }).operators
			if s.has.operators || s.loaded(m.operatorsAt, words.OperatorListUpdated) {
				w.OperatorsThere = m.operators
			}
		}
	}
	if cfg.SendPatients && s.in.set.Patients != nil {
		rows, err := s.in.set.Patients(s.site)
		s.in.lists.Is(err)
		if err == nil {
			w.Patients = s.in.share(s.site, func(x *shared) { x.patients = same(x.patients, patients(rows)) }).patients
			if s.has.patients || s.loaded(m.patientsAt, words.PatientListUpdated) {
				w.PatientsThere = m.patients
			}
		}
	}
	return w
}

// loadedWithin is how near the meter's own time of its list must be to when it
// was told ours, for the list to be taken as ours.
const loadedWithin = 2 * time.Minute

// loaded reports whether the meter's status says that its list is the one it
// was told at a time: else it may have lost it, or have it from elsewhere.
func (s *session) loaded(at time.Time, names []string) bool {
	for _, n := range names {
		t, err := wire.ParseTime(s.status.Updated[n].V)
		if got := t.In(s.zone); err == nil && !got.IsZero() && !at.IsZero() && got.Sub(at).Abs() <= loadedWithin {
			return true
		}
	}
	return false
}

// memory of a meter, as it is now.
func (in *Inlet) memory(serial string) memory {
	in.mu.Lock()
	defer in.mu.Unlock()
	if m := in.meters[serial]; m != nil {
		return *m
	}
	return memory{}
}

// remember changes what is known of the session's meter.
func (s *session) remember(change func(*memory)) {
	s.in.mu.Lock()
	defer s.in.mu.Unlock()
	m := s.in.meters[s.serial]
	if m == nil {
		m = &memory{}
		s.in.meters[s.serial] = m
	}
	change(m)
}

// share changes and returns the lists of a site.
func (in *Inlet) share(site string, change func(*shared)) shared {
	in.mu.Lock()
	defer in.mu.Unlock()
	x := in.shared[site]
	if x == nil {
		x = &shared{}
		in.shared[site] = x
	}
	change(x)
	return *x
}

// same keeps the list that there is, if the new one says the same.
func same[E wire.Entry](old, made *wire.List[E]) *wire.List[E] {
	if old.Same(made) {
		return old
	}
	return made
}

func operators(rows []poct.Operator) *wire.List[wire.Operator] {
	out := make([]wire.Operator, 0, len(rows))
	for _, r := range rows {
		out = append(out, wire.Operator{ID: r.ID, Name: r.Name})
	}
	return wire.NewList(out)
}

func patients(rows []poct.Patient) *wire.List[wire.Patient] {
	out := make([]wire.Patient, 0, len(rows))
	for _, r := range rows {
		sex := strings.ToUpper(r.Sex)
		if !slices.Contains([]string{"M", "F", "U"}, sex) {
			sex = ""
		}
		out = append(out, wire.Patient{ID: r.ID, Family: r.Family, Given: r.Given, BirthDate: r.BirthDate, Sex: sex})
	}
	return wire.NewList(out)
}
