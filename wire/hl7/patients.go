package hl7

// PatientGroup is what a message says of one patient: a PID, and what follows
// it until the next one. In ADT_A39 and ADT_A30 that is an MRG, in the other
// ADT structures (A01, A05, A09) a visit (HL7 2.5.1 chapter 3).
type PatientGroup struct {
	PID Segment
	MRG Segment
	PV1 Segment

	m        *Message
	from, to int
}

// Patients divides a message by its PID segments; a message has as many groups.
func (m *Message) Patients() []PatientGroup {
	var out []PatientGroup
	for i := range m.segs {
		if m.segs[i].id != [3]byte{'P', 'I', 'D'} {
			continue
		}
		if n := len(out); n > 0 {
			out[n-1].to = i
		}
		out = append(out, PatientGroup{PID: Segment{m, i}, m: m, from: i, to: len(m.segs)})
	}
	for i := range out {
		out[i].MRG, out[i].PV1 = out[i].Find("MRG", 1), out[i].Find("PV1", 1)
	}
	return out
}

// Find looks in the group's own segments, then in those before the first
// patient: MSH and EVN belong to all.
func (g PatientGroup) Find(id string, n int) Segment {
	if s := g.m.findIn(id, n, g.from, g.to); s.Exists() {
		return s
	}
	first := g.m.Find("PID", 1).Index()
	return g.m.findIn(id, n, 0, first)
}

var _ Scope = PatientGroup{}
