package astm

import (
	"bytes"
	"fmt"
)

// Delimiters of a message, as its H record names them.
type Delimiters struct{ Field, Repeat, Component, Escape byte }

// Standard are the delimiters that the standard recommends: H|\^&. Repeat and
// component stand the other way round than in HL7.
var Standard = Delimiters{Field: '|', Repeat: '\\', Component: '^', Escape: '&'}

// Span is a byte range in the raw message, [From, To).
type Span struct{ From, To int }

// Fault is what is wrong with a message and where. It never quotes the
// message, so it may be logged and shown.
type Fault struct {
	What string // one plain sentence part, lower case
	Span Span   // the bytes concerned, in the raw message
}

func (f *Fault) Error() string { return f.What }

// Message is one LIS02 message, H to L. It holds on to the raw bytes it was
// parsed from.
type Message struct {
	raw       []byte
	d         Delimiters
	noEscapes bool
	records   []Record
}

// Record is one line of a message. The zero Record exists in none.
type Record struct {
	m      *Message
	kind   byte
	number int // 1-based among all records of the message
	span   Span
	fields []Span
}

// Options change how a message is read.
type Options struct {
	// NoEscapes leaves the escape character as it stands, for senders that put
	// it into the H record and know nothing of escapes.
	NoEscapes bool
}

// Parse reads one message. The error is a *Fault.
func Parse(raw []byte) (*Message, error) { return Options{}.Parse(raw) }

// Parse reads one message: an H record and what follows it. Records end with
// CR, CR LF or LF, as the H record's own end shows; with CR, an LF within a
// record is a byte like any other. The error is a *Fault.
func (o Options) Parse(raw []byte) (*Message, error) {
	d, fault := readHeader(raw)
	if fault != nil {
		return nil, fault
	}
	m := &Message{raw: raw, d: d, noEscapes: o.NoEscapes}
	end := terminator(raw)
	for at := 0; at < len(raw); {
		to := len(raw)
		if i := bytes.IndexByte(raw[at:], end); i >= 0 {
			to = at + i
		}
		from := at
		at = to + 1
		for from < to && raw[from] == '\n' { // of CR LF
			from++
		}
		if from < to {
			m.add(Span{from, to})
		}
	}
	return m, nil
}

// terminator is the byte that ends the first record, and so all of them.
func terminator(raw []byte) byte {
	if i := bytes.IndexAny(raw, "\r\n"); i >= 0 {
		return raw[i]
	}
	return '\r'
}

// readHeader reads the delimiters.
func readHeader(raw []byte) (Delimiters, *Fault) {
	at := Span{0, min(len(raw), 5)}
	switch {
	case len(raw) == 0:
		return Delimiters{}, &Fault{"there is no record at all", at}
	case raw[0] != 'H':
		return Delimiters{}, &Fault{"the first record is no H record", at}
	case len(raw) < 5:
		return Delimiters{}, &Fault{"the H record ends before its delimiters", at}
	}
	d := Delimiters{raw[1], raw[2], raw[3], raw[4]}
	list := raw[1:5]
	for i, c := range list {
		if !delimits(c) || bytes.IndexByte(list[:i], c) >= 0 {
			return Delimiters{}, &Fault{"the H record names delimiters that are not four different signs", at}
		}
	}
	return d, nil
}

// delimits tells whether a byte can be a delimiter: a printable sign.
func delimits(c byte) bool {
	return c > ' ' && c <= '~' && !isLetter(c) && (c < '0' || c > '9')
}

func isLetter(c byte) bool { return c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' }

func (m *Message) add(s Span) {
	r := Record{m: m, number: len(m.records) + 1, span: s}
	line := m.raw[s.From:s.To]
	if isLetter(line[0]) && (len(line) == 1 || line[1] == m.d.Field) {
		r.kind = line[0]
	}
	from := s.From
	for i, c := range line {
		if c == m.d.Field {
			r.fields = append(r.fields, Span{from, s.From + i})
			from = s.From + i + 1
		}
	}
	r.fields = append(r.fields, Span{from, s.To})
	m.records = append(m.records, r)
}

// Delimiters of the message.
func (m *Message) Delimiters() Delimiters { return m.d }

// Records lists all records in order.
func (m *Message) Records() []Record { return m.records }

// Header is the H record.
func (m *Message) Header() Record { return m.records[0] }

// Kind is the record's letter, 0 if it begins with none.
func (r Record) Kind() byte { return r.kind }

// Exists tells whether there is such a record.
func (r Record) Exists() bool { return r.m != nil }

// Span is where the record stands, without its end.
func (r Record) Span() Span { return r.span }

// Field is the n-th field, counted from 1, which is the record's letter. One
// that was not sent is empty. The H record's field 2, the delimiters, has no
// parts.
func (r Record) Field(n int) Value {
	if r.m == nil || n < 1 || n > len(r.fields) {
		return Value{}
	}
	return Value{m: r.m, span: r.fields[n-1], whole: r.kind == 'H' && n == 2}
}

// Value is a field, one of its repeats, or a component.
type Value struct {
	m     *Message
	span  Span
	whole bool // has no parts
}

// Span is where the value stands; empty spans for what was not sent.
func (v Value) Span() Span { return v.span }

// Raw is the value as it was sent.
func (v Value) Raw() []byte {
	if v.m == nil {
		return nil
	}
	return v.m.raw[v.span.From:v.span.To]
}

// Empty tells whether nothing was sent.
func (v Value) Empty() bool { return v.span.From == v.span.To }

// Repeats lists the repeats of a field; one that has none is its own.
func (v Value) Repeats() []Value { return v.split(true) }

// Repeat is the n-th repeat of a field, counted from 1.
func (v Value) Repeat(n int) Value { return nth(v.Repeats(), n) }

// Components lists the components of a repeat; of a field, those of its first.
func (v Value) Components() []Value { return v.Repeat(1).split(false) }

// Component is the n-th component of a repeat, counted from 1; of a field,
// that of its first repeat.
func (v Value) Component(n int) Value { return nth(v.Components(), n) }

func nth(list []Value, n int) Value {
	if n < 1 || n > len(list) {
		return Value{}
	}
	return list[n-1]
}

func (v Value) split(repeats bool) []Value {
	if v.m == nil {
		return nil
	}
	if v.whole {
		return []Value{v}
	}
	sep := v.m.d.Component
	if repeats {
		sep = v.m.d.Repeat
	}
	var out []Value
	from := v.span.From
	for i := from; i < v.span.To; i++ {
		if v.m.raw[i] == sep {
			out = append(out, Value{m: v.m, span: Span{from, i}})
			from = i + 1
		}
	}
	return append(out, Value{m: v.m, span: Span{from, v.span.To}})
}

// Bytes undoes the escapes of a value. exact is false where a sequence was
// kept as written because it is none that is known.
func (v Value) Bytes() (b []byte, exact bool) {
	if v.m == nil || v.whole || v.m.noEscapes {
		return v.Raw(), true
	}
	return Unescape(v.Raw(), v.m.d)
}

// Text is Bytes as a string, for values that are plain ASCII or UTF-8.
func (v Value) Text() string {
	b, _ := v.Bytes()
	return string(b)
}

// place names a record in a fault: its letter where it has one, and its number.
func (r Record) place() string {
	if r.kind == 0 {
		return fmt.Sprintf("record %d", r.number)
	}
	return fmt.Sprintf("record %d (%c)", r.number, r.kind)
}
