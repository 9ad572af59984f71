package poct

import (
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"strings"
)

// Number is a measured value or a limit, kept as the decimal text it came as.
// Trailing zeros are significant ("2.50" stays "2.50"); it never passes
// through a float. The zero Number means "no value".
type Number struct {
	Comparator string `json:"comparator,omitempty"` // "", "<", "<=", ">=", ">"
	Text       string `json:"text,omitempty"`       // digits, optional sign, '.' as decimal point
}

var decimalText = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?$`)

// ParseNumber reads an optional comparator and a plain decimal with '.' as
// decimal point. Exponents, Inf, NaN, hexadecimal and group separators are
// refused: a meter that sends them is not understood, not guessed at.
func ParseNumber(s string) (Number, error) {
	t := strings.TrimSpace(s)
	n := Number{}
	for _, c := range []string{"<=", ">=", "<", ">"} {
		if strings.HasPrefix(t, c) {
			n.Comparator, t = c, strings.TrimSpace(t[len(c):])
			break
		}
	}
	if len(t) > 32 || !decimalText.MatchString(t) {
		return Number{}, fmt.Errorf("%q is not a decimal number", s)
	}
	n.Text = t
	return n, nil
}

// MustNumber is ParseNumber for constants in code and tests.
func MustNumber(s string) Number {
	n, err := ParseNumber(s)
	if err != nil {
		panic(err)
	}
	return n
}

// IsZero reports whether there is no value at all.
func (n Number) IsZero() bool { return n.Text == "" }

// Exact reports whether the value is a number without comparator.
func (n Number) Exact() bool { return n.Text != "" && n.Comparator == "" }

// Rat is the exact value without its comparator; 0 if there is no value.
func (n Number) Rat() *big.Rat {
	r := new(big.Rat)
	if n.Text != "" {
		r.SetString(n.Text)
	}
	return r
}

// Float is the nearest float64, for formulas with powers and logarithms only;
// comparisons with limits use Cmp.
func (n Number) Float() float64 {
	if n.Text == "" {
		return 0
	}
	f, err := strconv.ParseFloat(n.Text, 64)
	if err != nil {
		f, _ = n.Rat().Float64()
	}
	return f
}

// Cmp compares the exact values, leaving comparators aside: -1, 0 or 1. It
// compares the digits as written, since limits are compared for every result.
func (n Number) Cmp(m Number) int {
	a, b := digits(n.Text), digits(m.Text)
	switch {
	case a.negative != b.negative && a.negative:
		return -1
	case a.negative != b.negative:
		return 1
	case a.negative:
		return b.compare(a)
	}
	return a.compare(b)
}

// decimal is a value split at its point, without the zeros that do not count.
type decimal struct {
	negative    bool // and not zero
	whole, part string
}

func digits(text string) decimal {
	d := decimal{negative: strings.HasPrefix(text, "-")}
	d.whole, d.part, _ = strings.Cut(strings.TrimLeft(text, "+-"), ".")
	d.whole, d.part = strings.TrimLeft(d.whole, "0"), strings.TrimRight(d.part, "0")
	d.negative = d.negative && d.whole+d.part != ""
	return d
}

func (d decimal) compare(e decimal) int {
	if len(d.whole) != len(e.whole) {
		if len(d.whole) < len(e.whole) {
			return -1
		}
		return 1
	}
	if c := strings.Compare(d.whole, e.whole); c != 0 {
		return c
	}
	return strings.Compare(d.part, e.part)
}

// Decimals is the number of digits after the decimal point, as written.
func (n Number) Decimals() int {
	if i := strings.IndexByte(n.Text, '.'); i >= 0 {
		return len(n.Text) - i - 1
	}
	return 0
}

// String is the value as sent: comparator and text.
func (n Number) String() string { return n.Comparator + n.Text }
