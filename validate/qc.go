package validate

import (
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

var qcChecks = []check{
	{
		Info: Info{
			Number: "27", Code: "qc-overdue", Title: "Controls were overdue",
			Asks:     "whether the controls were in time",
			Compares: "the last pass of two levels on this meter and lot, up to the test",
			Text:     "Control level {level} last passed on this meter and lot on {when}, {age} before the test.",
			Remedy:   "Run both controls. Repeat the test once they pass.",
			Severity: poct.Hold, Acts: "RD", Desk: RoleCoordinator,
			Source: "42 CFR 493.1269(b), nonwaived coagulation: two levels each 8 hours of operation; waived: the site's plan",
			Keys:   []Key{{Name: "interval", Kind: Duration, Default: "8h", Means: "longest time since both levels passed; comes before the site's qc_interval in the registry; at most 192h here"}},
		},
		of: patient, ready: true, ask: askOverdue,
		fits: func(k *rule) (string, string) {
			if k.spans["interval"] > 192*time.Hour {
				return "is longer than the time that controls are looked back for", "set the site's qc_interval in the registry instead; it may be longer"
			}
			return "", ""
		},
	},
	{
		Info: Info{
			Number: "28", Code: "qc-failed", Title: "A control had failed",
			Asks:     "whether the last controls passed",
			Compares: "controls of this meter at the time of the test: after a failure two levels must pass, with this lot or the lot that failed",
			Text:     "Control level {level} failed on this meter on {when}, and both levels have not passed since.",
			Remedy:   "Find out why, run both controls, and repeat the test once they pass.",
			Severity: poct.Hold, Acts: "RD", Desk: RoleCoordinator, Source: commonPractice,
		},
		of: patient, ready: true, ask: askFailed,
	},
	multiruleCheck,
	{
		Info: Info{
			Number: "30", Code: "qc-looks-like-patient", Title: "Control in the place of a patient",
			Asks:     "whether this was measured on a patient",
			Compares: "control tags, and the identifier against control lots and the site's list of control identifiers",
			Text:     "This looks like a control: {why}.",
			Remedy:   "Discard it and run the control in the meter's control mode.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer, Source: "no default; a list of the site",
			Keys: []Key{{Name: "ids", Kind: Texts, Means: "identifiers that stand for controls"}},
		},
		of: patient, ask: askControlInPatientSlot,
	},
}

// levels is how many levels of control must pass: 42 CFR 493.1269(b) asks for
// two, and so do control sheets of meters (common practice).
const levels = 2

func askOverdue(s *subject, k *rule) reply {
	switch {
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.r.Meter == "":
		return k.waits("missing-essential")
	case s.f.Meter == nil:
		return k.waits("meter-unknown")
	case s.f.StripLot == nil && !s.lacks(poct.FieldStripLot):
		return k.waits("lot-unknown")
	}
	interval, limit := k.interval(s)
	last := s.passes(s.r.StripLot, time.Time{})
	if len(last) == 0 && !s.lacks(poct.FieldStripLot) {
		return k.waits("lot-not-accepted").by(limit)
	}
	if len(last) < levels {
		return found(poct.FieldMeter, "Only "+itoa(len(last))+" of "+itoa(levels)+" control levels passed on this meter and lot in the days before the test.").by(limit)
	}
	// The levels that passed last are the ones in use.
	times := make([]levelTime, 0, len(last))
	for level, at := range last {
		times = append(times, levelTime{level, at})
	}
	slices.SortFunc(times, func(a, b levelTime) int {
		if c := b.at.Compare(a.at); c != 0 {
			return c
		}
		return strings.Compare(a.level, b.level)
	})
	oldest := times[levels-1]
	if age := s.tested.Sub(oldest.at); age > interval {
		return k.found(poct.FieldMeter, "level", oldest.level, "when", clock(oldest.at.In(s.tested.Location())), "age", span(age)).by(limit)
	}
	return pass.by(limit)
}

type levelTime struct {
	level string
	at    time.Time
}

// interval is the longest time since both levels passed, and where it is from:
// the configuration, else the site's row, else the default.
func (k *rule) interval(s *subject) (time.Duration, string) {
	if !k.own["interval"] && s.f.Site != nil && s.f.Site.QCInterval > 0 {
		return s.f.Site.QCInterval, "interval " + span(s.f.Site.QCInterval) + " (the site's row in the registry)"
	}
	return k.spans["interval"], k.limit
}

func askFailed(s *subject, k *rule) reply {
	switch {
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.r.Meter == "":
		return k.waits("missing-essential")
	case s.f.Meter == nil:
		return k.waits("meter-unknown")
	}
	// From the newest control back: which levels have passed since, per lot.
	since := map[string]map[string]bool{}
	for _, c := range slices.Backward(s.f.Controls) {
		if !s.before(c) {
			continue
		}
		lot := c.Reading.StripLot
		if c.QCPassed {
			if since[lot] == nil {
				since[lot] = map[string]bool{}
			}
			since[lot][levelName(c.Reading.ControlLevel)] = true
			continue
		}
		if len(since[lot]) < levels && len(since[s.r.StripLot]) < levels {
			return k.found(poct.FieldMeter, "level", c.Reading.ControlLevel, "when", clock(c.Tested.In(s.tested.Location())))
		}
	}
	return pass
}

func askControlInPatientSlot(s *subject, k *rule) reply {
	switch {
	case s.r.ControlHint != "":
		return k.found(poct.FieldPatient, "why", s.r.ControlHint)
	case s.r.ControlLot != "" || s.r.ControlLevel != "":
		return k.found(poct.FieldControlLot, "why", "the message names a control lot or level")
	case s.r.Patient.ID != "" && listed(k.texts["ids"], s.r.Patient):
		return k.found(poct.FieldPatient, "why", "the identifier is on the list of controls")
	case len(s.f.ControlLots) > 0:
		return k.found(poct.FieldPatient, "why", "the identifier is a registered control lot")
	}
	return pass
}

// passes gives the time of the last pass of each level on this meter with a
// strip lot, from a time up to the test.
func (s *subject) passes(lot string, from time.Time) map[string]time.Time {
	last := map[string]time.Time{}
	for _, c := range s.f.Controls {
		if c.QCPassed && c.Reading.StripLot == lot && !c.Tested.Before(from) && s.before(c) {
			level := levelName(c.Reading.ControlLevel)
			if c.Tested.After(last[level]) {
				last[level] = c.Tested
			}
		}
	}
	return last
}

// before reports whether a filed, final control was run before this test. In one and
// the same minute the meter's sequence decides; without one it counts.
func (s *subject) before(c poct.Past) bool {
	if c.State != poct.Filed || c.Tested.IsZero() || c.Tested.After(s.tested) {
		return false
	}
	if st := c.Reading.Status; st == poct.StatusWithdrawn || st == poct.StatusPreliminary {
		return false
	}
	return c.Tested.Before(s.tested) || compareSequence(c.Reading.Sequence, s.r.Sequence) <= 0
}

func levelName(level string) string { return strings.ToLower(strings.TrimSpace(level)) }

// controlRange is the registered range of this control run: the row for its
// strip lot, else the one for every strip lot.
func (s *subject) controlRange() (poct.ControlLot, bool) {
	var general *poct.ControlLot
	for i, row := range s.f.ControlLots {
		if levelName(row.Level) != levelName(s.r.ControlLevel) || row.Lot != s.r.ControlLot {
			continue
		}
		switch row.StripLot {
		case "":
			general = &s.f.ControlLots[i]
		case s.r.StripLot:
			return row, true
		}
	}
	if general == nil {
		return poct.ControlLot{}, false
	}
	return *general, true
}

// controlPassed reports whether a control run lies within its range, both ends
// included. A bound is no value, so it never passes.
func (s *subject) controlPassed() bool {
	row, ok := s.controlRange()
	status := s.r.Status
	return ok && row.Low.Exact() && row.High.Exact() && s.inr.Value.Exact() && s.inr.Unit == unitINR &&
		(status == "" || status == poct.StatusFinal || status == poct.StatusCorrected) && s.r.Onboard != "fail" &&
		s.inr.Value.Cmp(row.Low) >= 0 && s.inr.Value.Cmp(row.High) <= 0
}
