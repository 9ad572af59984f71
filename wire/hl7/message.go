package hl7

// Message is one parsed message. It is immutable and safe for concurrent use.
type Message struct {
	raw          []byte
	delims       Delimiters
	segs         []segment
	starts       []int32 // where each field begins, all segments one after another
	charset      Charset
	charsetFault *Fault
}

type segment struct {
	id           [3]byte
	from, to     int32
	first, count int32 // its fields in starts
}

// Segment is one segment of a message; the zero Segment is an absent one, and
// all its fields are absent.
type Segment struct {
	m *Message
	n int
}

// Scope is what a path can be looked up in: a Message, an Order, an
// Observation, a Specimen.
type Scope interface {
	// Find returns the nth segment of an id, counted from 1. With n 0 it is the
	// segment the scope is about, else the first. Absent: the zero Segment.
	Find(id string, n int) Segment
}

// Raw is the bytes the message was parsed from.
func (m *Message) Raw() []byte { return m.raw }

// Delimiters are those that the message declares.
func (m *Message) Delimiters() Delimiters { return m.delims }

// Len is the number of segments.
func (m *Message) Len() int { return len(m.segs) }

// Segment returns the nth segment, counted from 0.
func (m *Message) Segment(n int) Segment { return Segment{m, n} }

// Find returns the nth segment of an id in the whole message, counted from 1;
// 0 is the first.
func (m *Message) Find(id string, n int) Segment { return m.findIn(id, n, 0, len(m.segs)) }

// Get reads a constant path, such as "MSH-9.1". A path that cannot be parsed
// is a mistake in the program and panics; parse paths from outside with ParsePath.
func (m *Message) Get(path string) Value { return MustPath(path).In(m) }

func (m *Message) findIn(id string, n, from, to int) Segment {
	if len(id) != 3 {
		return Segment{}
	}
	want := [3]byte{id[0], id[1], id[2]}
	for i := from; i < to; i++ {
		if m.segs[i].id != want {
			continue
		}
		if n--; n <= 0 {
			return Segment{m, i}
		}
	}
	return Segment{}
}

// Exists reports whether the segment is in the message.
func (s Segment) Exists() bool { return s.m != nil }

// ID is the segment id, "" if absent.
func (s Segment) ID() string {
	if s.m == nil {
		return ""
	}
	return string(s.m.segs[s.n].id[:])
}

// Index is the place among all segments of the message, from 0; -1 if absent.
func (s Segment) Index() int {
	if s.m == nil {
		return -1
	}
	return s.n
}

// Span is where the segment stands, its terminator not included.
func (s Segment) Span() Span {
	if s.m == nil {
		return Span{}
	}
	seg := s.m.segs[s.n]
	return Span{int(seg.from), int(seg.to)}
}

// Len is the number of the last field that is there, if only as empty.
func (s Segment) Len() int {
	if s.m == nil {
		return 0
	}
	return int(s.m.segs[s.n].count)
}

// Field returns field n, counted from 1 as HL7 counts: MSH-1 is the field
// separator, MSH-2 the encoding characters.
func (s Segment) Field(n int) Value {
	if s.m == nil || n < 1 || n > int(s.m.segs[s.n].count) {
		return Value{}
	}
	seg := s.m.segs[s.n]
	if isHeaderID(seg.id) && n <= 2 {
		return s.headerField(seg, n)
	}
	return Value{s.m, s.m.starts[int(seg.first)+n-1], s.m.fieldEnd(seg, n), levelField}
}

func (s Segment) headerField(seg segment, n int) Value {
	from, to := seg.from+3, min(seg.from+4, seg.to)
	if n == 2 {
		from, to = seg.from+4, s.m.fieldEnd(seg, 2)
	}
	return Value{s.m, min(from, to), to, levelLiteral}
}

func (m *Message) fieldEnd(seg segment, n int) int32 {
	if n < int(seg.count) {
		return m.starts[int(seg.first)+n] - 1
	}
	return seg.to
}
