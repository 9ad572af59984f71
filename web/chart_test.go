package web

import (
	"encoding/xml"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/review"
)

var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

// chartWith is a chart of one level with these values, an hour of three apart.
func chartWith(m review.Material, values ...string) review.Chart {
	ch := review.Chart{Meter: "M-1", Site: "millrace", StripLot: "L1", Materials: []review.Material{m}}
	for i, v := range values {
		ch.Points = append(ch.Points, review.ChartPoint{Result: fmt.Sprint("r", i), At: noon.Add(time.Duration(i) * 3 * time.Hour), Material: m.Name, Value: poct.MustNumber(v), Passed: true, Judged: m.SD > 0})
	}
	return ch
}

func stated(level string) review.Material {
	return review.Material{Name: "C|" + level, Lot: "C", Level: level, Mean: 3, SD: 0.2, Basis: "stated"}
}

// parsed checks that a picture is well formed and keeps inside its own frame.
func parsed(t *testing.T, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		if _, err := d.Token(); err == io.EOF {
			break
		} else {
			require.NoError(t, err)
		}
	}
	assert.NotRegexp(t, `NaN|Inf`, svg)
}

func TestControlChartStates(t *testing.T) {
	rangeOnly := review.Material{Name: "C|2", Lot: "C", Level: "2", Low: poct.MustNumber("2.5"), High: poct.MustNumber("3.5"), Note: "the registry gives a range and no SD"}
	unknown := review.Material{Name: "C|2", Lot: "C", Level: "2"}
	for _, tc := range []struct {
		name   string
		charts []review.Chart
		act    []poct.CorrectiveAction
		has    []string
		not    []string
	}{
		{name: "one run", charts: []review.Chart{chartWith(stated("2"), "3.1")}, has: []string{"Level 2", "+3 SD", "3.60", "20 Nov"}},
		{name: "only a range: nothing is said of SDs", charts: []review.Chart{chartWith(rangeOnly, "3.1", "3.6")}, has: []string{">range<", "3.50", "2.50"}, not: []string{"SD<"}},
		{name: "nothing known of the range", charts: []review.Chart{chartWith(unknown, "3.1", "3.6")}, has: []string{"last 3.6"}, not: []string{"SD<", ">range<"}},
		{name: "beyond four SDs", charts: []review.Chart{chartWith(stated("2"), "3.0", "4.4", "1.6")}, has: []string{">4.4<", ">1.6<"}},
		{name: "something was done between", charts: []review.Chart{chartWith(stated("2"), "3.0", "3.1")}, act: []poct.CorrectiveAction{{At: noon.Add(time.Hour)}}, has: []string{"something was done 20 Nov 13:00"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			svg, cut := drawChart("M-1", chartOf(tc.charts), tc.act, time.UTC)
			parsed(t, string(svg))
			assert.Zero(t, cut)
			for _, w := range tc.has {
				assert.Contains(t, string(svg), w)
			}
			for _, w := range tc.not {
				assert.NotContains(t, string(svg), w)
			}
		})
	}
}

// The line breaks where another lot begins or something was done: it moves on
// without drawing.
func TestTheLineBreaks(t *testing.T) {
	line := regexp.MustCompile(`class="line" d="([^"]*)"`)
	moves := func(charts []review.Chart, act []poct.CorrectiveAction) int {
		svg, _ := drawChart("M-1", chartOf(charts), act, time.UTC)
		return strings.Count(line.FindStringSubmatch(string(svg))[1], "M")
	}
	one := chartWith(stated("2"), "3.0", "3.1", "3.2")
	later := chartWith(stated("2"), "3.0", "3.1")
	later.StripLot = "L2"
	for i := range later.Points {
		later.Points[i].At = later.Points[i].At.Add(24 * time.Hour)
	}
	assert.Equal(t, 1, moves([]review.Chart{one}, nil))
	assert.Equal(t, 2, moves([]review.Chart{one, later}, nil), "another strip lot")
	assert.Equal(t, 2, moves([]review.Chart{one}, []poct.CorrectiveAction{{At: noon.Add(time.Hour)}}), "something was done")
}

func TestColumns(t *testing.T) {
	two := stated("2")
	ch := chartWith(stated("1"), "3.0", "3.1")
	ch.Materials = append(ch.Materials, two)
	add := func(after time.Duration) {
		ch.Points = append(ch.Points, review.ChartPoint{Result: fmt.Sprint("s", after), At: noon.Add(after), Material: two.Name, Value: poct.MustNumber("3.0"), Passed: true})
	}
	add(2 * time.Minute)  // with the first run of level 1
	add(12 * time.Minute) // repeated: a column of its own
	var got []string
	for _, r := range chartOf([]review.Chart{ch}) {
		got = append(got, fmt.Sprint(r.Level, "@", r.col))
	}
	assert.Equal(t, []string{"1@0", "2@0", "2@1", "1@2"}, got)
}

func TestTheNewestRunsAreDrawn(t *testing.T) {
	values := make([]string, 200)
	for i := range values {
		values[i] = "3.0"
	}
	svg, cut := drawChart("M-1", chartOf([]review.Chart{chartWith(stated("2"), values...)}), nil, time.UTC)
	parsed(t, string(svg))
	assert.Equal(t, 200-mostColumns, cut)
	assert.Equal(t, mostColumns, strings.Count(string(svg), `class="dot"`))
}

// A rule that goes on has one bracket, over every run that takes part.
func TestABracketGrows(t *testing.T) {
	ch := chartWith(stated("2"), "3.3", "3.3", "3.3", "3.3", "3.3")
	ch.Points[3].Fired = []review.Fired{{Rule: "4-1s", Severity: poct.Flag, Results: []string{"r0", "r1", "r2", "r3"}}}
	ch.Points[4].Fired = []review.Fired{{Rule: "4-1s", Severity: poct.Flag, Results: []string{"r1", "r2", "r3", "r4"}}}
	svg, _ := drawChart("M-1", chartOf([]review.Chart{ch}), nil, time.UTC)
	across := regexp.MustCompile(`class="bracket warn" d="M[\d.]+ [\d.]+H`).FindAllString(string(svg), -1)
	down := regexp.MustCompile(`class="bracket warn" d="M[\d.]+ [\d.]+V`).FindAllString(string(svg), -1)
	assert.Len(t, across, 1)
	assert.Len(t, down, 5)
}

// FuzzControlChart: whatever the values, the picture is well formed.
func FuzzControlChart(f *testing.F) {
	f.Add("3.1", "2.4", 3.0, 0.2, "2.5", "3.5")
	f.Add(">8.0", "0.1", 0.0, 0.0, "", "")
	f.Add("3", "3", 3.0, 1e-300, "9", "1")
	f.Fuzz(func(t *testing.T, a, b string, mean, sd float64, low, high string) {
		first, err1 := poct.ParseNumber(a)
		second, err2 := poct.ParseNumber(b)
		if err1 != nil || err2 != nil || mean != mean || sd != sd || mean > 1e9 || mean < -1e9 || sd > 1e9 {
			return
		}
		m := review.Material{Name: "C|2", Lot: "C<", Level: "2\"", Mean: mean, SD: sd}
		m.Low, _ = poct.ParseNumber(low)
		m.High, _ = poct.ParseNumber(high)
		ch := chartWith(m, "3.0", "3.0")
		ch.Points[0].Value, ch.Points[1].Value, ch.Points[1].Passed = first, second, false
		svg, _ := drawChart("M&1", chartOf([]review.Chart{ch}), nil, time.UTC)
		parsed(t, string(svg))
	})
}
