package quality

import (
	"math"
	"slices"

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

// median of values, which it may put in order; 0 of none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	mid := len(values) / 2
	if len(values)%2 == 1 {
		return values[mid]
	}
	return (values[mid-1] + values[mid]) / 2
}
