package astm

import (
	"bytes"
	"encoding/hex"
)

// Unescape undoes the escapes of one value, once and from left to right: &F&
// field, &S& component, &R& repeat, &E& escape, &Xhh..& bytes in hexadecimal.
// An escape character with no second one behind it is a sign like any other;
// between two of them, what is not known is kept as written, and exact is
// false.
func Unescape(b []byte, d Delimiters) (plain []byte, exact bool) {
	if bytes.IndexByte(b, d.Escape) < 0 {
		return b, true
	}
	plain, exact = make([]byte, 0, len(b)), true
	for len(b) > 0 {
		i := bytes.IndexByte(b, d.Escape)
		if i < 0 {
			return append(plain, b...), exact
		}
		plain, b = append(plain, b[:i]...), b[i:]
		end := bytes.IndexByte(b[1:], d.Escape)
		if end < 0 {
			return append(plain, b...), exact
		}
		if replaced, ok := d.sequence(plain, b[1:1+end]); ok {
			plain = replaced
		} else {
			plain, exact = append(plain, b[:end+2]...), false
		}
		b = b[end+2:]
	}
	return plain, exact
}

func (d Delimiters) sequence(dst, s []byte) ([]byte, bool) {
	switch {
	case len(s) == 0:
		return dst, false
	case len(s) > 1 && s[0] == 'X':
		out, err := hex.AppendDecode(dst, s[1:])
		return out, err == nil
	case len(s) > 1:
		return dst, false
	}
	switch s[0] {
	case 'F':
		return append(dst, d.Field), true
	case 'S':
		return append(dst, d.Component), true
	case 'R':
		return append(dst, d.Repeat), true
	case 'E':
		return append(dst, d.Escape), true
	}
	return dst, false
}

// Escape writes a text so that it can stand in a record as one value:
// delimiters as their escapes, control characters, which a frame may not hold,
// as hexadecimal.
func Escape(text string, d Delimiters) string {
	const digits = "0123456789ABCDEF"
	out := make([]byte, 0, len(text)+8)
	for i := 0; i < len(text); i++ {
		c, letter := text[i], byte(0)
		switch c {
		case d.Field:
			letter = 'F'
		case d.Component:
			letter = 'S'
		case d.Repeat:
			letter = 'R'
		case d.Escape:
			letter = 'E'
		}
		switch {
		case letter != 0:
			out = append(out, d.Escape, letter, d.Escape)
		case c < 0x20:
			out = append(out, d.Escape, 'X', digits[c>>4], digits[c&15], d.Escape)
		default:
			out = append(out, c)
		}
	}
	return string(out)
}

// AppendRecord appends a record with its CR: the letter, then the fields from
// the second on as they are to stand, escaped where they are texts. Empty
// fields at the end are left out.
func (d Delimiters) AppendRecord(dst []byte, kind byte, fields ...string) []byte {
	for len(fields) > 0 && fields[len(fields)-1] == "" {
		fields = fields[:len(fields)-1]
	}
	dst = append(dst, kind)
	for _, f := range fields {
		dst = append(dst, d.Field)
		dst = append(dst, f...)
	}
	return append(dst, '\r')
}
