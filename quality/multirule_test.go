package quality_test

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/poct"
	"tidegate/quality"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func stated(t testing.TB, mean, sd string) quality.Basis {
	t.Helper()
	b, err := quality.Stated(num(mean), num(sd))
	require.NoError(t, err)
	return b
}

// series reads runs separated by spaces, each with the values of materials 1,
// 2, ... separated by "/".
func series(text string) []quality.Control {
	var out []quality.Control
	for i, run := range strings.Fields(text) {
		for m, v := range strings.Split(run, "/") {
			out = append(out, quality.Control{
				ID: fmt.Sprintf("%d-%d", i+1, m+1), At: start.AddDate(0, 0, i), Run: strconv.Itoa(i + 1),
				Material: strconv.Itoa(m + 1), Value: num(v),
			})
		}
	}
	return out
}

// fired tells each firing as "run: rule over the points that take part", with
// points as run.material.
func fired(points []quality.Point) []string {
	var out []string
	for _, p := range points {
		for _, f := range p.Fired {
			var who []string
			for _, i := range f.Points {
				who = append(who, points[i].Run+"."+points[i].Material)
			}
			out = append(out, fmt.Sprintf("%s: %s over %s", p.Run, f.Rule, strings.Join(who, " ")))
		}
	}
	return out
}

// runsOf lists the runs at which a rule fires.
func runsOf(points []quality.Point, rules ...quality.Rule) []string {
	var out []string
	for _, p := range points {
		for _, f := range p.Fired {
			for _, r := range rules {
				if f.Rule == r && (len(out) == 0 || out[len(out)-1] != p.Run) {
					out = append(out, p.Run)
				}
			}
		}
	}
	return out
}

const twoControls = `200/247 205/250 195/255 202/243 186/254 207/263 194/251 209/264 200/253 196/244 190/261 204/254 196/239 207/236
	200/250 205/259 209/257 197/256 196/249 198/257 197/241 195/255 198/250 199/259 191/247 197/242 190/256 202/246`

// Westgard QC, lesson 12, answers to the exercise: rejected on days 5 (1-3s), 8
// (both beyond +2 SD), 11 (beyond 2 SD on opposite sides) and 14 (control 2
// beyond -2 SD on two days); warnings on 6, 13, 17, 25 and 27.
func TestTwoControlsOf28Days(t *testing.T) {
	bases := map[string]quality.Basis{"1": stated(t, "200", "4"), "2": stated(t, "250", "5")}
	points := quality.Judge(series(twoControls), bases, quality.Rules{})
	require.Equal(t, []string{"5", "6", "8", "11", "13", "14", "17", "25", "27"}, runsOf(points, quality.Rule12s))
	require.Equal(t, []string{
		"5: 1-2s over 5.1", "5: 1-3s over 5.1", // published
		"6: 1-2s over 6.2",                                             // published: warning
		"8: 1-2s over 8.1", "8: 1-2s over 8.2", "8: 2-2s over 8.1 8.2", // published
		"11: 1-2s over 11.1", "11: 1-2s over 11.2", "11: R-4s over 11.1 11.2", // published
		"13: 1-2s over 13.2",                            // published: warning
		"14: 1-2s over 14.2", "14: 2-2s over 13.2 14.2", // published
		"17: 1-2s over 17.1",                // published: warning
		"17: 4-1s over 16.1 16.2 17.1 17.2", // the exercise does not apply this rule
		"25: 1-2s over 25.1",                // published: warning
		"27: 1-2s over 27.1",                // published: warning
		"27: 10x over 18.1 19.1 20.1 21.1 22.1 23.1 24.1 25.1 26.1 27.1", // nor this one
	}, fired(points))

	points = quality.Judge(series(twoControls), bases, quality.Rules{R4sByDifference: true})
	require.Equal(t, []string{"5", "11", "14"}, runsOf(points, quality.RuleR4s))
}

const oneControl = `42.5 55.1 46.4 47.0 43.1 56.9 41.3 44.9 45.5 41.3 47.0 37.7 41.6 53.3 55.4 44.6 47.3 48.2 41.3 42.8 44.3 47.6 44.3 45.8 47.6
	39.8 39.8 50.9 49.7 45.5 45.2 47.3 47.9 44.3 40.1 48.2 40.7 41.9 43.4 43.7 49.7 42.2 52.1 44.6 45.2 45.8 41.6 41.3 44.9 43.7 45.2
	50.6 50.3 51.2 51.5 44.3 41.6`

// Westgard QC, "Break all the rules", answers 1 (2015): 1-3s at 6 and 12, 2-2s
// at 14-15 and 26-27, 4-1s at 37-40 and 52-55, 8x at 44-51.
func TestOneControlOf57Runs(t *testing.T) {
	bases := map[string]quality.Basis{"1": stated(t, "47", "3")}
	points := quality.Judge(series(oneControl), bases, quality.Rules{SameSide: 8, Off: []quality.Rule{quality.Rule12s}})
	require.Equal(t, []string{
		"6: 1-3s over 6.1",
		"12: 1-3s over 12.1",
		"15: 2-2s over 14.1 15.1",
		"27: 2-2s over 26.1 27.1",
		"40: 4-1s over 37.1 38.1 39.1 40.1",
		"51: 8x over 44.1 45.1 46.1 47.1 48.1 49.1 50.1 51.1",
		"55: 4-1s over 52.1 53.1 54.1 55.1",
	}, fired(points))
	points = quality.Judge(series(oneControl), bases, quality.Rules{})
	require.Empty(t, runsOf(points, quality.Rule10x), "nine at most lie on one side")
}

const twoLevels = `51.5/82.2 38.9/51 47.6/74.2 46/91.8 50.9/74.2 53.9/69 52.7/58.2 49.1/95.5 48.5/65.4 37/90 47/63 54/82.2 53.3/65.4
	40/86.2 55.4/70.2 49.4/88.6 46.7/87.8 45.8/85 52.7/76.6 51.1/65.4 54/86.2 53/71 49.7/81.4 48.2/90.2 46.4/80.6 54.2/54`

// Westgard QC, "Break all the rules", answers 2 (2015): 2 2-2s in the run; 8
// 1-3s (control 2); 10 1-3s (control 1) and R-4s; 13 2-2s (control 1); 14 R-4s
// "by calculation"; 17 2-2s (control 2); 22 4-1s and 2-2s (control 1); 26 R-4s.
// Two of these hang on a reading: 14 on the difference for R-4s, and 2-2s at 22
// on counting z = 2.000 as beyond 2.
func TestTwoLevelsOf26Runs(t *testing.T) {
	bases := map[string]quality.Basis{"1": stated(t, "47", "3"), "2": stated(t, "71", "8")}
	off := []quality.Rule{quality.Rule12s}
	for _, c := range []struct {
		name  string
		rules quality.Rules
		want  []string
	}{
		{"usual reading", quality.Rules{Off: off}, []string{
			"2: 2-2s over 2.1 2.2",
			"8: 1-3s over 8.2",
			"10: 1-3s over 10.1", "10: R-4s over 10.1 10.2",
			"13: 2-2s over 12.1 13.1",
			"17: 2-2s over 16.2 17.2",
			"22: 4-1s over 19.1 20.1 21.1 22.1",
			"26: R-4s over 26.1 26.2",
		}},
		{"as published", quality.Rules{Off: off, R4sByDifference: true, AtLimit: true}, []string{
			"2: 2-2s over 2.1 2.2",
			"8: 1-3s over 8.2",
			"10: 1-3s over 10.1", "10: R-4s over 10.1 10.2",
			"13: 2-2s over 12.1 13.1",
			"14: R-4s over 14.1 14.2",
			"17: 2-2s over 16.2 17.2",
			"22: 2-2s over 21.1 22.1", "22: 4-1s over 19.1 20.1 21.1 22.1",
			"26: R-4s over 26.1 26.2",
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, c.want, fired(quality.Judge(series(twoLevels), bases, c.rules)))
		})
	}
}

// Single cases of published exercises for students; z computed by hand.
func TestSingleRuns(t *testing.T) {
	for _, c := range []struct {
		name           string
		m1, s1, m2, s2 string
		run            string
		want           []string
	}{
		{"one up and one down", "100", "2.5", "205", "2.5", "106/199", []string{"1: 1-2s over 1.1", "1: 1-2s over 1.2", "1: R-4s over 1.1 1.2"}},
		{"a warning only", "100", "2.5", "203", "2", "94/204", []string{"1: 1-2s over 1.1"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			bases := map[string]quality.Basis{"1": stated(t, c.m1, c.s1), "2": stated(t, c.m2, c.s2)}
			require.Equal(t, c.want, fired(quality.Judge(series(c.run), bases, quality.Rules{})))
		})
	}
}

// In floats these lie on the wrong side: (2.8-2.5)/0.1 is below 3, (3.1-2.5)/0.2
// above 3, (2.3-2.1)/0.1 below 2, (2.7-2.5)/0.1 above 2. All lie exactly on the
// limit.
func TestLimitsAreExact(t *testing.T) {
	for _, c := range []struct {
		mean, sd, value string
		at              quality.Rule
	}{
		{"2.5", "0.1", "2.8", quality.Rule13s},
		{"2.5", "0.2", "3.1", quality.Rule13s},
		{"2.1", "0.1", "2.3", quality.Rule12s},
		{"2.5", "0.1", "2.7", quality.Rule12s},
		{"2.5", "0.1", "2.2", quality.Rule13s},
	} {
		t.Run(c.value+" about "+c.mean+" SD "+c.sd, func(t *testing.T) {
			bases := map[string]quality.Basis{"1": stated(t, c.mean, c.sd)}
			require.Empty(t, runsOf(quality.Judge(series(c.value), bases, quality.Rules{}), c.at), "exceeds is strict")
			require.Len(t, runsOf(quality.Judge(series(c.value), bases, quality.Rules{AtLimit: true}), c.at), 1)
		})
	}
	// A third of a range has no end as a decimal, and is exact all the same.
	third, err := quality.OfRange(quality.Range{Low: num("2.1"), High: num("3.1")}, num("3"))
	require.NoError(t, err)
	require.Empty(t, runsOf(quality.Judge(series("3.1"), map[string]quality.Basis{"1": third}, quality.Rules{}), quality.Rule13s))
	require.Len(t, runsOf(quality.Judge(series("3.1"), map[string]quality.Basis{"1": third}, quality.Rules{AtLimit: true}), quality.Rule13s), 1)
}

func TestChains(t *testing.T) {
	bases := map[string]quality.Basis{"1": stated(t, "2.5", "0.1"), "2": stated(t, "4.0", "0.2"), "new|1": stated(t, "2.5", "0.1")}
	judge := func(controls []quality.Control) []string {
		return fired(quality.Judge(controls, bases, quality.Rules{Off: []quality.Rule{quality.Rule12s}}))
	}
	t.Run("a failed control stays in its chain", func(t *testing.T) {
		require.Equal(t, []string{"1: 1-3s over 1.1", "2: 2-2s over 1.1 2.1"}, judge(series("2.9 2.75")))
	})
	t.Run("a corrective action empties all chains", func(t *testing.T) {
		c := series("2.75/4.0 2.75/4.1")
		c[2].Corrected = true
		require.Empty(t, judge(c))
	})
	t.Run("a new control lot begins its own chain", func(t *testing.T) {
		c := series("2.75 2.75")
		c[1].Material = "new|1"
		require.Empty(t, judge(c))
	})
	t.Run("a lot in parallel does not empty the chain", func(t *testing.T) {
		c := series("2.75 2.5 2.75")
		c[1].Material = "new|1"
		require.Equal(t, []string{"3: 2-2s over 1.1 3.1"}, judge(c))
	})
	t.Run("the mean itself breaks the side", func(t *testing.T) {
		require.Empty(t, judge(series("2.51 2.51 2.51 2.51 2.51 2.50 2.51 2.51 2.51 2.51")))
		require.Equal(t, []string{"10: 10x over 1.1 2.1 3.1 4.1 5.1 6.1 7.1 8.1 9.1 10.1"}, judge(series("2.51 2.51 2.51 2.51 2.51 2.51 2.51 2.51 2.51 2.51")))
	})
	t.Run("ten across two materials in five runs", func(t *testing.T) {
		require.Equal(t, []string{"5: 10x over 1.1 1.2 2.1 2.2 3.1 3.2 4.1 4.2 5.1 5.2"},
			judge(series("2.51/4.1 2.51/4.1 2.51/4.1 2.51/4.1 2.51/4.1")))
	})
	t.Run("a run with one material ends the pair's chain", func(t *testing.T) {
		require.Empty(t, judge(series("2.65/4.3 2.65 2.65/4.3")))
		require.Equal(t, []string{"2: 4-1s over 1.1 1.2 2.1 2.2"}, judge(series("2.65/4.3 2.65/4.3")))
	})
	t.Run("R-4s never spans two runs", func(t *testing.T) {
		require.Empty(t, judge(series("2.75/4.0 2.5/3.5")))
		require.Equal(t, []string{"1: R-4s over 1.1 1.2"}, judge(series("2.75/3.5")))
	})
	t.Run("a bound is drawn, not judged, and breaks the chain", func(t *testing.T) {
		points := quality.Judge(series("2.75 >8.0 2.75"), bases, quality.Rules{Off: []quality.Rule{quality.Rule12s}})
		require.Empty(t, fired(points))
		require.False(t, points[1].Judged)
	})
	t.Run("without a basis nothing fires", func(t *testing.T) {
		points := quality.Judge(series("9.9/9.9"), nil, quality.Rules{})
		require.Empty(t, fired(points))
		require.False(t, points[0].Judged)
	})
	t.Run("severities", func(t *testing.T) {
		require.Equal(t, poct.Note, quality.Rule12s.Severity())
		require.Equal(t, poct.Hold, quality.RuleR4s.Severity())
		require.Equal(t, poct.Flag, quality.Rule("8x").Severity())
	})
}

// What a control fires does not depend on what came after it, nor on whether
// history and new controls come at once.
func TestSplitMakesNoDifference(t *testing.T) {
	bases := map[string]quality.Basis{"1": stated(t, "2.5", "0.1"), "2": stated(t, "4.0", "0.2")}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40).Draw(t, "n")
		controls := make([]quality.Control, n)
		for i := range controls {
			m := rapid.SampledFrom([]string{"1", "2", "3"}).Draw(t, "material")
			cents := rapid.IntRange(200, 450).Draw(t, "value")
			controls[i] = quality.Control{
				At: start.Add(time.Duration(i/2) * time.Hour), Material: m, Value: num(fmt.Sprintf("%d.%02d", cents/100, cents%100)),
				Run: strconv.Itoa(i / 2), Corrected: rapid.IntRange(0, 20).Draw(t, "corrected") == 0,
			}
		}
		rules := quality.Rules{AtLimit: rapid.Bool().Draw(t, "at limit"), R4sByDifference: rapid.Bool().Draw(t, "difference"), SameSide: rapid.SampledFrom([]int{0, 6, 8}).Draw(t, "same side")}
		all := quality.Judge(controls, bases, rules)
		cut := rapid.IntRange(1, n).Draw(t, "cut")
		require.Equal(t, all[:cut], quality.Judge(controls[:cut], bases, rules))
		for i, p := range all {
			for _, f := range p.Fired {
				require.Equal(t, i, f.Points[len(f.Points)-1])
			}
		}
	})
}

func TestEvents(t *testing.T) {
	at := func(minutes int, material string) quality.Control {
		return quality.Control{At: start.Add(time.Duration(minutes) * time.Minute), Material: material}
	}
	controls := quality.Events([]quality.Control{
		at(0, "1"), at(4, "1"), at(9, "2"), // level 1 again: a second event, which level 2 joins
		at(60, "1"), at(100, "2"), // too far apart
		at(130, "3"), at(160, "1"), // each within half an hour of the one before
		{At: start.Add(170 * time.Minute), Material: "4", Run: "as sent"},
	}, 30*time.Minute)
	var got []string
	for _, c := range controls {
		got = append(got, c.Run)
	}
	require.Equal(t, []string{"event 1", "event 2", "event 2", "event 3", "event 4", "event 4", "event 4", "as sent"}, got)
}

func TestControlsOf(t *testing.T) {
	control := func(id, level, inr string, minute int, status poct.Status) poct.Past {
		return poct.Past{Result: id, Tested: start.Add(time.Duration(minute) * time.Minute), Reading: poct.Reading{
			Kind: poct.KindControl, Status: status, ControlLot: "C77", ControlLevel: level,
			Measurements: []poct.Measurement{{Analyte: "inr", Value: num(inr)}},
		}}
	}
	got := quality.ControlsOf([]poct.Past{
		control("a", "1", "1.1", 0, poct.StatusFinal),
		control("b", "LEVEL 2 ", "3.0", 5, ""),
		control("c", "1", "1.2", 6, poct.StatusWithdrawn),
	}, time.Hour)
	require.Equal(t, []quality.Control{
		{ID: "a", At: start, Value: num("1.1"), Material: "C77|1", Run: "event 1"},
		{ID: "b", At: start.Add(5 * time.Minute), Value: num("3.0"), Material: "C77|level 2", Run: "event 1"},
	}, got)
}
