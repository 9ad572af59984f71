package quality_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/quality"
)

// spread is a set of NIST's NumAcc family: one value, then 500 pairs a tenth
// below and above it.
func spread(low, mid, high float64) []float64 {
	out := []float64{mid}
	for range 500 {
		out = append(out, low, high)
	}
	return out
}

// Certified values: NIST Statistical Reference Datasets, univariate summary
// statistics.
func TestNISTUnivariate(t *testing.T) {
	for _, c := range []struct {
		name           string
		data           []float64
		n              int
		mean, sd, lag1 float64
		accuracy       float64 // relative
	}{
		{"Mavro", numbers(t, "nist/Mavro.txt"), 50, 2.001856, 0.000429123454003053, 0.937989183438248, 1e-12},
		{"Michelso", numbers(t, "nist/Michelso.txt"), 100, 299.8524, 0.0790105478190518, 0.535199668621283, 1e-12},
		{"Lew", numbers(t, "nist/Lew.txt"), 200, -177.435, 277.332168044316, -0.307304800605679, 1e-14},
		{"Lottery", numbers(t, "nist/Lottery.txt"), 218, 518.958715596330, 291.699727470969, -0.120948622967393, 1e-14},
		{"PiDigits", numbers(t, "nist/PiDigits.txt"), 5000, 4.5348, 2.86733906028871, -0.00355099287237972, 1e-13},
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 3, 10000002, 1, -0.5, 1e-15},
		{"NumAcc2", spread(1.1, 1.2, 1.3), 1001, 1.2, 0.1, -0.999, 1e-14},
		// The values themselves are no floats: NIST names these two as hard.
		{"NumAcc3", spread(1000000.1, 1000000.2, 1000000.3), 1001, 1000000.2, 0.1, -0.999, 2e-9},
		{"NumAcc4", spread(10000000.1, 10000000.2, 10000000.3), 1001, 10000000.2, 0.1, -0.999, 2e-8},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := quality.Summarise(c.data)
			require.Equal(t, c.n, got.N)
			require.InEpsilon(t, c.mean, got.Mean, 1e-14)
			require.InEpsilon(t, c.sd, got.SD, c.accuracy)
			require.InEpsilon(t, c.lag1, got.Lag1, max(c.accuracy, 2e-12))
		})
	}
}

// The same sets must catch the formula that this package does not use.
func TestSumOfSquaresWouldFailNIST(t *testing.T) {
	naive := func(values []float64) float64 {
		var sum, squares float64
		for _, v := range values {
			sum, squares = sum+v, squares+v*v
		}
		n := float64(len(values))
		return math.Sqrt((squares - sum*sum/n) / (n - 1))
	}
	for _, data := range [][]float64{
		spread(1000000.1, 1000000.2, 1000000.3),
		spread(10000000.1, 10000000.2, 10000000.3),
	} {
		got := naive(data)
		require.False(t, math.Abs(got-0.1) < 1e-3, "a sum of squares gives %v", got)
	}
}

func TestSummaryOfFew(t *testing.T) {
	require.Equal(t, quality.Summary{}, quality.Summarise(nil))
	require.Equal(t, quality.Summary{N: 1, Mean: 2.5}, quality.Summarise([]float64{2.5}))
	require.Equal(t, quality.Summary{N: 3, Mean: 2.5}, quality.Summarise([]float64{2.5, 2.5, 2.5}))
	require.Zero(t, quality.Summary{}.CV())
}
