package mapping

import (
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Zones gives the time zone of a meter's site; nil where it is not known.
type Zones func(meter string) *time.Location

// Decoded is one reading and what reading it already found to be wrong.
type Decoded struct {
	Reading  poct.Reading
	Problems []poct.Problem
	Context  *poct.Context `json:",omitempty"` // what a message about patients or orders tells; nil for any other
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
	f := formFor(a)
	return merge(f.decode(a, of(profiles, f.name), zones))
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

// reader fills one reading, the same way for every format.
type reader struct {
	p      *Profile
	r      poct.Reading
	zones  Zones
	offset *time.Location // the offset that the message's own time has
	comma  bool           // decimal comma
	get    func(*field) found
	every  func(*field) []found // all of them, for a field that may stand in several places; nil: the one
	found  []poct.Problem
}

// found is a text in an arrival: blanks around it dropped, and its bytes.
type found struct {
	text     string
	at       poct.Span
	garbled  bool   // holds bytes or escapes that cannot be read
	fault    string // why else it cannot be read, "" if it can
	disputed bool   // another place says something else
}

// text reads a field as text and notes where it stands.
func (r *reader) text(name string, f *field) string {
	if !f.on {
		return ""
	}
	got := r.read(f)
	if got.at.To > got.at.From {
		r.r.Where[name] = got.at
	}
	r.legible(name, got)
	return f.word(got.text)
}

// read takes a field from its place, or computes it from several.
func (r *reader) read(f *field) found {
	if f.formula == nil {
		return r.get(f)
	}
	return f.formula.compute(func(p place) found {
		one := field{on: true, place: p, where: f.where}
		return r.get(&one)
	})
}

// texts reads a field that may stand in several places; those that say nothing
// are left out.
func (r *reader) texts(name string, f *field) []string {
	if !f.on {
		return nil
	}
	var list []found
	if r.every == nil || f.formula != nil {
		list = []found{r.read(f)}
	} else {
		list = r.every(f)
	}
	var out []string
	for _, got := range list {
		r.legible(name, got)
		if text := f.word(got.text); text != "" && !slices.Contains(out, text) {
			if len(out) == 0 {
				r.r.Where[name] = got.at
			}
			out = append(out, text)
		}
	}
	return out
}

// word is what a text means: the group of the pattern, then the profile's word.
func (f *field) word(text string) string {
	if f.pattern != nil {
		m := f.pattern.FindStringSubmatch(text)
		if m == nil {
			return f.values[""]
		}
		text = m[1]
	}
	if word, ok := f.values[text]; ok {
		return word
	}
	return text
}

// legible holds a field that was read only in part.
func (r *reader) legible(name string, got found) {
	if got.garbled {
		r.found = append(r.found, unreadable(name, "The "+strings.ReplaceAll(name, "_", " ")+
			" holds bytes or escapes that cannot be read in the message's character set."))
	}
	if got.fault != "" {
		r.found = append(r.found, unreadable(name, "The "+strings.ReplaceAll(name, "_", " ")+" "+got.fault+"."))
	}
}

// context fills everything but the measurements.
func (r *reader) context() {
	f := &r.p.fields
	r.r.Profile, r.r.Model, r.r.Specimen, r.r.Range = r.p.id, r.p.model, r.p.specimen, r.p.limits
	r.r.NotSent = r.p.notSent
	r.r.Meter = r.text(poct.FieldMeter, &f.meter)
	r.r.Sequence = r.text(poct.FieldSequence, &f.sequence)
	r.r.Operator = r.text(poct.FieldOperator, &f.operator)
	r.r.TestedAt = r.stamp(poct.FieldTestedAt, &f.testedAt)
	r.r.SentAt = r.stamp("sent_at", &f.sentAt)
	r.r.BirthDate = r.date(poct.FieldBirthDate, &f.birthDate)
	r.r.Family = r.text(poct.FieldFamily, &f.family)
	r.r.Given = r.text(poct.FieldGiven, &f.given)
	r.r.Sex = r.text(poct.FieldSex, &f.sex)
	r.r.StripLot = r.text(poct.FieldStripLot, &f.stripLot)
	r.r.StripExpires = r.date(poct.FieldStripExpires, &f.stripExpires)
	r.r.Visit = r.text(poct.FieldVisit, &f.visit)
	r.r.Order = r.text(poct.FieldOrder, &f.order)
	if on := r.text("onboard", &f.onboard); on != "" && r.r.Onboard == "" { // not failed already by a flag
		r.r.Onboard = "pass"
		if on != "pass" || r.read(&f.onboard).disputed {
			r.r.Onboard = "fail" // what the profile does not name did not pass
		}
	}
	r.r.DeviceError = r.text("error", &f.deviceError)
	r.r.AskedAt = r.stamp(poct.FieldAskedAt, &f.askedAt)
	r.r.SampledAt = r.stamp(poct.FieldSampledAt, &f.sampledAt)
	r.r.RunTime = r.quantity(poct.FieldRunTime, &f.runTime)
	r.r.Haematocrit = r.quantity(poct.FieldHaematocrit, &f.haematocrit)
	r.r.Interference = r.texts(poct.FieldInterference, &f.interference)
}

// quantity reads a number beside the results. One that cannot be read stops
// the reading: nobody is to believe that there was none.
func (r *reader) quantity(name string, f *field) poct.Number {
	text := r.text(name, f)
	if text == "" {
		return poct.Number{}
	}
	n, ok := number(text, r.comma)
	if !ok {
		r.found = append(r.found, unreadable(name, "The "+strings.ReplaceAll(name, "_", " ")+" is not a plain decimal number."))
	}
	return n
}

// compares settles whose result it is where a laboratory's own come in. A
// control stays one.
func (r *reader) compares(holds func([]condition) bool) {
	p := r.p
	if r.r.Kind != poct.KindPatient || !p.comparison && (len(p.compared) == 0 || !holds(p.compared)) {
		return
	}
	r.r.Kind, r.r.Specimen, r.r.ControlHint = poct.KindComparison, p.comparisonSpecimen, ""
}

// controlled fills what tells of a control, and keeps evidence that a record
// in a patient's place is one.
func (r *reader) controlled(isControl bool) {
	lot := r.text(poct.FieldControlLot, &r.p.control.lot)
	level := r.text(poct.FieldControlLevel, &r.p.control.level)
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
func (r *reader) measurement(res *result, value, unit, code, flags string) poct.Measurement {
	m := poct.Measurement{Analyte: res.analyte, RawValue: value, RawUnit: unit, Code: code, LOINC: res.loinc, Flags: flags}
	if n, ok := number(value, r.comma); ok { // not a number: the check says so
		m.Value = n
	}
	if res.fixed != "" {
		m.Unit = res.fixed
	} else {
		m.Unit = res.units[unit]
	}
	return m
}

// number reads a decimal as sent. Leading zeros and a plus sign are dropped,
// trailing zeros kept. Where a comma is agreed on a point is not guessed at.
func number(text string, comma bool) (poct.Number, bool) {
	if comma {
		if strings.Contains(text, ".") {
			return poct.Number{}, false
		}
		text = strings.Replace(text, ",", ".", 1)
	}
	n, err := poct.ParseNumber(text)
	if err != nil {
		return poct.Number{}, false
	}
	digits, minus := strings.CutPrefix(strings.TrimPrefix(n.Text, "+"), "-")
	for len(digits) > 1 && digits[0] == '0' && digits[1] != '.' {
		digits = digits[1:]
	}
	if n.Text = digits; minus {
		n.Text = "-" + digits
	}
	return n, true
}

// finish settles the kind of the reading once its values are known: an error
// code of the profile without a value is an event, never a result. A code
// beside a value, and one that the profile does not know, stay for a check.
func (r *reader) finish() Decoded {
	for _, m := range r.r.Measurements {
		if _, known := r.p.errors[m.RawValue]; known && r.r.DeviceError == "" {
			r.r.DeviceError = m.RawValue
		}
	}
	words, known := r.p.errors[r.r.DeviceError]
	r.r.ErrorText = words
	if known && !hasValue(r.r) {
		r.r.Kind, r.r.Measurements = poct.KindEvent, nil
	}
	return Decoded{Reading: r.r, Problems: r.found}
}

func hasValue(r poct.Reading) bool {
	return slices.ContainsFunc(r.Measurements, func(m poct.Measurement) bool { return !m.Value.IsZero() })
}
