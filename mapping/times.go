package mapping

import (
	"errors"
	"time"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// stamp reads a time. Without an offset of its own it takes the zone that the
// profile names, then the offset of the message's own time (MSH-7 is the
// default for the whole message), then the zone of the meter's site.
func (r *reader) stamp(name string, f *field) poct.Stamp {
	text := r.text(name, f)
	if text == "" {
		return poct.Stamp{}
	}
	s := poct.Stamp{Raw: text}
	t, err := readTime(text, f.layout, r.p.format)
	if err != nil {
		if name == poct.FieldTestedAt {
			r.found = append(r.found, poct.Problem{
				Check: "2", Code: "missing-essential", Severity: poct.Hold, Field: name,
				Text:   "The time of the test cannot be read: " + err.Error() + ".",
				Remedy: "Mend the profile, then read the arrival again.",
			})
		}
		return s
	}
	s.Precision = t.Precision.String()
	switch {
	case t.HasOffset:
		s.At = t.In(nil)
		return s
	case f.zone == nil && r.offset != nil:
		s.At = t.In(r.offset)
		return s
	}
	zone := f.zone
	if zone == nil {
		zone = r.zones(r.r.Meter)
	}
	if zone == nil {
		return s
	}
	s.Assumed, s.At = true, t.In(zone)
	if t.Precision >= hl7.PrecisionHour {
		s.Ambiguous = clockWords[t.Wall(zone)]
	}
	return s
}

var clockWords = map[hl7.Clock]string{hl7.ClockTwice: "twice", hl7.ClockNever: "never"}

// isoLayouts are read in CSV files whose profile gives no layout.
var isoLayouts = func() []layout {
	var out []layout
	for _, p := range []string{
		"yyyy-MM-dd'T'HH:mm:ssX", "yyyy-MM-dd'T'HH:mm:ss", "yyyy-MM-dd HH:mm:ss",
		"yyyy-MM-dd'T'HH:mm", "yyyy-MM-dd HH:mm", "yyyy-MM-dd", "yyyy-MM",
	} {
		l, err := parseLayout(p)
		if err != nil {
			panic(err) // constants
		}
		out = append(out, l)
	}
	return out
}()

// readTime reads a time or date; the error does not quote it.
func readTime(text string, l layout, format string) (hl7.Timestamp, error) {
	if len(l.parts) > 0 {
		if t, ok := l.read(text); ok {
			return t, nil
		}
		return hl7.Timestamp{}, errors.New("it is not written as the profile's layout says")
	}
	if format == formatHL7 || format == formatLIS { // LIS02 writes times alike, without an offset
		t, err := hl7.ParseTime(text)
		if err == nil && t.IsZero() {
			err = errors.New("nothing was sent")
		}
		return t, err
	}
	if format == formatPOCT1A {
		return poctTime(text)
	}
	for _, l := range isoLayouts {
		if t, ok := l.read(text); ok {
			return t, nil
		}
	}
	return hl7.Timestamp{}, errors.New("it is no ISO 8601 time, and the profile names no layout")
}

// date reads a date as YYYY-MM-DD; what is none stays as sent. An expiry given
// as a month ends with its last day (common practice, no source).
func (r *reader) date(name string, f *field) string {
	text := r.text(name, f)
	if text == "" {
		return ""
	}
	t, err := readTime(text, f.layout, r.p.format)
	day, month := t.Day, time.Month(t.Month)
	switch {
	case err != nil || t.Precision < hl7.PrecisionMonth:
		return text
	case t.Precision == hl7.PrecisionMonth && name != poct.FieldStripExpires:
		return text
	case t.Precision == hl7.PrecisionMonth:
		day, month = 0, month+1
	}
	return time.Date(t.Year, month, day, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
}
