package validate

import (
	"cmp"
	"slices"

	"tidegate/poct"
)

var lateCheck = check{
	Info: Info{
		Number: "46", Code: "late-qc-changes-verdict", Title: "A failed control came after the results that it casts doubt on",
		Asks:     "whether this control came after results that it casts doubt on",
		Compares: "asked of a failed control: the meter's newest results that were sent on, tested after it and before both levels passed again",
		Text:     "This control failed and came late: {n} tested later on this meter had been sent on.",
		Remedy:   "Look back at each result since the last pass: it stands, is to be repeated, or is taken back.",
		Severity: poct.Flag, Acts: "RD", Desk: RoleCoordinator, Source: ownDefault,
	},
	of: control, ask: askLate,
}

func askLate(s *subject, k *rule) reply {
	switch {
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.r.Meter == "":
		return k.waits("missing-essential")
	}
	n := s.sentSince()
	if n == 0 || s.controlPassed() {
		return pass
	}
	if _, known := s.controlRange(); !known {
		return k.waits("lot-unknown")
	}
	results := "a result"
	if n > 1 {
		results = itoa(n) + " results"
	}
	return k.found(poct.FieldTestedAt, "n", results)
}

// sentSince counts patient results of this meter that were sent on and tested
// after this control, up to the time when two levels had passed again.
func (s *subject) sentSince() int {
	passed := map[string]bool{}
	n := 0
	for _, p := range byTime(s.f.MeterHistory) {
		after := p.Tested.After(s.tested) || p.Tested.Equal(s.tested) && compareSequence(p.Reading.Sequence, s.r.Sequence) >= 0
		if !after || p.Key == s.r.Key() {
			continue
		}
		switch p.Reading.Kind {
		case poct.KindControl:
			if p.State == poct.Filed && p.QCPassed {
				passed[levelName(p.Reading.ControlLevel)] = true
			}
			if len(passed) >= levels {
				return n
			}
		case poct.KindPatient:
			if (p.State == poct.Delivered || p.State == poct.Delivering) && p.Reading.Status != poct.StatusWithdrawn {
				n++
			}
		}
	}
	return n
}

// byTime orders results by the time of their test.
func byTime(past []poct.Past) []poct.Past {
	return slices.SortedStableFunc(slices.Values(past), func(a, b poct.Past) int {
		return cmp.Or(a.Tested.Compare(b.Tested), compareSequence(a.Reading.Sequence, b.Reading.Sequence))
	})
}
