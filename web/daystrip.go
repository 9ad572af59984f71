package web

import (
	"cmp"
	"fmt"
	"html/template"
	"maps"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

const (
	stripW, stripH = 288, 34
	stripHours     = 12
	stripEdge      = 8 // room for the first and last figure
)

// dayWindow is the twelve hours that a strip shows: from seven, or the half of
// the day that now lies in.
func dayWindow(now time.Time) (from, to time.Time) {
	hour := 7
	switch {
	case now.Hour() < 7:
		hour = 0
	case now.Hour() >= 19:
		hour = 12
	}
	from = time.Date(now.Year(), now.Month(), now.Day(), hour, 0, 0, 0, now.Location())
	return from, from.Add(stripHours * time.Hour)
}

// span is from one time to another.
type span struct{ from, to time.Time }

// day is how a meter stood and will stand today.
type day struct {
	span
	now      time.Time
	past     []span // both levels had passed and none failed since
	until    time.Time
	ready    bool
	controls []controlRow // of today, oldest first
}

// dayOf reckons from the controls of the last day when both levels had passed.
func (w *Server) dayOf(m poct.Meter, ready poct.Readiness, pl *places) (day, error) {
	zone := pl.zone(m.Site)
	d := day{now: pl.now.In(zone), until: ready.Until.In(zone), ready: ready.Ready}
	d.from, d.to = dayWindow(d.now)
	runs, err := pl.book.Controls(m.Serial, d.from.Add(-24*time.Hour), pl.now)
	if err != nil {
		return d, fmt.Errorf("read controls: %w", err)
	}
	every := pl.site(m.Site).QCInterval
	passes := map[string]time.Time{} // level -> its last pass; gone when it failed
	var open time.Time
	shut := func(at time.Time) {
		if !open.IsZero() && at.After(d.from) {
			d.past = append(d.past, span{later(open, d.from), at})
		}
		open = time.Time{}
	}
	due := func() time.Time {
		if every <= 0 || len(passes) == 0 {
			return time.Time{}
		}
		return slices.MinFunc(slices.Collect(maps.Values(passes)), time.Time.Compare).Add(every)
	}
	for _, p := range runs {
		level := strings.ToLower(strings.TrimSpace(p.Reading.ControlLevel))
		if at := due(); !open.IsZero() && !at.IsZero() && at.Before(p.Tested) {
			shut(at)
		}
		if p.QCPassed {
			passes[level] = p.Tested
		} else {
			delete(passes, level)
			shut(p.Tested)
		}
		if open.IsZero() && len(passes) >= levelsNeeded && p.QCPassed {
			open = p.Tested
		}
		if midnight := time.Date(d.now.Year(), d.now.Month(), d.now.Day(), 0, 0, 0, 0, zone); !p.Tested.Before(midnight) {
			d.controls = append(d.controls, controlRow{Level: p.Reading.ControlLevel, Lot: p.Reading.ControlLot, Tested: p.Tested, Passed: p.QCPassed})
		}
	}
	end := d.now
	if at := due(); !open.IsZero() && !at.IsZero() && at.Before(end) {
		end = at
	}
	shut(end)
	return d, nil
}

// levelsNeeded is how many levels of control must pass (common practice, no source).
const levelsNeeded = 2

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func (d day) x(t time.Time) float64 {
	share := t.Sub(d.from).Seconds() / d.to.Sub(d.from).Seconds()
	return stripEdge + min(max(share, 0), 1)*(stripW-2*stripEdge)
}

// words says the strip in words, for whoever does not see it.
func (d day) words() string {
	var parts []string
	for _, s := range d.past {
		parts = append(parts, "controls had passed from "+s.from.In(d.now.Location()).Format("15:04")+" to "+s.to.In(d.now.Location()).Format("15:04"))
	}
	switch {
	case !d.ready:
		parts = append(parts, "not cleared now")
	case d.until.IsZero():
		parts = append(parts, "cleared from now on, no end known")
	default:
		parts = append(parts, "cleared from now until "+d.until.Format("15:04"))
	}
	return upperFirst(strings.Join(parts, "; ")) + "."
}

// draw draws a strip: past grey, to come tide, not cleared a thin line, now an
// upright line.
func (d day) draw(id string) template.HTML {
	s := newDrawing(stripW, stripH, id, d.words())
	now, base := d.x(d.now), 25.0
	s.path("ground", "M%.1f %.1fH%.1f", d.x(d.from), base+1.5, now)
	for _, p := range slices.SortedFunc(slices.Values(d.past), func(a, b span) int { return cmp.Compare(a.from.Unix(), b.from.Unix()) }) {
		s.rect("past", d.x(p.from), base-11, d.x(p.to)-d.x(p.from), 13)
	}
	switch {
	case !d.ready:
		from := d.from
		if n := len(d.past); n > 0 {
			from = d.past[n-1].to
		}
		s.rect("closed", d.x(from), base-2, d.x(d.to)-d.x(from), 4)
	case d.until.IsZero():
		s.rect("open", now, base-11, d.x(d.to)-now, 13)
	default:
		s.rect("open", now, base-11, d.x(d.until)-now, 13)
		s.rect("after", d.x(d.until), base-2, d.x(d.to)-d.x(d.until), 4)
	}
	s.path("now", "M%.1f 2V%d", now, stripH-2)
	return s.done()
}

// stripAxis is the head of the column of strips.
func stripAxis(from time.Time) template.HTML {
	s := newDrawing(stripW, 18, "strip-axis", "Hours of the day")
	for h := 0; h <= stripHours; h += 3 {
		s.text("tick", stripEdge+float64(h)/stripHours*(stripW-2*stripEdge), 13, "middle", from.Add(time.Duration(h)*time.Hour).Format("15"))
	}
	return s.done()
}
