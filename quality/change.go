package quality

import (
	"math"
	"math/big"
	"time"

	"tidegate/poct"
)

// Two- and one-sided 95 % quantiles of the normal distribution, as they are
// used with reference change values.
const (
	TwoSided95 = 1.96
	OneSided95 = 1.645
)

// ReferenceChange is the change in percent that two results of a stable
// patient exceed by chance alone in 5 % of cases: sqrt(2) z sqrt(CVa^2+CVi^2),
// with the CVs in percent. Source: Harris and Yasaka, Clin Chem 1983;29:25.
func ReferenceChange(z, analytical, within float64) float64 {
	return math.Sqrt2 * z * math.Hypot(analytical, within)
}

// ReferenceChangeLog is the same for values that are log-normal, as the INR
// is: a rise and a fall in percent, the fall below 0. Source: Fokkema et al.,
// Clin Chem 2006;52:1602.
func ReferenceChangeLog(z, analytical, within float64) (rise, fall float64) {
	cv := math.Hypot(analytical, within) / 100
	s := math.Sqrt(math.Log1p(cv * cv))
	return 100 * math.Expm1(z*math.Sqrt2*s), 100 * math.Expm1(-z*math.Sqrt2*s)
}

// Change from one result of a patient to a later one, exact.
type Change struct {
	By     *big.Rat      // later minus earlier, with its sign
	Ratio  *big.Rat      // later over earlier
	PerDay *big.Rat      // size of the change per day; nil if both are of one moment
	Over   time.Duration // time between
}

// ChangeOf compares two results; false if one is no plain number above 0 or
// the later one lies before the earlier.
func ChangeOf(before, now poct.Number, over time.Duration) (Change, bool) {
	if !before.Exact() || !now.Exact() || over < 0 || before.Rat().Sign() <= 0 || now.Rat().Sign() <= 0 {
		return Change{}, false
	}
	c := Change{
		By:    new(big.Rat).Sub(now.Rat(), before.Rat()),
		Ratio: new(big.Rat).Quo(now.Rat(), before.Rat()),
		Over:  over,
	}
	if over > 0 {
		days := big.NewRat(int64(over), int64(24*time.Hour))
		c.PerDay = days.Quo(new(big.Rat).Abs(c.By), days)
	}
	return c, true
}

// Percent is the change in percent of the earlier result.
func (c Change) Percent() float64 {
	f, _ := c.Ratio.Float64()
	return 100 * (f - 1)
}
