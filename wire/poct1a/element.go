package poct1a

import (
	"encoding/base64"
	"strings"
	"unicode/utf8"
)

// Value is what one element says: its attributes V, U, SN, SV, DN, NULL and
// ENC. Text that stands beside V is private to the maker and kept; where there
// is no V at all it is what the element says.
type Value struct {
	V             string
	Unit          string // U
	System        string // SN
	SystemVersion string // SV
	Display       string // DN
	Null          string // a null flavour, such as NI or UNK
	Text          string
	Given         bool // the element is there
	Garbled       bool // ENC says base 64, and it is none
	Span          Span // of V, or of the text where there is none
}

// Empty reports that nothing is said: no element, no value, or a null flavour.
func (v Value) Empty() bool { return v.V == "" }

// Attr is an attribute's value and its place.
func (e *Element) Attr(name string) (string, Span) {
	if e == nil {
		return "", Span{}
	}
	for _, a := range e.Attrs {
		if a.Name == name {
			return a.Value, a.Span
		}
	}
	return "", Span{}
}

// Value reads the element; of a nil one it is the zero Value.
func (e *Element) Value() Value {
	if e == nil {
		return Value{}
	}
	v := Value{Given: true, Text: e.Text}
	v.V, v.Span = e.Attr("V")
	v.Unit, _ = e.Attr("U")
	v.System, _ = e.Attr("SN")
	v.SystemVersion, _ = e.Attr("SV")
	v.Display, _ = e.Attr("DN")
	v.Null, _ = e.Attr("NULL")
	if v.V == "" && v.Span == (Span{}) {
		v.V, v.Span = e.Text, e.TextSpan
	}
	if enc, _ := e.Attr("ENC"); strings.EqualFold(enc, "B64") {
		b, err := base64.StdEncoding.DecodeString(strings.TrimSpace(v.V))
		if v.Garbled = err != nil || !utf8.Valid(b); !v.Garbled {
			v.V = string(b)
		}
	}
	v.V = strings.TrimSpace(v.V)
	if v.Null != "" {
		v.V = ""
	}
	return v
}

// Find is the first element of a name at or below e, in document order; nil if
// there is none. Nesting is left open: public descriptions differ on it.
func (e *Element) Find(name string) *Element {
	var got *Element
	e.walk(func(x *Element) bool {
		if x.Name == name {
			got = x
		}
		return got == nil
	})
	return got
}

// All lists the elements of a name at or below e, in document order.
func (e *Element) All(name string) []*Element {
	var out []*Element
	e.walk(func(x *Element) bool {
		if x.Name == name {
			out = append(out, x)
		}
		return true
	})
	return out
}

// walk visits e and what is below it until visit says no.
func (e *Element) walk(visit func(*Element) bool) bool {
	if e == nil {
		return true
	}
	if !visit(e) {
		return false
	}
	for _, c := range e.Children {
		if !c.walk(visit) {
			return false
		}
	}
	return true
}

// Get is the value of the first element among the names given, which are one
// name and the variants of it that are seen in the field.
func (e *Element) Get(names ...string) Value {
	for _, n := range names {
		if v := e.Find(n).Value(); v.Given {
			return v
		}
	}
	return Value{}
}

// list is every value of a name.
func (e *Element) list(name string) []string {
	var out []string
	for _, x := range e.All(name) {
		if v := x.Value(); !v.Empty() {
			out = append(out, v.V)
		}
	}
	return out
}
