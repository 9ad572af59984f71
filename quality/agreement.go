package quality

import (
	"math/big"

	"tidegate/poct"
)

// Agreement is a rule for when two values of a pair agree: the allowed
// difference goes by the reference value. A reference in no band is not judged.
type Agreement struct {
	Name  string
	Bands []Band // the first that holds the reference counts
}

// Band allows a difference for references up to its end.
type Band struct {
	Below    poct.Number // references below this; zero: no such end
	UpTo     poct.Number // references up to and with this; zero: no such end
	Absolute poct.Number // allowed difference in the unit of the values, the limit itself with it
	Percent  poct.Number // or in percent of the reference
}

func decimal(s string) poct.Number { return poct.MustNumber(s) }

// Rules of agreement to choose from.
var (
	// HalfUnit is common practice for the INR, no source.
	HalfUnit = Agreement{"within 0.5", []Band{{Absolute: decimal("0.5")}}}
	// Percent15 is the width that 42 CFR 493.941 sets for prothrombin time in
	// proficiency testing; for patients' pairs it is a yardstick, no rule.
	Percent15 = Agreement{"within 15 %", []Band{{Percent: decimal("15")}}}
	// Percent25 is a yardstick of published comparisons (Am J Health Syst Pharm
	// 2017;74:e24 reports shares within 15 % and 25 %).
	Percent25 = Agreement{"within 25 %", []Band{{Percent: decimal("25")}}}
	// HalfOr30 is common practice, no source.
	HalfOr30 = Agreement{"within 0.5 below 2.0, else 30 %", []Band{
		{Below: decimal("2.0"), Absolute: decimal("0.5")}, {Percent: decimal("30")}}}
	// HalfOr20 is this project's default for one strip lot against another.
	HalfOr20 = Agreement{"within 0.5 below 2.0, else 20 %", []Band{
		{Below: decimal("2.0"), Absolute: decimal("0.5")}, {Percent: decimal("20")}}}
)

// Judge reports whether a pair's two values agree, in exact decimals; judged
// is false where no band holds the reference.
func (a Agreement) Judge(p Pair) (agrees, judged bool) {
	for _, b := range a.Bands {
		if !b.Below.IsZero() && p.Reference.Cmp(b.Below) >= 0 || !b.UpTo.IsZero() && p.Reference.Cmp(b.UpTo) > 0 {
			continue
		}
		allowed := b.Absolute.Rat()
		if b.Absolute.IsZero() {
			allowed.Mul(b.Percent.Rat(), p.Reference.Rat())
			allowed.Quo(allowed, big.NewRat(100, 1))
		}
		d := p.difference()
		return d.Abs(d).Cmp(allowed) <= 0, true
	}
	return false, false
}

// AgreedShare is how many pairs agree by a rule.
type AgreedShare struct {
	Rule    string  `json:"rule"`
	N       int     `json:"n"` // judged
	Within  int     `json:"within"`
	Percent float64 `json:"percent"` // 0 if none was judged
	Outside []Pair  `json:"outside,omitempty"`
}

// Of counts the pairs that agree.
func (a Agreement) Of(pairs []Pair) AgreedShare {
	used, _ := sift(pairs)
	s := AgreedShare{Rule: a.Name}
	for _, p := range used {
		agrees, judged := a.Judge(p)
		switch {
		case !judged:
			continue
		case agrees:
			s.Within++
		default:
			s.Outside = append(s.Outside, p)
		}
		s.N++
	}
	if s.N > 0 {
		s.Percent = 100 * float64(s.Within) / float64(s.N)
	}
	return s
}
