package mapping

import (
	"bytes"
	"unicode/utf16"
	"unicode/utf8"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// textual is what a file says as UTF-8, and where each byte of that stood.
type textual struct {
	text  []byte
	shift int   // of each byte, where at is nil
	at    []int // len(text)+1 offsets in the raw bytes
}

// span is where a piece of the text stands in the raw bytes.
func (t *textual) span(from, to int) poct.Span {
	if t.at == nil {
		return poct.Span{From: from + t.shift, To: to + t.shift}
	}
	return poct.Span{From: t.at[from], To: t.at[to]}
}

// decodeText reads a file's bytes: by its byte order mark, else in the character
// set that it declares itself, else as UTF-8, else in the one that the profile
// falls back on. Nothing is replaced; problem says why the bytes are no text.
func decodeText(raw []byte, declared, fallback hl7.Charset) (t textual, problem string) {
	switch {
	case bytes.HasPrefix(raw, []byte("\xef\xbb\xbf")):
		t.shift, declared = 3, hl7.UTF8
	case bytes.HasPrefix(raw, []byte("\xfe\xff")), bytes.HasPrefix(raw, []byte("\xff\xfe")):
		return decodeUTF16(raw)
	}
	t.text = raw[t.shift:]
	if bytes.IndexByte(t.text, 0) >= 0 {
		return t, "The file holds zero bytes: it is no text in an encoding that can be read."
	}
	set := declared
	if set == hl7.NoCharset {
		if set = fallback; utf8.Valid(t.text) {
			set = hl7.UTF8
		}
	}
	switch {
	case set == hl7.UTF8 && !utf8.Valid(t.text):
		return t, "The file says that it is UTF-8, and is not."
	case set == hl7.UTF8:
		return t, ""
	case set == hl7.NoCharset:
		return t, "The file is not UTF-8, and its profile names no other encoding."
	}
	return decodeBytes(raw, set)
}

// decodeBytes reads a character set of one byte each.
func decodeBytes(raw []byte, set hl7.Charset) (t textual, problem string) {
	var table [256]string
	var known [256]bool
	for i := range table {
		table[i], known[i] = hl7.Unescape([]byte{byte(i)}, hl7.Delimiters{}, set)
	}
	for i, b := range raw {
		if !known[b] {
			return t, "The file holds bytes that are none of the character set " + set.String() + "."
		}
		for range len(table[b]) {
			t.at = append(t.at, i)
		}
		t.text = append(t.text, table[b]...)
	}
	t.at = append(t.at, len(raw))
	return t, ""
}

// decodeUTF16 reads text that begins with a byte order mark of two bytes.
func decodeUTF16(raw []byte) (t textual, problem string) {
	if len(raw)%2 == 1 {
		return t, "The file is UTF-16 with an odd number of bytes: it may be cut off."
	}
	little := raw[0] == 0xff
	unit := func(i int) rune {
		if little {
			return rune(raw[i]) | rune(raw[i+1])<<8
		}
		return rune(raw[i])<<8 | rune(raw[i+1])
	}
	for i := 2; i < len(raw); {
		r, size := unit(i), 2
		if utf16.IsSurrogate(r) {
			if size = 4; i+4 > len(raw) {
				return t, "The file is UTF-16 and ends within a character: it may be cut off."
			}
			if r = utf16.DecodeRune(r, unit(i+2)); r == utf8.RuneError {
				return t, "The file is UTF-16 and holds half a character."
			}
		}
		n := len(t.text)
		t.text = utf8.AppendRune(t.text, r)
		for range len(t.text) - n {
			t.at = append(t.at, i)
		}
		i += size
	}
	t.at = append(t.at, len(raw))
	if bytes.IndexByte(t.text, 0) >= 0 {
		return t, "The file holds zero characters: it is no text that can be read."
	}
	return t, ""
}
