package quality_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/quality"
)

func TestINR(t *testing.T) {
	for _, c := range []struct {
		name                string
		pt, mnpt, isi, want float64
		by                  float64
	}{
		{"published worked example, 1.213", 15.2, 13.1, 1.297, 1.213, 5e-4},
		{"published worked example, 1.28", 15, 12, 1.1, 1.28, 5e-3},
		{"computed", 30, 12, 1, 2.5, 1e-12},
		{"computed", 24, 12, 1.25, 2.3784, 5e-5},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.InDelta(t, c.want, quality.INR(c.pt, c.mnpt, c.isi), c.by)
			require.InDelta(t, c.pt, quality.PT(quality.INR(c.pt, c.mnpt, c.isi), c.mnpt, c.isi), 1e-9)
		})
	}
	// WHO reference thromboplastins rTF/95 and RBT/90, calibration abstract: an
	// ISI drifting from 0.94 to 0.99 is a bias of 6.0 % at INR 3.0.
	got := quality.INR(quality.PT(3, 12, 0.94), 12, 0.99)
	require.InDelta(t, 6.0, 100*(got/3-1), 0.05)
}

// Computed by hand from the formulas; the INRs of the first row are published.
func TestINRRounding(t *testing.T) {
	whole := quality.UsualSteps
	whole.PT = 0.5
	for _, c := range []struct {
		pt, mnpt, isi        float64
		steps                quality.HalfSteps
		tolerance, low, high float64
	}{
		{15.2, 13.1, 1.297, quality.HalfSteps{INR: 0.05, PT: 0.05, MNPT: 0.05, ISI: 0.005}, 0.0621, 1.1507, 1.2749},
		{30, 12, 1, quality.UsualSteps, 0.0760, 2.4242, 2.5763},
		{30, 12, 1, whole, 0.1135, 2.3872, 2.6143},
		{24, 12, 1.25, quality.UsualSteps, 0.0768, 2.3018, 2.4555},
		{60, 12, 1, quality.UsualSteps, 0.1152, 4.8854, 5.1158},
	} {
		low, high := quality.INRBand(c.pt, c.mnpt, c.isi, c.steps)
		require.InDelta(t, c.tolerance, quality.Tolerance(c.pt, c.mnpt, c.isi, c.steps), 5e-5)
		require.InDelta(t, c.low, low, 5e-5)
		require.InDelta(t, c.high, high, 5e-5)
	}
}

func TestINRBandOfNothing(t *testing.T) {
	for _, c := range [][3]float64{{0, 12, 1}, {30, 0.05, 1}, {30, 12, 0.005}} {
		low, high := quality.INRBand(c[0], c[1], c[2], quality.UsualSteps)
		require.Zero(t, low)
		require.Zero(t, high)
	}
}

// The band holds every INR that rounds from numbers that round to these.
func TestINRBandHoldsAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pt := rapid.Float64Range(8, 90).Draw(t, "pt")
		mnpt := rapid.Float64Range(9, 16).Draw(t, "mnpt")
		isi := rapid.Float64Range(0.8, 2).Draw(t, "isi")
		off := rapid.Float64Range(-1, 1)
		h := quality.UsualSteps
		truth := quality.INR(pt+h.PT*off.Draw(t, "dpt"), mnpt+h.MNPT*off.Draw(t, "dm"), isi+h.ISI*off.Draw(t, "di"))
		low, high := quality.INRBand(pt, mnpt, isi, h)
		shown := truth + h.INR*off.Draw(t, "dinr")
		require.GreaterOrEqual(t, shown, low-1e-9)
		require.LessOrEqual(t, shown, high+1e-9)
	})
}

func TestReferenceChange(t *testing.T) {
	for _, c := range []struct {
		name        string
		z, cva, cvi float64
		want, by    float64
	}{
		// Lassen et al., Clin Chem 1995;41:444: total within-person CV 10.1 %;
		// critical difference 0.7 at INR 2.5 and 1.0 at 3.5.
		{"stable patients", quality.TwoSided95, 0, 10.1, 27.996, 5e-4},
		{"stable warfarin, computed", quality.TwoSided95, 4.5, 9.0, 27.89, 5e-3},
		{"the same, one-sided, computed", quality.OneSided95, 4.5, 9.0, 23.41, 5e-3},
		{"ordinary treatment, computed", quality.TwoSided95, 4.5, 18, 51.43, 5e-3},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.InDelta(t, c.want, quality.ReferenceChange(c.z, c.cva, c.cvi), c.by)
		})
	}
	rcv := quality.ReferenceChange(quality.TwoSided95, 0, 10.1) / 100
	require.InDelta(t, 0.7, 2.5*rcv, 0.05, "published: 0.7 at 2.5")
	require.InDelta(t, 1.0, 3.5*rcv, 0.05, "published: 1.0 at 3.5")
	rise, fall := quality.ReferenceChangeLog(quality.TwoSided95, 0, 10.1)
	require.InDelta(t, 32.21, rise, 5e-3)
	require.InDelta(t, -24.36, fall, 5e-3)
}

func TestChange(t *testing.T) {
	got, ok := quality.ChangeOf(num("2.0"), num("3.0"), 36*time.Hour)
	require.True(t, ok)
	require.Equal(t, "1.0", got.By.FloatString(1))
	require.Zero(t, got.Ratio.Cmp(num("1.5").Rat()), "a ratio of 1.5 is exactly 1.5")
	require.Equal(t, "0.6667", got.PerDay.FloatString(4))
	require.InDelta(t, 50, got.Percent(), 1e-12)

	got, ok = quality.ChangeOf(num("3.0"), num("2.01"), 24*time.Hour)
	require.True(t, ok)
	require.Zero(t, got.Ratio.Cmp(num("0.67").Rat()))
	require.Equal(t, "-0.99", got.By.FloatString(2))
	require.Equal(t, "0.99", got.PerDay.FloatString(2))

	got, ok = quality.ChangeOf(num("2.0"), num("2.0"), 0)
	require.True(t, ok)
	require.Nil(t, got.PerDay)

	for _, c := range [][2]string{{">8.0", "2.0"}, {"2.0", "<0.8"}, {"0", "2.0"}} {
		_, ok = quality.ChangeOf(num(c[0]), num(c[1]), time.Hour)
		require.False(t, ok)
	}
	_, ok = quality.ChangeOf(num("2.0"), num("2.1"), -time.Hour)
	require.False(t, ok)
}
