package quality_test

import (
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/quality"
)

var num = poct.MustNumber

// numbers of a file under testdata, in order.
func numbers(t testing.TB, path string) []float64 {
	t.Helper()
	raw, err := os.ReadFile("testdata/" + path)
	require.NoError(t, err)
	var out []float64
	for _, f := range strings.Fields(string(raw)) {
		v, err := strconv.ParseFloat(f, 64)
		require.NoError(t, err)
		out = append(out, v)
	}
	return out
}

// pairsFile reads lines of reference and tested value.
func pairsFile(t testing.TB, path string) []quality.Pair {
	t.Helper()
	raw, err := os.ReadFile("testdata/" + path)
	require.NoError(t, err)
	return pairsOf(string(raw))
}

// pairsOf reads reference and tested values, in turn.
func pairsOf(text string) []quality.Pair {
	f := strings.Fields(text)
	out := make([]quality.Pair, 0, len(f)/2)
	for i := 0; i+1 < len(f); i += 2 {
		out = append(out, quality.Pair{ID: strconv.Itoa(i/2 + 1), Reference: num(f[i]), Tested: num(f[i+1])})
	}
	return out
}

// swapped turns the two methods about.
func swapped(pairs []quality.Pair) []quality.Pair {
	out := make([]quality.Pair, len(pairs))
	for i, p := range pairs {
		out[i] = quality.Pair{ID: p.ID, Reference: p.Tested, Tested: p.Reference}
	}
	return out
}
