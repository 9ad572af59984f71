package web

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

// mostLots is how many strip lots stand on one chart.
const mostLots = 6

type controlsView struct {
	Meter, Answer, Unsure string
	Tone, Mark            string
	Title                 string
	SVG                   template.HTML
	Cut                   string
	Rows                  []runRow
	Notes                 []string
	Lots                  []lotLink
	Spans                 []lotLink
	Doubt                 *doubtSummary
	Actions               []actionRow
	MayAct, Locked        bool
	What                  string
	Faults                []faultView
	Empty                 string
}

type runRow struct {
	Tested, Level, Control, Strips, Value, SDs, Word, Rules string
	Mark                                                    string
}

type lotLink struct {
	Text, Link string
	On         bool
}

type actionRow struct{ At, By, What string }

// doubtSummary is the open look-back of a meter, in short.
type doubtSummary struct {
	Link, Span string
	Items      []doubtView
	Left       int
}

func (w *Server) controls(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.controlsPage(rw, r, c, http.StatusOK, "", nil)
}

// controlsPage shows the control chart of a meter; what was typed about an
// action stands in its form.
func (w *Server) controlsPage(rw http.ResponseWriter, r *http.Request, c caller, status int, what string, faults []faultView) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	meter, q := r.PathValue("meter"), r.URL.Query()
	from, to, err := w.span(q, 30)
	if err != nil {
		return err
	}
	charts, lots, err := charts(r.Context(), by, c.actor, meter, q.Get("lot"), from, to)
	if err != nil {
		return err
	}
	pl := w.places()
	site := charts[0].Site
	zone := pl.zone(site)
	runs := chartOf(charts)
	v := controlsView{Meter: meter, What: what, Faults: faults, MayAct: c.can(deciders)}
	actions := charts[0].Actions
	var cut int
	v.SVG, cut = drawChart(meter, runs, actions, zone)
	if cut > 0 {
		v.Cut = "The newest runs are drawn; " + plural(cut, "earlier run") + " " + verb(cut, "stands", "stand") + " in the table alone."
	}
	for _, x := range slices.Backward(runs) {
		v.Rows = append(v.Rows, runRowOf(x, pl.now, zone))
	}
	for _, a := range slices.Backward(actions) {
		v.Actions = append(v.Actions, actionRow{clock(a.At, pl.now, zone), a.By, a.What})
	}
	v.Lots, v.Spans = lotLinks(meter, lots, q), spanLinks(meter, q, pl.now)
	if w.s.Readiness != nil {
		if ready, err := w.s.Readiness(r.Context(), meter); err == nil {
			v.Locked = !ready.Ready && slices.ContainsFunc(ready.Why, func(p poct.Problem) bool { return strings.HasPrefix(p.Code, "qc-") && p.Severity == poct.Hold })
		}
	}
	v.answer(runs, zone, from)
	v.unsure(runs, charts, pl.name(site))
	if v.Doubt, err = w.doubtOn(r.Context(), c, meter, pl); err != nil {
		return err
	}
	return w.show(rw, r, c, status, "controls", view{Title: "Controls of meter " + meter, At: "quality", Body: v, Broken: pl.missing()})
}

// charts asks for the chart of each strip lot in the span, oldest first, or of
// one alone; lots are all there are.
func charts(ctx context.Context, by Coordinator, actor poct.Actor, meter, lot string, from, to time.Time) (out []review.Chart, lots []string, err error) {
	first, err := by.Chart(ctx, actor, meter, lot, from, to)
	if err != nil {
		return nil, nil, err
	}
	lots = first.Lots
	if lot != "" || len(lots) < 2 {
		return []review.Chart{first}, lots, nil
	}
	for _, l := range lots[max(0, len(lots)-mostLots):] {
		ch := first
		if l != first.StripLot {
			if ch, err = by.Chart(ctx, actor, meter, l, from, to); err != nil {
				return nil, nil, err
			}
		}
		out = append(out, ch)
	}
	return out, lots, nil
}

func runRowOf(x run, now time.Time, zone *time.Location) runRow {
	word, rules := x.state()
	row := runRow{Tested: clock(x.At, now, zone), Level: x.Level, Control: x.Lot, Strips: x.strips, Value: x.Value.String(), Word: word, Rules: strings.Join(rules, ", ")}
	row.Mark = map[string]string{"rejected": "stopped", "warning": "flagged"}[word]
	if x.Judged {
		row.SDs = fmt.Sprintf("%+.2f", x.Z)
	}
	if !x.Passed {
		row.Rules = strings.TrimPrefix(row.Rules+", outside its range", ", ")
	}
	return row
}

func lotLinks(meter string, lots []string, q url.Values) []lotLink {
	if len(lots) < 2 {
		return nil
	}
	link := func(lot string) string {
		p := url.Values{}
		for _, k := range []string{"from", "to"} {
			if t := q.Get(k); t != "" {
				p.Set(k, t)
			}
		}
		if lot != "" {
			p.Set("lot", lot)
		}
		return strings.TrimSuffix("/quality/controls/"+url.PathEscape(meter)+"?"+p.Encode(), "?")
	}
	out := []lotLink{{"all strip lots", link(""), q.Get("lot") == ""}}
	for _, l := range lots {
		out = append(out, lotLink{l, link(l), q.Get("lot") == l})
	}
	return out
}

func spanLinks(meter string, q url.Values, now time.Time) []lotLink {
	var out []lotLink
	for _, days := range []int{30, 90, 365} {
		p := url.Values{}
		if l := q.Get("lot"); l != "" {
			p.Set("lot", l)
		}
		from := now.AddDate(0, 0, -days).Format(time.DateOnly)
		if days != 30 {
			p.Set("from", from)
		}
		out = append(out, lotLink{itoa(days) + " days", strings.TrimSuffix("/quality/controls/"+url.PathEscape(meter)+"?"+p.Encode(), "?"), q.Get("from") == p.Get("from")})
	}
	return out
}

// answer says whether the meter can be trusted, by the newest run of each level.
func (v *controlsView) answer(runs []run, zone *time.Location, from time.Time) {
	if len(runs) == 0 {
		v.Answer, v.Empty = "No control of meter "+v.Meter+" is known since "+from.In(zone).Format("2 January")+".", "A control shows here once the meter has sent it."
		return
	}
	newest, before := map[string]run{}, map[string]run{}
	var levels []string
	for _, r := range runs {
		if was, ok := newest[r.Level]; ok {
			before[r.Level] = was
		} else {
			levels = append(levels, r.Level)
		}
		newest[r.Level] = r
	}
	slices.Sort(levels)
	v.Title = upperFirst(levelWords(levels)) + ", " + plural(len(runs), "run") + ", " + daysBetween(runs[0].At.In(zone), runs[len(runs)-1].At.In(zone))
	var warned []string
	for _, l := range levels {
		r := newest[l]
		word, rules := r.state()
		switch word {
		case "rejected":
			v.Mark, v.Tone = "stopped", "stop"
			what := "failed its level " + l + " control at "
			if r.Passed {
				what = "ran its level " + l + " control inside its range, but rejected by " + list(rules, "and") + ", at "
			}
			v.Answer = "Meter " + v.Meter + " " + what + r.At.In(zone).Format("15:04")
			if v.Locked {
				v.Answer += " and is locked"
			}
			v.Answer += "."
			if w, ok := before[l]; ok {
				if word, _ := w.state(); word == "warning" {
					v.Answer += " It was already " + map[bool]string{true: "high", false: "low"}[w.sds() > 0] + " at " + w.At.In(zone).Format("15:04") + "."
				}
			}
			return
		case "warning":
			warned = append(warned, "level "+l+" with a warning ("+strings.Join(rules, ", ")+")")
		}
	}
	v.Answer = "Meter " + v.Meter + " passed " + levelWords(levels) + ", last at " + clock(runs[len(runs)-1].At, runs[len(runs)-1].At, zone)
	if len(warned) > 0 {
		v.Mark, v.Tone = "flagged", "hold"
		v.Answer += ", " + list(warned, "and")
	}
	v.Answer += "."
}

// daysBetween writes a span of days: 14 to 25 November.
func daysBetween(from, to time.Time) string {
	switch {
	case from.Year() != to.Year():
		return from.Format("2 January 2006") + " to " + to.Format("2 January 2006")
	case from.Month() != to.Month():
		return from.Format("2 January") + " to " + to.Format("2 January")
	case from.Day() != to.Day():
		return from.Format("2") + " to " + to.Format("2 January")
	}
	return to.Format("2 January")
}

func levelWords(levels []string) string {
	if len(levels) == 2 {
		return "both levels"
	}
	return "level " + list(levels, "and")
}

// unsure names lots and what limits rest on.
func (v *controlsView) unsure(runs []run, charts []review.Chart, site string) {
	v.Unsure = site + "."
	if len(runs) == 0 {
		return
	}
	last := charts[len(charts)-1]
	var lots []string
	rests := map[string][]string{} // what limits rest on -> levels
	for _, m := range last.Materials {
		if !slices.Contains(lots, m.Lot) {
			lots = append(lots, m.Lot)
		}
		text := plural(m.Runs, "run") + " on strips " + last.StripLot
		switch {
		case m.Note != "" && m.SD == 0:
			text += ": " + clause(m.Note) + ". The range is used."
		case m.Note != "":
			text += ": " + sentence(m.Note)
		case m.Basis == "stated":
			text += ": mean and SD as the sheet states."
		default:
			text += ": mean and SD from " + m.Basis + "."
		}
		rests[text] = append(rests[text], m.Level)
	}
	for _, text := range sortedKeys(rests) {
		levels := rests[text]
		slices.Sort(levels)
		noun, each := "Level ", ", "
		if len(levels) > 1 {
			noun, each = "Levels ", ", each "
		}
		v.Notes = append(v.Notes, noun+list(levels, "and")+each+text)
	}
	slices.Sort(v.Notes)
	slices.Sort(lots)
	noun := "control lots "
	if len(lots) == 1 {
		noun = "control lot "
	}
	v.Unsure += " Strips " + last.StripLot + ", " + noun + list(lots, "and") + "."
	if len(charts) > 1 {
		v.Unsure += " Figures at the left are for these; earlier runs stand by their own mean and SD."
	}
}

// doubtOn finds the open look-back of a meter and shows its first results.
func (w *Server) doubtOn(ctx context.Context, c caller, meter string, pl *places) (*doubtSummary, error) {
	for after := ""; ; {
		page, err := w.s.Reader.LookBacks(ctx, true, after, 100)
		if err != nil {
			return nil, err
		}
		for _, b := range page {
			if b.Meter != meter || !seesLookBack(c, b) {
				continue
			}
			b, _, err := w.lookBackPage(ctx, c, b.ID, "", 8)
			if err != nil {
				return nil, err
			}
			d := &doubtSummary{Link: "/quality/lookbacks/" + b.ID, Left: b.Left}
			d.Span = plural(b.Total, "result") + ". " + lookBackSpan(b, pl.now, pl.zone(b.Site))
			for _, i := range b.Items {
				d.Items = append(d.Items, doubtOf(i, pl))
			}
			return d, nil
		}
		if len(page) < 100 {
			return nil, nil
		}
		after = page[99].ID
	}
}

// recordAction keeps what was done to a meter.
func (w *Server) recordAction(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	what := r.PostForm.Get("what")
	_, err = by.RecordAction(r.Context(), c.actor, r.PathValue("meter"), what, "")
	var form *review.FormError
	if errors.As(err, &form) {
		return w.controlsPage(rw, r, c, http.StatusUnprocessableEntity, what, faultsOf(form))
	}
	if err != nil {
		return err
	}
	w.sessions.say(c.session, notice{Text: "Recorded. Its charts begin anew here; the meter unlocks by itself when both levels pass."})
	http.Redirect(rw, r, "/quality/controls/"+url.PathEscape(r.PathValue("meter")), http.StatusSeeOther)
	return nil
}

// faultsOf are a form's faults as a page shows them.
func faultsOf(form *review.FormError) []faultView {
	var out []faultView
	for _, f := range form.Faults {
		out = append(out, faultView{f.Field, f.Text})
	}
	return out
}
