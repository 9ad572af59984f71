package web

import (
	"math"
	"slices"

	"tidegate/poct"
)

// elbow is where the bracket of a run begins: its words stand left of it.
type elbow struct{ x, y float64 }

type place struct{ x, y, w, h float64 }

func (b place) meets(o place) bool {
	return b.x < o.x+o.w && o.x < b.x+b.w && b.y < o.y+o.h && o.y < b.y+b.h
}

// write puts the words of a run where nothing else is written; words of a
// warning that find no place are left to the table.
func (c *canvas) write(r run, word string, x, y float64) {
	text := r.said(c.zone, r.col == c.columns-1 || c.lastDay(r))
	if text == "" {
		return
	}
	class, w := "said warn", textWidth(text)
	if word == "rejected" {
		class, w = "said reject", w*1.08
	}
	places := []struct {
		x, y   float64
		anchor string
	}{{x - 12, y + 4, "end"}, {x - 12, y - 5, "end"}, {x - 12, y + 13, "end"}, {x + 12, y + 4, "start"}, {x + 12, y - 5, "start"}, {x - 12, y - 16, "end"}, {x - 12, y + 22, "end"}, {x + 12, y - 16, "start"}}
	if e, ok := c.elbows[r.Result]; ok {
		places[0].x, places[0].y = e.x-8, e.y+5
	}
	for i, p := range places {
		b := place{p.x, p.y - 11, w, 14}
		if p.anchor == "end" {
			b.x -= w
		}
		if b.x < laneL || b.x+w > laneW {
			continue
		}
		if slices.ContainsFunc(c.taken, b.meets) && (word != "rejected" || i < len(places)-1) {
			continue
		}
		c.taken = append(c.taken, b)
		c.text(class, p.x, p.y, p.anchor, text)
		return
	}
}

func (c *canvas) lastDay(r run) bool {
	last := c.runs[len(c.runs)-1].At.In(c.zone)
	at := r.At.In(c.zone)
	return at.YearDay() == last.YearDay() && at.Year() == last.Year()
}

// brackets draws one over all runs that take part in a rule. A rule that goes
// on from run to run has one bracket that grows.
func (c *canvas) brackets() {
	type taking struct {
		rule    string
		hold    bool
		results []string
	}
	var all []taking
	for _, r := range c.runs {
		for _, f := range r.Fired {
			if len(f.Results) < 2 {
				continue
			}
			i := slices.IndexFunc(all, func(t taking) bool {
				return t.rule == f.Rule && slices.ContainsFunc(f.Results, func(id string) bool { return slices.Contains(t.results, id) })
			})
			if i < 0 {
				all = append(all, taking{rule: f.Rule, hold: f.Severity == poct.Hold})
				i = len(all) - 1
			}
			all[i].results = append(all[i].results, f.Results...)
		}
	}
	used := map[int]int{} // lane -> brackets so far
	for _, t := range all {
		class := "bracket warn"
		if t.hold {
			class = "bracket"
		}
		for lane := range c.levels {
			var in []run
			for _, r := range c.of(lane) {
				if slices.Contains(t.results, r.Result) {
					in = append(in, r)
				}
			}
			if len(in) == 0 {
				continue
			}
			top := math.Inf(1)
			for _, r := range in {
				top = min(top, c.y(lane, r.sds()))
			}
			top -= 14 + 5*float64(used[lane])
			used[lane]++
			from, to := c.x(in[0].col), c.x(in[len(in)-1].col)
			c.path(class, "M%.1f %.1fH%.1f", from, top, to)
			c.taken = append(c.taken, place{from, top - 4, to - from, 8})
			for _, r := range in {
				x, y := c.x(r.col), c.y(lane, r.sds())-8
				c.path(class, "M%.1f %.1fV%.1f", x, top, y)
				c.taken = append(c.taken, place{x - 3, top, 6, y - top})
			}
			c.elbows[in[len(in)-1].Result] = elbow{from, top}
		}
	}
}
