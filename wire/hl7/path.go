package hl7

import (
	"fmt"
	"strconv"
	"strings"
)

// Path is a place in HL7's own notation, all numbers from 1; 0 means not given.
//
//	PID-3        field 3 of PID
//	PID-3.1      its component 1
//	PID-3(2).4.1 repetition 2, component 4, subcomponent 1
//	OBX[2]-5     field 5 of the second OBX
type Path struct {
	Segment      string
	Occurrence   int
	Field        int
	Repetition   int
	Component    int
	Subcomponent int
}

// ParsePath reads a path; the error says what it should look like.
func ParsePath(s string) (Path, error) {
	p := Path{}
	bad := fmt.Errorf("%q is not a place in a message; write it like PID-3.1 or OBX[2]-5(1).1", s)
	if !isSegmentID([]byte(s)) || len(s) == 3 {
		return p, bad
	}
	p.Segment = s[:3]
	rest, ok := s[3:], true
	if rest, p.Occurrence, ok = bracketed(rest, '[', ']'); !ok {
		return Path{}, bad
	}
	if rest, p.Field, ok = numbered(rest, '-'); !ok || p.Field == 0 {
		return Path{}, bad
	}
	if rest, p.Repetition, ok = bracketed(rest, '(', ')'); !ok {
		return Path{}, bad
	}
	if rest, p.Component, ok = numbered(rest, '.'); !ok {
		return Path{}, bad
	}
	if rest, p.Subcomponent, ok = numbered(rest, '.'); !ok || rest != "" {
		return Path{}, bad
	}
	return p, nil
}

// MustPath is ParsePath for constants in code and tests.
func MustPath(s string) Path {
	p, err := ParsePath(s)
	if err != nil {
		panic(err)
	}
	return p
}

// String writes the path as ParsePath reads it.
func (p Path) String() string {
	var b strings.Builder
	b.WriteString(p.Segment)
	for _, part := range []struct {
		n           int
		open, close string
	}{{p.Occurrence, "[", "]"}, {p.Field, "-", ""}, {p.Repetition, "(", ")"}, {p.Component, ".", ""}, {p.Subcomponent, ".", ""}} {
		if part.n > 0 {
			b.WriteString(part.open + strconv.Itoa(part.n) + part.close)
		}
	}
	return b.String()
}

// In reads the place within a scope; absent parts give the zero Value.
func (p Path) In(s Scope) Value { return p.Of(s.Find(p.Segment, p.Occurrence)) }

// Of reads the place in a segment that is at hand, whatever its id.
func (p Path) Of(s Segment) Value {
	v := s.Field(p.Field)
	if p.Repetition > 0 {
		v = v.Repetition(p.Repetition)
	}
	if p.Component > 0 {
		v = v.Component(p.Component)
	}
	if p.Subcomponent > 0 {
		v = v.Subcomponent(p.Subcomponent)
	}
	return v
}

// bracketed reads "[n]" if it is there; ok is false if it is begun and wrong.
func bracketed(s string, open, closing byte) (rest string, n int, ok bool) {
	if s == "" || s[0] != open {
		return s, 0, true
	}
	rest, n, ok = numbered(s, open)
	if !ok || rest == "" || rest[0] != closing {
		return s, 0, false
	}
	return rest[1:], n, true
}

// numbered reads a sign and a number from 1 to 9999 without leading zero.
func numbered(s string, sign byte) (rest string, n int, ok bool) {
	if s == "" || s[0] != sign {
		return s, 0, true
	}
	end := 1
	for end < len(s) && s[end] >= '0' && s[end] <= '9' {
		end++
	}
	n, err := strconv.Atoi(s[1:end])
	if err != nil || n < 1 || n > 9999 || s[1] == '0' {
		return s, 0, false
	}
	return s[end:], n, true
}
