package web

import (
	"slices"
	"time"

	"tidegate/poct"
)

// interruption is where the lines of a chart break: another lot began, or
// something was done to the meter.
type interruption struct {
	col  int // before this column
	text string
}

// breaks draws an upright line at each, with its words at the foot of a lane
// where they find room.
func (c *canvas) breaks(actions []poct.CorrectiveAction, height float64) {
	for _, b := range c.interruptions(actions) {
		x := c.x(b.col) - (laneW-laneL-laneR)/float64(c.columns)/2
		c.path("break", "M%.1f 8V%.1f", x, height-axisH)
		w := textWidth(b.text)
		for lane := range c.levels {
			y := c.middle(lane) + 2.5*perSD + 4
			at, anchor := x+7, "start"
			if at+w > laneW-laneR {
				at, anchor = x-7, "end"
			}
			room := place{at, y - 11, w, 14}
			if anchor == "end" {
				room.x -= w
			}
			if slices.ContainsFunc(c.taken, room.meets) {
				continue
			}
			c.taken = append(c.taken, room)
			c.text("label", at, y, anchor, b.text)
			break
		}
	}
}

func (c *canvas) interruptions(actions []poct.CorrectiveAction) []interruption {
	var out []interruption
	add := func(col int, text string) {
		i := slices.IndexFunc(out, func(b interruption) bool { return b.col == col })
		if i < 0 {
			out = append(out, interruption{col, text})
		} else {
			out[i].text += ", " + text
		}
	}
	lots := map[string]string{} // level -> its control lot so far
	for i, r := range c.runs {
		if i > 0 && c.runs[i-1].strips != r.strips {
			add(r.col, "strips "+r.strips+" begin")
		}
		if was := lots[r.Level]; was != "" && was != r.Lot {
			add(r.col, "control lot "+r.Lot+" begins")
		}
		lots[r.Level] = r.Lot
	}
	c.acted = nil
	for _, a := range actions {
		if col := c.columnAfter(a.At); col > 0 && !slices.Contains(c.acted, col) {
			c.acted = append(c.acted, col)
			add(col, "something was done "+a.At.In(c.zone).Format("2 Jan 15:04"))
		}
	}
	return out
}

// columnAfter is the first column of a run after a time, -1 if there is none.
func (c *canvas) columnAfter(at time.Time) int {
	for _, r := range c.runs {
		if r.At.After(at) {
			return r.col
		}
	}
	return -1
}

func (c *canvas) actedBetween(a, b int) bool {
	return slices.ContainsFunc(c.acted, func(col int) bool { return a < col && col <= b })
}
