package validate

import (
	"time"

	"tidegate/poct"
	"tidegate/quality"
)

var labCheck = check{
	Info: Info{
		Number: "42", Code: "lab-poc-disagree", Title: "Laboratory and meter disagree",
		Asks:     "whether laboratory and meter agree",
		Compares: "INR of the meter against the laboratory's INR of this patient nearest in time, whichever of the two comes second; a bound counts as its limit where the other value lies beyond it",
		Text:     "INR {meter} of the meter, INR {lab} of the laboratory, {apart} apart.",
		Remedy:   "Follow the laboratory's value until the difference is explained.",
		Severity: poct.Flag, Acts: "RD", Desk: RoleClinician,
		Source: ownDefault + "; 0.5 INR, or 30 % at higher values, is common practice, no source",
		Keys: []Key{
			{Name: "within", Kind: Duration, Default: "24h", Means: "how far apart the two may lie to be compared; at most 72h"},
			{Name: "below", Kind: Decimal, Default: "2.0", Means: "laboratory INR below which the difference counts, and from which its share does"},
			{Name: "difference", Kind: Decimal, Default: "0.5", Means: "flagged above this difference"},
			{Name: "percent", Kind: Decimal, Default: "30", Means: "flagged above this share of the laboratory's INR, in percent"},
		},
	},
	of: patient | comparison, ask: askLab,
	fits: func(k *rule) (string, string) {
		if k.spans["within"] > 72*time.Hour {
			return "laboratory results are looked up 72 hours around a test", "write within: 72h or less"
		}
		return "", ""
	},
}

func askLab(s *subject, k *rule) reply {
	switch {
	case s.inr.Value.IsZero():
		return k.waits(s.valueWaits())
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.f.Patient == nil:
		return k.waits(s.patientWaits())
	}
	others := s.f.Labs
	if s.kind == comparison {
		others = s.f.History
	}
	other, ok := s.nearest(others, k.spans["within"])
	if !ok {
		return pass
	}
	theirs, _ := other.Reading.Measured("inr")
	meter, lab := s.inr.Value, theirs.Value
	if s.kind == comparison {
		meter, lab = lab, meter
	}
	pair := quality.Pair{Reference: nearestTo(meter, lab), Tested: nearestTo(lab, meter)}
	rule := quality.Agreement{Bands: []quality.Band{
		{Below: k.numbers["below"], Absolute: k.numbers["difference"]}, {Percent: k.numbers["percent"]},
	}}
	if agrees, judged := rule.Judge(pair); agrees || !judged {
		return pass
	}
	return k.found("inr", "meter", meter.String(), "lab", lab.String(), "apart", span(s.tested.Sub(other.Tested)))
}

// nearest is the result with an INR that lies nearest in time.
func (s *subject) nearest(others []poct.Past, within time.Duration) (poct.Past, bool) {
	best, found := poct.Past{}, false
	for _, p := range others {
		m, ok := p.Reading.Measured("inr")
		apart := s.tested.Sub(p.Tested).Abs()
		if !ok || m.Value.IsZero() || m.Unit != unitINR || p.Reading.Status == poct.StatusWithdrawn || apart > within {
			continue
		}
		if !found || apart < s.tested.Sub(best.Tested).Abs() {
			best, found = p, true
		}
	}
	return best, found
}

// nearestTo is the value that v allows and that lies nearest to another one:
// v itself if it is exact, else its limit or, if it allows it, the other.
func nearestTo(other, v poct.Number) poct.Number {
	limit := poct.Number{Text: v.Text}
	o := poct.Number{Text: other.Text}
	switch v.Comparator {
	case ">", ">=":
		if o.Cmp(limit) > 0 || other.Comparator == ">" || other.Comparator == ">=" {
			return o
		}
	case "<", "<=":
		if o.Cmp(limit) < 0 || other.Comparator == "<" || other.Comparator == "<=" {
			return o
		}
	}
	return limit
}
