package registry

import (
	"fmt"
	"slices"
	"strings"

	"tidegate/poct"
)

// Apply settles what a message changes in the registry as it stands. What is
// older than what a row says changes nothing; a merge that would lead an
// identifier back to itself is refused. It never makes one patient of two that
// nobody merged, and never makes up a row that the message does not name. An
// error means that the book could not be read.
func Apply(book poct.Book, c poct.Context) (poct.Changes, error) {
	a := &applied{book: book, c: c, patients: map[poct.PatientRef]*poct.Patient{}, visits: map[poct.Visit]*poct.Visit{}}
	for _, step := range []func() error{a.persons, a.merges, a.allVisits, a.orders} {
		if err := step(); err != nil {
			return poct.Changes{}, fmt.Errorf("apply %s: %w", c.Event, err)
		}
	}
	if len(a.out.Problems) > 0 {
		return poct.Changes{Problems: a.out.Problems}, nil
	}
	for _, ref := range a.order {
		a.out.Rows.Patients = append(a.out.Rows.Patients, *a.patients[ref])
	}
	for _, key := range a.visitOrder {
		a.out.Rows.Visits = append(a.out.Rows.Visits, *a.visits[key])
	}
	return a.out, nil
}

// applied holds the rows of one message as they change: a later part of it
// sees what an earlier one did.
type applied struct {
	book       poct.Book
	c          poct.Context
	patients   map[poct.PatientRef]*poct.Patient // changed
	order      []poct.PatientRef
	visits     map[poct.Visit]*poct.Visit // by authority, patient and id alone
	visitOrder []poct.Visit
	out        poct.Changes
}

func (a *applied) touch(ref poct.PatientRef) {
	if !slices.Contains(a.out.Touched, ref) {
		a.out.Touched = append(a.out.Touched, ref)
	}
}

func (a *applied) patient(ref poct.PatientRef) (poct.Patient, bool, error) {
	if p := a.patients[ref]; p != nil {
		return *p, true, nil
	}
	rows, err := a.book.Patients(ref.Authority, ref.ID)
	if err != nil || len(rows) == 0 {
		return poct.Patient{Authority: ref.Authority, ID: ref.ID}, false, err
	}
	return rows[0], true, nil
}

func (a *applied) change(p poct.Patient) {
	ref := poct.PatientRef{Authority: p.Authority, ID: p.ID}
	if a.patients[ref] == nil {
		a.order = append(a.order, ref)
	}
	a.patients[ref] = &p
}

func (a *applied) persons() error {
	for _, n := range a.c.Patients {
		a.touch(n.Ref)
		p, _, err := a.patient(n.Ref)
		if err != nil {
			return err
		}
		if a.c.AsOf.Before(p.AsOf) {
			continue
		}
		for _, told := range []struct {
			to *string
			is *string
		}{{&p.Family, n.Family}, {&p.Given, n.Given}, {&p.BirthDate, n.BirthDate}, {&p.Sex, n.Sex}} {
			if told.is != nil {
				*told.to = *told.is
			}
		}
		p.AsOf = a.c.AsOf
		a.change(p)
	}
	return nil
}

func (a *applied) merges() error {
	for _, m := range a.c.Merges {
		a.touch(m.Retires)
		a.touch(m.Survives)
		if err := a.merge(m); err != nil {
			return err
		}
	}
	return nil
}

func (a *applied) merge(m poct.MergeNews) error {
	end, err := a.leads(m.Survives, m.Retires)
	if err != nil {
		return err
	}
	if end {
		a.out.Problems = append(a.out.Problems, poct.Problem{
			Code: "merge-refused", Severity: poct.Hold, Field: poct.FieldPatient,
			Text:   "The message merges an identifier into one that was itself merged into it, so neither would lead to a patient.",
			Remedy: "Ask the record system's staff which identifier survives. Mend the merge there or in the registry, then read the arrival again.",
		})
		return nil
	}
	from, _, err := a.patient(m.Retires)
	if err != nil {
		return err
	}
	if a.c.AsOf.Before(from.Merged) {
		return nil // it was merged anew since
	}
	from.MergedTo, from.Merged = m.Survives.ID, a.c.AsOf
	a.change(from)
	to, known, err := a.patient(m.Survives)
	if err == nil && !known {
		a.change(to)
	}
	return err
}

// leads follows merges from one identifier and tells whether they come to
// another.
func (a *applied) leads(from, to poct.PatientRef) (bool, error) {
	for seen := map[poct.PatientRef]bool{}; !seen[from]; {
		if from == to {
			return true, nil
		}
		seen[from] = true
		p, _, err := a.patient(from)
		if err != nil {
			return false, err
		}
		if p.MergedTo == "" {
			return false, nil
		}
		from.ID = p.MergedTo
	}
	return true, nil // the circle is there already
}

func (a *applied) allVisits() error {
	for _, n := range a.c.Visits {
		a.touch(n.Patient)
		if err := a.visit(n); err != nil {
			return err
		}
	}
	return nil
}

func (a *applied) visit(n poct.VisitNews) error {
	key := poct.Visit{ID: n.ID, Authority: n.Patient.Authority, Patient: n.Patient.ID}
	v, known := key, false
	if changed := a.visits[key]; changed != nil {
		v, known = *changed, true
	} else {
		rows, err := a.book.Visits(key.Authority, key.Patient)
		if err != nil {
			return err
		}
		if i := slices.IndexFunc(rows, func(r poct.Visit) bool { return r.ID == n.ID }); i >= 0 {
			v, known = rows[i], true
		}
	}
	site, err := a.site(n.Places)
	if err != nil {
		return err
	}
	switch {
	case known && a.c.AsOf.Before(v.AsOf):
		if !v.Start.IsZero() || n.Act != poct.VisitBegins {
			return nil
		}
		v.Start = n.Start // its end came first
	case !known && (n.Act == poct.VisitChanges && n.Start.IsZero()):
		return nil // nothing tells that it began
	default:
		act(&v, n, known)
		v.AsOf = a.c.AsOf
	}
	if site != "" {
		v.Site = site
	}
	if a.visits[key] == nil {
		a.visitOrder = append(a.visitOrder, key)
	}
	a.visits[key] = &v
	return nil
}

// act changes a visit as the newest message about it says. A visit without a
// number that begins anew is another one in the same place.
func act(v *poct.Visit, n poct.VisitNews, known bool) {
	switch n.Act {
	case poct.VisitBegins:
		v.Start, v.End, v.Cancelled = n.Start, n.End, false
		return
	case poct.VisitCancels:
		v.Cancelled = true
	case poct.VisitReopens:
		v.End = n.End
	case poct.VisitEnds, poct.VisitChanges:
		if !n.End.IsZero() {
			v.End = n.End
		}
	}
	if !n.Start.IsZero() && (!known || n.Act == poct.VisitChanges || v.Start.IsZero()) {
		v.Start = n.Start
	}
}

// site is the first place that is a registered site, "" if none is.
func (a *applied) site(places []string) (string, error) {
	for _, id := range places {
		for _, try := range []string{id, strings.ToLower(id)} {
			_, ok, err := a.book.Site(try)
			if err != nil {
				return "", err
			}
			if ok {
				return try, nil
			}
		}
	}
	return "", nil
}

func (a *applied) orders() error {
	for _, n := range a.c.Orders {
		ref := poct.PatientRef{Authority: n.Order.Authority, ID: n.Order.Patient}
		a.touch(ref)
		rows, err := a.book.Orders(ref.Authority, ref.ID)
		if err != nil {
			return err
		}
		o := n.Order
		if o.Site, err = a.site(n.Places); err != nil {
			return err
		}
		i := slices.IndexFunc(rows, func(r poct.Order) bool { return r.ID == o.ID })
		if i >= 0 {
			was := rows[i]
			if a.c.AsOf.Before(was.AsOf) {
				continue
			}
			keep(&o, was)
		}
		if o.Status == "" {
			o.Status = poct.OrderOpen
		}
		o.AsOf = a.c.AsOf
		at := slices.IndexFunc(a.out.Rows.Orders, func(r poct.Order) bool {
			return r.ID == o.ID && r.Authority == o.Authority && r.Patient == o.Patient
		})
		if at >= 0 { // the same order with a second test: the first one names it
			continue
		}
		a.out.Rows.Orders = append(a.out.Rows.Orders, o)
	}
	return nil
}

// keep leaves what a newer message about an order does not tell as it was.
func keep(o *poct.Order, was poct.Order) {
	for _, p := range []struct {
		to *string
		is string
	}{{&o.Placer, was.Placer}, {&o.Filler, was.Filler}, {&o.Code, was.Code}, {&o.Site, was.Site}, {&o.Status, was.Status}, {&o.Request, was.Request}} {
		if *p.to == "" {
			*p.to = p.is
		}
	}
	if o.TargetLow.IsZero() {
		o.TargetLow, o.TargetHigh = was.TargetLow, was.TargetHigh
	}
}
