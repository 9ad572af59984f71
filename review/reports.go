package review

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidegate/poct"
	"tidegate/quality"
)

// Comparison is how meters and the laboratory agree on the same patients.
type Comparison struct {
	Site     string              `json:"site,omitempty"`
	StripLot string              `json:"strip_lot,omitempty"`
	From     time.Time           `json:"from"`
	To       time.Time           `json:"to"`
	Within   time.Duration       `json:"within"` // how far the two of a pair lie apart at most
	Pairs    []quality.Pair      `json:"pairs"`  // excluded ones with the reason
	Figures  *quality.Comparison `json:"figures,omitempty"`
	Why      string              `json:"why,omitempty"` // why there are no figures
}

// Compare pairs the released results of a site ("" is all, for those who see
// all) and strip lot ("" is any) with the laboratory's, and compares them.
func (c *Coordinator) Compare(ctx context.Context, actor poct.Actor, site, lot string, from, to time.Time, within time.Duration) (Comparison, error) {
	if err := c.seesSite(actor, site); err != nil {
		return Comparison{}, err
	}
	meters, lab, err := c.store.PairMaterial(ctx, from, to, site, lot)
	if err != nil {
		return Comparison{}, err
	}
	out := Comparison{Site: site, StripLot: lot, From: from, To: to, Within: within, Pairs: quality.PairUp(meters, lab, within)}
	if out.Pairs == nil {
		out.Pairs = []quality.Pair{}
	}
	figures, err := quality.Compare(out.Pairs, quality.DefaultCompare())
	if err != nil {
		out.Why = err.Error()
	} else {
		figures.Excluded = nil // they stand among the pairs
		out.Figures = &figures
	}
	return out, c.look(ctx, actor, out.Pairs)
}

// seesSite tells whether the actor may ask about a site; "" is all of them.
func (c *Coordinator) seesSite(actor poct.Actor, site string) error {
	if site == "" && slices.Contains(actor.Sites, "*") || site != "" && AtSite(actor, site) {
		return nil
	}
	return fmt.Errorf("site %q: %w", site, poct.ErrNotFound)
}

// DeviceErrors is how often tests ended in a device error, by operator, site,
// meter or strip lot, each beside all others together.
type DeviceErrors struct {
	By     string        `json:"by"`
	Site   string        `json:"site,omitempty"`
	From   time.Time     `json:"from"`
	To     time.Time     `json:"to"`
	Groups []ErrorsGroup `json:"groups"`
	Advice string        `json:"advice"`
}

// ErrorsGroup is one operator, site, meter or lot.
type ErrorsGroup struct {
	quality.Beside
	Codes map[string]int `json:"codes"` // how often each error came
}

// SampleAdvice is what is usually done after a test without a result.
const SampleAdvice = "Take a new strip and a fresh fingerstick from a different finger; never add blood to a strip (common practice, no source). The maker's instructions come first."

// DeviceErrors counts them in [from, to).
func (c *Coordinator) DeviceErrors(ctx context.Context, actor poct.Actor, by, site string, from, to time.Time) (DeviceErrors, error) {
	if err := c.seesSite(actor, site); err != nil {
		return DeviceErrors{}, err
	}
	if !slices.Contains([]string{"operator", "site", "meter", "strip_lot"}, by) {
		return DeviceErrors{}, &FormError{Faults: []Fault{{Field: "by", Text: "Choose: operator, site, meter or strip_lot."}}}
	}
	counts, err := c.store.Tests(ctx, from, to, by, site)
	if err != nil {
		return DeviceErrors{}, err
	}
	out := DeviceErrors{By: by, Site: site, From: from, To: to, Groups: []ErrorsGroup{}, Advice: SampleAdvice}
	var groups []quality.Count
	codes := map[string]map[string]int{}
	for _, n := range counts {
		groups = append(groups, quality.Count{Name: n.Key, Events: n.Events, Tests: n.Tests + n.Events})
		codes[n.Key] = n.Codes
	}
	for _, b := range quality.BesideRest(groups, 0.95) {
		out.Groups = append(out.Groups, ErrorsGroup{Beside: b, Codes: codes[b.Name]})
	}
	return out, nil
}

// TimeInRange is how long a patient's INR lay in a range. It is a report on
// treatment as a whole, never a reason to hold a result.
type TimeInRange struct {
	From    time.Time           `json:"from"`
	To      time.Time           `json:"to"`
	Low     poct.Number         `json:"low"`
	High    poct.Number         `json:"high"`
	Series  []SeriesPoint       `json:"series"` // oldest first
	Figures quality.TimeInRange `json:"figures"`
}

// SeriesPoint is one INR of the patient.
type SeriesPoint struct {
	Result string      `json:"result"`
	At     time.Time   `json:"at"`
	INR    poct.Number `json:"inr"`
}

// TimeInRange reports on one patient, from the results of the actor's sites.
// The range comes from whoever asks: from the order, never from this program.
// An empty range is 2.0 to 3.0.
func (c *Coordinator) TimeInRange(ctx context.Context, actor poct.Actor, p poct.PatientRef, low, high string, from, to time.Time) (TimeInRange, error) {
	out := TimeInRange{From: from, To: to, Series: []SeriesPoint{}}
	var faults []Fault
	for _, f := range []struct {
		name, text, usual string
		to                *poct.Number
	}{{"low", low, "2.0", &out.Low}, {"high", high, "3.0", &out.High}} {
		if f.text == "" {
			f.text = f.usual
		}
		n, err := poct.ParseNumber(f.text)
		if err != nil || n.Comparator != "" {
			faults = append(faults, Fault{Field: f.name, Text: "Write the end of the range as a number with a point, such as 2.5."})
		}
		*f.to = n
	}
	if len(faults) == 0 && out.Low.Cmp(out.High) >= 0 {
		faults = append(faults, Fault{Field: "high", Text: "The upper end of the range lies above the lower one; write them the other way round."})
	}
	if p.ID == "" {
		faults = append(faults, Fault{Field: "patient", Text: "Write the patient's number."})
	}
	if len(faults) > 0 {
		return out, &FormError{Faults: faults}
	}
	book := c.store.Book()
	series, err := book.PatientResults(p, from, to, 0)
	if err != nil {
		return out, err
	}
	if series, err = ofSites(book, actor, series); err != nil {
		return out, err
	}
	var dated []quality.Dated
	var ids []string
	for _, r := range slices.Backward(series) {
		m, ok := r.Reading.Measured("inr")
		if !ok || m.Value.IsZero() || r.Reading.Status == poct.StatusWithdrawn {
			continue
		}
		dated = append(dated, quality.Dated{At: r.Tested, Value: m.Value})
		out.Series = append(out.Series, SeriesPoint{Result: r.Result, At: r.Tested, INR: m.Value})
		ids = append(ids, r.Result)
	}
	out.Figures = quality.TimeInTherapeuticRange(dated, quality.RangeSettings{Low: out.Low, High: out.High})
	if len(ids) == 0 {
		return out, nil
	}
	if err := c.store.Look(ctx, actor.Name, ids, []string{"value"}); err != nil {
		return out, errors.Join(errors.New("the look could not be recorded, so nothing is shown"), err)
	}
	return out, nil
}

// ofSites keeps the results of the actor's sites, by where the meter stands
// now. Results of meters that no site has are for those who see all.
func ofSites(book poct.Book, actor poct.Actor, all []poct.Past) ([]poct.Past, error) {
	if has(actor, []string{"auditor"}) || slices.Contains(actor.Sites, "*") {
		return all, nil
	}
	var out []poct.Past
	at := map[string]string{} // meter -> site
	for _, p := range all {
		serial := p.Reading.Meter
		site, known := at[serial]
		if !known {
			m, _, err := book.Meter(serial)
			if err != nil {
				return nil, fmt.Errorf("look up a meter: %w", err)
			}
			site, at[serial] = m.Site, m.Site
		}
		if AtSite(actor, site) {
			out = append(out, p)
		}
	}
	return out, nil
}
