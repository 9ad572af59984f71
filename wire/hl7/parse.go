package hl7

import (
	"bytes"
	"math"
)

// Delimiters are the separators a message declares in MSH-1 and MSH-2.
type Delimiters struct {
	Field, Component, Repetition, Escape, Subcomponent byte
	Truncation                                         byte // v2.7 and later; 0 if not declared
}

// Standard is the set that HL7 recommends: |^~\&.
var Standard = Delimiters{Field: '|', Component: '^', Repetition: '~', Escape: '\\', Subcomponent: '&'}

// Options are what a source's messages need to be told that they do not say
// themselves. The zero Options read what the standard says and the usual habits.
type Options struct {
	// Fallback reads the bytes of a message that names no character set and is
	// not valid UTF-8. NoCharset: such bytes stay visible as hex escapes.
	Fallback Charset
	// Terminator ends a segment: '\r', '\n', or 0 to find out. Found out means
	// CR, with an LF directly after it swallowed, if there is any CR, else LF.
	Terminator byte
}

// Parse reads one message with the zero Options. An error is a *Fault.
func Parse(raw []byte) (*Message, error) { return Options{}.Parse(raw) }

// Parse reads one message. An error is a *Fault. The work is one pass that
// notes where fields begin; what is inside a field is split when asked for.
func (o Options) Parse(raw []byte) (*Message, error) {
	if len(raw) > math.MaxInt32 {
		return nil, &Fault{Code: CodeTooLong, What: "the message is longer than 2 GiB"}
	}
	start := bomLen(raw)
	body := raw[start:]
	if !bytes.HasPrefix(body, []byte("MSH")) {
		return nil, &Fault{Code: CodeSequence, Segment: "MSH", Sequence: 1,
			What: "the message does not begin with an MSH segment", Span: Span{start, min(start+3, len(raw))}}
	}
	d, fault := readDelimiters(body)
	if fault != nil {
		fault.Span.From += start
		fault.Span.To += start
		return nil, fault
	}
	m := &Message{raw: raw, delims: d}
	if fault := m.index(start, o.terminator(body)); fault != nil {
		return nil, fault
	}
	m.chooseCharset(o.Fallback)
	return m, nil
}

func (o Options) terminator(body []byte) byte {
	if o.Terminator != 0 {
		return o.Terminator
	}
	if bytes.IndexByte(body, '\r') >= 0 {
		return '\r'
	}
	return '\n'
}

// bomLen is the length of a UTF-8 byte order mark, which files may carry.
func bomLen(raw []byte) int {
	if bytes.HasPrefix(raw, []byte("\xEF\xBB\xBF")) {
		return 3
	}
	return 0
}

// readDelimiters reads MSH-1 and MSH-2 (or those of FHS, BHS) from a header
// segment: four characters, or five with the truncation character.
func readDelimiters(header []byte) (Delimiters, *Fault) {
	id := string(header[:3])
	bad := func(field, from, to int, code Code, what string) (Delimiters, *Fault) {
		return Delimiters{}, &Fault{Code: code, Segment: id, Sequence: 1, Field: field, What: what,
			Span: Span{min(from, len(header)), min(to, len(header))}}
	}
	if len(header) < 4 || !isDelimiter(header[3]) {
		return bad(1, 3, 4, CodeMissing, "the field separator is missing")
	}
	d := Delimiters{Field: header[3]}
	n := 4
	for n < len(header) && header[n] != d.Field && header[n] != '\r' && header[n] != '\n' {
		if n == 9 {
			return bad(2, 4, 10, CodeType, "more than 5 encoding characters")
		}
		n++
	}
	enc := header[4:n]
	if len(enc) == 0 {
		return bad(2, 4, 4, CodeMissing, "the encoding characters are missing")
	}
	if len(enc) < 4 {
		return bad(2, 4, n, CodeType, "fewer than 4 encoding characters")
	}
	for i, c := range enc {
		if !isDelimiter(c) || c == d.Field || bytes.IndexByte(enc[:i], c) >= 0 {
			return bad(2, 4, n, CodeType, "the encoding characters are not different signs")
		}
	}
	d.Component, d.Repetition, d.Escape, d.Subcomponent = enc[0], enc[1], enc[2], enc[3]
	if len(enc) == 5 {
		d.Truncation = enc[4]
	}
	return d, nil
}

// isDelimiter: a printable ASCII sign, neither letter, digit, blank nor the
// quote that null is written with.
func isDelimiter(c byte) bool {
	switch {
	case c <= ' ', c >= 0x7F, c == '"':
		return false
	case c >= '0' && c <= '9', c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z':
		return false
	}
	return true
}

// index notes where each segment and each field begins.
func (m *Message) index(start int, terminator byte) *Fault {
	raw, sep := m.raw, m.delims.Field
	m.segs = make([]segment, 0, bytes.Count(raw, []byte{terminator})+1)
	m.starts = make([]int32, 0, bytes.Count(raw, []byte{sep})+2)
	for at := start; at < len(raw); {
		end, next := len(raw), len(raw)
		if i := bytes.IndexByte(raw[at:], terminator); i >= 0 {
			end = at + i
			next = end + 1
		}
		// An LF after a CR belongs to the terminator: no segment begins with it.
		if terminator == '\r' && raw[at] == '\n' && at > start {
			at++
		}
		if terminator == '\n' && end > at && raw[end-1] == '\r' {
			end--
		}
		line := raw[at:end]
		if isBlank(line) {
			at = next
			continue
		}
		if !isSegmentID(line) || (len(line) > 3 && line[3] != sep) {
			return &Fault{Code: CodeSequence, What: "a segment does not begin with a segment id of three letters or digits",
				Span: Span{at, end}}
		}
		id := [3]byte(line)
		if id == mshID && len(m.segs) > 0 {
			return &Fault{Code: CodeSequence, Segment: "MSH", Sequence: 2, What: "a second message begins inside this one",
				Span: Span{at, end}}
		}
		m.addSegment(id, at, end)
		at = next
	}
	return nil
}

func (m *Message) addSegment(id [3]byte, from, to int) {
	seg := segment{id: id, from: int32(from), to: int32(to), first: int32(len(m.starts))}
	at := from
	if isHeaderID(id) {
		m.starts = append(m.starts, int32(from+3), int32(from+4)) // field 1 is the separator itself
		at = min(from+4, to)
	}
	sep := m.delims.Field
	for i, c := range m.raw[at:to] {
		if c == sep {
			m.starts = append(m.starts, int32(at+i+1))
		}
	}
	seg.count = int32(len(m.starts)) - seg.first
	m.segs = append(m.segs, seg)
}

var mshID = [3]byte{'M', 'S', 'H'}

// isHeaderID: segments whose field 1 is the field separator.
func isHeaderID(id [3]byte) bool {
	return id == mshID || id == [3]byte{'F', 'H', 'S'} || id == [3]byte{'B', 'H', 'S'}
}

// isSegmentID: a capital, then two capitals or digits, then no further one.
func isSegmentID(line []byte) bool {
	if len(line) < 3 || line[0] < 'A' || line[0] > 'Z' || !isIDByte(line[1]) || !isIDByte(line[2]) {
		return false
	}
	return len(line) == 3 || !isIDByte(line[3])
}

func isIDByte(c byte) bool { return c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' }

// isBlank: nothing but padding that some senders leave between or after segments.
func isBlank(line []byte) bool {
	for _, c := range line {
		if c != ' ' && c != '\t' && c != '\n' && c != '\r' && c != 0 {
			return false
		}
	}
	return true
}
