package mapping

import (
	"bytes"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// Zones gives the time zone of a meter's site; nil where it is not known.
type Zones func(meter string) *time.Location

// Decoded is one reading and what reading it already found to be wrong.
type Decoded struct {
	Reading  poct.Reading
	Problems []poct.Problem
}

const readAgain = "Mend the profile, or ask the sender to send it again; then read the arrival again."

// Decode reads an arrival with the first profile that fits. It always gives at
// least one reading; what cannot be read is one reading of kind unread, with a
// reason.
func Decode(a poct.Arrival, profiles []*Profile, zones Zones) []Decoded {
	if zones == nil {
		zones = func(string) *time.Location { return nil }
	}
	if a.Fault != "" {
		return unread(a, "The inlet could not take this as a message: "+a.Fault+".", poct.Span{To: len(a.Raw)})
	}
	var out []Decoded
	if isHL7(a) {
		out = decodeHL7(a, of(profiles, formatHL7), zones)
	} else {
		out = decodeCSV(a, of(profiles, formatCSV), zones)
	}
	return merge(out)
}

func isHL7(a poct.Arrival) bool {
	switch a.Format {
	case formatHL7:
		return true
	case formatCSV:
		return false
	}
	return bytes.HasPrefix(bytes.TrimPrefix(a.Raw, []byte("\xef\xbb\xbf")), []byte("MSH"))
}

func of(profiles []*Profile, format string) []*Profile {
	return slices.DeleteFunc(slices.Clone(profiles), func(p *Profile) bool { return p == nil || p.format != format })
}

func unread(a poct.Arrival, text string, at poct.Span) []Decoded {
	return []Decoded{{
		Reading: poct.Reading{
			Arrival: a.ID, Kind: poct.KindUnread,
			Where: map[string]poct.Span{poct.FieldMessage: at},
		},
		Problems: []poct.Problem{unreadable(poct.FieldMessage, text)},
	}}
}

func unreadable(field, text string) poct.Problem {
	return poct.Problem{
		Check: "1", Code: "unreadable-record", Severity: poct.Hold, Field: field, Text: text, Remedy: readAgain,
	}
}

// merge joins readings of one message that tell of the same test with
// different analytes: INR and seconds in two orders are one result.
func merge(list []Decoded) []Decoded {
	out := list[:0]
	at := map[string]int{}
	for _, d := range list {
		key := d.Reading.Key()
		first, again := at[key]
		if key == "" || !again || !joins(out[first].Reading, d.Reading) {
			if key != "" && !again {
				at[key] = len(out)
			}
			d.Reading.Index = len(out)
			out = append(out, d)
			continue
		}
		r := &out[first].Reading
		for _, m := range d.Reading.Measurements {
			r.Measurements = append(r.Measurements, m)
			if span, ok := d.Reading.Where[m.Analyte]; ok {
				r.Where[m.Analyte] = span
			}
		}
		slices.SortFunc(r.Measurements, func(a, b poct.Measurement) int { return strings.Compare(a.Analyte, b.Analyte) })
		if r.StripLot == "" {
			r.StripLot, r.StripExpires = d.Reading.StripLot, d.Reading.StripExpires
		}
		out[first].Problems = append(out[first].Problems, d.Problems...)
	}
	return out
}

func joins(a, b poct.Reading) bool {
	if a.Kind != b.Kind || a.Status != b.Status || a.Patient != b.Patient || a.Operator != b.Operator ||
		len(a.Measurements) == 0 || len(b.Measurements) == 0 || b.StripLot != "" && a.StripLot != "" && a.StripLot != b.StripLot {
		return false
	}
	for _, m := range b.Measurements {
		if _, twice := a.Measured(m.Analyte); twice {
			return false
		}
	}
	return true
}

// reader fills one reading, the same way for every format.
type reader struct {
	p       *Profile
	r       poct.Reading
	zones   Zones
	message *time.Location // the offset that the message's own time has
	comma   bool           // decimal comma
	get     func(field) (string, poct.Span)
	found   []poct.Problem
}

// text reads a field as text and notes where it stands.
func (r *reader) text(name string, f field) string {
	if !f.on {
		return ""
	}
	text, at := r.get(f)
	text = strings.TrimSpace(text)
	if f.pattern != nil {
		if m := f.pattern.FindStringSubmatch(text); m != nil {
			text = m[1]
		} else {
			text = ""
		}
	}
	if word, ok := f.values[text]; ok {
		text = word
	}
	if at.To > at.From {
		r.r.Where[name] = at
	}
	return text
}

// context fills everything but the measurements.
func (r *reader) context() {
	f := &r.p.fields
	r.r.Profile, r.r.Model, r.r.Specimen, r.r.Range = r.p.id, r.p.model, r.p.specimen, r.p.limits
	r.r.NotSent = r.p.notSent
	r.r.Meter = r.text(poct.FieldMeter, f.meter)
	r.r.Sequence = r.text(poct.FieldSequence, f.sequence)
	r.r.Operator = r.text(poct.FieldOperator, f.operator)
	r.r.TestedAt = r.stamp(poct.FieldTestedAt, f.testedAt)
	r.r.SentAt = r.stamp("sent_at", f.sentAt)
	r.r.BirthDate = r.date(poct.FieldBirthDate, f.birthDate)
	r.r.Family = r.text(poct.FieldFamily, f.family)
	r.r.Given = r.text(poct.FieldGiven, f.given)
	r.r.Sex = r.text(poct.FieldSex, f.sex)
	r.r.StripLot = r.text(poct.FieldStripLot, f.stripLot)
	r.r.StripExpires = r.date(poct.FieldStripExpires, f.stripExpires)
	r.r.Visit = r.text(poct.FieldVisit, f.visit)
	r.r.Order = r.text(poct.FieldOrder, f.order)
	if on := r.text("onboard", f.onboard); on != "" {
		r.r.Onboard = "fail" // what the profile does not name did not pass
		if on == "pass" {
			r.r.Onboard = on
		}
	}
	r.r.DeviceError = r.text("error", f.deviceError)
}

// controlled fills what tells of a control, and keeps evidence that a record
// in a patient's place is one.
func (r *reader) controlled(isControl bool) {
	lot := r.text(poct.FieldControlLot, r.p.control.lot)
	level := r.text(poct.FieldControlLevel, r.p.control.level)
	if isControl {
		r.r.Kind, r.r.ControlLot, r.r.ControlLevel = poct.KindControl, lot, level
		return
	}
	r.r.Kind = poct.KindPatient
	delete(r.r.Where, poct.FieldControlLot)
	delete(r.r.Where, poct.FieldControlLevel)
	if lot != "" && level != "" {
		r.r.ControlHint = "it names control lot " + lot + ", level " + level
	}
}

// measurement reads one analyte from texts as sent.
func (r *reader) measurement(res result, value, unit, code, flags string) poct.Measurement {
	m := poct.Measurement{Analyte: res.analyte, RawValue: value, RawUnit: unit, Code: code, LOINC: res.loinc, Flags: flags}
	m.Value, _ = number(value, r.comma) // not a number: the check says so
	if res.fixed != "" {
		m.Unit = res.fixed
	} else {
		m.Unit = res.units[unit]
	}
	return m
}

// number reads a decimal as sent. Leading zeros and a plus sign are dropped,
// trailing zeros kept.
func number(text string, comma bool) (poct.Number, error) {
	if comma {
		if strings.Contains(text, ".") {
			text = "." // a point where a comma is agreed on: not guessed at
		}
		text = strings.Replace(text, ",", ".", 1)
	}
	n, err := poct.ParseNumber(text)
	if err != nil {
		return n, err
	}
	sign, digits := "", n.Text
	switch digits[0] {
	case '-':
		sign, digits = "-", digits[1:]
	case '+':
		digits = digits[1:]
	}
	for len(digits) > 1 && digits[0] == '0' && digits[1] != '.' {
		digits = digits[1:]
	}
	n.Text = sign + digits
	return n, nil
}

// finish settles the kind of the reading once its values are known: an error
// code without a value is an event, never a result.
func (r *reader) finish() Decoded {
	for i := range r.r.Measurements {
		m := &r.r.Measurements[i]
		if words, known := r.p.errors[m.RawValue]; known && m.Value.IsZero() {
			r.r.DeviceError, r.r.ErrorText = m.RawValue, words
		}
	}
	if r.r.DeviceError != "" {
		if r.r.ErrorText == "" {
			r.r.ErrorText = r.p.errors[r.r.DeviceError]
		}
		if hasValue(r.r) {
			r.found = append(r.found, unreadable("error", "The meter sent error code "+r.r.DeviceError+" together with a value."))
		} else {
			r.r.Kind, r.r.Measurements = poct.KindEvent, nil
		}
	}
	return Decoded{Reading: r.r, Problems: r.found}
}

func hasValue(r poct.Reading) bool {
	return slices.ContainsFunc(r.Measurements, func(m poct.Measurement) bool { return !m.Value.IsZero() })
}

// stamp reads a time. Without an offset of its own it takes the message's,
// then the configured zone or the site's.
func (r *reader) stamp(name string, f field) poct.Stamp {
	text := r.text(name, f)
	if text == "" {
		return poct.Stamp{}
	}
	s := poct.Stamp{Raw: text}
	t, ok := readTime(text, f.layout, r.p.format)
	if !ok {
		return s // as sent; the check says that it is no time
	}
	s.Precision = t.Precision.String()
	zone := f.zone
	switch {
	case t.HasOffset:
		s.At = t.In(time.UTC)
		return s
	case r.message != nil:
		s.At = t.In(r.message)
		return s
	case zone == nil:
		zone = r.zones(r.r.Meter)
	}
	if zone == nil {
		return s
	}
	s.Assumed, s.At = true, t.In(zone)
	if t.Precision >= hl7.PrecisionHour {
		switch t.Wall(zone) {
		case hl7.ClockTwice:
			s.Ambiguous = "twice"
		case hl7.ClockNever:
			s.Ambiguous = "never"
		case hl7.ClockOnce:
		}
	}
	return s
}

// isoLayouts are read in CSV files whose profile gives no layout.
var isoLayouts = func() []layout {
	var out []layout
	for _, p := range []string{"yyyy-MM-dd'T'HH:mm:ssX", "yyyy-MM-dd'T'HH:mm:ss", "yyyy-MM-dd HH:mm:ss", "yyyy-MM-dd'T'HH:mm", "yyyy-MM-dd HH:mm", "yyyy-MM-dd"} {
		l, err := parseLayout(p)
		if err != nil {
			panic(err) // constants
		}
		out = append(out, l)
	}
	return out
}()

func readTime(text string, l layout, format string) (hl7.Timestamp, bool) {
	if len(l.parts) > 0 {
		return l.read(text)
	}
	if format == formatHL7 {
		t, err := hl7.ParseTime(text)
		return t, err == nil && !t.IsZero()
	}
	for _, l := range isoLayouts {
		if t, ok := l.read(text); ok {
			return t, true
		}
	}
	return hl7.Timestamp{}, false
}

// date reads a date as YYYY-MM-DD; what is none stays as sent. A month alone
// ends with its last day (expiry dates are often printed so; common practice,
// no source).
func (r *reader) date(name string, f field) string {
	text := r.text(name, f)
	if text == "" {
		return ""
	}
	t, ok := readTime(text, f.layout, r.p.format)
	switch {
	case !ok || t.Precision < hl7.PrecisionMonth, t.Precision == hl7.PrecisionMonth && name != poct.FieldStripExpires:
		return text
	case t.Precision == hl7.PrecisionMonth:
		return time.Date(t.Year, time.Month(t.Month)+1, 0, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
	}
	return time.Date(t.Year, time.Month(t.Month), t.Day, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
}
