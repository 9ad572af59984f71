package web

import (
	"fmt"
	"html"
	"html/template"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// point is one earlier INR of a patient, the held one, or one of the laboratory.
type point struct {
	at    time.Time
	value float64
	text  string // as sent
	held  bool
	lab   bool
}

// historyView is a patient's INR over twelve months, as picture and as table.
type historyView struct {
	SVG  template.HTML
	Rows []historyRow
	None bool
	Lab  bool // values of the laboratory are among them
}

type historyRow struct{ Tested, INR, Note string }

// history draws what the record got for this patient in the twelve months
// before the test, and the held value as a hollow square. Time is to scale.
func (w *Server) history(h poct.HoldRecord, pl *places) (historyView, error) {
	tested := h.Reading.Tested()
	if h.Reading.Patient.ID == "" || tested.IsZero() || h.Reading.Kind != poct.KindPatient {
		return historyView{None: true}, nil
	}
	past, err := pl.book.PatientResults(h.Reading.Patient, tested.AddDate(-1, 0, 0), tested, 400)
	if err != nil {
		return historyView{}, err
	}
	labs, err := pl.book.LabResults(h.Reading.Patient, tested.AddDate(-1, 0, 0), tested)
	if err != nil {
		return historyView{}, err
	}
	var points []point
	for i, p := range slices.Concat(past, labs) {
		if m, ok := p.Reading.Measured("inr"); ok && !m.Value.IsZero() && p.Result != h.Result {
			points = append(points, point{at: p.Tested, value: m.Value.Float(), text: m.RawValue, lab: i >= len(past)})
		}
	}
	slices.SortFunc(points, func(a, b point) int { return a.at.Compare(b.at) })
	if m, ok := h.Reading.Measured("inr"); ok && !m.Value.IsZero() {
		points = append(points, point{at: tested, value: m.Value.Float(), text: m.RawValue, held: true})
	}
	if len(points) == 0 {
		return historyView{None: true}, nil
	}
	zone := pl.zone(h.Site)
	v := historyView{SVG: drawHistory(points, tested, zone), Lab: len(labs) > 0}
	for i := len(points) - 1; i >= 0; i-- {
		row := historyRow{Tested: moment(points[i].at, pl.now, zone, "15:04"), INR: points[i].text}
		if points[i].held {
			row.Note = "held"
		} else if points[i].lab {
			row.Note = "laboratory"
		}
		v.Rows = append(v.Rows, row)
	}
	return v, nil
}

const (
	chartW, chartH = 366, 132
	chartL, chartR = 26, 6
	chartT, chartB = 12, 22
)

// drawHistory renders at its own size, never scaled up. The line joins what the
// meters gave; the laboratory's values stand beside it as hollow squares.
func drawHistory(points []point, end time.Time, zone *time.Location) template.HTML {
	top := 4.0
	for _, p := range points {
		top = max(top, float64(int(p.value)+1))
	}
	start := points[0].at
	if short := end.AddDate(0, -1, 0); start.After(short) {
		start = short // a lone point stands at the end of a month, not in nowhere
	}
	x := func(t time.Time) float64 {
		return chartL + t.Sub(start).Seconds()/end.Sub(start).Seconds()*(chartW-chartL-chartR-6)
	}
	y := func(v float64) float64 { return chartT + (top-v)/(top-0)*(chartH-chartT-chartB) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="chart" width="%d" height="%d" viewBox="0 0 %d %d" role="img" aria-labelledby="history-title"><title id="history-title">%s</title>`,
		chartW, chartH, chartW, chartH, html.EscapeString(fmt.Sprintf("INR of this patient, %d values; they stand in the table below.", len(points))))
	step := 1.0
	if top > 6 {
		step = 2
	}
	for v := 0.0; v <= top; v += step {
		fmt.Fprintf(&b, `<path class="grid" d="M%d %.1fH%d"/><text class="tick" x="%d" y="%.1f" text-anchor="end">%g</text>`, chartL, y(v), chartW-chartR, chartL-6, y(v)+4, v)
	}
	last := -100.0
	for m := monthOf(start.In(zone)).AddDate(0, 1, 0); m.Before(end); m = m.AddDate(0, 1, 0) {
		if at := x(m); at-last >= 44 && at < chartW-24 {
			fmt.Fprintf(&b, `<text class="tick" x="%.1f" y="%d" text-anchor="middle">%s</text>`, at, chartH-6, m.Format("Jan"))
			last = at
		}
	}
	ours := slices.DeleteFunc(slices.Clone(points), func(p point) bool { return p.lab })
	for i := 1; i < len(ours); i++ {
		class := "line"
		if ours[i].held {
			class = "line dashed"
		}
		fmt.Fprintf(&b, `<path class="%s" d="M%.1f %.1fL%.1f %.1f"/>`, class, x(ours[i-1].at), y(ours[i-1].value), x(ours[i].at), y(ours[i].value))
	}
	for i, p := range points {
		px, py := x(p.at), y(p.value)
		if p.held {
			fmt.Fprintf(&b, `<rect class="heldpoint" x="%.1f" y="%.1f" width="10" height="10"/>`, px-5, py-5)
			label := py + 22
			if label > chartH-chartB {
				label = py - 12
			}
			fmt.Fprintf(&b, `<text class="label strong" x="%d" y="%.1f" text-anchor="end">%s, held</text>`, chartW-chartR, label, html.EscapeString(p.text))
			continue
		}
		if p.lab {
			fmt.Fprintf(&b, `<rect class="lab" x="%.1f" y="%.1f" width="9" height="9"/>`, px-4.5, py-4.5)
			continue
		}
		fmt.Fprintf(&b, `<circle class="dot" cx="%.1f" cy="%.1f" r="3.5"/>`, px, py)
		if i == len(points)-2 && points[len(points)-1].held {
			fmt.Fprintf(&b, `<text class="label" x="%.1f" y="%.1f" text-anchor="middle">%s</text>`, min(px, chartW-40), max(py-9, 10), html.EscapeString(p.text))
		}
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

func monthOf(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), 1, 0, 0, 0, 0, t.Location())
}
