package web

import (
	"cmp"
	"fmt"
	"html/template"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidegate/review"
)

// groupings are what device errors are counted by, in their order on the page.
var groupings = []struct{ by, name string }{{"operator", "operator"}, {"strip_lot", "strip lot"}, {"meter", "meter"}, {"site", "site"}}

type errorsView struct {
	Answer, Unsure string
	Tabs           []lotLink
	By             string // in words
	Sites          []optionView
	ByValue        string
	Rows           []errorRow
	Axis           template.HTML
	Advice         string
	Empty          string
}

type errorRow struct {
	Name, Count, Share, Between, Rest, Codes string
	Apart, Higher                            bool
	SVG                                      template.HTML
}

// deviceErrors shows how often tests ended without a value, each group beside
// all others: who needs training, or which lot misbehaves.
func (w *Server) deviceErrors(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	q, pl := r.URL.Query(), w.places()
	from, to, err := w.span(q, 90)
	if err != nil {
		return err
	}
	site, sites, err := w.chosenSite(r, c, pl)
	if err != nil {
		return err
	}
	v := errorsView{ByValue: q.Get("by"), Sites: sites}
	if v.ByValue == "" {
		v.ByValue = groupings[0].by
	}
	for _, g := range groupings {
		p := url.Values{"by": {g.by}}
		if s := q.Get("site"); s != "" {
			p.Set("site", s)
		}
		v.Tabs = append(v.Tabs, lotLink{"by " + g.name, "/quality/errors?" + p.Encode(), g.by == v.ByValue})
		if g.by == v.ByValue {
			v.By = g.name
		}
	}
	e, err := by.DeviceErrors(r.Context(), c.actor, v.ByValue, site, from, to)
	if err != nil {
		return err
	}
	v.fill(e, pl, pl.zone(site))
	return w.show(rw, r, c, http.StatusOK, "errors", view{Title: "Tests without a result", At: "quality", Body: v, Broken: pl.missing()})
}

func (v *errorsView) fill(e review.DeviceErrors, pl *places, zone *time.Location) {
	v.Advice = e.Advice
	days := daysBetween(e.From.In(zone), e.To.In(zone))
	if len(e.Groups) == 0 {
		v.Answer, v.Unsure = "No test is counted from "+days+".", ""
		v.Empty = "Tests show here once meters send them; those that ended without a value count as device errors."
		return
	}
	slices.SortStableFunc(e.Groups, func(a, b review.ErrorsGroup) int {
		return cmp.Or(first(a.Apart && a.Higher, b.Apart && b.Higher), cmp.Compare(b.Own.Share, a.Own.Share), cmp.Compare(a.Name, b.Name))
	})
	events, tests, apart, top := 0, 0, []string{}, 0.02
	for _, g := range e.Groups {
		events, tests, top = events+g.Own.Events, tests+g.Own.Tests, max(top, g.Own.High, g.Rest.High)
		if g.Apart && g.Higher {
			apart = append(apart, nameOfGroup(v.ByValue, g.Name, pl))
		}
	}
	v.Answer = fmt.Sprintf("%s of %s ended without a result; no %s stands out.", thousands(events), plural(tests, "test"), v.By)
	if len(apart) > 0 {
		v.Answer = fmt.Sprintf("%s of %s ended without a result, those of %s %s more often than the rest.", thousands(events), plural(tests, "test"), v.By, list(apart, "and"))
	}
	v.Unsure = upperFirst(days) + ". Intervals are 95 % (Wilson). Apart means that two of them have no value in common: a sign to look closer, no proof. Of many groups some lie apart by chance."
	v.Axis = rateAxis(top)
	for i, g := range e.Groups {
		row := errorRow{Name: nameOfGroup(v.ByValue, g.Name, pl), Count: fmt.Sprintf("%d of %d", g.Own.Events, g.Own.Tests), Share: share(g.Own.Share), Between: share(g.Own.Low) + " to " + share(g.Own.High),
			Apart: g.Apart, Higher: g.Higher, Codes: codeWords(g.Codes), Rest: "no others"}
		if g.Rest.Tests > 0 {
			row.Rest = share(g.Rest.Share) + " (" + share(g.Rest.Low) + " to " + share(g.Rest.High) + ")"
		}
		row.SVG = drawRate("rate-"+itoa(i), g, top)
		v.Rows = append(v.Rows, row)
	}
}

func nameOfGroup(by, key string, pl *places) string {
	switch {
	case key == "":
		return "not named"
	case by == "site":
		return pl.name(key)
	}
	return key
}

func share(f float64) string { return fmt.Sprintf("%.1f %%", 100*f) }

func codeWords(codes map[string]int) string {
	keys := slices.SortedFunc(maps.Keys(codes), func(a, b string) int { return cmp.Or(cmp.Compare(codes[b], codes[a]), cmp.Compare(a, b)) })
	var parts []string
	for _, k := range keys {
		parts = append(parts, fmt.Sprintf("%s %d", k, codes[k]))
	}
	return strings.Join(parts, ", ")
}

const rateW, rateL = 240, 14

func rateX(v, top float64) float64 { return rateL + v/top*(rateW-2*rateL) }

// drawRate draws a share with its interval above that of all others.
func drawRate(id string, g review.ErrorsGroup, top float64) template.HTML {
	s := newDrawing(rateW, 28, id, fmt.Sprintf("%s, interval %s to %s", share(g.Own.Share), share(g.Own.Low), share(g.Own.High)))
	s.path("whisker", "M%.1f 9H%.1f", rateX(g.Own.Low, top), rateX(g.Own.High, top))
	if g.Apart && g.Higher {
		s.warning(rateX(g.Own.Share, top), 9)
	} else {
		s.inside(rateX(g.Own.Share, top), 9)
	}
	if g.Rest.Tests > 0 {
		s.path("rest", "M%.1f 21H%.1f", rateX(g.Rest.Low, top), rateX(g.Rest.High, top))
		s.path("rest", "M%.1f 17v8", rateX(g.Rest.Share, top))
	}
	return s.done()
}

func rateAxis(top float64) template.HTML {
	s := newDrawing(rateW, 18, "rate-axis", "Share of tests without a result")
	for _, at := range []float64{0, 0.5, 1} {
		s.text("tick", rateX(at*top, top), 13, "middle", fmt.Sprintf("%.0f %%", 100*at*top))
	}
	return s.done()
}
