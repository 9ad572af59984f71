package hl7

import (
	"fmt"
	"time"
)

// Precision is the smallest unit that a timestamp names.
type Precision uint8

// Precisions, coarse to fine. PrecisionNone is that of an empty timestamp.
const (
	PrecisionNone Precision = iota
	PrecisionYear
	PrecisionMonth
	PrecisionDay
	PrecisionHour
	PrecisionMinute
	PrecisionSecond
	PrecisionFraction
)

var precisionNames = [...]string{"", "year", "month", "day", "hour", "minute", "second", "fraction"}

// String is the unit's name in English, lower case; "" for none.
func (p Precision) String() string { return precisionNames[p] }

// Timestamp is a date and time as written, YYYY[MM[DD[HH[MM[SS[.S..]]]]]][+/-ZZZZ].
// Parts finer than Precision are the first of their range. Whether an offset
// was sent is kept: without one the instant is not known.
type Timestamp struct {
	Year, Month, Day, Hour, Minute, Second int
	Nanosecond                             int
	Precision                              Precision
	HasOffset                              bool
	Offset                                 int // minutes east of UTC
}

// ParseTime reads a timestamp. Empty and `""` give the zero Timestamp and no
// error: nothing was sent. The standard has one to four digits of fraction; up
// to nine are read. Offsets reach from -1400 to +1400, what a FHIR dateTime can
// hold. The error does not quote the text.
func ParseTime(text string) (Timestamp, error) {
	t := Timestamp{}
	if text == "" || text == `""` {
		return t, nil
	}
	rest, err := t.readOffset(text)
	if err != nil {
		return Timestamp{}, err
	}
	if rest, err = t.readFraction(rest); err != nil {
		return Timestamp{}, err
	}
	if err := t.readParts(rest); err != nil {
		return Timestamp{}, err
	}
	return t, nil
}

func (t *Timestamp) readOffset(s string) (rest string, err error) {
	for i := 0; i < len(s); i++ {
		if s[i] != '+' && s[i] != '-' {
			continue
		}
		hours, okH := digits(s, i+1, 2)
		minutes, okM := digits(s, i+3, 2)
		total := hours*60 + minutes
		if len(s) != i+5 || !okH || !okM || minutes > 59 || total > 14*60 {
			return "", fmt.Errorf("the offset is not four digits from 0000 to 1400")
		}
		if s[i] == '-' {
			total = -total // the sign goes for hours and minutes: -0030 is half an hour west
		}
		t.HasOffset, t.Offset = true, total
		return s[:i], nil
	}
	return s, nil
}

func (t *Timestamp) readFraction(s string) (rest string, err error) {
	if len(s) < 15 {
		return s, nil
	}
	fraction := s[15:]
	if s[14] != '.' || len(fraction) == 0 || len(fraction) > 9 {
		return "", fmt.Errorf("after the seconds only a point and 1 to 9 digits can follow")
	}
	n, ok := digits(s, 15, len(fraction))
	if !ok {
		return "", fmt.Errorf("the fraction of a second is not made of digits")
	}
	for range 9 - len(fraction) {
		n *= 10
	}
	t.Nanosecond, t.Precision = n, PrecisionFraction
	return s[:14], nil
}

func (t *Timestamp) readParts(s string) error {
	t.Month, t.Day = 1, 1
	parts := [...]struct {
		to       *int
		width    int
		low, top int
	}{{&t.Year, 4, 1, 9999}, {&t.Month, 2, 1, 12}, {&t.Day, 2, 1, 31}, {&t.Hour, 2, 0, 23}, {&t.Minute, 2, 0, 59}, {&t.Second, 2, 0, 59}}
	at, last := 0, PrecisionNone
	for i, p := range parts {
		if at == len(s) {
			break
		}
		n, ok := digits(s, at, p.width)
		last = PrecisionYear + Precision(i)
		if !ok || n < p.low || n > p.top {
			return fmt.Errorf("the %s is not %d digits from %d to %d", last, p.width, p.low, p.top)
		}
		*p.to, at = n, at+p.width
	}
	if at != len(s) || at == 0 {
		return fmt.Errorf("a time is written YYYYMMDDHHMMSS, cut off after any of its parts")
	}
	if t.Day > daysIn(t.Year, t.Month) {
		return fmt.Errorf("the month has no such day")
	}
	if t.Precision == PrecisionNone {
		t.Precision = last
	}
	return nil
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// digits reads width digits of s at an index.
func digits(s string, at, width int) (n int, ok bool) {
	if at+width > len(s) {
		return 0, false
	}
	for _, c := range []byte(s[at : at+width]) {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, true
}

// IsZero reports that nothing was sent.
func (t Timestamp) IsZero() bool { return t.Precision == PrecisionNone }

// In is the instant, in the offset that was sent, else in loc. A local time
// that a clock change skips or repeats is taken as package time takes it; the
// caller who cares asks Wall.
func (t Timestamp) In(loc *time.Location) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	if t.HasOffset {
		loc = time.FixedZone("", t.Offset*60)
	}
	return time.Date(t.Year, time.Month(t.Month), t.Day, t.Hour, t.Minute, t.Second, t.Nanosecond, loc)
}

// Clock tells what a local time is in a zone.
type Clock uint8

// What a local time is in a zone.
const (
	ClockOnce  Clock = iota
	ClockTwice       // the hour that comes twice when clocks go back
	ClockNever       // the hour that is skipped when clocks go forward
)

// Wall reports whether the local time, offset left aside, occurs once, twice
// or never in a zone.
func (t Timestamp) Wall(loc *time.Location) Clock {
	at := time.Date(t.Year, time.Month(t.Month), t.Day, t.Hour, t.Minute, t.Second, t.Nanosecond, loc)
	if at.Hour() != t.Hour || at.Minute() != t.Minute || at.Day() != t.Day {
		return ClockNever
	}
	_, here := at.Zone()
	for _, other := range [...]time.Time{at.Add(-24 * time.Hour), at.Add(24 * time.Hour)} {
		_, there := other.Zone()
		if there == here {
			continue
		}
		twin := at.Add(time.Duration(here-there) * time.Second).In(loc)
		if _, off := twin.Zone(); off == there {
			return ClockTwice
		}
	}
	return ClockOnce
}

// FormatTime writes an instant to the second with its offset, as MSH-7 wants it.
func FormatTime(t time.Time) string { return t.Format("20060102150405-0700") }
