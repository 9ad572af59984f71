package astm

import "fmt"

// Group is a record with the comments (C), maker's own records (M) and
// scientific records (S) that stand below it.
type Group struct {
	Record
	Below []Record
}

// Order is one O with its results, and the patient and header above it. A
// patient that was not sent does not exist.
type Order struct {
	Header, Patient, Order Group
	Results                []Group
	End                    Record // the L record
}

// Records lists the records of one letter that belong to an order. Those that
// hang below others come from the nearest first: of the results, the order,
// the patient, the header.
func (o *Order) Records(kind byte) []Record {
	var out []Record
	one := func(r Record) {
		if r.Exists() {
			out = append(out, r)
		}
	}
	switch kind {
	case 'H':
		one(o.Header.Record)
	case 'P':
		one(o.Patient.Record)
	case 'O':
		one(o.Order.Record)
	case 'L':
		one(o.End)
	case 'R':
		for _, r := range o.Results {
			out = append(out, r.Record)
		}
	default:
		groups := append(append([]Group(nil), o.Results...), o.Order, o.Patient, o.Header)
		for _, g := range groups {
			for _, r := range g.Below {
				if r.kind == kind {
					out = append(out, r)
				}
			}
		}
	}
	return out
}

// Orders lists the orders of a message and what is wrong with the order of its
// records: H (P (O R*)*)* L. A patient may be left out, as senders of controls
// do; results below no O come as an order without one, with a fault.
func (m *Message) Orders() ([]*Order, []*Fault) {
	w := m.walk()
	end := Record{}
	if last := m.records[len(m.records)-1]; last.kind == 'L' {
		end = last
	}
	for _, o := range w.orders {
		o.Header, o.End = w.header, end
	}
	return w.orders, w.faults
}

// Queries lists the Q records, by which an instrument asks for its orders.
func (m *Message) Queries() []Group {
	w := m.walk()
	var out []Group
	for _, q := range w.queries {
		out = append(out, *q)
	}
	return out
}

// walk puts records under their owners.
type walk struct {
	header  Group
	patient Group
	orders  []*Order
	queries []*Group
	owner   func(Record) // where C, M and S go
	inOrder bool         // an R belongs to the last order
	ended   bool
	faults  []*Fault
}

func (m *Message) walk() *walk {
	w := &walk{}
	for _, r := range m.records {
		w.take(r)
	}
	return w
}

func (w *walk) fault(r Record, what string) {
	w.faults = append(w.faults, &Fault{fmt.Sprintf("%s %s", r.place(), what), r.span})
}

func (w *walk) take(r Record) {
	if w.ended {
		w.fault(r, "stands behind the L record")
		return
	}
	switch r.kind {
	case 'H':
		if r.number > 1 {
			w.fault(r, "begins a second message")
		}
		w.header.Record = r
		w.owner = func(c Record) { w.header.Below = append(w.header.Below, c) }
	case 'P':
		w.patient, w.inOrder = Group{Record: r}, false
		w.owner = func(c Record) { w.patient.Below = append(w.patient.Below, c) } // before its first O
	case 'O':
		o := &Order{Patient: w.patient, Order: Group{Record: r}}
		w.orders, w.inOrder = append(w.orders, o), true
		w.owner = func(c Record) { o.Order.Below = append(o.Order.Below, c) }
	case 'R':
		if !w.inOrder {
			w.fault(r, "stands below no O record")
			w.orders, w.inOrder = append(w.orders, &Order{Patient: w.patient}), true
		}
		o := w.orders[len(w.orders)-1]
		o.Results = append(o.Results, Group{Record: r})
		g := &o.Results[len(o.Results)-1]
		w.owner = func(c Record) { g.Below = append(g.Below, c) }
	case 'Q':
		q := &Group{Record: r}
		w.queries, w.inOrder = append(w.queries, q), false
		w.owner = func(c Record) { q.Below = append(q.Below, c) }
	case 'C', 'M', 'S':
		w.owner(r) // the first record is H, so there is one
	case 'L':
		w.ended = true
	default:
		w.fault(r, "is of no kind that the standard has")
	}
}

// Incomplete says why a message is not whole: it does not end with an L
// record, or its L record says that the sender or receiver gave it up (T, R) or
// met a failure (E). It is nil for a whole one.
func (m *Message) Incomplete() *Fault {
	last := m.records[len(m.records)-1]
	if last.kind != 'L' {
		return &Fault{"it has no L record: it was not sent to its end", last.span}
	}
	switch code := last.Field(3).Text(); code {
	case "T", "R", "E":
		return &Fault{"its L record says that it was broken off (code " + code + ")", last.span}
	}
	return nil
}
