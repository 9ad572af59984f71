package validate

import (
	"math/big"
	"strings"
	"time"

	"tidegate/poct"
)

var sampleChecks = []check{
	{
		Info: Info{
			Number: "37", Code: "haematocrit-out", Title: "Haematocrit outside the meter's range",
			Asks:     "whether a haematocrit that is known lies within the meter's range",
			Compares: "the haematocrit that the meter sent, else the newest finding of the patient that is not too old; without either there is nothing to compare",
			Text:     "Haematocrit {value} lies outside {low} to {high} %, in which such meters measure.",
			Remedy:   "Send a venous sample to the laboratory.",
			Severity: poct.Flag, Acts: "RD", Desk: RoleClinician,
			Source: ownDefault + "; 25 to 55 % is what inserts are quoted with, and each meter has its own range",
			Keys: []Key{
				{Name: "low", Kind: Decimal, Default: "25", Means: "lowest haematocrit in which the meter measures, in percent"},
				{Name: "high", Kind: Decimal, Default: "55", Means: "highest one"},
				{Name: "within", Kind: Duration, Default: "72h", Means: "an older finding is not compared"},
			},
		},
		of: patient, ask: askHaematocrit, fits: lowBelowHigh,
	},
	{
		Info: Info{
			Number: "38", Code: "interference-noted", Title: "Interference is noted",
			Asks:     "whether anything is known to interfere with the test",
			Compares: "notes that came with the result, and the patient's findings in force at the test, such as heparin or lupus-anticoagulant",
			Text:     "What is known of this patient or sample may disturb the test: {what}.",
			Remedy:   "Send a venous sample to the laboratory, which has methods that are less disturbed.",
			Severity: poct.Flag, Acts: "RD", Desk: RoleClinician,
			Source: ownDefault + "; antiphospholipid antibodies can raise a meter's INR falsely or leave none: Thromb Haemost Dec 2005, 59 patients",
		},
		of: patient, ask: askInterference,
	},
}

const haematocrit = "haematocrit"

func askHaematocrit(s *subject, k *rule) reply {
	value := s.r.Haematocrit
	if value.IsZero() {
		switch {
		case s.timeWaits != "":
			return k.waits(s.timeWaits)
		case s.f.Patient == nil:
			return k.waits(s.patientWaits())
		}
		f, ok := s.newestHaematocrit(k.spans["within"])
		if !ok {
			return pass
		}
		if value, ok = inPercent(f.Value, f.Unit); !ok {
			return k.unsure(poct.FieldHaematocrit, "the finding has no value in percent or L/L", "Enter the haematocrit with its unit in the registry.")
		}
	}
	low, high := k.numbers["low"], k.numbers["high"]
	if value.Cmp(low) < 0 || value.Cmp(high) > 0 || value.Comparator != "" {
		return k.found(poct.FieldHaematocrit, "value", value.String()+" %", "low", low.Text, "high", high.Text)
	}
	return pass
}

// newestHaematocrit is the patient's newest one within a time before the test.
// One whose time cannot be read counts, as registry look-ups count it.
func (s *subject) newestHaematocrit(within time.Duration) (poct.Finding, bool) {
	var newest poct.Finding
	var when time.Time
	found := false
	for _, f := range s.f.Findings {
		if !strings.EqualFold(f.Finding, haematocrit) {
			continue
		}
		at, err := time.Parse(time.RFC3339, f.At)
		if err != nil {
			at = s.tested
		}
		if s.tested.Sub(at) <= within && (!found || at.After(when)) {
			newest, when, found = f, at, true
		}
	}
	return newest, found
}

// inPercent reads a haematocrit in percent, or as a volume fraction (L/L).
func inPercent(v poct.Number, unit string) (poct.Number, bool) {
	switch strings.ToLower(strings.TrimSpace(unit)) {
	case "%", "percent":
		return v, !v.IsZero()
	case "l/l", "1":
		hundred := new(big.Rat).Mul(v.Rat(), big.NewRat(100, 1))
		return poct.Number{Comparator: v.Comparator, Text: hundred.FloatString(1)}, !v.IsZero()
	}
	return poct.Number{}, false
}

func askInterference(s *subject, k *rule) reply {
	var what []string
	for _, note := range s.r.Interference {
		what = append(what, quote(note))
	}
	for _, f := range s.f.Findings {
		if !strings.EqualFold(f.Finding, haematocrit) {
			what = append(what, f.Finding)
		}
	}
	switch {
	case len(what) > 0:
		return k.found(poct.FieldInterference, "what", strings.Join(what, ", "))
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.f.Patient == nil:
		return k.waits(s.patientWaits())
	}
	return pass
}
