package validate

import (
	"math/big"
	"time"

	"tidegate/poct"
	"tidegate/quality"
)

var historyChecks = []check{
	{
		Info: Info{
			Number: "41", Code: "delta-large", Title: "Large change since the last result",
			Asks:     "whether the change since the last result is plausible",
			Compares: "INR against this patient's newest earlier exact INR of a meter: ratio, or reference change value; change; change per day; a pair of one day against its own limits",
			Text:     "INR {value} after {before} {ago} earlier.",
			Remedy:   "Check that both belong to this patient. A large change can be true: look at doses and at what else has changed.",
			Severity: poct.Hold, Acts: "RD", Desk: RoleClinician,
			Source: ownDefault + "; ways of comparing as in CLSI EP33; in stable patients 0.7 at INR 2.5 and 1.0 at 3.5 are critical differences: Clin Chem 1995;41:444; cvi in ordinary treatment 18 to 24 %: Scand J Clin Lab Invest 2014;74:470, in stable patients 9 %: Thromb Res 2012;130:535; cva of 4.5 % is the desirable one there; formula of the reference change value: Clin Chem 2006;52:1602",
			Keys: []Key{
				{Name: "mode", Kind: Choice, Options: []string{"ratio", "rcv"}, Default: "ratio", Means: "what is flagged: a ratio (ratio, ratio_down, change), or a change beyond the reference change value of cva and cvi (two-sided 95 %, log-normal); the other limits stand in both"},
				{Name: "cvi", Kind: Decimal, Default: "18", Means: "within-subject variation in percent, for mode rcv"},
				{Name: "cva", Kind: Decimal, Default: "4.5", Means: "analytical variation in percent, for mode rcv"},
				{Name: "ratio", Kind: Decimal, Default: "1.5", Means: "flagged from this ratio up"},
				{Name: "ratio_down", Kind: Decimal, Default: "0.67", Means: "flagged from this ratio down"},
				{Name: "change", Kind: Decimal, Default: "0.7", Means: "least change for a flag by ratio"},
				{Name: "hold", Kind: Decimal, Default: "2.0", Means: "held from this change"},
				{Name: "within", Kind: Duration, Default: "720h", Means: "how far back the limits above reach"},
				{Name: "hold_per_day", Kind: Decimal, Default: "0.7", Means: "held from this change per day, over a day or more"},
				{Name: "pair", Kind: Decimal, Default: "0.5", Means: "two results of one day are flagged above this difference"},
				{Name: "pair_share", Kind: Decimal, Default: "0.30", Means: "or above this share of the smaller one"},
				{Name: "oldest", Kind: Duration, Default: "2160h", Means: "an older result is not compared"},
			},
		},
		of: patient, ask: askDelta,
	},
	labCheck,
}

func askDelta(s *subject, k *rule) reply {
	switch {
	case s.inr.Value.IsZero():
		return k.waits(s.valueWaits())
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.f.Patient == nil:
		return k.waits(s.patientWaits())
	case !s.inr.Value.Exact():
		return pass // a bound has no difference to anything
	}
	last, ok := s.lastExact()
	if !ok {
		return pass
	}
	before, _ := last.Reading.Measured("inr")
	gap := s.tested.Sub(last.Tested)
	sev := k.delta(s.inr.Value, before.Value, gap, last.Tested.In(s.tested.Location()).Format(time.DateOnly) == s.day())
	if sev == "" {
		return pass
	}
	return k.found("inr", "value", s.inr.Value.String(), "before", before.Value.String(), "ago", span(gap)).as(sev)
}

// delta judges a change over a time: hold, flag or "".
func (k *rule) delta(now, before poct.Number, gap time.Duration, sameDay bool) poct.Severity {
	if gap > k.spans["oldest"] {
		return ""
	}
	change := difference(now, before)
	near := gap <= k.spans["within"]
	switch {
	case near && change.Cmp(k.numbers["hold"].Rat()) >= 0,
		gap >= 24*time.Hour && perDay(change, gap).Cmp(k.numbers["hold_per_day"].Rat()) >= 0:
		return poct.Hold
	case near && k.unusual(now, before, change),
		sameDay && k.pairDiffers(now, before, change):
		return poct.Flag
	}
	return ""
}

// unusual is what is flagged within the time that the limits reach back.
func (k *rule) unusual(now, before poct.Number, change *big.Rat) bool {
	if k.choices["mode"] == "rcv" {
		c, ok := quality.ChangeOf(before, now, 0)
		rise, fall := quality.ReferenceChangeLog(quality.TwoSided95, k.numbers["cva"].Float(), k.numbers["cvi"].Float())
		return ok && (c.Percent() > rise || c.Percent() < fall)
	}
	return change.Cmp(k.numbers["change"].Rat()) >= 0 && k.ratioLarge(now, before)
}

func (k *rule) ratioLarge(now, before poct.Number) bool {
	if before.Rat().Sign() <= 0 {
		return true
	}
	ratio := new(big.Rat).Quo(now.Rat(), before.Rat())
	return ratio.Cmp(k.numbers["ratio"].Rat()) >= 0 || ratio.Cmp(k.numbers["ratio_down"].Rat()) <= 0
}

func (k *rule) pairDiffers(now, before poct.Number, change *big.Rat) bool {
	least := now.Rat()
	if before.Cmp(now) < 0 {
		least = before.Rat()
	}
	share := new(big.Rat).Mul(least, k.numbers["pair_share"].Rat())
	return change.Cmp(k.numbers["pair"].Rat()) > 0 || change.Cmp(share) > 0
}

func perDay(change *big.Rat, gap time.Duration) *big.Rat {
	days := big.NewRat(int64(gap), int64(24*time.Hour))
	return new(big.Rat).Quo(change, days)
}

// lastExact is this patient's newest earlier result with an exact INR; earlier
// versions of this very test are left out.
func (s *subject) lastExact() (poct.Past, bool) {
	for _, p := range s.f.History {
		if p.Key == s.r.Key() || p.Tested.After(s.tested) || p.Reading.Status == poct.StatusWithdrawn {
			continue
		}
		if m, ok := p.Reading.Measured("inr"); ok && m.Value.Exact() {
			return p, true
		}
	}
	return poct.Past{}, false
}
