package quality_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/quality"
)

// Newcombe, Stat Med 1998;17:857, table I, method 3.
func TestWilson(t *testing.T) {
	for _, c := range []struct {
		events, tests int
		low, high     float64
	}{
		{81, 263, 0.2553, 0.3662},
		{15, 148, 0.0624, 0.1605},
		{0, 20, 0, 0.1611},
		{1, 29, 0.0061, 0.1718},
	} {
		got, ok := quality.RateOf(c.events, c.tests, 0.95)
		require.True(t, ok)
		require.InDelta(t, c.low, got.Low, 5e-5)
		require.InDelta(t, c.high, got.High, 5e-5)
	}
	for _, c := range [][2]int{{0, 0}, {3, 2}, {-1, 5}} {
		_, ok := quality.RateOf(c[0], c[1], 0.95)
		require.False(t, ok, "%v", c)
	}
}

func TestRateLiesInItsInterval(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5000).Draw(t, "tests")
		k := rapid.IntRange(0, n).Draw(t, "events")
		got, ok := quality.RateOf(k, n, 0.95)
		require.True(t, ok)
		require.True(t, 0 <= got.Low && got.Low <= got.Share && got.Share <= got.High && got.High <= 1, "%+v", got)
		other, _ := quality.RateOf(n-k, n, 0.95)
		require.InDelta(t, 1-other.High, got.Low, 1e-12)
	})
}

func TestBesideRest(t *testing.T) {
	got := quality.BesideRest([]quality.Count{{"op-1", 2, 100}, {"op-2", 30, 100}, {"op-3", 3, 100}, {"op-4", 0, 0}}, 0.95)
	require.Len(t, got, 3, "no tests, no rate")
	require.Equal(t, "op-2", got[1].Name)
	require.Equal(t, 5, got[1].Rest.Events)
	require.Equal(t, 200, got[1].Rest.Tests)
	require.True(t, got[1].Apart && got[1].Higher)
	require.True(t, got[0].Apart && !got[0].Higher, "2 %% beside 33 of 200: %+v", got[0])

	alone := quality.BesideRest([]quality.Count{{"lot A", 2, 10}}, 0.95)
	require.False(t, alone[0].Apart)
	require.Zero(t, alone[0].Rest)
}
