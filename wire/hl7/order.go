package hl7

// Order is one ORDER_OBSERVATION group of an ORU message: an OBR with the ORC
// before it, its results and its specimens, under its patient.
type Order struct {
	Position     int     // from 1, in the message
	MSH          Segment // never absent
	PID          Segment
	PV1          Segment
	ORC          Segment
	OBR          Segment
	Notes        []Segment     // NTE of the OBR
	Observations []Observation // the results; the specimens' OBX are not among them
	Specimens    []Specimen

	m                    *Message
	head, patient, group [2]int // segment ranges, [from, to)
	specimensAt          int    // first SPM, else end of the group
}

// Observation is an OBX and the notes that follow it. As a Scope it is cheaper
// by its address.
type Observation struct {
	OBX   Segment
	Notes []Segment
	order *Order
}

// Specimen is an SPM and the OBX that describe it.
type Specimen struct {
	SPM          Segment
	Observations []Observation
	order        *Order
}

// Orders divides an ORU_R01 or ORU_R30 message into its orders (R31 and R32
// have the structure of R30; HL7 2.5.1 chapter 7). A new order begins at an ORC
// or OBR, a new patient at a PID. What the structures do not name stays where
// it stands, and Find sees it. Faults say where the order of segments is not
// the standard's; the orders are still usable.
func (m *Message) Orders() ([]*Order, []Fault) {
	g := grouper{m: m, headTo: len(m.segs)}
	for i := range m.segs {
		g.take(i, &m.segs[i])
	}
	g.closeOrder(len(m.segs))
	if dsc := m.Find("DSC", 1); !dsc.Field(1).Empty() {
		g.faults = append(g.faults, Fault{Code: CodeSequence, Segment: "DSC", Sequence: 1, Field: 1,
			What: "the message says that it goes on in another one", Span: dsc.Field(1).Span()})
	}
	if len(g.orders) == 0 {
		g.faults = append(g.faults, Fault{Code: CodeSequence, Segment: "OBR", What: "the message has no OBR, so no results"})
	}
	return g.orders, g.faults
}

type grouper struct {
	m           *Message
	headTo      int // end of the segments before the first patient or order
	patientFrom int
	patientTo   int
	inPatient   bool // between a PID and its first order
	order       *Order
	orders      []*Order
	faults      []Fault
}

func (g *grouper) take(i int, seg *segment) {
	switch seg.id {
	case [3]byte{'P', 'I', 'D'}:
		g.closeOrder(i)
		g.headTo = min(g.headTo, i)
		g.patientFrom, g.patientTo, g.inPatient = i, i+1, true
	case [3]byte{'O', 'R', 'C'}:
		g.closeOrder(i)
		g.open(i)
	case [3]byte{'O', 'B', 'R'}:
		if g.order == nil || g.order.OBR.Exists() {
			g.closeOrder(i)
			g.open(i)
		}
		g.order.OBR = Segment{g.m, i}
	case [3]byte{'O', 'B', 'X'}, [3]byte{'S', 'P', 'M'}:
		if g.order == nil || !g.order.OBR.Exists() {
			g.faults = append(g.faults, Fault{Code: CodeSequence, Segment: string(seg.id[:]),
				What: "it stands before the OBR it belongs to", Span: Span{int(seg.from), int(seg.to)}})
		}
		if g.order == nil {
			g.open(i)
		}
	default:
		if g.inPatient {
			g.patientTo = i + 1
		}
	}
}

func (g *grouper) open(i int) {
	g.headTo = min(g.headTo, i)
	g.inPatient = false
	g.order = &Order{Position: len(g.orders) + 1, m: g.m, group: [2]int{i, i}}
}

// closeOrder ends the open order before segment end and fills it in.
func (g *grouper) closeOrder(end int) {
	o := g.order
	if o == nil {
		return
	}
	g.order = nil
	o.head, o.patient, o.group[1] = [2]int{0, g.headTo}, [2]int{g.patientFrom, g.patientTo}, end
	o.fill()
	g.orders = append(g.orders, o)
}

func (o *Order) fill() {
	m := o.m
	o.MSH = Segment{m, 0}
	o.specimensAt = o.group[1]
	count := 0
	for i := o.group[0]; i < o.group[1]; i++ {
		if m.segs[i].id == [3]byte{'O', 'B', 'X'} {
			count++
		}
	}
	o.Observations = make([]Observation, 0, count)
	notes := &o.Notes
	for i := o.group[0]; i < o.group[1]; i++ {
		s := Segment{m, i}
		switch string(m.segs[i].id[:]) {
		case "SPM":
			o.specimensAt = min(o.specimensAt, i)
			o.Specimens = append(o.Specimens, Specimen{SPM: s, order: o})
			notes = nil
		case "OBX":
			list := &o.Observations
			if n := len(o.Specimens); n > 0 {
				list = &o.Specimens[n-1].Observations
			}
			*list = append(*list, Observation{OBX: s, order: o})
			notes = &(*list)[len(*list)-1].Notes
		case "NTE":
			if notes != nil {
				*notes = append(*notes, s)
			}
		}
	}
	o.PID, o.PV1, o.ORC = o.Find("PID", 1), o.Find("PV1", 1), o.Find("ORC", 1)
}

// Find looks in the order's own segments, then its patient's, then the
// message's head. OBX and NTE are the results' and the order's own alone:
// "OBX" never finds one that describes the specimen.
func (o *Order) Find(id string, n int) Segment {
	switch id {
	case "OBX":
		return o.m.findIn(id, n, o.group[0], o.specimensAt)
	case "NTE":
		if n <= 0 {
			n = 1
		}
		if n > len(o.Notes) {
			return Segment{}
		}
		return o.Notes[n-1]
	}
	for _, r := range [...][2]int{o.group, o.patient, o.head} {
		if s := o.m.findIn(id, n, r[0], r[1]); s.Exists() {
			return s
		}
	}
	return Segment{}
}

// Get reads a constant path within the order; see Message.Get.
func (o *Order) Get(path string) Value { return MustPath(path).In(o) }

// Find gives this OBX and its notes; with a number n an OBX is the nth result
// of the order. Anything else is looked up in the order.
func (b Observation) Find(id string, n int) Segment {
	switch {
	case id == "OBX" && n <= 0:
		return b.OBX
	case id == "NTE":
		if n = max(n, 1); n <= len(b.Notes) {
			return b.Notes[n-1]
		}
		return Segment{}
	}
	return b.order.Find(id, n)
}

// Get reads a constant path within the observation; see Message.Get.
func (b Observation) Get(path string) Value { return MustPath(path).In(b) }

// Find gives this SPM and its own OBX, the first with n 0; anything else is
// looked up in the order.
func (s Specimen) Find(id string, n int) Segment {
	switch {
	case id == "SPM" && n <= 0:
		return s.SPM
	case id == "OBX":
		if n = max(n, 1); n <= len(s.Observations) {
			return s.Observations[n-1].OBX
		}
		return Segment{}
	}
	return s.order.Find(id, n)
}

// Get reads a constant path within the specimen; see Message.Get.
func (s Specimen) Get(path string) Value { return MustPath(path).In(s) }

var (
	_ Scope = (*Message)(nil)
	_ Scope = (*Order)(nil)
	_ Scope = Observation{}
	_ Scope = Specimen{}
)
