package validate

import (
	"maps"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// codeSilent is the problem of a meter that was not heard from; no check of a
// result has it.
const codeSilent = "meter-silent"

// Ready answers whether a meter may be used at f.Now with the strip lot that
// it used last, as the gate would judge a patient test run at that moment: it
// asks the checks of the meter, its clock, lot and controls themselves, so the
// two cannot differ. Problems that hold make it a no; those that flag stand
// beside a yes. A meter not heard from for longer than silent is never ready,
// since a control may have failed on it; 0 leaves that unasked.
//
// Until is the earliest moment at which a yes ends by itself: controls become
// overdue, strips expire, or the silence becomes too long. f comes from the
// registry's ReadyFacts.
func (ru *Rules) Ready(f poct.Facts, lot string, silent time.Duration) poct.Readiness {
	m := moment{ru: ru, f: f, lot: lot, silent: silent, heard: lastHeard(f)}
	s := m.subject(f.Now)
	out := poct.Readiness{
		Meter: s.r.Meter, Site: s.site, StripLot: lot, AsOf: f.Now, LastHear: m.heard, LastPass: s.passes(lot, time.Time{}),
		Why: m.against(f.Now),
	}
	if f.Meter != nil {
		out.Model = f.Meter.Model
	}
	if out.Ready = !holds(out.Why); out.Ready {
		out.Until = m.until(s)
	}
	return out
}

// moment is a meter at a time.
type moment struct {
	ru     *Rules
	f      poct.Facts
	lot    string
	silent time.Duration
	heard  time.Time
}

// subject is a patient test imagined on the meter. What its profile does not
// send and the expiry it names are taken from its newest result with the lot.
func (m moment) subject(now time.Time) *subject {
	f := m.f
	if f.Zone != nil {
		now = now.In(f.Zone)
	}
	f.Now, f.Received = now, now
	r := poct.Reading{Kind: poct.KindPatient, StripLot: m.lot, TestedAt: poct.Stamp{Raw: now.Format(time.RFC3339), At: now, Precision: "second"}}
	if f.Meter != nil {
		r.Meter = f.Meter.Serial
	}
	for _, p := range f.MeterHistory {
		if p.Reading.StripLot == m.lot {
			r.NotSent, r.StripExpires = p.Reading.NotSent, p.Reading.StripExpires
			break
		}
	}
	res := poct.Result{Reading: r}
	return newSubject(&res, &f)
}

// against lists what stands against a test at a time, in the words of the
// present.
func (m moment) against(now time.Time) []poct.Problem {
	s := m.subject(now)
	why := []poct.Problem{}
	if m.silent > 0 && now.Sub(m.heard) > m.silent {
		text := "Never heard from."
		if !m.heard.IsZero() {
			text = "Not heard from for " + span(now.Sub(m.heard)) + "."
		}
		why = append(why, poct.Problem{
			Code: codeSilent, Severity: poct.Hold, Field: poct.FieldMeter, Text: text + " Whether its controls passed is not known.",
			Remedy: "Connect the meter and let it send what it has kept. Then look again.", Limit: "usual time " + span(m.silent),
		})
	}
	if m.f.Meter != nil && m.lot == "" && !s.lacks(poct.FieldStripLot) {
		return append(why, poct.Problem{
			Check: "23", Code: "lot-unknown", Severity: poct.Hold, Field: poct.FieldStripLot,
			Text:   "Nothing that this meter has sent names a strip lot, so it is not known which one is in use.",
			Remedy: "Run both controls with the lot that is to be used.",
		})
	}
	var asked []poct.Problem
	for _, k := range m.ru.at(s.site) {
		if k.ready {
			asked = append(asked, k.complete(k.answer(s).problems)...)
		}
	}
	settleBecause(asked)
	for _, p := range asked {
		if p.Because == "" {
			p.Text, p.Remedy = asOfNow.Replace(p.Text), asOfNow.Replace(p.Remedy)
			why = append(why, p)
		}
	}
	return why
}

// asOfNow puts what checks say of a test into the words for a meter that is to
// be used next.
var asOfNow = strings.NewReplacer(
	", before the test.", ".",
	"in the days before the test.", "in the last days.",
	"at this site before the test.", "at this site.",
	" before the test.", " ago.",
	", and repeat the test once they pass.", ". Use the meter once they pass.",
	"Repeat the test once", "Use the meter once",
	"Repeat the test with", "Use",
	"Repeat the test on", "Use",
	", set it and repeat the test: ", ", set it: ",
	" Correct the time by the offset, if it was that far off at the time of the test.", "",
	"Look at each result of the hours about the change, and correct the time by the offset.", "Look at each result of the hours about the change.",
	", then read the arrival again.", ".",
	" and correct it, or register the lot and read the arrival again.", ", or register the lot.",
)

// until is when a yes ends by itself: the first of the moments at which it
// might where something stands against a test. Zero if there is none.
func (m moment) until(s *subject) time.Time {
	var at []time.Time
	for _, k := range m.ru.at(s.site) {
		if k.Code == "qc-overdue" {
			interval, _ := k.interval(s)
			for pass := range maps.Values(s.passes(m.lot, time.Time{})) {
				at = append(at, pass.Add(interval))
			}
		}
	}
	if last, err := time.ParseInLocation(time.DateOnly, s.expires(), s.tested.Location()); err == nil {
		at = append(at, last.AddDate(0, 0, 1))
	}
	if m.silent > 0 {
		at = append(at, m.heard.Add(m.silent))
	}
	slices.SortFunc(at, time.Time.Compare)
	for _, t := range at {
		if !t.Before(m.f.Now) && holds(m.against(t.Add(time.Nanosecond))) {
			return t
		}
	}
	return time.Time{}
}

func holds(problems []poct.Problem) bool {
	return slices.ContainsFunc(problems, func(p poct.Problem) bool { return p.Severity == poct.Hold })
}

// lastHeard is the newest sign of a meter up to now.
func lastHeard(f poct.Facts) time.Time {
	var newest time.Time
	hear := func(t time.Time) {
		if t.After(newest) && !t.After(f.Now) {
			newest = t
		}
	}
	hear(f.Heard)
	if f.Contact != nil {
		hear(f.Contact.At)
	}
	for _, p := range slices.Concat(f.MeterHistory, f.Controls) {
		hear(p.Tested)
	}
	return newest
}
