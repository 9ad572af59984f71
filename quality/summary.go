package quality

import (
	"math"

	"gonum.org/v1/gonum/stat"
)

// Summary of a series of values.
type Summary struct {
	N    int
	Mean float64 // 0 if N is 0
	SD   float64 // divisor N-1; 0 if N is below 2
	Lag1 float64 // autocorrelation at lag 1; 0 if it cannot be told
}

// Summarise computes mean, SD and lag-1 autocorrelation about a mean that is
// computed first: a sum of squares loses all digits where the values are large
// against their spread. Checked against NIST StRD, univariate.
func Summarise(values []float64) Summary {
	s := Summary{N: len(values)}
	if s.N == 0 {
		return s
	}
	if s.N == 1 {
		s.Mean = values[0]
		return s
	}
	s.Mean, s.SD = stat.MeanStdDev(values, nil)
	var with, squares float64
	for i, v := range values {
		d := v - s.Mean
		squares += d * d
		if i > 0 {
			with += d * (values[i-1] - s.Mean)
		}
	}
	if squares > 0 {
		s.Lag1 = with / squares
	}
	return s
}

// CV is the coefficient of variation in percent; 0 where the mean is 0.
func (s Summary) CV() float64 {
	if s.Mean == 0 {
		return 0
	}
	return 100 * s.SD / math.Abs(s.Mean)
}

// quantile of at least one value in order, by straight lines between them (R's
// type 7: Hyndman and Fan, Am Stat 1996;50:361). At 0.5 it is the median.
func quantile(ordered []float64, p float64) float64 {
	at := p * float64(len(ordered)-1)
	i := int(at)
	if i+1 >= len(ordered) {
		return ordered[len(ordered)-1]
	}
	return ordered[i] + (at-float64(i))*(ordered[i+1]-ordered[i])
}
