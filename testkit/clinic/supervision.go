package clinic

import (
	"context"
	"fmt"
	"slices"
	"time"

	"tidegate/poct"
	"tidegate/registry"
	"tidegate/review"
	"tidegate/validate"
)

// shelf is what a coordinator looks after.
type shelf struct {
	controlLots []poct.ControlLot
	shipments   []poct.Shipment
	acceptances []poct.Acceptance
	readBacks   []poct.ReadBack
	actions     []poct.CorrectiveAction
	trials      []poct.Past // patient results by when they were tested
	labs        []poct.Past
	counts      map[string][]poct.TestCount // by operator, site, meter, strip_lot
}

// Coordinator is the real one over this clinic.
func (c *Clinic) Coordinator() *review.Coordinator {
	co, err := review.NewCoordinator(c, rules, c.Now)
	if err != nil {
		panic(err) // all are given
	}
	return co
}

// usual is after how long without a word a meter is silent.
const usual = 12 * time.Hour

var rules = func() *validate.Rules {
	ru, faults := validate.Compile(validate.Config{})
	if len(faults) > 0 {
		panic(fmt.Sprint(faults)) // the defaults fit
	}
	return ru
}()

// Readiness asks the real gate, with its usual settings.
func (c *Clinic) Readiness(_ context.Context, serial string) (poct.Readiness, error) {
	facts, lot, err := registry.ReadyFacts(c.Book(), serial, c.Now())
	if err != nil {
		return poct.Readiness{}, err
	}
	return rules.Ready(facts, lot, usual), nil
}

// ControlSeries implements review.QualityStore.
func (c *Clinic) ControlSeries(_ context.Context, meter string, from, to time.Time) ([]poct.Past, error) {
	return c.Book().Controls(meter, from, to)
}

// PairMaterial implements review.QualityStore.
func (c *Clinic) PairMaterial(_ context.Context, from, to time.Time, site, lot string) (meters, lab []poct.Past, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, p := range between(c.shelf.trials, from, to) {
		if (site == "" || c.siteOf(p.Reading.Meter) == site) && (lot == "" || p.Reading.StripLot == lot) && p.State == poct.Delivered {
			meters = append(meters, p)
		}
	}
	return meters, between(c.shelf.labs, from, to), nil
}

// LotTrials implements review.QualityStore.
func (c *Clinic) LotTrials(_ context.Context, lot, site string, from, to time.Time) ([]poct.Past, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.DeleteFunc(between(c.shelf.trials, from, to), func(p poct.Past) bool {
		return p.Reading.StripLot != lot || c.siteOf(p.Reading.Meter) != site
	}), nil
}

func (c *Clinic) siteOf(meter string) string {
	i := slices.IndexFunc(c.meters, func(m poct.Meter) bool { return m.Serial == meter })
	if i < 0 {
		return ""
	}
	return c.meters[i].Site
}

// Tests implements review.QualityStore; the same counts for every site.
func (c *Clinic) Tests(_ context.Context, _, _ time.Time, by, _ string) ([]poct.TestCount, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.shelf.counts[by]), nil
}

// Upsert implements review.QualityStore: a person's own acts are kept, and
// strip lots.
func (c *Clinic) Upsert(_ context.Context, _ string, rows poct.RegistryRows) (added, changed int, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, l := range rows.StripLots {
		c.lots[l.Lot] = l
	}
	c.shelf.acceptances = append(c.shelf.acceptances, rows.Acceptances...)
	c.shelf.readBacks = append(c.shelf.readBacks, rows.ReadBacks...)
	c.shelf.actions = append(c.shelf.actions, rows.Actions...)
	return len(rows.Acceptances) + len(rows.ReadBacks) + len(rows.Actions) + len(rows.StripLots), 0, nil
}

var _ review.QualityStore = (*Clinic)(nil)

// kept lists the rows of a shelf that fit.
func kept[T any](b book, of func(*shelf) []T, fits func(T) bool) ([]T, error) {
	return rows(b, func() []T {
		var out []T
		for _, v := range of(&b.c.shelf) {
			if fits(v) {
				out = append(out, v)
			}
		}
		return out
	})
}
