package fhir

import (
	"bytes"
	"encoding/json"
	"unicode/utf8"
)

// Writer writes resources as JSON, member by member, straight into bytes: ten
// times cheaper than reflection over the standard's large types. An empty text
// is left out, since FHIR has no empty elements; so an object or list is only
// to be opened when something will stand in it.
//
//	w.Resource("Observation").Open("code").Text("text", "INR").Close().Close()
//
// Keys are the program's own and are not escaped. The zero Writer is ready.
type Writer struct {
	b []byte
}

// Bytes is what was written.
func (w *Writer) Bytes() []byte { return w.b }

// Resource opens a resource of a type; Close closes it.
func (w *Writer) Resource(typ string) *Writer {
	w.next()
	w.b = append(w.b, '{')
	return w.Text("resourceType", typ)
}

// Open opens an object under a key; without key, as an item of a list.
func (w *Writer) Open(key string) *Writer {
	w.key(key)
	w.b = append(w.b, '{')
	return w
}

// Close closes the object.
func (w *Writer) Close() *Writer {
	w.b = append(w.b, '}')
	return w
}

// List opens a list under a key.
func (w *Writer) List(key string) *Writer {
	w.key(key)
	w.b = append(w.b, '[')
	return w
}

// End closes the list.
func (w *Writer) End() *Writer {
	w.b = append(w.b, ']')
	return w
}

// Text writes a text; an empty one is left out.
func (w *Writer) Text(key, value string) *Writer {
	if value != "" {
		w.key(key)
		w.b = appendText(w.b, value)
	}
	return w
}

// Number writes a decimal with the digits it has; "" is left out. The caller
// vouches that it is a JSON number.
func (w *Writer) Number(key, digits string) *Writer {
	if digits != "" {
		w.key(key)
		w.b = append(w.b, digits...)
	}
	return w
}

func (w *Writer) key(key string) {
	w.next()
	if key != "" {
		w.b = append(w.b, '"')
		w.b = append(w.b, key...)
		w.b = append(w.b, '"', ':')
	}
}

// next separates from what stands before.
func (w *Writer) next() {
	if n := len(w.b); n > 0 {
		switch w.b[n-1] {
		case '{', '[', ':':
		default:
			w.b = append(w.b, ',')
		}
	}
}

// verbatim holds the bytes that stand for themselves in a JSON string.
var verbatim = func() (t [256]bool) {
	for c := range utf8.RuneSelf {
		t[c] = c >= 0x20 && c != '"' && c != '\\' && c != 0x7f
	}
	return t
}()

// appendText writes a JSON string. Control characters, which FHIR strings do
// not have, become blanks.
func appendText(b []byte, s string) []byte {
	at := 0
	for at < len(s) && verbatim[s[at]] {
		at++
	}
	if at == len(s) {
		b = append(b, '"')
		b = append(b, s...)
		return append(b, '"')
	}
	clean := []byte(s)
	for i, c := range clean {
		if c < 0x20 && c != '\t' && c != '\n' && c != '\r' || c == 0x7f {
			clean[i] = ' '
		}
	}
	q, err := json.Marshal(string(clean))
	if err != nil {
		panic(err) // a string always marshals
	}
	return append(b, q...)
}

// Marshal is json.Marshal without escaping of <, > and &, which FHIR texts and
// comparators hold.
func Marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}
