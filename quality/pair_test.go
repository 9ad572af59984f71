package quality_test

import (
	"fmt"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/poct"
	"tidegate/quality"
)

func TestPairUp(t *testing.T) {
	past := func(id, patient, inr string, minutes int) poct.Past {
		return poct.Past{Result: id, Tested: start.Add(time.Duration(minutes) * time.Minute), Reading: poct.Reading{
			Patient: poct.PatientRef{Authority: "millrace", ID: patient}, Measurements: []poct.Measurement{{Analyte: "inr", Value: num(inr)}},
		}}
	}
	meter := []poct.Past{
		past("m1", "p1", "2.5", 0),
		past("m2", "p1", "2.6", 50),  // nearer to the only result about
		past("m3", "p2", ">8.0", 0),  // a bound
		past("m4", "p3", "2.0", 0),   // its laboratory result is another day's
		past("m5", "p4", "2.0", 120), // at the very end of the window
		past("m6", "", "2.0", 0),
		past("m7", "p1", "2.5", 60), // nearest of all, but taken back
		past("m8", "p1", "2.5", 60), // no time
		{Result: "m9"},
	}
	meter[6].Reading.Status = poct.StatusWithdrawn
	meter[7].Tested = time.Time{}
	lab := []poct.Past{
		past("l1", "p1", "2.4", 60), past("l2", "p2", "7.5", 0), past("l3", "p3", "2.0", 1440), past("l4", "p4", "<0.8", 119), past("l5", "p4", "2.1", 240),
	}
	got := quality.PairUp(meter, lab, 2*time.Hour)
	var text []string
	for _, p := range got {
		text = append(text, fmt.Sprintf("%s %s %s", p.ID, p.With, p.Excluded))
	}
	none := "no other INR of this patient within 2 h that no nearer result has taken"
	require.Equal(t, []string{
		"m1  " + none, "m2 l1 ", "m3  >8.0 is a bound, not a number", "m4  " + none, "m5 l5 ", "m6  no patient",
		"m7  withdrawn", "m8  no time of the test", "m9  no INR",
	}, text)
	require.Equal(t, num("2.4"), got[1].Reference)
	require.Equal(t, 10*time.Minute, got[1].Apart)
}

func TestPairUpOneLaboratoryResultOnce(t *testing.T) {
	past := func(id string, minutes int) poct.Past {
		return poct.Past{Result: id, Tested: start.Add(time.Duration(minutes) * time.Minute), Reading: poct.Reading{
			Patient: poct.PatientRef{ID: "p1"}, Measurements: []poct.Measurement{{Analyte: "inr", Value: num("2.5")}},
		}}
	}
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) (out []poct.Past) {
			for i := range rapid.IntRange(0, 8).Draw(t, name) {
				out = append(out, past(name+strconv.Itoa(i), rapid.IntRange(0, 300).Draw(t, "minute")))
			}
			return out
		}
		meter, lab := draw("m"), draw("l")
		used := map[string]bool{}
		for i, p := range quality.PairUp(meter, lab, 90*time.Minute) {
			require.Equal(t, meter[i].Result, p.ID)
			require.Equal(t, p.With == "", p.Excluded != "")
			if p.With == "" {
				require.Contains(t, p.Excluded, "within 90 min")
				continue
			}
			require.False(t, used[p.With], "used twice")
			require.LessOrEqual(t, p.Apart, 90*time.Minute)
			used[p.With] = true
		}
	})
}
