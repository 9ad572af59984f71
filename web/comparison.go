package web

import (
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"tidegate/quality"
)

type comparisonView struct {
	Answer, Unsure string
	Sites          []optionView
	Lot, From, To  string
	Within         string
	SVG            template.HTML
	Figures        []factPair
	Bias           []biasRow
	BiasBy         string
	Shares         []shareRow
	Heads          pairHeads
	Pairs          []pairRow
	Why            string
	Notes          []string
}

type biasRow struct {
	At, Bias, Percent string
	Outside           bool
}

type shareRow struct{ Rule, Within, Percent string }

// comparison asks how meters and the laboratory agree.
func (w *Server) comparison(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	q, pl := r.URL.Query(), w.places()
	from, to, err := w.span(q, 90)
	if err != nil {
		return err
	}
	within, err := spanWithin(q.Get("within"))
	if err != nil {
		return err
	}
	site, sites, err := w.chosenSite(r, c, pl)
	if err != nil {
		return err
	}
	zone := pl.zone(site)
	cmp, err := by.Compare(r.Context(), c.actor, site, strings.TrimSpace(q.Get("lot")), from, to, within)
	if err != nil {
		return err
	}
	v := comparisonView{Sites: sites, Lot: q.Get("lot"), From: from.In(zone).Format(time.DateOnly), To: to.In(zone).Format(time.DateOnly), Within: fmt.Sprintf("%gh", within.Hours()), Why: cmp.Why, Heads: pairHeads{"Meter", "Laboratory"}}
	v.answer(cmp.Pairs, cmp.Figures, within)
	var outside []quality.Pair
	if cmp.Figures != nil {
		if len(cmp.Figures.Agreements) > 0 {
			outside = cmp.Figures.Agreements[0].Outside
		}
		v.figures(*cmp.Figures)
	}
	v.SVG = drawDifferences(cmp.Pairs, cmp.Figures)
	v.Pairs = pairRows(cmp.Pairs, outside, pl.now, zone)
	return w.show(rw, r, c, http.StatusOK, "comparison", view{Title: "Meter and laboratory", At: "quality", Body: v, Broken: pl.missing()})
}

// spanWithin reads how far the two of a pair may lie apart.
func spanWithin(text string) (time.Duration, error) {
	if text == "" {
		return pairsWithin, nil
	}
	d, err := time.ParseDuration(text)
	if err != nil || d <= 0 || d > 7*24*time.Hour {
		return 0, problem{Status: 400, Title: "The time between the two of a pair cannot be read.", Detail: "Write it as 4h, at most 168h."}
	}
	return d, nil
}

// chosenSite is the site that a page asks about: the one in the address, else
// all for who sees all, else the caller's first; with those to choose from.
func (w *Server) chosenSite(r *http.Request, c caller, pl *places) (string, []optionView, error) {
	all, err := w.s.Reader.Meters(r.Context())
	if err != nil {
		return "", nil, err
	}
	var ids []string
	for _, m := range all {
		if sees(c, m.Site) && !slices.Contains(ids, m.Site) {
			ids = append(ids, m.Site)
		}
	}
	site := r.URL.Query().Get("site")
	if !c.all() && site == "" && len(ids) > 0 {
		site = ids[0]
	}
	options := siteOptions(ids, site, pl)
	if !c.all() && len(options) > 0 {
		options = options[1:]
	}
	return site, options, nil
}

func (v *comparisonView) answer(pairs []quality.Pair, f *quality.Comparison, within time.Duration) {
	used, left := 0, 0
	for _, p := range pairs {
		if _, _, ok := differenceOf(p); ok {
			used++
		} else {
			left++
		}
	}
	v.Unsure = fmt.Sprintf("Pairs lie at most %g h apart. ", within.Hours()) + upperFirst(plural(left, "result")) + " " + verb(left, "is", "are") + " left out; the reason stands beside " + verb(left, "it.", "each.")
	if f == nil || f.Differences == nil {
		v.Answer = "There are no figures yet: " + plural(used, "usable pair") + "."
		return
	}
	d := f.Differences
	v.Answer = fmt.Sprintf("Meters read %s INR %s the laboratory on average; 95 %% of differences are expected from %s to %s (%s).",
		trimmed(math.Abs(d.Bias), 2), map[bool]string{true: "above", false: "below"}[d.Bias >= 0], signed(d.Lower, 2), signed(d.Upper, 2), plural(d.N, "pair"))
}

func (v *comparisonView) figures(f quality.Comparison) {
	between := func(i quality.Interval, decimals int) string {
		return signed(i.Low, decimals) + " to " + signed(i.High, decimals)
	}
	add := func(name, format string, a ...any) {
		v.Figures = append(v.Figures, factPair{name, fmt.Sprintf(format, a...)})
	}
	add("Laboratory INR", "%.1f to %.1f", f.Low, f.High)
	if d := f.Differences; d != nil {
		add("Bias", "%s (95 %% CI %s)", signed(d.Bias, 2), between(d.BiasCI, 2))
		add("Lower limit", "%s (%s)", signed(d.Lower, 2), between(d.LowerCI, 2))
		add("Upper limit", "%s (%s)", signed(d.Upper, 2), between(d.UpperCI, 2))
	}
	add("Mean difference", "%s %%", signed(f.MeanPercent, 1))
	add("Median difference", "%s", signed(f.MedianDifference, 2))
	for _, l := range []*quality.Line{f.PassingBablok, f.Deming} {
		if l == nil {
			continue
		}
		text := fmt.Sprintf("slope %.2f, intercept %s", l.Slope, signed(l.Intercept, 2))
		if l.SlopeCI != nil {
			text += fmt.Sprintf("; slope 95 %% CI %.2f to %.2f", l.SlopeCI.Low, l.SlopeCI.High)
		}
		add(l.Method, "%s", text)
	}
	if f.Lin != nil {
		add("Lin’s concordance", "%.3f", *f.Lin)
	}
	for _, b := range f.Bias {
		v.Bias = append(v.Bias, biasRow{fmt.Sprintf("%.1f", b.At), signed(b.Bias, 2), signed(b.Percent, 1) + " %", b.Outside})
	}
	v.BiasBy = f.BiasBy
	for _, a := range f.Agreements {
		v.Shares = append(v.Shares, shareRow{a.Rule, fmt.Sprintf("%d of %d", a.Within, a.N), fmt.Sprintf("%.0f %%", a.Percent)})
	}
	for _, n := range f.Notes {
		v.Notes = append(v.Notes, sentence(n))
	}
}

// drawDifferences draws tested minus reference over the mean of both (Bland and
// Altman); pairs left out are hollow, those with a bound carry an arrow at it.
func drawDifferences(pairs []quality.Pair, f *quality.Comparison) template.HTML {
	const w, h, left, right, top, foot = 860, 340, 44, 86, 16, 40
	type dot struct {
		x, y     float64
		excluded bool
		bound    string
	}
	var dots []dot
	lowX, highX, far := math.Inf(1), math.Inf(-1), 0.5
	for _, p := range pairs {
		if p.Tested.IsZero() || p.Reference.IsZero() {
			continue // nothing to place
		}
		t, ref := p.Tested.Float(), p.Reference.Float()
		d := dot{(t + ref) / 2, t - ref, p.Excluded != "", p.Tested.Comparator + p.Reference.Comparator}
		lowX, highX, far = min(lowX, d.x), max(highX, d.x), max(far, math.Abs(d.y))
		dots = append(dots, d)
	}
	if len(dots) == 0 {
		return ""
	}
	if f != nil && f.Differences != nil {
		far = max(far, math.Abs(f.Differences.Lower), math.Abs(f.Differences.Upper))
	}
	far = math.Ceil(far*4+0.4) / 4
	lowX, highX = math.Floor(lowX), math.Ceil(highX)
	if lowX == highX {
		highX++
	}
	x := func(v float64) float64 { return left + (v-lowX)/(highX-lowX)*(w-left-right) }
	y := func(v float64) float64 { return top + (far-v)/(2*far)*(h-top-foot) }
	s := newDrawing(w, h, "differences-title", fmt.Sprintf("Difference of meter and laboratory over their mean, %s; the values stand in the table below.", plural(len(dots), "pair")))
	for v := lowX; v <= highX; v++ {
		s.text("tick", x(v), h-22, "middle", fmt.Sprintf("%g", v))
		s.path("grid", "M%.1f %dV%d", x(v), top, h-foot)
	}
	s.text("tick", x((lowX+highX)/2), h-5, "middle", "mean of both, INR")
	step := 0.25
	if far > 1 {
		step = 0.5
	}
	for v := -math.Floor(far/step) * step; v <= far; v += step {
		s.text("tick", left-8, y(v)+4, "end", signed(v, 2))
	}
	s.path("mean", "M%d %.1fH%d", left, y(0), w-right)
	if f != nil && f.Differences != nil {
		d := f.Differences
		for _, l := range []struct {
			at    float64
			class string
			name  string
		}{{d.Upper, "two", "upper " + signed(d.Upper, 2)}, {d.Bias, "whisker", "bias " + signed(d.Bias, 2)}, {d.Lower, "two", "lower " + signed(d.Lower, 2)}} {
			s.path(l.class, "M%d %.1fH%d", left, y(l.at), w-right)
			s.text("label", w-right+6, y(l.at)+4, "start", l.name)
		}
	}
	for _, d := range dots {
		px, py := x(d.x), y(d.y)
		if !d.excluded {
			s.inside(px, py)
			continue
		}
		s.hollow("lab", px, py)
		switch {
		case strings.Contains(d.bound, ">"):
			s.path("line", "M%.1f %.1fh9m-4-4l4 4-4 4", px+5, py)
		case strings.Contains(d.bound, "<"):
			s.path("line", "M%.1f %.1fh-9m4-4l-4 4 4 4", px-5, py)
		}
	}
	return s.done()
}

// signed writes a figure with its sign, a true minus, and so many decimals.
func signed(v float64, decimals int) string {
	text := fmt.Sprintf("%+.*f", decimals, v)
	if strings.Trim(text, "+-0.") == "" {
		return text[1:]
	}
	return strings.Replace(text, "-", "−", 1)
}

// trimmed writes a figure with at most so many decimals.
func trimmed(v float64, decimals int) string {
	text := fmt.Sprintf("%.*f", decimals, v)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}
