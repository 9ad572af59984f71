package web

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// factRow is one line of what the meter sent beside what the registry holds.
type factRow struct {
	Field    string
	Sent     []rawPart
	Registry []rawPart
	Words    bool        // Sent is our words, not the meter's
	Found    []foundView // what the checks found; none: Agrees stands
	Waits    []string    // checks that cannot tell until another problem is settled
	Agrees   string
	Doubt    bool
}

// foundView is one problem beside its field.
type foundView struct {
	Mark, Tone, Text, Remedy, Limit string
}

func plain(s string) []rawPart { return []rawPart{{Text: s}} }

// rowFields says which fields and checks stand in which row.
var rowFields = []struct {
	name   string
	fields []string
	codes  string // prefix of check codes that stand here whatever their field
}{
	{"Patient", []string{poct.FieldPatient, poct.FieldBirthDate, poct.FieldFamily, poct.FieldGiven, poct.FieldSex, poct.FieldVisit, poct.FieldOrder}, "patient-"},
	{"Controls", []string{poct.FieldControlLot, poct.FieldControlLevel}, "qc-"},
	{"Strip lot", []string{poct.FieldStripLot, poct.FieldStripExpires}, "lot-"},
	{"Meter", []string{poct.FieldMeter, poct.FieldSequence}, "meter-"},
	{"Operator", []string{poct.FieldOperator}, "operator-"},
	{"Tested", []string{poct.FieldTestedAt, poct.FieldTimeOffset}, ""},
	{"Value", []string{"inr", "pt", poct.FieldCode}, ""},
	{"Message", nil, ""}, // whatever stands nowhere else
}

func rowOf(p poct.Problem) string {
	for _, r := range rowFields {
		if r.codes != "" && strings.HasPrefix(p.Code, r.codes) {
			return r.name
		}
		for _, f := range r.fields {
			if p.Field == f {
				return r.name
			}
		}
	}
	return "Message"
}

// factRows lays a reading and its facts side by side, doubtful rows first.
func (w *Server) factRows(h poct.HoldRecord, f poct.Facts, failed bool, now time.Time, zone *time.Location) []factRow {
	r := h.Reading
	rows := map[string]*factRow{
		"Patient":   {Sent: sentPatient(r), Registry: plain(registryPatient(r, f)), Agrees: "agrees"},
		"Strip lot": {Sent: sentLot(r, f), Registry: registryLot(r, f), Agrees: "agrees"},
		"Meter":     {Sent: plain(orNotSent(r.Meter, r.Sends(poct.FieldMeter))), Registry: plain(registryMeter(f)), Agrees: "agrees"},
		"Operator":  {Sent: plain(orNotSent(r.Operator, r.Sends(poct.FieldOperator))), Registry: plain(registryOperator(f)), Agrees: "agrees"},
		"Controls":  {Sent: plain(sentControl(r)), Registry: plain(registryControls(r, f, now, zone)), Agrees: "passed"},
		"Tested":    {Sent: plain(orNotSent(r.TestedAt.Raw, true)), Registry: plain(readTime(r, f, now, zone)), Agrees: "plausible"},
		"Value":     {Sent: plain(sentValue(r)), Registry: plain(registryHistory(h, f, now, zone)), Agrees: "plausible"},
		"Message":   {Sent: plain("see the bytes below"), Registry: nil, Agrees: ""},
	}
	for _, p := range h.Problems {
		row := rows[rowOf(p)]
		v := foundView{Mark: "held", Tone: "hold", Text: clause(p.Text), Remedy: p.Remedy, Limit: p.Limit}
		switch {
		case p.Because != "":
			row.Waits = append(row.Waits, clause(p.Text))
			continue
		case p.Severity == poct.Flag:
			v.Mark = "flagged"
		case p.Severity == poct.Note:
			v.Mark, v.Tone = "", ""
		}
		if p.Severity == poct.Hold && p.Because == "" {
			row.Doubt = true
		}
		row.Found = append(row.Found, v)
	}
	var doubt, rest []factRow
	for _, in := range rowFields {
		row := rows[in.name]
		row.Field = in.name
		row.Words = sameWords(row.Sent)
		if in.name == "Message" && len(row.Found) == 0 {
			continue
		}
		if r.Kind == poct.KindUnread && in.name != "Message" && len(row.Found) == 0 {
			continue // nothing was read: there is nothing to lay beside it
		}
		if failed {
			row.Registry = plain("no answer")
			row.Agrees = "not known"
		}
		if r.Kind == poct.KindControl && in.name == "Patient" && len(row.Found) == 0 {
			continue
		}
		if row.Doubt {
			doubt = append(doubt, *row)
		} else {
			rest = append(rest, *row)
		}
	}
	return append(doubt, rest...)
}

// notSentWords are what stands in the first column where the meter sent nothing.
var notSentWords = []string{"not sent", "this meter does not send it", "see the bytes below", "strip's own control passed", "strip's own control failed"}

func sameWords(parts []rawPart) bool {
	return len(parts) == 1 && slices.Contains(notSentWords, parts[0].Text)
}

func orNotSent(s string, sends bool) string {
	switch {
	case s != "":
		return s
	case !sends:
		return "this meter does not send it"
	}
	return "not sent"
}

func sentPatient(r poct.Reading) []rawPart {
	var parts []string
	for _, s := range []string{r.Patient.ID, r.BirthDate, strings.Trim(r.Family+", "+r.Given, ", ")} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if len(parts) == 0 {
		return plain(orNotSent("", r.Sends(poct.FieldPatient)))
	}
	return plain(strings.Join(parts, ", "))
}

func registryPatient(r poct.Reading, f poct.Facts) string {
	switch {
	case r.Patient.ID == "":
		return "nothing to look up"
	case f.Patient == nil && len(f.Patients) > 1:
		return itoa(len(f.Patients)) + " patients match"
	case f.Patient == nil:
		return "nobody with this number"
	}
	p := f.Patient
	text := "same number"
	if p.ID != r.Patient.ID {
		text = "merged into " + p.ID
	}
	switch {
	case r.BirthDate == "":
		return text + ", " + p.Family + ", " + p.Given + ", born " + date(p.BirthDate)
	case r.BirthDate == p.BirthDate:
		text += ", same birth date"
	default:
		text += ", born " + p.BirthDate
	}
	if r.Family != "" && !strings.EqualFold(r.Family, p.Family) {
		text += ", " + p.Family + ", " + p.Given
	}
	return text
}

// sentLot boxes the one character in which the lot differs from the nearest.
func sentLot(r poct.Reading, f poct.Facts) []rawPart {
	if at := differing(r.StripLot, f.NearestLot); r.StripLot != "" && at >= 0 {
		return around(r.StripLot, at)
	}
	return plain(orNotSent(r.StripLot, r.Sends(poct.FieldStripLot)))
}

func around(s string, at int) []rawPart {
	parts := []rawPart{}
	if at > 0 {
		parts = append(parts, rawPart{Text: s[:at]})
	}
	parts = append(parts, rawPart{Text: s[at : at+1], Boxed: true})
	if at+1 < len(s) {
		parts = append(parts, rawPart{Text: s[at+1:]})
	}
	return parts
}

func registryLot(r poct.Reading, f poct.Facts) []rawPart {
	switch {
	case r.StripLot == "":
		return plain("nothing to look up")
	case f.StripLot == nil && f.NearestLot != "":
		text := plain("nothing. Nearest: ")
		if at := differing(r.StripLot, f.NearestLot); at >= 0 {
			return append(text, around(f.NearestLot, at)...)
		}
		return plain("nothing. Nearest: " + f.NearestLot)
	case f.StripLot == nil:
		return plain("nothing")
	case f.StripLot.Recalled:
		return plain("recalled")
	}
	return plain("for " + orUnknown(f.StripLot.Model) + ", expires " + date(f.StripLot.Expires))
}

func orUnknown(s string) string {
	if s == "" {
		return "not known"
	}
	return s
}

func registryMeter(f poct.Facts) string {
	if f.Meter == nil {
		return "nothing"
	}
	site := f.Meter.Site
	if f.Site != nil {
		site = f.Site.Name
	}
	return site + ", " + strings.ReplaceAll(f.Meter.State, "-", " ")
}

func registryOperator(f poct.Facts) string {
	if f.Operator == nil {
		return "nothing"
	}
	return f.Operator.Name + ", certified to " + date(f.Operator.CertifiedUntil)
}

func sentControl(r poct.Reading) string {
	if r.Kind == poct.KindControl {
		return "lot " + orUnknown(r.ControlLot) + ", level " + orUnknown(r.ControlLevel)
	}
	switch r.Onboard {
	case "pass":
		return "strip's own control passed"
	case "fail":
		return "strip's own control failed"
	}
	return "not sent"
}

// registryControls tells the last control of each level before the test.
func registryControls(r poct.Reading, f poct.Facts, now time.Time, zone *time.Location) string {
	if r.Kind == poct.KindControl {
		for _, c := range f.ControlLots {
			if c.Level == r.ControlLevel {
				return "range " + c.Low.String() + " to " + c.High.String()
			}
		}
		return "no range for this level"
	}
	last := map[string]poct.Past{}
	var levels []string
	for _, c := range f.Controls {
		if _, ok := last[c.Reading.ControlLevel]; !ok {
			levels = append(levels, c.Reading.ControlLevel)
		}
		last[c.Reading.ControlLevel] = c
	}
	if len(levels) == 0 {
		return "no control of this meter before the test"
	}
	var parts []string
	for _, l := range levels {
		c := last[l]
		state := "failed"
		if c.QCPassed {
			state = "passed"
		}
		parts = append(parts, "level "+l+" "+state+" "+clock(c.Tested, now, zone))
	}
	return strings.Join(parts, ", ")
}

func readTime(r poct.Reading, f poct.Facts, now time.Time, zone *time.Location) string {
	if r.TestedAt.At.IsZero() {
		return "cannot be read as a time"
	}
	text := "read as " + moment(r.Tested(), now, zone, "15:04:05")
	if r.TimeOffset != 0 {
		text += fmt.Sprintf(", corrected by %+d s", r.TimeOffset)
	}
	return text + ", came " + moment(f.Received, now, zone, "15:04:05")
}

func sentValue(r poct.Reading) string {
	var parts []string
	for _, m := range r.Measurements {
		name := map[string]string{"inr": "INR", "pt": "PT"}[m.Analyte]
		parts = append(parts, strings.TrimSpace(name+" "+m.RawValue+" "+m.RawUnit))
	}
	if r.DeviceError != "" {
		parts = append(parts, "device code "+r.DeviceError)
	}
	if len(parts) == 0 {
		return "not sent"
	}
	return strings.Join(parts, ", ")
}

func registryHistory(h poct.HoldRecord, f poct.Facts, now time.Time, zone *time.Location) string {
	for _, p := range f.History {
		if m, ok := p.Reading.Measured("inr"); ok && p.Result != h.Result {
			days := int(h.Reading.Tested().Sub(p.Tested).Hours() / 24)
			if days == 0 {
				return "previous " + m.RawValue + ", at " + clock(p.Tested, now, zone)
			}
			return "previous " + m.RawValue + ", " + plural(days, "day") + " before"
		}
	}
	if h.Reading.Kind == poct.KindPatient {
		return "no earlier result"
	}
	return ""
}

// boxes are the byte ranges that the problems are about.
func boxes(h poct.HoldRecord, f poct.Facts) []box {
	var out []box
	seen := map[string]bool{}
	for _, p := range h.Problems {
		s, ok := h.Reading.Where[p.Field]
		if !ok || p.Because != "" || p.Severity != poct.Hold || seen[p.Field] {
			continue
		}
		seen[p.Field] = true
		b := box{Span: s, note: "bytes " + itoa(s.From) + " to " + itoa(max(s.From, s.To-1)) + ": " + lowerFirst(clause(p.Text)) + "."}
		if s.To-s.From == 1 {
			b.note = "byte " + itoa(s.From) + ": " + lowerFirst(clause(p.Text)) + "."
		}
		if lot := h.Reading.StripLot; p.Field == poct.FieldStripLot && s.To-s.From == len(lot) {
			if at := differing(lot, f.NearestLot); at >= 0 {
				is, other := lot[at], f.NearestLot[at]
				b = box{Span: poct.Span{From: s.From + at, To: s.From + at + 1}, note: fmt.Sprintf(
					"byte %d is %02X, %s. The nearest registered lot has %02X, %s, in this place.", s.From+at, is, charName(is), other, charName(other))}
			}
		}
		out = append(out, b)
	}
	return out
}
