package astm

import "bytes"

// Piece is what Assembly has put together: a message from H to L, or, with a
// Fault, records that are none.
type Piece struct {
	Raw   []byte
	Fault *Fault
}

// Assembly puts messages together from the texts of frames, or from bare
// records. It is a value: a caller that cannot keep what Add gave goes on with
// the Assembly it had before, and hands in the same text again. Of the values
// that come of one, only the newest may be used.
type Assembly struct {
	text  []byte
	start int  // where the record in hand starts
	open  bool // text begins with an H record
	field byte // the open message's field delimiter
	end   byte // what ends its records; 0 while that is not known
}

// Rest is the text that is in no piece so far.
func (a Assembly) Rest() []byte { return a.text }

// Open tells whether a message has begun and not ended.
func (a Assembly) Open() bool { return len(bytes.TrimLeft(a.text, "\r\n")) > 0 }

// Add takes in more text and gives the pieces that it completes. whole says
// that the text ends with the end of a record, as it does at the end of a frame
// that is not continued; an end of record that the sender left out is added.
func (a Assembly) Add(text []byte, whole bool) (pieces []Piece, next Assembly) {
	a.text = append(a.text, text...) // over what an Add wrote there that was not kept
	if n := len(a.text); whole && n > 0 && a.text[n-1] != '\r' && a.text[n-1] != '\n' {
		a.text = append(a.text, '\r')
	}
	for {
		to, ok := a.record()
		if !ok {
			break
		}
		pieces = a.take(pieces, to)
	}
	if whole && !a.open && a.Open() { // what follows no H is not waited for
		pieces = append(pieces, a.cut(len(a.text), "records that follow no H record"))
	}
	return pieces, a
}

// End gives what is left as a piece of its own: the sender has nothing to add.
func (a Assembly) End() []Piece {
	pieces, a := a.Add(nil, true)
	if a.Open() {
		pieces = append(pieces, a.cut(len(a.text), "the message has no L record: it was not sent to its end"))
	}
	return pieces
}

// record finds the end of the record in hand, its terminator included.
func (a *Assembly) record() (to int, ok bool) {
	end := a.end
	if end == 0 {
		end = terminator(a.text[a.start:])
	}
	i := bytes.IndexByte(a.text[a.start:], end)
	if i < 0 {
		return 0, false
	}
	if a.open {
		a.end = end
	}
	return a.start + i + 1, true
}

// take judges the record that ends at to.
func (a *Assembly) take(pieces []Piece, to int) []Piece {
	line := bytes.Trim(a.text[a.start:to], "\r\n")
	switch {
	case begins(line):
		if a.open {
			pieces = append(pieces, a.cut(a.start, "the message has no L record: another one begins behind it"))
		} else if len(bytes.TrimLeft(a.text[:a.start], "\r\n")) > 0 {
			pieces = append(pieces, a.cut(a.start, "records that follow no H record"))
		} else {
			a.text, a.start = a.text[a.start:], 0 // empty lines alone
		}
		a.open, a.field = true, line[1]
		a.end = terminator(a.text)
		// Without the text before it the record ends somewhere else.
		a.start = bytes.IndexByte(a.text, a.end) + 1
	case a.open && len(line) > 0 && line[0] == 'L' && (len(line) == 1 || line[1] == a.field):
		pieces = append(pieces, Piece{Raw: a.cut(to, "").Raw})
	default:
		a.start = to
	}
	return pieces
}

func begins(line []byte) bool {
	if len(line) == 0 || line[0] != 'H' {
		return false
	}
	_, fault := readHeader(line)
	return fault == nil
}

// cut takes the text before to as a piece, in memory of its own, and goes on
// behind it.
func (a *Assembly) cut(to int, what string) Piece {
	raw := bytes.Clone(bytes.TrimLeft(a.text[:to], "\r\n")) // an LF of CR LF before it
	*a = Assembly{text: a.text[to:]}
	if len(a.text) == 0 {
		a.text = nil
	}
	return Piece{Raw: raw, Fault: &Fault{what, Span{0, len(raw)}}}
}
