package astm

import (
	"bytes"
	"fmt"
)

// Control characters of the link (ISO/IEC 646, as LIS01 uses them).
const (
	stx = 0x02
	etx = 0x03
	eot = 0x04
	enq = 0x05
	ack = 0x06
	lf  = 0x0A
	cr  = 0x0D
	nak = 0x15
	etb = 0x17
)

// Limits of a frame's text, in bytes: what every receiver takes (E1381-95:
// 240, with 7 around it), and what the later LIS01 allows, from memory.
const (
	ShortText = 240
	LongText  = 64000
)

// Checksum adds up the bytes of a frame as they are on the line, from the
// frame number to ETX or ETB, modulo 256.
func Checksum(b []byte) byte {
	sum := byte(0)
	for _, c := range b {
		sum += c
	}
	return sum
}

// Frame is one frame of the link.
type Frame struct {
	Number int // 0 to 7
	Text   []byte
	Last   bool // ends with ETX; ETB says that the text goes on in the next
}

// AppendTo appends the frame as it goes onto the line.
func (f Frame) AppendTo(dst []byte) []byte {
	from := len(dst) + 1
	dst = append(dst, stx, byte('0'+f.Number%8))
	dst = append(dst, f.Text...)
	if f.Last {
		dst = append(dst, etx)
	} else {
		dst = append(dst, etb)
	}
	const digits = "0123456789ABCDEF"
	sum := Checksum(dst[from:])
	return append(dst, digits[sum>>4], digits[sum&15], cr, lf)
}

// ParseFrame reads one frame, STX to LF. The error is a *Fault. Digits of the
// checksum may be of either case.
func ParseFrame(b []byte) (Frame, error) {
	if len(b) < 7 || b[0] != stx {
		return Frame{}, &Fault{"the frame is shorter than a frame can be, or does not begin with STX", Span{0, len(b)}}
	}
	f, fault := readFrame(b[1:])
	if fault != nil {
		return Frame{}, fault
	}
	return f, nil
}

// readFrame reads a frame behind its STX.
func readFrame(b []byte) (Frame, *Fault) {
	at := Span{0, len(b) + 1}
	n := len(b) - 4
	switch {
	case n < 2 || b[n+2] != cr || b[n+3] != lf:
		return Frame{}, &Fault{"the frame does not end with checksum, CR and LF", at}
	case b[n-1] != etx && b[n-1] != etb:
		return Frame{}, &Fault{"the frame's text does not end with ETX or ETB", at}
	case b[0] < '0' || b[0] > '7':
		return Frame{}, &Fault{"the frame has no number from 0 to 7", at}
	}
	high, low := hexDigit(b[n]), hexDigit(b[n+1])
	if high < 0 || low < 0 {
		return Frame{}, &Fault{"the frame's checksum is not two hexadecimal digits", at}
	}
	if sum := Checksum(b[:n]); int(sum) != high<<4|low {
		return Frame{}, &Fault{fmt.Sprintf("the frame's checksum is %c%c, its bytes add up to %02X", b[n], b[n+1], sum), at}
	}
	return Frame{Number: int(b[0] - '0'), Text: b[1 : n-1], Last: b[n-1] == etx}, nil
}

func hexDigit(c byte) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c >= 'A' && c <= 'F':
		return int(c-'A') + 10
	case c >= 'a' && c <= 'f':
		return int(c-'a') + 10
	}
	return -1
}

// Barred tells whether a text holds bytes that LIS01 keeps out of frames: 01
// to 06, 0A and 10 to 17.
func Barred(text []byte) bool {
	return bytes.ContainsFunc(text, func(r rune) bool { return r >= 1 && r <= 6 || r == lf || r >= 0x10 && r <= 0x17 })
}

// Frames divides the records of a message into frames of at most limit bytes
// of text, numbered from 1: a record a frame, a longer one in several. wrap is
// the number that follows 7.
func Frames(records []byte, limit, wrap int) []Frame {
	var out []Frame
	number := 1
	for len(records) > 0 {
		end := bytes.IndexByte(records, cr) + 1
		if end == 0 {
			end = len(records)
		}
		for last := false; !last; {
			n := min(end, limit)
			last = n == end
			out = append(out, Frame{Number: number, Text: records[:n], Last: last})
			records, end = records[n:], end-n
			number = after(number, wrap)
		}
	}
	return out
}

// after is the number that follows n.
func after(n, wrap int) int {
	if n == 7 {
		return wrap
	}
	return n + 1
}
