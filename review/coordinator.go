package review

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/quality"
)

// QualityStore is what the coordinator's questions need of the store.
type QualityStore interface {
	Book() poct.Book
	Meters(ctx context.Context) ([]poct.Meter, error)
	// ControlSeries lists a meter's final control runs, failed ones too, oldest first.
	ControlSeries(ctx context.Context, meter string, from, to time.Time) ([]poct.Past, error)
	// PairMaterial lists released results and laboratory results of patients that have both.
	PairMaterial(ctx context.Context, from, to time.Time, site, stripLot string) (meters, lab []poct.Past, err error)
	// LotTrials lists the patient results of a strip lot at a site that are held
	// or went out, oldest first.
	LotTrials(ctx context.Context, stripLot, site string, from, to time.Time) ([]poct.Past, error)
	// Tests counts tests and device errors, at one site or, with "", at all.
	Tests(ctx context.Context, from, to time.Time, by, site string) ([]poct.TestCount, error)
	Upsert(ctx context.Context, actor string, rows poct.RegistryRows) (added, changed int, err error)
	Look(ctx context.Context, actor string, ids, fields []string) error
}

// Coordinator answers what a point-of-care coordinator asks about controls,
// lots, agreement with the laboratory and training, and keeps what they decide
// about lots and meters. Safe for concurrent use.
type Coordinator struct {
	store  QualityStore
	rules  ChartRules
	now    func() time.Time
	limits quality.LotLimits
}

// ChartRules say how a site's charts are judged, so that a chart shows what the
// check holds for.
type ChartRules interface {
	ChartSettings(site string) quality.ChartSettings
	// ChartSeverity of a rule; "" if it is not applied.
	ChartSeverity(site string, rule quality.Rule) poct.Severity
}

// NewCoordinator needs all of them.
func NewCoordinator(store QualityStore, rules ChartRules, now func() time.Time) (*Coordinator, error) {
	if store == nil || rules == nil || now == nil {
		return nil, errors.New("review: the coordinator needs a store, the rules of charts and a clock")
	}
	return &Coordinator{store: store, rules: rules, now: now, limits: quality.DefaultLotLimits()}, nil
}

// Chart is the control chart of one meter and strip lot.
type Chart struct {
	Meter     string                  `json:"meter"`
	Site      string                  `json:"site"`
	StripLot  string                  `json:"strip_lot"`
	Lots      []string                `json:"lots"` // strip lots with controls in this span, newest last
	From      time.Time               `json:"from"`
	To        time.Time               `json:"to"`
	Materials []Material              `json:"materials"`
	Points    []ChartPoint            `json:"points"` // oldest first
	Actions   []poct.CorrectiveAction `json:"actions"`
}

// Material is a level of a control lot on the chart.
type Material struct {
	Name  string      `json:"name"`
	Lot   string      `json:"control_lot"`
	Level string      `json:"level"`
	Low   poct.Number `json:"low,omitzero"` // the range in the registry
	High  poct.Number `json:"high,omitzero"`
	Mean  float64     `json:"mean,omitempty"` // what the rules are reckoned from
	SD    float64     `json:"sd,omitempty"`
	Basis string      `json:"basis,omitempty"` // where these come from
	Note  string      `json:"note,omitempty"`  // why there are none, or that there are few runs
	Runs  int         `json:"runs"`
}

// ChartPoint is one control run.
type ChartPoint struct {
	Result   string      `json:"result"`
	At       time.Time   `json:"at"`
	Material string      `json:"material"`
	Value    poct.Number `json:"value"`
	Passed   bool        `json:"passed"` // within its range
	Judged   bool        `json:"judged"` // by the rules
	Z        float64     `json:"z,omitempty"`
	Fired    []Fired     `json:"fired"`
}

// Fired is a rule that a run completes, with all runs that take part in it.
type Fired struct {
	Rule     string        `json:"rule"`
	Severity poct.Severity `json:"severity"`
	Results  []string      `json:"results"`
}

// Chart draws the controls of a meter between two times; a strip lot of ""
// is the one run last.
func (c *Coordinator) Chart(ctx context.Context, actor poct.Actor, meter, stripLot string, from, to time.Time) (Chart, error) {
	book := c.store.Book()
	site, err := c.siteOf(book, actor, meter)
	if err != nil {
		return Chart{}, err
	}
	all, err := c.store.ControlSeries(ctx, meter, from, to)
	if err != nil {
		return Chart{}, err
	}
	ch := Chart{Meter: meter, Site: site, From: from, To: to, Lots: []string{}, Materials: []Material{}, Points: []ChartPoint{}, Actions: []poct.CorrectiveAction{}}
	for _, p := range all {
		if lot := p.Reading.StripLot; !slices.Contains(ch.Lots, lot) {
			ch.Lots = append(ch.Lots, lot)
		}
	}
	if ch.StripLot = stripLot; stripLot == "" && len(all) > 0 {
		ch.StripLot = all[len(all)-1].Reading.StripLot
	}
	all = slices.DeleteFunc(all, func(p poct.Past) bool { return p.Reading.StripLot != ch.StripLot })
	actions, err := book.CorrectiveActions(meter)
	if err != nil {
		return Chart{}, err
	}
	for _, a := range actions {
		if !a.At.Before(from) && !a.At.After(to) {
			ch.Actions = append(ch.Actions, a)
		}
	}
	return ch, c.draw(book, &ch, all)
}

// draw judges the runs and puts them on the chart.
func (c *Coordinator) draw(book poct.Book, ch *Chart, runs []poct.Past) error {
	var rows []poct.ControlLot
	passed, counted := map[string]bool{}, map[string]int{}
	asked := map[string]bool{}
	for _, p := range runs {
		passed[p.Result] = p.QCPassed
		counted[quality.Material(p.Reading.ControlLot, p.Reading.ControlLevel)]++
		if lot := p.Reading.ControlLot; !asked[lot] {
			asked[lot] = true
			of, err := book.ControlLots(lot)
			if err != nil {
				return err
			}
			rows = append(rows, of...)
		}
	}
	settings := c.rules.ChartSettings(ch.Site)
	drawn := quality.Draw(runs, rows, ch.StripLot, ch.Actions, settings)
	for _, name := range drawn.Materials {
		ch.Materials = append(ch.Materials, material(name, rows, ch.StripLot, drawn, counted[name], settings.OwnRuns))
	}
	for _, p := range drawn.Points {
		q := ChartPoint{Result: p.ID, At: p.At, Material: p.Material, Value: p.Value, Passed: passed[p.ID], Judged: p.Judged, Z: p.Z, Fired: []Fired{}}
		for _, f := range p.Fired {
			fired := Fired{Rule: string(f.Rule), Severity: c.rules.ChartSeverity(ch.Site, f.Rule)}
			if fired.Severity == "" {
				continue
			}
			for _, at := range f.Points {
				fired.Results = append(fired.Results, drawn.Points[at].ID)
			}
			q.Fired = append(q.Fired, fired)
		}
		ch.Points = append(ch.Points, q)
	}
	slices.SortStableFunc(ch.Points, func(a, b ChartPoint) int { return a.At.Compare(b.At) })
	return nil
}

// material tells of a control level its range, its basis, and why it has none.
func material(name string, rows []poct.ControlLot, stripLot string, drawn quality.Drawn, runs int, own bool) Material {
	lot, level, _ := strings.Cut(name, "|")
	m := Material{Name: name, Lot: lot, Level: level, Runs: runs}
	row, ok := quality.RowFor(name, rows, stripLot)
	if !ok {
		m.Note = "This level of the control lot is not in the registry, so nothing is known of its range."
	}
	m.Low, m.High = row.Low, row.High
	basis, judged := drawn.Bases[name]
	switch {
	case judged:
		m.Mean, _ = basis.Mean.Float64()
		m.SD, _ = basis.SD.Float64()
		m.Basis = basis.From
	case own:
		m.Note = quality.FewRuns(runs)
	case ok:
		m.Note = drawn.Why[name].Error() // its range alone judges it
	}
	return m
}

// siteOf is a meter's site, if the actor may see it. Of another site's meter
// not even its existence is told.
func (c *Coordinator) siteOf(book poct.Book, actor poct.Actor, meter string) (string, error) {
	m, ok, err := book.Meter(meter)
	if err != nil {
		return "", err
	}
	if !ok || !AtSite(actor, m.Site) {
		return "", fmt.Errorf("meter %s: %w", meter, poct.ErrNotFound)
	}
	return m.Site, nil
}

// RecordAction keeps what was done to a meter; its charts begin anew there.
func (c *Coordinator) RecordAction(ctx context.Context, actor poct.Actor, meter, what, control string) (poct.CorrectiveAction, error) {
	if _, err := c.siteOf(c.store.Book(), actor, meter); err != nil {
		return poct.CorrectiveAction{}, err
	}
	if what = strings.TrimSpace(what); len([]rune(what)) < MinReason {
		return poct.CorrectiveAction{}, &FormError{Faults: []Fault{{Field: "what", Text: fmt.Sprintf("Write what was done to the meter: %d characters or more.", MinReason)}}}
	}
	a := poct.CorrectiveAction{Meter: meter, At: c.now().UTC(), By: actor.Name, What: what, Control: control}
	_, _, err := c.store.Upsert(ctx, actor.Name, poct.RegistryRows{Actions: []poct.CorrectiveAction{a}})
	return a, err
}
