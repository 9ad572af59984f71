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
	now    func() time.Time
	limits quality.LotLimits
}

// NewCoordinator needs both.
func NewCoordinator(store QualityStore, now func() time.Time) (*Coordinator, error) {
	if store == nil || now == nil {
		return nil, errors.New("review: the coordinator needs a store and a clock")
	}
	return &Coordinator{store: store, now: now, limits: quality.DefaultLotLimits()}, nil
}

// eventSpan is how long controls of one event may lie apart (common practice,
// no source: both levels are run one after the other).
const eventSpan = 2 * time.Hour

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
	passed := map[string]bool{}
	bases := map[string]quality.Basis{}
	for _, p := range runs {
		passed[p.Result] = p.QCPassed
		name := quality.Material(p.Reading.ControlLot, p.Reading.ControlLevel)
		i := slices.IndexFunc(ch.Materials, func(m Material) bool { return m.Name == name })
		if i < 0 {
			m, basis, err := material(book, p.Reading, ch.StripLot)
			if err != nil {
				return err
			}
			bases[name] = basis
			i = len(ch.Materials)
			ch.Materials = append(ch.Materials, m)
		}
		ch.Materials[i].Runs++
	}
	for i := range ch.Materials {
		m := &ch.Materials[i]
		if few := quality.FewRuns(m.Runs); m.Note == "" && strings.HasPrefix(m.Basis, "own") {
			m.Note = few
		}
	}
	controls := quality.ControlsOf(runs, eventSpan)
	quality.MarkActions(controls, ch.Actions)
	points := quality.Judge(controls, bases, quality.Rules{})
	for _, p := range points {
		q := ChartPoint{Result: p.ID, At: p.At, Material: p.Material, Value: p.Value, Passed: passed[p.ID], Judged: p.Judged, Z: p.Z, Fired: []Fired{}}
		for _, f := range p.Fired {
			fired := Fired{Rule: string(f.Rule), Severity: f.Severity}
			for _, at := range f.Points {
				fired.Results = append(fired.Results, points[at].ID)
			}
			q.Fired = append(q.Fired, fired)
		}
		ch.Points = append(ch.Points, q)
	}
	return nil
}

// material finds the range and the basis of a control level on a strip lot:
// the row for this strip lot, else the one for every lot.
func material(book poct.Book, r poct.Reading, stripLot string) (Material, quality.Basis, error) {
	name := quality.Material(r.ControlLot, r.ControlLevel)
	m := Material{Name: name, Lot: r.ControlLot, Level: r.ControlLevel}
	rows, err := book.ControlLots(r.ControlLot)
	if err != nil {
		return m, quality.Basis{}, err
	}
	var row *poct.ControlLot
	for i := range rows {
		if quality.Material(rows[i].Lot, rows[i].Level) == name && (rows[i].StripLot == stripLot || rows[i].StripLot == "" && row == nil) {
			row = &rows[i]
		}
	}
	if row == nil {
		m.Note = "This level of the control lot is not in the registry, so nothing is known of its range."
		return m, quality.Basis{}, nil
	}
	m.Low, m.High = row.Low, row.High
	basis, err := quality.BasisOf(*row)
	if err != nil {
		m.Note = err.Error()
		return m, quality.Basis{}, nil // the range alone judges it
	}
	m.Mean, _ = basis.Mean.Float64()
	m.SD, _ = basis.SD.Float64()
	m.Basis = basis.From
	return m, basis, nil
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
