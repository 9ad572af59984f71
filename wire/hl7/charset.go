package hl7

import (
	"strings"
	"unicode/utf8"
)

// Charset is a character set of HL7 table 0211, or windows-1252.
type Charset uint8

// Character sets that can be read. The 8859 sets carry the names of their
// scripts.
const (
	NoCharset Charset = iota
	ASCII
	UTF8
	Latin1   // 8859/1
	Latin2   // 8859/2
	Latin3   // 8859/3
	Latin4   // 8859/4
	Cyrillic // 8859/5
	Arabic   // 8859/6
	Greek    // 8859/7
	Hebrew   // 8859/8
	Latin5   // 8859/9
	Latin9   // 8859/15
	Windows1252
)

var charsetNames = map[Charset]string{
	NoCharset: "", ASCII: "ASCII", UTF8: "UNICODE UTF-8", Latin1: "8859/1", Latin2: "8859/2", Latin3: "8859/3",
	Latin4: "8859/4", Cyrillic: "8859/5", Arabic: "8859/6", Greek: "8859/7", Hebrew: "8859/8",
	Latin5: "8859/9", Latin9: "8859/15", Windows1252: "windows-1252",
}

// String is the name in HL7 table 0211, or "windows-1252"; "" for NoCharset.
func (c Charset) String() string { return charsetNames[c] }

// ParseCharset reads a name as table 0211 writes it, or as it is commonly
// written (utf-8, iso-8859-1, windows-1252, cp1252); ok is false for others.
func ParseCharset(name string) (c Charset, ok bool) {
	switch name { // the usual ones, read for every message
	case "UNICODE UTF-8":
		return UTF8, true
	case "ASCII":
		return ASCII, true
	case "8859/1":
		return Latin1, true
	}
	name = strings.ToLower(strings.TrimSpace(name))
	switch strings.ReplaceAll(name, " ", "") {
	case "ascii", "us-ascii":
		return ASCII, true
	case "unicodeutf-8", "utf-8", "utf8":
		return UTF8, true
	case "windows-1252", "cp1252":
		return Windows1252, true
	}
	number, ok := strings.CutPrefix(strings.NewReplacer("iso", "", "-", "", "_", "", "/", "", " ", "").Replace(name), "8859")
	if !ok {
		return NoCharset, false
	}
	for set := range iso8859 {
		if charsetNames[set] == "8859/"+number {
			return set, true
		}
	}
	return NoCharset, false
}

// Charset is what the message's texts are decoded with. The fault, if any,
// says that MSH-18 names no set that can be read, or that the bytes are none
// of the set; the texts then show such bytes as \Xhh\.
func (m *Message) Charset() (Charset, *Fault) { return m.charset, m.charsetFault }

// chooseCharset settles how texts are decoded. A set named in MSH-18 is taken
// at its word. Nothing named, or ASCII with other bytes in it, is read as
// UTF-8 if it is that throughout, else as the fallback.
func (m *Message) chooseCharset(fallback Charset) {
	field := Segment{m, 0}.Field(18).Repetition(1)
	declared, known := ASCII, true
	if !field.Empty() {
		declared, known = ParseCharset(string(field.Raw()))
	}
	fault := func(code Code, what string) {
		m.charsetFault = &Fault{Code: code, Segment: "MSH", Sequence: 1, Field: 18, What: what, Span: field.Span()}
	}
	switch {
	case !known:
		m.charset = ASCII
		fault(CodeTable, "a character set that is not read here")
		if fallback != NoCharset {
			m.charset = fallback
		}
	case declared != ASCII:
		m.charset = declared
		if !declared.fits(m.raw) {
			fault(CodeType, "the message holds bytes that are not of the character set it names")
		}
	case utf8.Valid(m.raw):
		m.charset = UTF8
	case fallback != NoCharset:
		m.charset = fallback
		if !fallback.fits(m.raw) {
			fault(CodeType, "the message holds bytes that are not of the character set configured for it")
		}
	default:
		m.charset = ASCII
		fault(CodeMissing, "the message holds bytes beyond ASCII and names no character set")
	}
}

// fits reports whether every byte is defined in the set.
func (c Charset) fits(b []byte) bool {
	if c == UTF8 {
		return utf8.Valid(b)
	}
	for _, x := range b {
		if _, ok := c.rune(x); !ok {
			return false
		}
	}
	return true
}

// rune decodes a byte of a single-byte set.
func (c Charset) rune(b byte) (rune, bool) {
	if b < 0x80 {
		return rune(b), true
	}
	r := utf8.RuneError
	if c == Windows1252 {
		r = windows1252[b-0x80]
	} else if table, ok := iso8859[c]; ok {
		if b < 0xA0 {
			return rune(b), true
		}
		r = table[b-0xA0]
	}
	return r, r != utf8.RuneError
}

const hexDigits = "0123456789ABCDEF"

// decode appends the text of b. A byte that the set does not define is written
// as the hex escape it could have come as, and ok is false.
func (c Charset) decode(dst, b []byte, escape byte) (out []byte, ok bool) {
	ok = true
	for len(b) > 0 {
		if b[0] < 0x80 {
			dst, b = append(dst, b[0]), b[1:]
			continue
		}
		r, size := utf8.RuneError, 1
		known := false
		if c == UTF8 {
			r, size = utf8.DecodeRune(b)
			known = size > 1
		} else {
			r, known = c.rune(b[0])
		}
		if known {
			dst = utf8.AppendRune(dst, r)
		} else {
			dst = append(dst, escape, 'X', hexDigits[b[0]>>4], hexDigits[b[0]&15], escape)
			ok = false
		}
		b = b[size:]
	}
	return dst, ok
}
