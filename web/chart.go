package web

import (
	"cmp"
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

// A control chart: levels stacked on one axis, a column for each run, 25 px an
// SD. Runs stand evenly spaced, so that one repeated after ten minutes is seen.
const (
	laneW, laneL, laneR = 944, 56, 60
	perSD               = 25.0
	laneHead            = 28.0 // room for the level's name and what is written above
	laneH               = 8*perSD + laneHead
	laneGap             = 14.0
	axisH               = 28.0
	mostColumns         = (laneW - laneL - laneR) / 14 // 14 px at least
	runApart            = 2 * time.Hour                // levels run within this stand in one column
)

// run is one control with what it is judged by.
type run struct {
	review.ChartPoint
	review.Material
	strips string
	col    int
}

// sds is how many SDs the run lies from its mean; where no SD is known, its
// range counts as two to each side, for the eye alone.
func (r run) sds() float64 {
	mean, sd := scaleOf(r.Material)
	if sd == 0 {
		return 0
	}
	return (r.Value.Float() - mean) / sd
}

func scaleOf(m review.Material) (mean, sd float64) {
	if m.SD > 0 {
		return m.Mean, m.SD
	}
	low, high := m.Low.Float(), m.High.Float()
	return (low + high) / 2, (high - low) / 4
}

// state of a run: inside, warning or rejected, and the rules that say so: those
// that reject, else those that warn.
func (r run) state() (word string, rules []string) {
	word = "inside"
	if !r.Passed {
		word = "rejected"
	}
	var warned []string
	for _, f := range r.Fired {
		if f.Severity == poct.Hold {
			word, rules = "rejected", append(rules, f.Rule)
		} else {
			warned = append(warned, f.Rule)
		}
	}
	if word == "inside" && len(warned) > 0 {
		word = "warning"
	}
	if len(rules) == 0 {
		rules = warned
	}
	return word, rules
}

// said is what is written at a run; "" at one inside.
// Those of the last day tell the time, older ones the day.
func (r run) said(zone *time.Location, lastDay bool) string {
	word, rules := r.state()
	at := r.At.In(zone).Format("2 Jan")
	if lastDay {
		at = r.At.In(zone).Format("15:04")
	}
	switch {
	case word == "inside":
		return ""
	case len(rules) == 0:
		return at + " outside its range"
	case word == "rejected":
		if !r.Passed && !slices.ContainsFunc(r.Fired, func(f review.Fired) bool { return f.Severity == poct.Hold }) {
			return at + " outside its range, " + list(rules, "and")
		}
		return at + " rejected by " + list(rules, "and")
	case lastDay:
		return at + " warning, " + list(rules, "and")
	}
	return "warning, " + list(rules, "and")
}

// chartOf lays the charts of a meter's strip lots out as one: its runs, oldest
// first, each with its column.
func chartOf(charts []review.Chart) []run {
	var runs []run
	for _, ch := range charts {
		of := map[string]review.Material{}
		for _, m := range ch.Materials {
			of[m.Name] = m
		}
		for _, p := range ch.Points {
			runs = append(runs, run{ChartPoint: p, Material: of[p.Material], strips: ch.StripLot})
		}
	}
	slices.SortStableFunc(runs, func(a, b run) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Level, b.Level)) })
	col, begun, in := -1, time.Time{}, map[string]bool{}
	for i := range runs {
		if r := &runs[i]; col < 0 || in[r.Level] || r.At.Sub(begun) > runApart || i > 0 && runs[i-1].strips != r.strips {
			col, begun, in = col+1, r.At, map[string]bool{}
		}
		in[runs[i].Level], runs[i].col = true, col
	}
	return runs
}

// canvas draws a chart.
type canvas struct {
	*drawing
	runs    []run // those drawn
	levels  []string
	columns int
	zone    *time.Location
	acted   []int   // columns before which something was done to the meter
	taken   []place // where text stands already
	elbows  map[string]elbow
}

// drawChart draws the newest runs that fit; cut tells how many do not.
func drawChart(meter string, runs []run, actions []poct.CorrectiveAction, zone *time.Location) (svg template.HTML, cut int) {
	if len(runs) == 0 {
		return "", 0
	}
	columns := runs[len(runs)-1].col + 1
	if skip := columns - mostColumns; skip > 0 {
		all := len(runs)
		runs = slices.DeleteFunc(slices.Clone(runs), func(r run) bool { return r.col < skip })
		for i := range runs {
			runs[i].col -= skip
		}
		columns, cut = mostColumns, all-len(runs)
	}
	var levels []string
	for _, r := range runs {
		if !slices.Contains(levels, r.Level) {
			levels = append(levels, r.Level)
		}
	}
	slices.SortFunc(levels, func(a, b string) int { return cmp.Compare(b, a) }) // the highest on top
	height := float64(len(levels))*(laneH+laneGap) + axisH
	title := fmt.Sprintf("Control chart of meter %s, %s; the figures stand in the table below.", meter, plural(len(runs), "run"))
	c := &canvas{drawing: newDrawing(laneW, int(height), "chart-title", title), runs: runs, levels: levels, columns: columns, zone: zone, elbows: map[string]elbow{}}
	for i := range levels {
		c.lane(i)
	}
	c.breaks(actions, height)
	for i := range levels {
		c.line(i)
	}
	c.brackets()
	c.points()
	c.days(height)
	return c.done(), cut
}

func (c *canvas) x(col int) float64 {
	return laneL + (float64(col)+0.5)*(laneW-laneL-laneR)/float64(c.columns)
}

func (c *canvas) middle(lane int) float64 {
	return float64(lane)*(laneH+laneGap) + laneHead + 4*perSD
}

// y of so many SDs; what is beyond four stands at the edge, with an arrow.
func (c *canvas) y(lane int, sds float64) float64 {
	return c.middle(lane) - min(max(sds, -4), 4)*perSD
}

func (c *canvas) of(lane int) []run {
	return slices.DeleteFunc(slices.Clone(c.runs), func(r run) bool { return r.Level != c.levels[lane] })
}

// lane draws the ground of a level: band, mean, limits, values left, SDs right.
func (c *canvas) lane(lane int) {
	own := c.of(lane)
	last := own[len(own)-1]
	mean, sd := scaleOf(last.Material)
	right, top := float64(laneW-laneR), c.middle(lane)-4*perSD
	c.text("label strong", laneL, top-12, "start", "Level "+last.Level)
	c.text("label", laneL+textWidth("Level "+last.Level)+14, top-12, "start", "last "+last.Value.String())
	c.taken = append(c.taken, place{laneL, top - 24, 130, 14})
	c.rect("band", laneL, c.y(lane, 2), right-laneL, 4*perSD)
	limits := []struct {
		sds         float64
		class, name string
	}{{3, "three", "+3 SD"}, {2, "two", "+2 SD"}, {0, "mean", "mean"}, {-2, "two", "−2 SD"}, {-3, "three", "−3 SD"}}
	if last.SD == 0 { // only a range: nothing is said of SDs
		limits = limits[:0]
		if sd > 0 {
			limits = append(limits, struct {
				sds         float64
				class, name string
			}{2, "three", "range"}, struct {
				sds         float64
				class, name string
			}{-2, "three", "range"})
		}
	} else {
		for _, s := range []float64{1, -1} {
			c.path("grid", "M%d %.1fH%.1f", laneL, c.y(lane, s), right)
		}
	}
	for _, l := range limits {
		y := c.y(lane, l.sds)
		c.path(l.class, "M%d %.1fH%.1f", laneL, y, right)
		if l.sds != 0 {
			c.taken = append(c.taken, place{laneL, y - 1, right - laneL, 2})
		}
		c.text("tick", laneL-8, y+4, "end", fmt.Sprintf("%.2f", mean+l.sds*sd))
		c.text("tick", right+8, y+4, "start", l.name)
	}
}

// line joins the runs of a level; it breaks where another lot begins or
// something was done to the meter.
func (c *canvas) line(lane int) {
	var data strings.Builder
	own := c.of(lane)
	for i, r := range own {
		verb := "L"
		if i == 0 || c.breaksBetween(own[i-1], r) {
			verb = "M"
		}
		fmt.Fprintf(&data, "%s%.1f %.1f", verb, c.x(r.col), c.y(lane, r.sds()))
	}
	c.path("line", "%s", data.String())
}

func (c *canvas) breaksBetween(a, b run) bool {
	return a.strips != b.strips || a.Lot != b.Lot || c.actedBetween(a.col, b.col)
}

// points draws the runs, and what is written at those not inside: what was
// rejected first, so that it finds its place.
func (c *canvas) points() {
	for _, want := range []string{"rejected", "warning", "inside"} {
		for _, r := range c.runs {
			word, _ := r.state()
			if word != want {
				continue
			}
			lane := slices.Index(c.levels, r.Level)
			x, y := c.x(r.col), c.y(lane, r.sds())
			switch word {
			case "rejected":
				c.rejected(x, y)
			case "warning":
				c.warning(x, y)
			default:
				c.inside(x, y)
			}
			c.beyond(r, x, y)
			c.write(r, word, x, y)
		}
	}
}

// beyond marks a run that lies further out than the chart goes.
func (c *canvas) beyond(r run, x, y float64) {
	switch s := r.sds(); {
	case s > 4:
		c.path("line", "M%.1f %.1fv-8m-4 4l4-4 4 4", x, y-10)
		c.text("label", x+8, y-12, "start", r.Value.String())
	case s < -4:
		c.path("line", "M%.1f %.1fv8m-4-4l4 4 4-4", x, y+10)
		c.text("label", x+8, y+20, "start", r.Value.String())
	}
}

// days writes the days below: the month at both ends.
func (c *canvas) days(height float64) {
	type mark struct {
		x   float64
		day time.Time
	}
	var marks []mark
	for _, r := range c.runs {
		day := r.At.In(c.zone)
		if n := len(marks); n == 0 || marks[n-1].day.YearDay() != day.YearDay() || marks[n-1].day.Year() != day.Year() {
			marks = append(marks, mark{c.x(r.col), day})
		}
	}
	last := -100.0
	for i, m := range marks {
		text := m.day.Format("2")
		if i == 0 || i == len(marks)-1 || m.day.Day() == 1 {
			text = m.day.Format("2 Jan")
		}
		if m.x-last < textWidth(text)+12 {
			continue
		}
		last = m.x
		c.text("tick", m.x, height-8, "middle", text)
	}
}
