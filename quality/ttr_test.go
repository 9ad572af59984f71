package quality_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/quality"
)

// inrs reads "day/INR day/INR ...".
func inrs(text string) []quality.Dated {
	var out []quality.Dated
	for _, f := range strings.Fields(text) {
		var day int
		var v string
		if _, err := fmt.Sscanf(f, "%d/%s", &day, &v); err != nil {
			panic(err)
		}
		out = append(out, quality.Dated{At: start.AddDate(0, 0, day), Value: num(v)})
	}
	return out
}

func TestTimeInRange(t *testing.T) {
	two := quality.RangeSettings{AtLeast: 2}
	for _, c := range []struct {
		name             string
		series           string
		settings         quality.RangeSettings
		in, below, above float64
		percent          float64
		gap              float64
	}{
		{"CMS measure 179, published example: 2.5 on 1 May, 3.5 on 31 May, 15 of 30 days", "0/2.5 30/3.5", two, 15, 0, 15, 50, 0},
		{"invented series with a gap of 60 days", "0/1.8 14/2.6 28/3.4 35/2.4 95/2.5 109/2.9", quality.RangeSettings{}, 35.7, 3.5, 9.8, 72.857, 60},
		{"the same, gaps up to 60 days taken in", "0/1.8 14/2.6 28/3.4 35/2.4 95/2.5 109/2.9", quality.RangeSettings{LongestGap: 60}, 95.7, 3.5, 9.8, 87.80, 0},
		{"both limits crossed", "0/1.6 10/3.6", two, 5, 2, 3, 50, 0},
		{"both limits crossed downwards", "0/3.6 10/1.6", two, 5, 2, 3, 50, 0},
		{"a gap of 56 days counts", "0/2.5 56/2.5", two, 56, 0, 0, 100, 0},
		{"a gap of 57 days does not", "0/2.5 57/2.5 67/2.5", two, 10, 0, 0, 100, 57},
		{"the ends of the range are in", "0/2.0 10/2.0 20/3.0 30/3.0", two, 30, 0, 0, 100, 0},
		{"level above", "0/3.1 10/3.1", two, 0, 0, 10, 0, 0},
		{"level below", "0/1.9 10/1.9", two, 0, 10, 0, 0, 0},
		{"above 10 counts as 10", "0/2.0 8/14.0", two, 1, 0, 7, 12.5, 0},
		{"below 0.8 is dropped", "0/2.5 5/0.7 10/2.5", two, 10, 0, 0, 100, 0},
		{"of one date the nearest to 2.5", "0/2.5 0/4.0 10/2.5", two, 10, 0, 0, 100, 0},
		{"a bound is left out", "0/2.5 5/>8.0 10/2.5", two, 10, 0, 0, 100, 0},
		{"first days skipped", "0/1.0 7/1.5 14/2.5 28/2.5", quality.RangeSettings{AtLeast: 2, SkipDays: 14}, 14, 0, 0, 100, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := quality.TimeInTherapeuticRange(inrs(c.series), c.settings)
			require.True(t, got.Told, got.Why)
			require.InDelta(t, c.in, got.In, 1e-9)
			require.InDelta(t, c.below, got.Below, 1e-9)
			require.InDelta(t, c.above, got.Above, 1e-9)
			require.InDelta(t, c.percent, got.Percent, 5e-3)
			require.InDelta(t, c.gap, got.GapDays, 1e-9)
		})
	}
}

// Computed by an independent script on the invented series.
func TestSeriesMeasures(t *testing.T) {
	got := quality.TimeInTherapeuticRange(inrs("0/1.8 14/2.6 28/3.4 35/2.4 95/2.5 109/2.9"), quality.RangeSettings{})
	require.Equal(t, 6, got.Tests)
	require.Equal(t, 4, got.TestsIn)
	require.InDelta(t, 4.0/6, got.FractionIn, 1e-12)
	require.InDelta(t, 0.53292, got.SD, 5e-6)
	require.InDelta(t, 20.50, got.CV, 5e-3)
	require.InDelta(t, 0.34423, got.GrowthAll, 5e-6)
	require.InDelta(t, 0.43, got.Growth, 1e-9)
}

func TestTimeInRangeNotTold(t *testing.T) {
	got := quality.TimeInTherapeuticRange(inrs("0/2.5 10/2.5"), quality.RangeSettings{})
	require.False(t, got.Told)
	require.Equal(t, "at least 3 days with an INR are needed; there are 2", got.Why)
	got = quality.TimeInTherapeuticRange(inrs("0/2.5 60/2.5 120/2.5"), quality.RangeSettings{})
	require.Equal(t, "no two INRs are near enough for a line between them", got.Why)
	got = quality.TimeInTherapeuticRange(inrs("0/2.5 10/2.5 20/2.5"), quality.RangeSettings{Low: num("3.5"), High: num("2.5")})
	require.Equal(t, quality.TimeInRange{Why: "the range ends below its beginning: 3.5 to 2.5"}, got)
	require.Equal(t, quality.TimeInRange{Why: "at least 3 days with an INR are needed; there are 0"}, quality.TimeInTherapeuticRange(nil, quality.RangeSettings{}))
}

func TestBreaks(t *testing.T) {
	series := inrs("0/2.5 10/2.5 20/4.0 30/2.5")
	series[2].Break = "bridging"
	got := quality.TimeInTherapeuticRange(series, quality.RangeSettings{})
	require.InDelta(t, 10, got.BreakDays, 1e-9)
	require.InDelta(t, 10+10.0/3, got.In, 1e-9)
	require.InDelta(t, 20.0/3, got.Above, 1e-9)
}

// Days are dates where the patient is, so a change of the clock moves nothing.
func TestDaysAreDates(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	got := quality.TimeInTherapeuticRange([]quality.Dated{
		{At: time.Date(2026, 3, 20, 17, 0, 0, 0, zone), Value: num("2.5")},
		{At: time.Date(2026, 5, 15, 8, 0, 0, 0, zone), Value: num("2.5")}, // 56 dates on, an hour short of one by the clock
	}, quality.RangeSettings{AtLeast: 2})
	require.InDelta(t, 56, got.In, 1e-9)
}

func TestPartsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 20).Draw(t, "n")
		var series []quality.Dated
		for range n {
			tenths := rapid.IntRange(5, 120).Draw(t, "tenths")
			d := quality.Dated{At: start.AddDate(0, 0, rapid.IntRange(0, 400).Draw(t, "day")), Value: num(fmt.Sprintf("%d.%d", tenths/10, tenths%10))}
			if rapid.IntRange(0, 9).Draw(t, "break") == 0 {
				d.Break = "hospital"
			}
			series = append(series, d)
		}
		got := quality.TimeInTherapeuticRange(series, quality.RangeSettings{})
		first, last := time.Time{}, time.Time{}
		for _, d := range series {
			if d.Value.Cmp(num("0.8")) < 0 {
				continue
			}
			if first.IsZero() || d.At.Before(first) {
				first = d.At
			}
			if d.At.After(last) {
				last = d.At
			}
		}
		require.InDelta(t, last.Sub(first).Hours()/24, got.In+got.Below+got.Above+got.GapDays+got.BreakDays, 1e-6)
		require.Equal(t, len(series), got.Tests+got.LeftOut)
		require.True(t, got.Percent >= 0 && got.Percent <= 100)
	})
}
