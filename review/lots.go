package review

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/quality"
)

// NewLot is everything that the acceptance of a strip lot at a site rests on.
// None of it accepts the lot: a person does.
type NewLot struct {
	StripLot poct.StripLot  `json:"strip_lot"`
	Site     string         `json:"site"`
	Shipment *poct.Shipment `json:"shipment,omitempty"` // the newest to the site
	// Decided is the newest decision since that shipment, nil if there is none.
	Decided  *poct.Acceptance      `json:"decided,omitempty"`
	ReadBack *poct.ReadBack        `json:"read_back,omitempty"` // the newest since that shipment
	Meters   []LotMeter            `json:"meters"`
	Pairs    []quality.Pair        `json:"pairs"`
	Figures  quality.LotComparison `json:"figures"`
	Needs    []string              `json:"needs"` // what is still to be done before it can be accepted
	Earlier  []poct.Acceptance     `json:"earlier"`
}

// LotMeter is how the controls of one meter stand with the lot.
type LotMeter struct {
	Meter    string               `json:"meter"`
	Passed   map[string]time.Time `json:"passed"` // control level -> last pass since the shipment
	Failed   map[string]time.Time `json:"failed"` // control level -> last failure since, if it is the newer
	Cleared  bool                 `json:"cleared"`
	Controls []string             `json:"controls"` // the results that passed
}

// levels is how many levels of control must pass (common practice, no source).
const levels = 2

// pairSpan is how far the two tests of a pair may lie apart: one visit (ours).
const pairSpan = 4 * time.Hour

// NewLot gathers what is known of a strip lot at a site. Meters are those of
// the site whose model fits the lot and that ran a control with it.
func (c *Coordinator) NewLot(ctx context.Context, actor poct.Actor, site, lot string) (NewLot, error) {
	book := c.store.Book()
	row, ok, err := book.StripLot(lot)
	if err != nil {
		return NewLot{}, err
	}
	if !ok || !AtSite(actor, site) {
		return NewLot{}, fmt.Errorf("strip lot %s at site %s: %w", lot, site, poct.ErrNotFound)
	}
	n := NewLot{StripLot: row, Site: site, Meters: []LotMeter{}, Pairs: []quality.Pair{}, Needs: []string{}, Earlier: []poct.Acceptance{}}
	since, err := n.since(book)
	if err != nil {
		return NewLot{}, err
	}
	if n.Meters, err = c.lotMeters(ctx, site, row, since); err != nil {
		return NewLot{}, err
	}
	if n.Pairs, err = c.lotPairs(ctx, book, site, lot, since); err != nil {
		return NewLot{}, err
	}
	n.Figures = quality.AcceptLot(n.Pairs, c.limits)
	n.needs()
	if len(n.Pairs) > 0 {
		err = c.look(ctx, actor, n.Pairs)
	}
	return n, err
}

// since finds the newest shipment and what was said of the lot after it came;
// it returns when it came, zero if no shipment is registered.
func (n *NewLot) since(book poct.Book) (time.Time, error) {
	var since time.Time
	shipments, err := book.Shipments(n.StripLot.Lot, n.Site)
	if err != nil {
		return since, err
	}
	zone := time.UTC
	if s, ok, err := book.Site(n.Site); err != nil {
		return since, err
	} else if ok {
		if loc, err := time.LoadLocation(s.TimeZone); err == nil {
			zone = loc
		}
	}
	for i := range shipments {
		if at := arrived(shipments[i].Arrived, zone); n.Shipment == nil || at.After(since) {
			n.Shipment, since = &shipments[i], at
		}
	}
	said, err := book.Acceptances(n.StripLot.Lot, n.Site)
	if err != nil {
		return since, err
	}
	for i := range said {
		if said[i].At.Before(since) {
			n.Earlier = append(n.Earlier, said[i])
		} else {
			n.Decided = &said[i]
		}
	}
	read, err := book.ReadBacks(n.StripLot.Lot, n.Site)
	for i := range read {
		if !read[i].At.Before(since) {
			n.ReadBack = &read[i]
		}
	}
	return since, err
}

// arrived reads a shipment's time: an instant, or the start of a day at the site.
func arrived(text string, zone *time.Location) time.Time {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t
	}
	t, _ := time.ParseInLocation(time.DateOnly, text, zone)
	return t
}

func (c *Coordinator) lotMeters(ctx context.Context, site string, lot poct.StripLot, since time.Time) ([]LotMeter, error) {
	out := []LotMeter{}
	meters, err := c.store.Meters(ctx)
	if err != nil {
		return nil, err
	}
	for _, m := range meters {
		if m.Site != site || m.Model != lot.Model || m.State == "withdrawn" {
			continue
		}
		lm := LotMeter{Meter: m.Serial, Passed: map[string]time.Time{}, Failed: map[string]time.Time{}, Controls: []string{}}
		runs, err := c.store.ControlSeries(ctx, m.Serial, since, c.now())
		if err != nil {
			return nil, err
		}
		for _, p := range runs { // oldest first: the last word of each level counts
			level := strings.ToLower(strings.TrimSpace(p.Reading.ControlLevel))
			switch {
			case p.Reading.StripLot != lot.Lot || p.State != poct.Filed:
				continue
			case p.QCPassed:
				lm.Passed[level] = p.Tested
				lm.Controls = append(lm.Controls, p.Result)
				delete(lm.Failed, level)
			default:
				lm.Failed[level] = p.Tested
			}
		}
		lm.Cleared = len(lm.Passed) >= levels && len(lm.Failed) == 0
		out = append(out, lm)
	}
	return out, nil
}

// lotPairs finds for each patient result with the new lot what the same
// patient had within one visit: from the laboratory, or with another lot.
func (c *Coordinator) lotPairs(ctx context.Context, book poct.Book, site, lot string, since time.Time) ([]quality.Pair, error) {
	trials, err := c.store.LotTrials(ctx, lot, site, since, c.now())
	if err != nil {
		return nil, err
	}
	var with []poct.Past
	asked := map[poct.PatientRef]bool{}
	for _, p := range trials {
		if asked[p.Patient] {
			continue
		}
		asked[p.Patient] = true
		from, to := since.Add(-pairSpan), c.now()
		others, err := book.PatientResults(p.Patient, from, to, 0)
		if err != nil {
			return nil, err
		}
		others = slices.DeleteFunc(others, func(o poct.Past) bool { return o.Reading.StripLot == lot })
		lab, err := book.LabResults(p.Patient, from, to)
		if err != nil {
			return nil, err
		}
		with = append(append(with, others...), lab...)
	}
	pairs := quality.PairUp(trials, with, pairSpan)
	if pairs == nil {
		pairs = []quality.Pair{}
	}
	return pairs, nil
}

// needs says what stands between the lot and its acceptance.
func (n *NewLot) needs() {
	need := func(format string, a ...any) { n.Needs = append(n.Needs, fmt.Sprintf(format, a...)) }
	if n.StripLot.Recalled {
		need("The lot is recalled; it cannot be accepted.")
	}
	if n.Shipment == nil {
		need("No shipment of this lot to the site is registered; import it, with the day it came.")
	}
	cleared := 0
	for _, m := range n.Meters {
		if m.Cleared {
			cleared++
		}
		for level := range m.Failed {
			need("Control level %s failed on meter %s; find out why and run it again.", level, m.Meter)
		}
	}
	if cleared == 0 {
		need("Run both control levels with this lot on a meter of the site.")
	}
	switch {
	case n.ReadBack == nil:
		need("A second person types ISI and MNPT from the box.")
	case n.ReadBack.ISI.Cmp(n.StripLot.ISI) != 0 || n.ReadBack.MNPT.Cmp(n.StripLot.MNPT) != 0 ||
		n.ReadBack.ISI.IsZero() != n.StripLot.ISI.IsZero() || n.ReadBack.MNPT.IsZero() != n.StripLot.MNPT.IsZero():
		need("ISI and MNPT as typed from the box (%s, %s s) are not those in the registry (%s, %s s); find out which are right.",
			told(n.ReadBack.ISI), told(n.ReadBack.MNPT), told(n.StripLot.ISI), told(n.StripLot.MNPT))
	}
	for _, why := range n.Figures.Why {
		need("Paired patients: %s.", strings.TrimSuffix(why, "."))
	}
	slices.Sort(n.Needs)
}

func told(n poct.Number) string {
	if n.IsZero() {
		return "none"
	}
	return n.String()
}

// ReadBackLot keeps a lot's constants as this person typed them from the box.
func (c *Coordinator) ReadBackLot(ctx context.Context, actor poct.Actor, site, lot, isi, mnpt string) (poct.ReadBack, error) {
	r := poct.ReadBack{StripLot: lot, Site: site, By: actor.Name, At: c.now().UTC()}
	if _, ok, err := c.store.Book().StripLot(lot); err != nil {
		return r, err
	} else if !ok || !AtSite(actor, site) {
		return r, fmt.Errorf("strip lot %s at site %s: %w", lot, site, poct.ErrNotFound)
	}
	var faults []Fault
	number := func(field, text string) (n poct.Number) {
		n, err := poct.ParseNumber(text)
		if err != nil || n.Comparator != "" {
			faults = append(faults, Fault{Field: field, Text: "Write the number as it stands on the box, such as 1.02; with a point."})
		}
		return n
	}
	r.ISI, r.MNPT = number("isi", isi), number("mnpt", mnpt)
	if len(faults) > 0 {
		return r, &FormError{Faults: faults}
	}
	_, _, err := c.store.Upsert(ctx, actor.Name, poct.RegistryRows{ReadBacks: []poct.ReadBack{r}})
	return r, err
}

// Decisions on a lot.
const (
	LotAccepted = "accepted"
	LotRefused  = "refused"
)

// DecideLot accepts or refuses a lot at a site. Accepting needs everything that
// NewLot lists, and a read-back by somebody else; refusing needs a reason.
func (c *Coordinator) DecideLot(ctx context.Context, actor poct.Actor, site, lot, decision, reason string) (poct.Acceptance, error) {
	n, err := c.NewLot(ctx, actor, site, lot)
	if err != nil {
		return poct.Acceptance{}, err
	}
	reason = strings.TrimSpace(reason)
	var faults []Fault
	switch {
	case decision != LotAccepted && decision != LotRefused:
		faults = append(faults, Fault{Field: "decision", Text: "Choose: accepted or refused."})
	case decision == LotAccepted && len(n.Needs) > 0:
		faults = append(faults, Fault{Field: "decision", Text: "Not yet: " + strings.Join(n.Needs, " ")})
	case decision == LotAccepted && n.ReadBack.By == actor.Name:
		faults = append(faults, Fault{Field: "decision", Text: "You typed the constants yourself; somebody else accepts the lot, or types them again."})
	}
	if len([]rune(reason)) < MinReason {
		faults = append(faults, Fault{Field: "reason", Text: fmt.Sprintf("Write what you checked: %d characters or more.", MinReason)})
	}
	if len(faults) > 0 {
		return poct.Acceptance{}, &FormError{Faults: faults}
	}
	a := poct.Acceptance{StripLot: lot, Site: site, Decision: decision, By: actor.Name, At: c.now().UTC(), Reason: reason,
		Pairs: n.Figures.N, Evidence: n.evidence()}
	if n.Shipment != nil {
		a.Shipment = n.Shipment.ID
	}
	if n.ReadBack != nil {
		a.ISI, a.MNPT, a.ReadBackBy = n.ReadBack.ISI, n.ReadBack.MNPT, n.ReadBack.By
	}
	for _, m := range n.Meters {
		a.Controls = append(a.Controls, m.Controls...)
	}
	_, _, err = c.store.Upsert(ctx, actor.Name, poct.RegistryRows{Acceptances: []poct.Acceptance{a}})
	return a, err
}

// evidence is the comparison in one line, for the record.
func (n *NewLot) evidence() string {
	if n.Figures.N == 0 {
		return "no paired patients"
	}
	return fmt.Sprintf("%d pairs from INR %s to %s, mean difference %+.1f %%, %d outside their limit",
		n.Figures.N, n.Figures.Low, n.Figures.High, n.Figures.MeanPercent, len(n.Figures.Outside))
}

// look records that a person was shown the values of these pairs.
func (c *Coordinator) look(ctx context.Context, actor poct.Actor, pairs []quality.Pair) error {
	var ids []string
	for _, p := range pairs {
		for _, id := range []string{p.ID, p.With} {
			if id != "" {
				ids = append(ids, id)
			}
		}
	}
	if len(ids) == 0 {
		return nil
	}
	if err := c.store.Look(ctx, actor.Name, ids, []string{"value"}); err != nil {
		return fmt.Errorf("record a look: %w", err)
	}
	return nil
}
