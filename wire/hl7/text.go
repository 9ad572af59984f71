package hl7

import (
	"bytes"
	"encoding/hex"
	"strings"
)

// Unescape undoes the escape sequences of one value, once and from left to
// right, and decodes it. It is for values already split at the delimiters; a
// delimiter within stays. exact is false if anything was kept as written: an
// unknown or open escape, or bytes that are none of the character set.
//
// Known are \F\ \S\ \T\ \R\ \E\ \P\ (the delimiters), \Xhh..\ (bytes in the
// message's character set), \.br\ (line break), \H\ and \N\ (highlighting,
// which leaves no text). \C..\, \M..\ (other character sets), \Z..\ (local)
// and formatting commands are kept.
func Unescape(b []byte, d Delimiters, c Charset) (text string, exact bool) {
	if bytes.IndexByte(b, d.Escape) < 0 {
		if isASCII(b) {
			return string(b), true
		}
		out, ok := c.decode(make([]byte, 0, len(b)+8), b, d.Escape)
		return string(out), ok
	}
	// Bytes first, text afterwards: \XC3\\XA4\ is one UTF-8 letter.
	plain, exact := make([]byte, 0, len(b)), true
	for len(b) > 0 {
		i := bytes.IndexByte(b, d.Escape)
		if i < 0 {
			plain = append(plain, b...)
			break
		}
		plain, b = append(plain, b[:i]...), b[i:]
		end := bytes.IndexByte(b[1:], d.Escape)
		if end < 0 {
			plain, exact = append(plain, b...), false
			break
		}
		sequence := b[1 : 1+end]
		if replaced, ok := d.sequence(plain, sequence); ok {
			plain, b = replaced, b[end+2:]
			continue
		}
		plain, b, exact = append(plain, b[:end+2]...), b[end+2:], false
	}
	out, ok := c.decode(make([]byte, 0, len(plain)+8), plain, d.Escape)
	return string(out), ok && exact
}

// sequence appends what an escape sequence stands for.
func (d Delimiters) sequence(dst, s []byte) ([]byte, bool) {
	if len(s) == 0 {
		return dst, false
	}
	if len(s) == 1 {
		switch s[0] {
		case 'F':
			return append(dst, d.Field), true
		case 'S':
			return append(dst, d.Component), true
		case 'T':
			return append(dst, d.Subcomponent), true
		case 'R':
			return append(dst, d.Repetition), true
		case 'E':
			return append(dst, d.Escape), true
		case 'P':
			if d.Truncation == 0 {
				return append(dst, '#'), true
			}
			return append(dst, d.Truncation), true
		case 'H', 'N':
			return dst, true
		}
		return dst, false
	}
	if s[0] == 'X' {
		decoded, err := hex.AppendDecode(dst, s[1:])
		return decoded, err == nil
	}
	if string(s) == ".br" {
		return append(dst, '\n'), true
	}
	return dst, false
}

// Escape writes a text so that it can stand in a message as one value:
// delimiters as their escapes, control characters as hex.
func Escape(text string, d Delimiters) string {
	if strings.IndexFunc(text, func(r rune) bool { return r < 0x20 || r < 0x80 && d.escapeOf(byte(r)) != 0 }) < 0 {
		return text
	}
	var b strings.Builder
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch e := d.escapeOf(c); {
		case e != 0:
			b.Write([]byte{d.Escape, e, d.Escape})
		case c < 0x20:
			b.Write([]byte{d.Escape, 'X', hexDigits[c>>4], hexDigits[c&15], d.Escape})
		default:
			b.WriteByte(c)
		}
	}
	return b.String()
}

// escapeOf is the letter that stands for a delimiter, 0 for any other byte.
func (d Delimiters) escapeOf(c byte) byte {
	switch c {
	case 0:
		return 0
	case d.Field:
		return 'F'
	case d.Component:
		return 'S'
	case d.Subcomponent:
		return 'T'
	case d.Repetition:
		return 'R'
	case d.Escape:
		return 'E'
	case d.Truncation:
		return 'P'
	}
	return 0
}

func isASCII(b []byte) bool {
	for _, c := range b {
		if c >= 0x80 {
			return false
		}
	}
	return true
}
