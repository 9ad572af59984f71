package quality

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// MaxPairs bounds a comparison: Passing-Bablok takes the slope of every two
// pairs, about two million at this bound.
const MaxPairs = 2000

const minPairs = 3

// Interval is a confidence interval.
type Interval struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// CompareSettings for Compare. DefaultCompare holds the usual ones.
type CompareSettings struct {
	Confidence  float64   // of every interval, 0.95
	Factor      float64   // of the limits of agreement, 1.96; Bland and Altman's paper of 1986 took 2
	Approximate bool      // SE of a limit by sqrt(3/n) SD, as in 1986, in place of the exact one
	Lambda      float64   // Deming's ratio of error variances, tested to reference; 1 if both err alike
	Levels      []float64 // references at which the bias of a line is told
	Agreements  []Agreement
}

// DefaultCompare is the usual comparison of INRs; which rule of agreement a
// site goes by is its own choice.
func DefaultCompare() CompareSettings {
	return CompareSettings{
		Confidence: 0.95, Factor: 1.96, Lambda: 1, Levels: []float64{2.0, 3.0, 4.5},
		Agreements: []Agreement{HalfUnit, Percent15, Percent25, HalfOr30},
	}
}

// Comparison of two methods on the same patients. What could not be computed
// is nil and named in Notes.
type Comparison struct {
	N                 int           `json:"n"`
	Low               float64       `json:"low"`  // least and greatest reference
	High              float64       `json:"high"` // value that is used
	Differences       *BlandAltman  `json:"differences,omitempty"`
	MeanPercent       float64       `json:"mean_percent"`       // mean of the pairs' differences in percent of the reference
	MedianDifference  float64       `json:"median_difference"`  // little moved by single far pairs
	MiddleDifferences Interval      `json:"middle_differences"` // quartiles: half of all differences lie between
	Pearson           *float64      `json:"pearson,omitempty"`
	Lin               *float64      `json:"lin,omitempty"`
	Deming            *Line         `json:"deming,omitempty"`
	PassingBablok     *Line         `json:"passing_bablok,omitempty"`
	Bias              []LevelBias   `json:"bias,omitempty"`
	BiasBy            string        `json:"bias_by,omitempty"` // the line that Bias is read off: Passing-Bablok, else Deming
	Agreements        []AgreedShare `json:"agreements"`
	Excluded          []Pair        `json:"excluded,omitempty"` // with the reason
	Notes             []string      `json:"notes,omitempty"`
}

// LevelBias is tested minus reference at one level of the reference, read off
// a line. Outside says that the level lies outside the pairs.
type LevelBias struct {
	At      float64 `json:"at"`
	Bias    float64 `json:"bias"`
	Percent float64 `json:"percent"`
	Outside bool    `json:"outside,omitempty"`
}

// Compare computes everything that is known of two methods on the same
// patients. It refuses fewer than 3 and more than MaxPairs usable pairs.
func Compare(pairs []Pair, s CompareSettings) (Comparison, error) {
	used, excluded := sift(pairs)
	c := Comparison{N: len(used), Excluded: excluded}
	if err := enough(used); err != nil {
		return c, err
	}
	x, y := floats(used)
	c.Low, c.High = slices.Min(x), slices.Max(x)
	shares := make([]float64, len(used))
	for i, p := range used {
		shares[i], _ = p.share().Float64()
	}
	c.MeanPercent = 100 * stat.Mean(shares, nil)
	diffs := differences(used)
	slices.Sort(diffs)
	c.MedianDifference = quantile(diffs, 0.5)
	c.MiddleDifferences = Interval{quantile(diffs, 0.25), quantile(diffs, 0.75)}
	ba, err := Differences(used, s)
	if err != nil {
		return c, err
	}
	c.Differences = &ba
	if r, ok := Pearson(x, y); ok {
		c.Pearson = &r
	}
	if r, ok := Lin(x, y); ok {
		c.Lin = &r
	}
	if c.Pearson == nil || c.Lin == nil {
		c.Notes = append(c.Notes, "all values of one method are equal: there is no correlation to tell")
	}
	keep := func(l Line, err error) *Line {
		if err != nil {
			c.Notes = append(c.Notes, err.Error())
			return nil
		}
		if l.Note != "" {
			c.Notes = append(c.Notes, l.Note)
		}
		return &l
	}
	c.Deming = keep(Deming(used, s.Lambda, s.Confidence))
	c.PassingBablok = keep(PassingBablok(used, s.Confidence))
	if line := firstLine(c.PassingBablok, c.Deming); line != nil {
		c.BiasBy = line.Method
		for _, at := range s.Levels {
			b := line.BiasAt(at)
			b.Outside = at < c.Low || at > c.High
			c.Bias = append(c.Bias, b)
		}
	}
	for _, a := range s.Agreements {
		c.Agreements = append(c.Agreements, a.Of(used))
	}
	return c, nil
}

func firstLine(lines ...*Line) *Line {
	for _, l := range lines {
		if l != nil {
			return l
		}
	}
	return nil
}

func enough(used []Pair) error {
	switch n := len(used); {
	case n < minPairs:
		return fmt.Errorf("a comparison needs at least %d usable pairs; there are %d", minPairs, n)
	case n > MaxPairs:
		return fmt.Errorf("a comparison takes at most %d pairs; there are %d: choose a shorter time or one meter", MaxPairs, n)
	}
	return nil
}

// Pearson is the correlation of x and y; false if either does not vary. It
// tells how closely points lie to a line, not whether the methods agree.
func Pearson(x, y []float64) (float64, bool) {
	_, _, sxx, syy, sxy := moments(x, y)
	if sxx <= 0 || syy <= 0 {
		return 0, false
	}
	return sxy / math.Sqrt(sxx*syy), true
}

// Lin is the concordance correlation of x and y: how closely points lie to the
// line of equality (Lin, Biometrics 1989;45:255; divisor n). False if neither
// varies and both are equal.
func Lin(x, y []float64) (float64, bool) {
	mx, my, sxx, syy, sxy := moments(x, y)
	n := float64(len(x))
	under := (sxx+syy)/n + (mx-my)*(mx-my)
	if n == 0 || under <= 0 {
		return 0, false
	}
	return 2 * sxy / n / under, true
}

// moments are the means and the sums of squares and products about them.
func moments(x, y []float64) (mx, my, sxx, syy, sxy float64) {
	mx, my = stat.Mean(x, nil), stat.Mean(y, nil)
	for i := range x {
		dx, dy := x[i]-mx, y[i]-my
		sxx, syy, sxy = sxx+dx*dx, syy+dy*dy, sxy+dx*dy
	}
	return mx, my, sxx, syy, sxy
}

// studentT and normal are the two-sided quantiles at a confidence.
func studentT(confidence, freedom float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile((1 + confidence) / 2)
}

func normal(confidence float64) float64 { return distuv.UnitNormal.Quantile((1 + confidence) / 2) }
