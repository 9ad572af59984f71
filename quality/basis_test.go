package quality_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/quality"
)

func TestBasisOf(t *testing.T) {
	sheet := poct.ControlLot{Low: num("2.1"), High: num("3.1")}
	with := func(change func(*poct.ControlLot)) poct.ControlLot {
		row := sheet
		change(&row)
		return row
	}
	for _, c := range []struct {
		name     string
		row      poct.ControlLot
		mean, sd string // exact
		from     string
		fault    string
	}{
		{name: "2 SD to each side", row: with(func(r *poct.ControlLot) { r.RangeSDs = num("2") }), mean: "13/5", sd: "1/4", from: "range 2.1 to 3.1 taken as 2 SD to each side"},
		{name: "3 SD to each side", row: with(func(r *poct.ControlLot) { r.RangeSDs = num("3") }), mean: "13/5", sd: "1/6", from: "range 2.1 to 3.1 taken as 3 SD to each side"},
		{name: "mean and SD come first", row: with(func(r *poct.ControlLot) { r.RangeSDs, r.Mean, r.SD = num("3"), num("2.55"), num("0.2") }), mean: "51/20", sd: "1/5", from: "stated"},
		{name: "never guessed", row: sheet, fault: "write mean and sd, or range_sds"},
		{name: "mean without SD", row: with(func(r *poct.ControlLot) { r.Mean = num("2.6") }), fault: "write both"},
		{name: "SD of 0", row: with(func(r *poct.ControlLot) { r.Mean, r.SD = num("2.6"), num("0.0") }), fault: "the SD above 0"},
		{name: "no range", row: poct.ControlLot{RangeSDs: num("2")}, fault: "only with both ends"},
		{name: "range turned about", row: poct.ControlLot{Low: num("3.1"), High: num("2.1"), RangeSDs: num("2")}, fault: "high end lies above"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := quality.BasisOf(c.row)
			if c.fault != "" {
				require.ErrorContains(t, err, c.fault)
				require.False(t, got.Usable())
				return
			}
			require.NoError(t, err)
			require.Equal(t, c.mean, got.Mean.RatString())
			require.Equal(t, c.sd, got.SD.RatString())
			require.Equal(t, c.from, got.From)
		})
	}
}

// Mean and SD of the two controls of Westgard QC, lesson 12: computed by an
// independent script.
func TestOwnRuns(t *testing.T) {
	var one, two []poct.Number
	for _, run := range strings.Fields(twoControls) {
		a, b, _ := strings.Cut(run, "/")
		one, two = append(one, num(a)), append(two, num(b))
	}
	for _, c := range []struct {
		values   []poct.Number
		mean, sd string
	}{{one, "198.7500", "5.8918"}, {two, "251.3571", "7.3041"}} {
		got, err := quality.OwnRuns(append(c.values, num(">300")))
		require.NoError(t, err)
		require.Equal(t, c.mean, got.Mean.FloatString(4))
		require.Equal(t, c.sd, got.SD.FloatString(4))
		require.Equal(t, "own 28 runs", got.From)
	}
	_, err := quality.OwnRuns(one[:19])
	require.EqualError(t, err, "an own mean and SD need at least 20 runs; there are 19")
	_, err = quality.OwnRuns(one[:20])
	require.NoError(t, err)
	require.Empty(t, quality.FewRuns(20))
	var flat []poct.Number
	for range 20 {
		flat = append(flat, num("2.5"))
	}
	_, err = quality.OwnRuns(flat)
	require.ErrorContains(t, err, "no SD can be told")
}

func TestRange(t *testing.T) {
	r := quality.Range{Low: num("2.1"), High: num("3.1")}
	for _, c := range []struct {
		value string
		holds bool
	}{
		{"2.1", true}, {"2.10", true}, {"3.1", true}, {"2.6", true},
		{"2.09", false}, {"3.11", false}, {">2.5", false}, {"<2.5", false},
	} {
		require.Equal(t, c.holds, r.Holds(num(c.value)), c.value)
	}
	require.False(t, r.Holds(poct.Number{}))
	require.False(t, quality.Range{Low: num("2.1")}.Holds(num("2.6")), "half a range judges nothing")
}
