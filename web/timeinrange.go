package web

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

type timeInRangeView struct {
	Answer, Unsure string
	Patient        string
	BirthDate      string
	Low, High      string
	From, To       string
	Faults         []faultView
	Asked          bool
	SVG            template.HTML
	Figures        []factPair
	Series         []historyRow
	Choices        []string
}

func (w *Server) timeInRangeForm(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.showTimeInRange(rw, r, c, http.StatusOK, timeInRangeView{})
}

func (w *Server) showTimeInRange(rw http.ResponseWriter, r *http.Request, c caller, status int, v timeInRangeView) error {
	if _, err := w.coordinator(); err != nil {
		return err
	}
	if v.Answer == "" {
		v.Answer, v.Unsure = "How long was a patient’s INR in range?", "A report on treatment as a whole, never a reason to hold a result. What you type is sent in the form’s body and stands in no address."
	}
	return w.show(rw, r, c, status, "time-in-range", view{Title: "Time in range", At: "quality", Body: v})
}

// timeInRange reports on one patient. The answer is this page itself: neither
// the number nor the figures stand in an address.
func (w *Server) timeInRange(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	f := r.PostForm
	v := timeInRangeView{Patient: strings.TrimSpace(f.Get("patient")), BirthDate: strings.TrimSpace(f.Get("birth_date")), Low: strings.TrimSpace(f.Get("low")), High: strings.TrimSpace(f.Get("high")), From: strings.TrimSpace(f.Get("from")), To: strings.TrimSpace(f.Get("to"))}
	from, to, err := w.span(url.Values{"from": {v.From}, "to": {v.To}}, 365)
	if err != nil {
		v.Faults = []faultView{{"from", "Write the days as 2026-10-01."}}
		return w.showTimeInRange(rw, r, c, http.StatusUnprocessableEntity, v)
	}
	if _, err := time.Parse(time.DateOnly, v.BirthDate); err != nil && v.Patient != "" {
		v.Faults = []faultView{{"birth_date", "Type the birth date as year, month, day: 1950-12-31."}}
		return w.showTimeInRange(rw, r, c, http.StatusUnprocessableEntity, v)
	}
	who, known, err := w.patientOf(v.Patient, v.BirthDate)
	if err != nil {
		return err
	}
	if v.Patient != "" && !known {
		v.nothing()
		return w.showTimeInRange(rw, r, c, http.StatusOK, v)
	}
	t, err := by.TimeInRange(r.Context(), c.actor, who, v.Low, v.High, from, to)
	var form *review.FormError
	if errors.As(err, &form) {
		v.Faults = faultsOf(form)
		return w.showTimeInRange(rw, r, c, http.StatusUnprocessableEntity, v)
	}
	if err != nil {
		return err
	}
	pl := w.places()
	v.fill(t, pl.now, w.zoneOf(c, pl))
	return w.showTimeInRange(rw, r, c, http.StatusOK, v)
}

// patientOf is the patient with this number and birth date, as one searches for
// them: a slip in the number alone must not show somebody else's results.
func (w *Server) patientOf(number, birthDate string) (poct.PatientRef, bool, error) {
	rows, err := w.s.Reader.Book().Patients("", number)
	if err != nil {
		return poct.PatientRef{}, false, fmt.Errorf("look up a patient: %w", err)
	}
	for _, p := range rows {
		if p.BirthDate == birthDate {
			return poct.PatientRef{Authority: p.Authority, ID: p.ID}, true, nil
		}
	}
	return poct.PatientRef{}, false, nil
}

func (v *timeInRangeView) nothing() {
	v.Asked = true
	v.Answer, v.Unsure = "Nothing here. That is not “never measured”.", "No result under this number and birth date is known in this span: the meter may not have connected, or one of them is another."
}

func (v *timeInRangeView) fill(t review.TimeInRange, now time.Time, zone *time.Location) {
	f, band := t.Figures, t.Low.String()+" to "+t.High.String()
	v.Asked = true
	switch {
	case len(t.Series) == 0:
		v.nothing()
		return
	case !f.Told:
		v.Answer = "No share can be told: " + lowerFirst(clause(f.Why)) + "."
	default:
		v.Answer = fmt.Sprintf("In range (%s) for %.0f %% of %.0f days.", band, f.Percent, f.In+f.Below+f.Above)
	}
	v.Unsure = "A report on treatment as a whole, never a reason to hold a result. The range is the one you typed, or 2.0 to 3.0; the order says which is right."
	add := func(name, format string, a ...any) {
		v.Figures = append(v.Figures, factPair{name, fmt.Sprintf(format, a...)})
	}
	if f.Told {
		add("Days in range", "%.1f", f.In)
		add("Days below", "%.1f", f.Below)
		add("Days above", "%.1f", f.Above)
	}
	add("Days not counted: gap too long", "%.0f", f.GapDays)
	add("Days with an INR", "%d, of them %d in range", f.Tests, f.TestsIn)
	add("Values left out", "%d", f.LeftOut)
	add("Mean INR", "%.2f", f.Mean)
	add("SD, CV", "%.2f, %.0f %%", f.SD, f.CV)
	add("Variance growth rate a week", "%.3f; with the gaps %.3f", f.Growth, f.GrowthAll)
	v.Choices = []string{"A straight line is drawn between successive INRs; it is measured exactly where it crosses the range (Rosendaal and others, Thromb Haemost 1993;69:236).",
		"Both ends of the range count as in range.", "A gap of more than 56 days is not counted (LOINC 72281-9).",
		"Of several INRs on one date the one nearest the middle of the range counts. Above 10 counts as 10, below 0.8 is left out (CMS measure 179).",
		"Fewer than 3 days with an INR give no share. Nothing is counted before the first INR or after the last."}
	for _, p := range slices.Backward(t.Series) {
		v.Series = append(v.Series, historyRow{Tested: clock(p.At, now, zone), INR: p.INR.String()})
	}
	v.SVG = drawSeries(t, zone)
}

// drawSeries draws a patient's INRs, time to scale, over the band of the
// range. The line breaks at gaps that are not counted.
func drawSeries(t review.TimeInRange, zone *time.Location) template.HTML {
	const w, h, left, right, top, foot = 880, 260, 34, 44, 14, 26
	first, last := t.Series[0].At, t.Series[len(t.Series)-1].At
	if last.Sub(first) < 30*24*time.Hour {
		first = last.AddDate(0, 0, -30)
	}
	most := math.Ceil(t.High.Float() + 1)
	for _, p := range t.Series {
		most = max(most, math.Ceil(p.INR.Float()+0.5))
	}
	most = min(most, 10)
	x := func(at time.Time) float64 {
		return left + at.Sub(first).Seconds()/last.Sub(first).Seconds()*(w-left-right)
	}
	y := func(v float64) float64 { return top + (most-min(v, most))/most*(h-top-foot) }
	s := newDrawing(w, h, "series-title", fmt.Sprintf("INR of this patient, %s, over the range %s to %s; the values stand in the table below.", plural(len(t.Series), "value"), t.Low.String(), t.High.String()))
	s.rect("range", left, y(t.High.Float()), w-left-right, y(t.Low.Float())-y(t.High.Float()))
	for v := 0.0; v <= most; v++ {
		s.path("grid", "M%d %.1fH%d", left, y(v), w-right)
		s.text("tick", left-8, y(v)+4, "end", fmt.Sprintf("%g", v))
	}
	s.text("label", w-right+6, y(t.High.Float())+4, "start", t.High.String())
	s.text("label", w-right+6, y(t.Low.Float())+4, "start", t.Low.String())
	at := -100.0
	for m := monthOf(first.In(zone)).AddDate(0, 1, 0); !m.After(last); m = m.AddDate(0, 1, 0) {
		if px := x(m); px-at >= 44 {
			s.text("tick", px, h-6, "middle", m.Format("Jan"))
			at = px
		}
	}
	var line strings.Builder
	const gap = 56 * 24 * time.Hour // longer ones are not counted
	for i, p := range t.Series {
		verb := "L"
		if i == 0 || p.At.Sub(t.Series[i-1].At) > gap {
			verb = "M"
		}
		fmt.Fprintf(&line, "%s%.1f %.1f", verb, x(p.At), y(p.INR.Float()))
	}
	s.path("line", "%s", line.String())
	for _, p := range t.Series {
		s.inside(x(p.At), y(p.INR.Float()))
		if v := p.INR.Float(); v > most {
			s.path("line", "M%.1f %.1fv-8m-4 4l4-4 4 4", x(p.At), y(v)-6)
			s.text("label", x(p.At)+8, y(v)+4, "start", p.INR.String())
		}
	}
	return s.done()
}
