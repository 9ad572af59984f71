package hl7

import "fmt"

// IsNM reports whether a text is of data type NM: an optional sign, digits, an
// optional point; no exponent, no grouping.
func IsNM(s string) bool {
	if s != "" && (s[0] == '+' || s[0] == '-') {
		s = s[1:]
	}
	seen, point := false, false
	for _, c := range []byte(s) {
		switch {
		case c >= '0' && c <= '9':
			seen = true
		case c == '.' && !point:
			point = true
		default:
			return false
		}
	}
	return seen
}

// SN is a structured numeric: comparator, number, separator, number, as texts.
//
//	>^100     above 100        ^1^:^128  a ratio
//	^4.5      exactly 4.5      ^2^-^3    a range
type SN struct {
	Comparator string // "", "=", ">", "<", ">=", "<=" or "<>"; "" means "="
	Num1       string
	Separator  string // "", "-", "+", "/", "." or ":"
	Num2       string
}

// SN reads a value of data type SN; an absent or null one is the zero SN. The
// error does not quote the value.
func (v Value) SN() (SN, error) {
	if v.Empty() {
		return SN{}, nil
	}
	sn := SN{v.Component(1).Text(), v.Component(2).Text(), v.Component(3).Text(), v.Component(4).Text()}
	switch sn.Comparator {
	case "", "=", ">", "<", ">=", "<=", "<>":
	default:
		return SN{}, fmt.Errorf("component 1 is not one of the comparators that SN has")
	}
	switch sn.Separator {
	case "", "-", "+", "/", ".", ":":
	default:
		return SN{}, fmt.Errorf("component 3 is not one of the separators that SN has")
	}
	if sn.Num1 != "" && !IsNM(sn.Num1) || sn.Num2 != "" && !IsNM(sn.Num2) {
		return SN{}, fmt.Errorf("component 2 or 4 is not a number")
	}
	if sn.Num1 == "" {
		return SN{}, fmt.Errorf("component 2, the number, is empty")
	}
	return sn, nil
}

// Plain reports a single number, with or without comparator: neither a ratio
// nor a range nor a class such as 2+.
func (s SN) Plain() bool { return s.Separator == "" && s.Num2 == "" }
