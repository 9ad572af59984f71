package validate

import (
	"math"
	"strconv"

	"tidegate/poct"
	"tidegate/quality"
)

var consistencyChecks = []check{
	{
		Info: Info{
			Number: "39", Code: "pt-inr-disagree", Title: "Seconds and INR disagree",
			Asks:     "whether seconds and INR agree",
			Compares: "INR against (PT/MNPT)^ISI of the lot, within the rounding of all four numbers and a limit more",
			Text:     "INR {inr} does not fit PT {pt} s: with MNPT {mnpt} s and ISI {isi} of this lot it should lie from {low} to {high}.",
			Remedy:   "Check lot and code on the meter against the vial. " + repeatAdvice,
			Severity: poct.Hold, Acts: "CRD", Desk: RoleClinician,
			Source:  ownDefault + "; the formula is the definition of the INR",
			Keys:    []Key{{Name: "limit", Kind: Decimal, Default: "0.1", Means: "how far beyond rounding they may differ, in INR"}},
			Unasked: "the meter profile lists pt or strip_lot under not_sent, or the lot has no ISI and MNPT in the registry",
		},
		of: patient, needs: []string{"pt", poct.FieldStripLot}, ask: askPTINR,
	},
	{
		Info: Info{
			Number: "39a", Code: "run-time-disagrees", Title: "Run time and seconds disagree",
			Asks:     "whether the seconds fit the time that the test ran",
			Compares: "seconds from sample to result, where the meter tells them, against PT as reported",
			Text:     "The test ran {run} s, but PT is given as {pt} s.",
			Remedy:   "Compare with the meter's own display. " + repeatAdvice,
			Severity: poct.Flag, Acts: "RD", Desk: RoleClinician,
			Source:  ownDefault + "; many meters compute the seconds backwards from the INR (" + commonPractice + "): then list run_time under not_sent",
			Keys:    []Key{{Name: "limit", Kind: Decimal, Default: "10", Means: "how far apart they may be, in seconds"}},
			Unasked: "the meter profile lists pt or run_time under not_sent",
		},
		of: patient, needs: []string{"pt", poct.FieldRunTime}, ask: askRunTime,
	},
	{
		Info: Info{
			Number: "40", Code: "lot-constants-implausible", Title: "Lot constants are unusual",
			Asks:     "whether the lot's constants are plausible",
			Compares: "ISI and MNPT of the lot's row in the registry",
			Text:     "Strip lot {lot} is registered with {what} {value}, which is unusual.",
			Remedy:   "Compare the registry with the lot's sheet.",
			Severity: poct.Flag, Acts: "CR", Desk: RoleCoordinator, Source: ownDefault,
			Keys: []Key{
				{Name: "isi_low", Kind: Decimal, Default: "0.8", Means: "lowest usual ISI"},
				{Name: "isi_high", Kind: Decimal, Default: "2.0", Means: "highest usual ISI"},
				{Name: "mnpt_low", Kind: Decimal, Default: "9", Means: "lowest usual MNPT, in seconds"},
				{Name: "mnpt_high", Kind: Decimal, Default: "16", Means: "highest usual MNPT, in seconds"},
			},
			Unasked: "the meter profile lists strip_lot under not_sent, or the lot has no ISI and MNPT in the registry",
		},
		of: patient, needs: []string{poct.FieldStripLot}, ask: askConstants,
	},
}

const noConstants = "this lot has no ISI and MNPT in the registry"

func askPTINR(s *subject, k *rule) reply {
	lot := s.f.StripLot
	switch {
	case s.inr.Value.IsZero():
		return k.waits(s.valueWaits())
	case lot == nil:
		return k.waits("lot-unknown")
	case lot.ISI.IsZero() && lot.MNPT.IsZero():
		return k.unasked(noConstants)
	case s.pt.Value.IsZero() && s.pt.RawValue != "":
		return k.waits("not-a-number")
	case s.pt.Value.IsZero():
		return k.unsure("pt", "the meter sent no seconds", "Read the seconds from the meter's display. If this model never sends them, list pt under not_sent in its profile.")
	case !positive(lot.ISI) || !positive(lot.MNPT):
		return k.unsure(poct.FieldStripLot, "the registry has no usable ISI and MNPT for this lot", "Enter both from the lot's sheet, then read the arrival again.")
	}
	calc := bandOf(s.pt.Value, lot.MNPT, lot.ISI)
	seen := around(s.inr.Value, halfStep(s.inr.Value)+k.numbers["limit"].Float())
	if calc.meets(seen) {
		return pass
	}
	// What the reader is shown is the whole allowance around the formula.
	slack := halfStep(s.inr.Value) + k.numbers["limit"].Float()
	return k.found("inr", "inr", s.inr.Value.String(), "pt", s.pt.Value.String(), "mnpt", lot.MNPT.Text, "isi", lot.ISI.Text,
		"low", two(calc.low-slack), "high", two(calc.high+slack))
}

func askRunTime(s *subject, k *rule) reply {
	run, pt := s.r.RunTime, s.pt.Value
	switch {
	case run.IsZero():
		return pass
	case pt.IsZero() && s.pt.RawValue != "":
		return k.waits("not-a-number")
	case pt.IsZero():
		return k.unsure("pt", "the meter sent no seconds", "Read the seconds from the meter's display. If this model never sends them, list pt under not_sent in its profile.")
	case difference(nearestTo(pt, run), nearestTo(run, pt)).Cmp(k.numbers["limit"].Rat()) > 0:
		return k.found("pt", "run", run.String(), "pt", pt.String())
	}
	return pass
}

func askConstants(s *subject, k *rule) reply {
	lot := s.f.StripLot
	switch {
	case lot == nil:
		return k.waits("lot-unknown")
	case lot.ISI.IsZero() && lot.MNPT.IsZero():
		return k.unasked(noConstants)
	}
	out := pass
	if v := lot.ISI; !v.IsZero() && (v.Cmp(k.numbers["isi_low"]) < 0 || v.Cmp(k.numbers["isi_high"]) > 0) {
		out = out.and(k.found(poct.FieldStripLot, "lot", lot.Lot, "what", "ISI", "value", v.Text))
	}
	if v := lot.MNPT; !v.IsZero() && (v.Cmp(k.numbers["mnpt_low"]) < 0 || v.Cmp(k.numbers["mnpt_high"]) > 0) {
		out = out.and(k.found(poct.FieldStripLot, "lot", lot.Lot, "what", "MNPT", "value", v.Text+" s"))
	}
	return out
}

// Half-steps of the lot's constants: MNPT is given to a tenth of a second, ISI
// to a hundredth, however many zeros a spreadsheet has left of them.
const (
	halfMNPT = 0.05
	halfISI  = 0.005
)

// band is a range of INR, both ends included.
type band struct{ low, high float64 }

// bandOf is the range of (PT/MNPT)^ISI over all values that round to the
// numbers as written. A PT with a comparator opens the band on that side.
func bandOf(pt, mnpt, isi poct.Number) band {
	low, high := quality.INRBand(pt.Float(), mnpt.Float(), isi.Float(), quality.HalfSteps{PT: halfStep(pt), MNPT: halfMNPT, ISI: halfISI})
	return band{low, high}.open(pt.Comparator)
}

// around is a value with its allowance, opened by its comparator.
func around(v poct.Number, slack float64) band {
	return band{v.Float() - slack, v.Float() + slack}.open(v.Comparator)
}

func (b band) open(comparator string) band {
	switch comparator {
	case ">", ">=":
		b.high = math.Inf(1)
	case "<", "<=":
		b.low = math.Inf(-1)
	}
	return b
}

// meets reports whether two bands have a value in common. The last digits of
// a float decide nothing.
func (b band) meets(o band) bool {
	const digits = 1e-9
	return b.low <= o.high+digits && o.low <= b.high+digits
}

// halfStep is half a unit of the last digit as written: 0.05 of "2.5", 0.5 of "30".
func halfStep(n poct.Number) float64 { return math.Pow10(-n.Decimals()) / 2 }

func positive(n poct.Number) bool { return n.Exact() && n.Cmp(poct.Number{}) > 0 }

func two(f float64) string { return strconv.FormatFloat(math.Max(f, 0), 'f', 2, 64) }
