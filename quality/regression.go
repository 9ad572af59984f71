package quality

import (
	"errors"
	"math"
	"slices"
)

// Line is tested = Intercept + Slope * reference.
type Line struct {
	Method      string    `json:"method"`
	Intercept   float64   `json:"intercept"`
	Slope       float64   `json:"slope"`
	InterceptCI *Interval `json:"intercept_ci,omitempty"` // nil if there are too few pairs for one
	SlopeCI     *Interval `json:"slope_ci,omitempty"`
	Note        string    `json:"note,omitempty"`
}

// BiasAt is tested minus reference on the line, at one level of the reference.
func (l Line) BiasAt(at float64) LevelBias {
	b := LevelBias{At: at, Bias: l.Intercept + (l.Slope-1)*at}
	if at != 0 {
		b.Percent = 100 * b.Bias / at
	}
	return b
}

// Deming fits a line where both methods err; lambda is the variance of the
// tested method's error over that of the reference's. (Some packages define
// the ratio the other way round.) Intervals are by the jackknife with n-2
// degrees of freedom: Linnet, Clin Chem 1993;39:424.
func Deming(pairs []Pair, lambda, confidence float64) (Line, error) {
	used, _ := sift(pairs)
	if err := enough(used); err != nil {
		return Line{}, err
	}
	if lambda <= 0 || confidence <= 0 || confidence >= 1 {
		return Line{}, errors.New("the Deming ratio lies above 0 and the confidence between 0 and 1; 1 and 0.95 are usual")
	}
	x, y := floats(used)
	a, b, ok := deming(x, y, lambda)
	if !ok {
		return Line{}, errors.New("no Deming line: one method does not follow the other at all")
	}
	line := Line{Method: "Deming", Intercept: a, Slope: b}
	n := len(x)
	as, bs := make([]float64, n), make([]float64, n)
	rest := func(v []float64, i int) []float64 { return append(slices.Clone(v[:i]), v[i+1:]...) }
	for i := range n {
		ai, bi, ok := deming(rest(x, i), rest(y, i), lambda)
		if !ok {
			line.Note = "no interval for Deming's line: it hangs on a single pair"
			return line, nil
		}
		as[i] = float64(n)*a - float64(n-1)*ai
		bs[i] = float64(n)*b - float64(n-1)*bi
	}
	t := studentT(confidence, float64(n-2))
	around := func(v float64, pseudo []float64) *Interval {
		se := Summarise(pseudo).SD / math.Sqrt(float64(n))
		return &Interval{v - t*se, v + t*se}
	}
	line.InterceptCI, line.SlopeCI = around(a, as), around(b, bs)
	return line, nil
}

func deming(x, y []float64, lambda float64) (a, b float64, ok bool) {
	mx, my, sxx, syy, sxy := moments(x, y)
	if sxy == 0 || sxx == 0 {
		return 0, 0, false
	}
	u := syy - lambda*sxx
	root := math.Sqrt(u*u + 4*lambda*sxy*sxy)
	if u >= 0 {
		b = (u + root) / (2 * sxy)
	} else {
		b = 2 * lambda * sxy / (root - u) // the same, without taking like from like
	}
	return my - b*mx, b, true
}

// PassingBablok fits the line through the shifted median of the slopes of all
// two pairs: it asks for no kind of error and is little moved by far pairs.
// Slopes of 0/0 and of exactly -1 are dropped; ranks of the interval are
// rounded to whole ones. Source: Passing and Bablok, J Clin Chem Clin Biochem
// 1983;21:709.
func PassingBablok(pairs []Pair, confidence float64) (Line, error) {
	used, _ := sift(pairs)
	if err := enough(used); err != nil {
		return Line{}, err
	}
	if confidence <= 0 || confidence >= 1 {
		return Line{}, errors.New("a confidence lies between 0 and 1; 0.95 is usual")
	}
	x, y, decimals := scaled(used)
	slopes, below := slopesOf(x, y)
	count := len(slopes)
	at := func(rank int) (float64, bool) { // 1-based, shifted
		rank += below
		if rank < 1 || rank > count || math.IsInf(slopes[rank-1], 0) {
			return 0, false
		}
		return slopes[rank-1], true
	}
	low, ok1 := at((count + 1) / 2)
	high, ok2 := at((count + 2) / 2)
	if count == 0 || !ok1 || !ok2 {
		return Line{}, errors.New("no Passing-Bablok line: the reference values hardly differ, or the tested ones fall as they rise")
	}
	// From here on in the values' own unit.
	unit := math.Pow10(decimals)
	intercept := func(b float64) float64 {
		rests := make([]float64, len(x))
		for i := range x {
			rests[i] = (y[i] - b*x[i]) / unit
		}
		slices.Sort(rests)
		return quantile(rests, 0.5)
	}
	line := Line{Method: "Passing-Bablok", Slope: (low + high) / 2}
	line.Intercept = intercept(line.Slope)
	n := float64(len(x))
	half := normal(confidence) * math.Sqrt(n*(n-1)*(2*n+5)/18)
	first := int(math.Round((float64(count) - half) / 2))
	from, ok1 := at(first)
	to, ok2 := at(count - first + 1)
	if first < 1 || !ok1 || !ok2 {
		line.Note = "no interval for the Passing-Bablok line: too few pairs"
		return line, nil
	}
	line.SlopeCI = &Interval{from, to}
	line.InterceptCI = &Interval{intercept(to), intercept(from)}
	return line, nil
}

// slopesOf gives the slopes of all two points in order, and how many lie
// below -1.
func slopesOf(x, y []float64) (slopes []float64, below int) {
	slopes = make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for k := i + 1; k < len(x); k++ {
			dx, dy := x[k]-x[i], y[k]-y[i]
			switch {
			case dx == 0 && dy == 0, dy == -dx:
				continue
			case dx == 0:
				slopes = append(slopes, math.Inf(sign(dy)))
				if dy < 0 {
					below++
				}
				continue
			}
			s := dy / dx
			slopes = append(slopes, s)
			if s < -1 {
				below++
			}
		}
	}
	slices.Sort(slopes)
	return slopes, below
}

func sign(f float64) int {
	if f < 0 {
		return -1
	}
	return 1
}
