package poct1a

import (
	"errors"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Time is a TS as written: ISO 8601, cut off after any of its parts from the
// year on, fraction and offset where they were sent.
type Time struct {
	Year, Month, Day, Hour, Minute, Second, Nanosecond int
	Parts                                              int  // how many of the seven were written
	HasOffset                                          bool // without one the instant is not known
	Offset                                             int  // minutes east of UTC
}

var errTime = errors.New("it is no ISO 8601 time such as 2007-04-12T18:53:04-05:00")

var timeForm = regexp.MustCompile(`^([0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2})(?:[T ]([0-9]{2})(?::([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,9}))?)?)?(Z|[+-][0-9]{2}(?::?[0-9]{2})?)?)?)?)?$`)

// ParseTime reads a TS. An empty text is the zero Time and no error. The error
// does not quote the text.
func ParseTime(text string) (Time, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return Time{}, nil
	}
	m := timeForm.FindStringSubmatch(text)
	if m == nil {
		return Time{}, errTime
	}
	t := Time{Month: 1, Day: 1}
	for i, to := range []*int{&t.Year, &t.Month, &t.Day, &t.Hour, &t.Minute, &t.Second} {
		if m[i+1] != "" {
			*to, _ = strconv.Atoi(m[i+1]) // digits, by the form
			t.Parts = i + 1
		}
	}
	if m[7] != "" {
		t.Parts = 7
		t.Nanosecond, _ = strconv.Atoi((m[7] + "00000000")[:9])
	}
	if err := t.offset(m[8]); err != nil {
		return Time{}, err
	}
	d := time.Date(t.Year, time.Month(t.Month), t.Day, 0, 0, 0, 0, time.UTC)
	if t.Year == 0 || d.Month() != time.Month(t.Month) || d.Day() != t.Day || t.Hour > 23 || t.Minute > 59 || t.Second > 59 {
		return Time{}, errors.New("it names a day or an hour that does not exist")
	}
	return t, nil
}

func (t *Time) offset(text string) error {
	if text == "" {
		return nil
	}
	t.HasOffset = true
	if text == "Z" {
		return nil
	}
	digits := strings.ReplaceAll(text[1:], ":", "")
	hours, _ := strconv.Atoi(digits[:2])
	minutes := 0
	if len(digits) == 4 {
		minutes, _ = strconv.Atoi(digits[2:])
	}
	if t.Offset = hours*60 + minutes; minutes > 59 || t.Offset > 14*60 {
		return errors.New("its offset is not from -14:00 to +14:00")
	}
	if text[0] == '-' {
		t.Offset = -t.Offset // the sign goes for hours and minutes
	}
	return nil
}

// IsZero reports that nothing was sent.
func (t Time) IsZero() bool { return t.Parts == 0 }

// In is the instant: by its own offset, else in zone; zero where there is neither.
func (t Time) In(zone *time.Location) time.Time {
	if t.HasOffset {
		zone = time.FixedZone("", t.Offset*60)
	}
	if zone == nil || t.IsZero() {
		return time.Time{}
	}
	return time.Date(t.Year, time.Month(t.Month), t.Day, t.Hour, t.Minute, t.Second, t.Nanosecond, zone)
}

// FormatTime writes a TS to the second, with its offset.
func FormatTime(t time.Time) string { return t.Format("2006-01-02T15:04:05-07:00") }

// Interval is an IVL of numbers, as text. An end that is not given is "".
type Interval struct {
	Low, High         string
	LowOpen, HighOpen bool // the end itself is not in it
}

var (
	decimalForm = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?$`)
	errInterval = errors.New("it is no interval such as [2.0;3.0]")
	comparators = []struct {
		sign      string
		low, open bool
	}{{"<=", false, false}, {">=", true, false}, {"<", false, true}, {">", true, true}}
)

// ParseInterval reads "[2.0;3.0]", with "]" and "[" turned outwards for an end
// that does not belong to it, or a comparator and one number.
func ParseInterval(text string) (Interval, error) {
	text = strings.TrimSpace(text)
	for _, c := range comparators {
		one, ok := strings.CutPrefix(text, c.sign)
		if !ok {
			continue
		}
		one = strings.TrimSpace(one)
		switch {
		case !decimalForm.MatchString(one):
			return Interval{}, errInterval
		case c.low:
			return Interval{Low: one, LowOpen: c.open}, nil
		}
		return Interval{High: one, HighOpen: c.open}, nil
	}
	if len(text) < 3 || strings.IndexByte("[]", text[0]) < 0 || strings.IndexByte("[]", text[len(text)-1]) < 0 {
		return Interval{}, errInterval
	}
	low, high, both := strings.Cut(text[1:len(text)-1], ";")
	out := Interval{
		Low: strings.TrimSpace(low), High: strings.TrimSpace(high),
		LowOpen: text[0] == ']', HighOpen: text[len(text)-1] == '[',
	}
	for _, end := range []string{out.Low, out.High} {
		if end != "" && !decimalForm.MatchString(end) {
			return Interval{}, errInterval
		}
	}
	if !both || out.Low == "" && out.High == "" {
		return Interval{}, errInterval
	}
	return out, nil
}

// Quantity is a PQ: a number as text, and its unit as sent.
type Quantity struct {
	Comparator string // "", "<", "<=", ">=" or ">"
	Number     string
	Unit       string
}

// Quantity reads V and U; ok is false where V is no decimal number.
func (v Value) Quantity() (q Quantity, ok bool) {
	q = Quantity{Number: v.V, Unit: v.Unit}
	for _, c := range comparators {
		if rest, found := strings.CutPrefix(v.V, c.sign); found {
			q.Comparator, q.Number = c.sign, strings.TrimSpace(rest)
			break
		}
	}
	return q, decimalForm.MatchString(q.Number)
}
