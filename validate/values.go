package validate

import (
	"math/big"

	"tidegate/poct"
)

// UCUM codes of the two analytes.
const (
	unitINR = "{INR}"
	unitPT  = "s"
)

var valueChecks = []check{
	{
		Info: Info{
			Number: "31", Code: "unit-unexpected", Title: "Unit is not the expected one",
			Asks:     "whether the unit is the expected one",
			Compares: "the unit after the profile's unit map: INR {INR}, PT s (UCUM)",
			Text:     "{analyte} came with unit {unit}, which the meter profile does not know.",
			Remedy:   "If the unit is right, add it to the meter profile and read the arrival again.",
			Severity: poct.Hold, Acts: "D", Desk: RoleReviewer,
		},
		of: measured | comparison, ask: askUnit,
	},
	{
		Info: Info{
			Number: "32", Code: "code-specimen-mismatch", Title: "Code belongs to another kind of sample",
			Asks:     "whether the code fits the sample",
			Compares: "the sample that a LOINC code stands for against the profile's",
			Text:     "Code {code} stands for {is}, but the sample is {sample}.",
			Remedy:   "Correct the code, and mend the meter profile.",
			Severity: poct.Flag, Acts: "CR", Desk: RoleReviewer, Source: "LOINC: system of the codes for INR and PT",
			Unasked: "the meter profile does not say which sample the meter takes",
		},
		of: patient | comparison, ask: askSpecimen,
	},
	{
		Info: Info{
			Number: "33", Code: "impossible-value", Title: "Value is impossible",
			Asks:     "whether the value is possible",
			Compares: "INR and PT against limits beyond which no test can lie",
			Text:     "{analyte} {value} is not possible.",
			Remedy:   "Read the meter's own display: a lost decimal point makes 25 of 2.5. " + repeatAdvice,
			Severity: poct.Hold, Acts: "CD", Desk: RoleClinician, Source: ownDefault,
			Keys: []Key{
				{Name: "inr_low", Kind: Decimal, Default: "0", Means: "an INR of this or less is impossible"},
				{Name: "inr_high", Kind: Decimal, Default: "20", Means: "an INR above this is impossible"},
				{Name: "pt_low", Kind: Decimal, Default: "5", Means: "a PT below this, in seconds, is impossible"},
				{Name: "pt_high", Kind: Decimal, Default: "300", Means: "a PT above this, in seconds, is impossible"},
			},
		},
		of: patient | comparison, ask: askPossible,
		fits: func(k *rule) (string, string) {
			if k.numbers["inr_low"].Cmp(k.numbers["inr_high"]) >= 0 || k.numbers["pt_low"].Cmp(k.numbers["pt_high"]) >= 0 {
				return "has a low limit that is not below its high limit", "write the low limit below the high one"
			}
			return "", ""
		},
	},
	{
		Info: Info{
			Number: "34", Code: "outside-measuring-range", Title: "Value lies outside the measuring range",
			Asks:     "whether the meter can measure this value",
			Compares: "INR against the profile's measuring range; a comparator must stand at an end of it",
			Text:     "INR {value} lies outside the measuring range, {low} to {high}.",
			Remedy:   "Repeat the test, or send a venous sample to the laboratory.",
			Severity: poct.Hold, Acts: "RD", Desk: RoleClinician, Source: commonPractice + "; the meter profile's range comes first",
			Keys: []Key{
				{Name: "low", Kind: Decimal, Default: "0.8", Means: "lowest INR where the profile states none"},
				{Name: "high", Kind: Decimal, Default: "8.0", Means: "highest INR where the profile states none"},
			},
		},
		of: patient, ask: askRange, fits: lowBelowHigh,
	},
	{
		Info: Info{
			Number: "35", Code: "confirm-venous", Title: "High INR: confirm by venous sample",
			Asks:     "whether the value should be confirmed",
			Compares: "INR against a limit; a bound counts where the value may reach it",
			Text:     "INR {value} is at or above {limit}: confirm it by a venous sample.",
			Remedy:   "Follow the local protocol for high values.",
			Severity: poct.Flag, Acts: "R", Desk: RoleClinician,
			Source: ownDefault + "; advice from 4.5 is reported in JAMA 2020;323:1190-1191",
			Keys:   []Key{{Name: "limit", Kind: Decimal, Default: "4.5", Means: "flagged from this INR"}},
		},
		of: patient, ask: func(s *subject, k *rule) reply { return askHigh(s, k, true) },
	},
	{
		Info: Info{
			Number: "36", Code: codeCritical, Title: "Critical INR",
			Asks:     "whether the value is critical",
			Compares: "INR against the critical limit; a bound counts where the value may exceed it. It alerts a person even where the result is held",
			Text:     "INR {value} is critical: above {limit}. A person must be told now.",
			Remedy:   "Tell the clinician in charge and have the value read back. Follow the local protocol.",
			Severity: poct.Flag, Acts: "R", Desk: RoleClinician,
			Source: "median of a survey of North American specialised coagulation laboratories, 2011: INR above 5",
			Keys:   []Key{{Name: "limit", Kind: Decimal, Default: "5.0", Means: "critical above this INR"}},
		},
		of: patient, ask: func(s *subject, k *rule) reply { return askHigh(s, k, false) },
	},
}

func askUnit(s *subject, k *rule) reply {
	out := pass
	for _, m := range s.r.Measurements {
		want := unitINR
		if m.Analyte == "pt" {
			want = unitPT
		}
		if m.RawValue != "" && m.Unit != want {
			out = out.and(k.found(m.Analyte, "analyte", name(m.Analyte), "unit", quote(m.RawUnit)))
		}
	}
	return out
}

// loincCode is what a LOINC code says of analyte and sample.
type loincCode struct{ analyte, sample string }

// loinc lists the codes for a patient's INR or PT by their LOINC system: BldC,
// Bld, PPP. Blood takes in capillary blood.
var loinc = map[string]loincCode{
	"46418-0": {"inr", "capillary"},
	"34714-6": {"inr", "blood"},
	"6301-6":  {"inr", "plasma"},
	"38875-1": {"inr", "blood or plasma"},
	"46417-2": {"pt", "capillary"},
	"5964-2":  {"pt", "blood"},
	"5902-2":  {"pt", "plasma"},
}

func askSpecimen(s *subject, k *rule) reply {
	if s.r.Specimen == "" {
		return k.unasked(k.Unasked)
	}
	out := pass
	for _, m := range s.r.Measurements {
		code := m.LOINC
		if code == "" {
			code = m.Code
		}
		is, known := loinc[code]
		if !known {
			continue
		}
		if is.analyte != m.Analyte || !fitsSample(is.sample, s.r.Specimen) {
			out = out.and(k.found(m.Analyte, "code", code, "is", name(is.analyte)+" in "+is.sample, "sample", s.r.Specimen))
		}
	}
	return out
}

func fitsSample(code, sample string) bool {
	switch sample {
	case "capillary":
		return code != "plasma"
	case "venous", "blood":
		return code != "plasma" && code != "capillary"
	case "plasma":
		return code == "plasma" || code == "blood or plasma"
	}
	return true
}

func askPossible(s *subject, k *rule) reply {
	if s.inr.Value.IsZero() {
		return k.waits(s.valueWaits())
	}
	out := pass
	low, high := k.numbers["inr_low"], k.numbers["inr_high"]
	if v := s.inr.Value; !mayExceed(v, low) || !mayLieAtOrBelow(v, high) {
		out = out.and(k.found("inr", "analyte", "INR", "value", v.String()))
	}
	low, high = k.numbers["pt_low"], k.numbers["pt_high"]
	if v := s.pt.Value; !v.IsZero() && (!mayReach(v, low) || !mayLieAtOrBelow(v, high)) {
		out = out.and(k.found("pt", "analyte", "PT", "value", v.String()+" s"))
	}
	return out
}

func askRange(s *subject, k *rule) reply {
	v := s.inr.Value
	if v.IsZero() {
		return k.waits(s.valueWaits())
	}
	low, high, limit := k.numbers["low"], k.numbers["high"], k.limit
	if !s.r.Range.Low.IsZero() && !k.own["low"] {
		low = s.r.Range.Low
	}
	if !s.r.Range.High.IsZero() && !k.own["high"] {
		high = s.r.Range.High
	}
	if low != k.numbers["low"] || high != k.numbers["high"] {
		limit = "low " + low.Text + ", high " + high.Text + " (the meter profile)"
	}
	inside := false
	switch v.Comparator {
	case "":
		inside = v.Cmp(low) >= 0 && v.Cmp(high) <= 0
	case "<", "<=":
		inside = v.Cmp(low) == 0
	case ">", ">=":
		inside = v.Cmp(high) == 0
	}
	if inside {
		return pass.by(limit)
	}
	if v.Comparator != "" {
		return found("inr", "INR "+v.String()+" is no bound of this meter: it measures "+low.Text+" to "+high.Text+".").by(limit)
	}
	return k.found("inr", "value", v.String(), "low", low.Text, "high", high.Text).by(limit)
}

func askHigh(s *subject, k *rule, reaching bool) reply {
	v, limit := s.inr.Value, k.numbers["limit"]
	if v.IsZero() {
		return k.waits(s.valueWaits())
	}
	high := mayExceed(v, limit)
	if reaching {
		high = mayReach(v, limit)
	}
	if !high {
		return pass
	}
	return k.found("inr", "value", v.String(), "limit", limit.Text)
}

// valueWaits names the problem that leaves the value unknown.
func (s *subject) valueWaits() string {
	if s.inr.RawValue != "" {
		return "not-a-number"
	}
	return "missing-essential"
}

// mayExceed reports whether a value can lie above a limit, a bound taken for
// all that it allows: >4.0 may exceed 5.0, <4.0 may not.
func mayExceed(v, limit poct.Number) bool {
	switch v.Comparator {
	case ">", ">=":
		return true
	}
	return v.Cmp(limit) > 0
}

// mayReach is mayExceed with the limit itself included.
func mayReach(v, limit poct.Number) bool {
	if v.Comparator == "<" {
		return v.Cmp(limit) > 0
	}
	return mayExceed(v, limit) || v.Cmp(limit) == 0
}

// mayLieAtOrBelow reports whether a value can lie at or below a limit.
func mayLieAtOrBelow(v, limit poct.Number) bool {
	switch v.Comparator {
	case "<", "<=":
		return true
	case ">":
		return v.Cmp(limit) < 0
	}
	return v.Cmp(limit) <= 0
}

func lowBelowHigh(k *rule) (string, string) {
	if k.numbers["low"].Cmp(k.numbers["high"]) >= 0 {
		return "has a low limit that is not below its high limit", "write the low limit below the high one"
	}
	return "", ""
}

// difference is |a-b|, exactly.
func difference(a, b poct.Number) *big.Rat {
	d := new(big.Rat).Sub(a.Rat(), b.Rat())
	return d.Abs(d)
}
