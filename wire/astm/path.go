package astm

import (
	"fmt"
	"strconv"
	"strings"
)

// Path is a place in a message; numbers count from 1, 0 means not given.
//
//	R.4      field 4 of R
//	P.6.1    component 1 of field 6 of P
//	P.3(2).1 component 1 of its repeat 2
//	C[2].4   field 4 of the second C
type Path struct {
	Record     byte
	Occurrence int
	Field      int
	Repeat     int
	Component  int
}

// ParsePath reads a path; the error says what it should look like.
func ParsePath(s string) (Path, error) {
	bad := fmt.Errorf("%q is not a place in a message; write it like R.4, P.6.1 or C[2].4", s)
	if s == "" || s[0] < 'A' || s[0] > 'Z' {
		return Path{}, bad
	}
	p := Path{Record: s[0]}
	rest, ok := s[1:], true
	for _, part := range []struct {
		open, shut string
		n          *int
		must       bool
	}{{"[", "]", &p.Occurrence, false}, {".", "", &p.Field, true}, {"(", ")", &p.Repeat, false}, {".", "", &p.Component, false}} {
		if !strings.HasPrefix(rest, part.open) {
			if part.must {
				return Path{}, bad
			}
			continue
		}
		if *part.n, rest, ok = number(rest[1:]); !ok {
			return Path{}, bad
		}
		if rest, ok = strings.CutPrefix(rest, part.shut); !ok {
			return Path{}, bad
		}
	}
	if rest != "" {
		return Path{}, bad
	}
	return p, nil
}

// number reads 1 to 9999 without leading zero.
func number(s string) (n int, rest string, ok bool) {
	end := 0
	for end < len(s) && s[end] >= '0' && s[end] <= '9' {
		end++
	}
	n, err := strconv.Atoi(s[:end])
	if err != nil || n < 1 || n > 9999 || s[0] == '0' {
		return 0, s, false
	}
	return n, s[end:], true
}

// String writes the path as ParsePath reads it.
func (p Path) String() string {
	var b strings.Builder
	b.WriteByte(p.Record)
	for _, part := range []struct {
		n          int
		open, shut string
	}{{p.Occurrence, "[", "]"}, {p.Field, ".", ""}, {p.Repeat, "(", ")"}, {p.Component, ".", ""}} {
		if part.n > 0 {
			b.WriteString(part.open + strconv.Itoa(part.n) + part.shut)
		}
	}
	return b.String()
}

// Of reads the place in a record that is at hand. Without a component it is
// the whole field, or repeat, with everything in it.
func (p Path) Of(r Record) Value {
	v := r.Field(p.Field)
	if p.Repeat > 0 {
		v = v.Repeat(p.Repeat)
	}
	if p.Component > 0 {
		v = v.Component(p.Component)
	}
	return v
}

// In reads the place within an order: in the first record of that letter that
// it can see, or the one that the path counts to.
func (p Path) In(o *Order) Value {
	list := o.Records(p.Record)
	if n := max(p.Occurrence, 1); n <= len(list) {
		return p.Of(list[n-1])
	}
	return Value{}
}
