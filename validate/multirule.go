package validate

import (
	"slices"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
	"tidegate/quality"
)

var multiruleCheck = check{
	Info: Info{
		Number: "29", Code: "qc-multirule", Title: "Controls drift or scatter",
		Asks:     "whether the controls keep to the rules of the control chart",
		Compares: "the newest run of each control level on this meter and lot, at the time of the test, with the runs before it, each against the mean and SD of its own level; after a corrective action the rules begin anew",
		Text:     "The controls of this meter and lot break rule {rule} (level {level}, {when}).",
		Remedy:   "Find out why and run both controls again. Repeat the test once they keep to the rules.",
		Severity: poct.Hold, Acts: "RD", Desk: RoleCoordinator,
		Source: "rules and names: Westgard QC, multirule pages; which of them hold and which flag is " + ownDefault,
		Keys: []Key{
			{Name: "basis", Kind: Choice, Options: []string{"lot", "runs"}, Default: "lot", Means: "where mean and SD come from: `lot` is the control lot's row in the registry (mean and sd, or range_sds with low and high), `runs` the meter's own first 20 runs of those looked at"},
			{Name: "hold", Kind: Texts, Default: "1-3s, 2-2s, R-4s", Means: "rules that hold"},
			{Name: "flag", Kind: Texts, Default: "4-1s, 10x", Means: "rules that flag"},
			{Name: "note", Kind: Texts, Default: "1-2s", Means: "rules that pass with a note; a rule in no list is not applied"},
			{Name: "run", Kind: Duration, Default: "1h", Means: "controls within this time are one run"},
		},
		Unasked: "no mean and SD are stated for the control lot, or there are too few runs to tell them",
	},
	of: patient, ready: true, ask: askMultirule, fits: rulesInOneList,
}

// chartRules are the rules of the chart in the order in which they are told:
// the gravest first.
var chartRules = []quality.Rule{quality.Rule13s, quality.Rule22s, quality.RuleR4s, quality.Rule41s, quality.Rule10x, quality.Rule12s}

func rulesInOneList(k *rule) (string, string) {
	seen := map[string]bool{}
	for _, list := range []string{"hold", "flag", "note"} {
		for _, name := range k.texts[list] {
			switch {
			case !slices.Contains(chartRules, quality.Rule(name)):
				return "names a rule that is not known here", "write rules out of 1-2s, 1-3s, 2-2s, R-4s, 4-1s, 10x"
			case seen[name]:
				return "has rule " + name + " in two lists", "write each rule in one of hold, flag and note; the lists replace the usual ones"
			}
			seen[name] = true
		}
	}
	return "", ""
}

func askMultirule(s *subject, k *rule) reply {
	switch {
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.r.Meter == "":
		return k.waits("missing-essential")
	case s.f.Meter == nil:
		return k.waits("meter-unknown")
	}
	runs := s.f.Chains
	later := func(p poct.Past) bool { return !s.before(p) }
	if slices.ContainsFunc(runs, later) { // rare, and runs are large to copy
		runs = slices.DeleteFunc(slices.Clone(runs), later)
	}
	if len(runs) == 0 {
		return pass // that no control has run is for the other checks to tell
	}
	in := chartInput{runs, s.f.ChainRanges, s.f.Actions}
	c := k.charts.of(s.r.Meter+"|"+s.r.StripLot, in, func() chart {
		return drawChart(in, s.r.StripLot, k.choices["basis"] == "runs", k.spans["run"])
	})
	if len(c.from) == 0 {
		return k.unasked(c.why)
	}
	out := pass.by("mean and SD: " + strings.Join(c.from, "; "))
	for _, f := range c.fired {
		for _, list := range []struct {
			name string
			sev  poct.Severity
		}{{"hold", poct.Hold}, {"flag", poct.Flag}, {"note", poct.Note}} {
			if slices.Contains(k.texts[list.name], string(f.rule)) {
				out = out.and(k.found(poct.FieldMeter, "rule", string(f.rule), "level", f.level, "when", clock(f.at.In(s.tested.Location()))).as(list.sev))
			}
		}
	}
	return out
}

// OwnRuns reports whether control charts anywhere take mean and SD from a
// meter's own runs, so that the registry has to look up more of them.
func (ru *Rules) OwnRuns() bool {
	i := place[multiruleCheck.Code]
	own := ru.base[i].choices["basis"] == "runs"
	for _, rules := range ru.sites {
		own = own || rules[i].choices["basis"] == "runs"
	}
	return own
}

// chart is what the control chart of a meter and lot says of its newest runs.
type chart struct {
	from  []string // what its means and SDs rest on; none where it cannot be drawn
	why   string   // why not
	fired []fired  // rules that the newest run of each material completes
}

type fired struct {
	rule  quality.Rule
	level string
	at    time.Time
}

// Rules look back on ten runs at most; two more keep a run whole that the cut
// would split.
const chartBack = 12

// chartInput is what a chart is drawn from.
type chartInput struct {
	runs    []poct.Past
	rows    []poct.ControlLot
	actions []poct.CorrectiveAction
}

// drawChart judges the newest runs.
func drawChart(in chartInput, stripLot string, own bool, event time.Duration) chart {
	drawn := quality.Draw(in.runs, in.rows, stripLot, in.actions, quality.ChartSettings{OwnRuns: own, Event: event, Newest: chartBack})
	var out chart
	for _, material := range drawn.Materials {
		basis, ok := drawn.Bases[material]
		if !ok {
			out.why = drawn.Why[material].Error()
			continue
		}
		lot, level, _ := strings.Cut(material, "|")
		out.from = append(out.from, lot+" level "+level+" "+basis.From)
	}
	seen := map[string]bool{}
	for _, p := range slices.Backward(drawn.Points) {
		if seen[p.Material] || len(drawn.Bases) == 0 {
			continue
		}
		seen[p.Material] = true
		_, level, _ := strings.Cut(p.Material, "|")
		for _, f := range p.Fired {
			if !slices.ContainsFunc(out.fired, func(o fired) bool { return o.rule == f.Rule && o.level == level }) {
				out.fired = append(out.fired, fired{f.Rule, level, p.At})
			}
		}
	}
	slices.SortStableFunc(out.fired, func(a, b fired) int {
		return slices.Index(chartRules, a.rule) - slices.Index(chartRules, b.rule)
	})
	return out
}

// ChartSettings are those by which check 29 judges at a site, for whoever
// draws the same chart.
func (ru *Rules) ChartSettings(site string) quality.ChartSettings {
	k := ru.at(site)[place[multiruleCheck.Code]]
	return quality.ChartSettings{OwnRuns: k.choices["basis"] == "runs", Event: k.spans["run"]}
}

// ChartSeverity is what check 29 makes of a rule at a site; "" if it is not applied.
func (ru *Rules) ChartSeverity(site string, rule quality.Rule) poct.Severity {
	k := ru.at(site)[place[multiruleCheck.Code]]
	for list, severity := range map[string]poct.Severity{"hold": poct.Hold, "flag": poct.Flag, "note": poct.Note} {
		if slices.Contains(k.texts[list], string(rule)) {
			return severity
		}
	}
	return ""
}

// charts keeps the newest chart of each meter and lot: between two controls
// every patient result asks for the same one.
type charts struct {
	mu   sync.Mutex
	kept map[string]keptChart
}

type keptChart struct {
	in    chartInput
	chart chart
}

// mostCharts bounds what is kept.
const mostCharts = 4096

// of gives the chart of this input, drawn anew unless it is kept.
func (c *charts) of(key string, in chartInput, draw func() chart) chart {
	c.mu.Lock()
	k, ok := c.kept[key]
	c.mu.Unlock()
	if ok && k.in.equal(in) {
		return k.chart
	}
	k = keptChart{chartInput{in.runs, slices.Clone(in.rows), slices.Clone(in.actions)}, draw()}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.kept == nil || len(c.kept) >= mostCharts {
		c.kept = map[string]keptChart{}
	}
	c.kept[key] = k
	return k.chart
}

func (in chartInput) equal(o chartInput) bool {
	if len(in.runs) != len(o.runs) || !slices.Equal(in.rows, o.rows) || !slices.Equal(in.actions, o.actions) {
		return false
	}
	for i := range in.runs {
		a, b := &in.runs[i], &o.runs[i]
		if a.Result != b.Result || a.Version != b.Version || !a.Tested.Equal(b.Tested) || inrText(a) != inrText(b) {
			return false
		}
	}
	return true
}

// inrText is a run's INR as sent.
func inrText(p *poct.Past) string {
	for i := range p.Reading.Measurements {
		if m := &p.Reading.Measurements[i]; m.Analyte == "inr" {
			return m.Value.Comparator + m.Value.Text
		}
	}
	return ""
}
