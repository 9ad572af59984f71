package quality

import (
	"fmt"
	"math/big"
	"slices"
	"time"

	"tidegate/poct"
)

// Dated is one INR of a patient. Its day is the date in the location of At.
type Dated struct {
	At    time.Time
	Value poct.Number
	// Break says why no line is drawn to this INR from the one before: bridging,
	// a stay in hospital; "" if one is.
	Break string
}

// RangeSettings for TimeInRange. The zero value is completed by the defaults.
type RangeSettings struct {
	Low, High  poct.Number // both ends count as in; 2.0 and 3.0
	LongestGap int         // days; a longer gap is not interpolated; 56
	AtLeast    int         // days with an INR; 3
	CutAt      poct.Number // values above count as this; 10
	DropBelow  poct.Number // values below are left out; 0.8
	SkipDays   int         // INRs of the first days are left out: the start of treatment
}

func (s RangeSettings) complete() RangeSettings {
	number := func(n *poct.Number, text string) {
		if n.IsZero() {
			*n = decimal(text)
		}
	}
	number(&s.Low, "2.0")
	number(&s.High, "3.0")
	number(&s.CutAt, "10")
	number(&s.DropBelow, "0.8")
	if s.LongestGap == 0 {
		s.LongestGap = 56
	}
	if s.AtLeast == 0 {
		s.AtLeast = 3
	}
	return s
}

// TimeInRange is the share of a patient's days in the therapeutic range. It
// is a report on treatment as a whole and no reason to hold a result.
type TimeInRange struct {
	Told       bool    `json:"told"` // there is a percentage
	Why        string  `json:"why,omitempty"`
	Percent    float64 `json:"percent"` // of In+Below+Above
	In         float64 `json:"in"`      // days
	Below      float64 `json:"below"`
	Above      float64 `json:"above"`
	GapDays    float64 `json:"gap_days"`   // not counted: gap too long
	BreakDays  float64 `json:"break_days"` // not counted: a break was recorded
	Tests      int     `json:"tests"`      // days with an INR
	TestsIn    int     `json:"tests_in"`
	FractionIn float64 `json:"fraction_in"` // TestsIn / Tests, 0 to 1
	LeftOut    int     `json:"left_out"`    // values not used: bounds, too low, second ones of a day, first days
	Mean       float64 `json:"mean"`
	SD         float64 `json:"sd"`
	CV         float64 `json:"cv"` // percent
	// Growth is the mean, over successive INRs, of the squared change divided by
	// the weeks between: a variance growth rate per week. GrowthAll takes the
	// gaps and breaks in, Growth leaves them out.
	Growth    float64 `json:"growth"`
	GrowthAll float64 `json:"growth_all"`
}

// TimeInTherapeuticRange draws a straight line between successive INRs and
// measures exactly how long it runs in, below and above the range, in days
// between dates (Rosendaal et al., Thromb Haemost 1993;69:236). A gap longer
// than LongestGap is not counted (LOINC 72281-9: 56 days). Of several INRs on
// one date the one nearest the middle of the range counts, the first of two
// as near; above 10 counts as 10, below 0.8 is dropped (CMS measure 179).
// Nothing is counted before the first or after the last INR.
func TimeInTherapeuticRange(series []Dated, settings RangeSettings) TimeInRange {
	s := settings.complete()
	var t TimeInRange
	if s.Low.Cmp(s.High) > 0 {
		t.Why = "the range ends below its beginning: " + s.Low.Text + " to " + s.High.Text
		return t
	}
	days := s.daily(series)
	t.Tests, t.LeftOut = len(days), len(series)-len(days)
	values := make([]float64, len(days))
	for i, d := range days {
		values[i] = d.Value.Float()
		if (Range{s.Low, s.High}).Holds(d.Value) {
			t.TestsIn++
		}
	}
	sum := Summarise(values)
	t.Mean, t.SD, t.CV = sum.Mean, sum.SD, sum.CV()
	if t.Tests > 0 {
		t.FractionIn = float64(t.TestsIn) / float64(t.Tests)
	}
	s.lines(days, &t)
	switch counted := t.In + t.Below + t.Above; {
	case t.Tests < s.AtLeast:
		t.Why = fmt.Sprintf("at least %d days with an INR are needed; there are %d", s.AtLeast, t.Tests)
	case counted == 0:
		t.Why = "no two INRs are near enough for a line between them"
	default:
		t.Told, t.Percent = true, 100*t.In/counted
	}
	return t
}

// day is the one INR of a date.
type day struct {
	Dated
	date time.Time
}

// daily gives one INR for each date, oldest first.
func (s RangeSettings) daily(series []Dated) []day {
	var all []day
	for _, d := range series {
		if !d.Value.Exact() || d.Value.Cmp(s.DropBelow) < 0 || d.At.IsZero() {
			continue
		}
		if d.Value.Cmp(s.CutAt) > 0 {
			d.Value = s.CutAt
		}
		y, m, n := d.At.Date()
		all = append(all, day{d, time.Date(y, m, n, 0, 0, 0, 0, time.UTC)})
	}
	slices.SortStableFunc(all, func(a, b day) int {
		if c := a.date.Compare(b.date); c != 0 {
			return c
		}
		return a.At.Compare(b.At)
	})
	middle := new(big.Rat).Add(s.Low.Rat(), s.High.Rat())
	middle.Quo(middle, big.NewRat(2, 1))
	away := func(d day) *big.Rat {
		r := new(big.Rat).Sub(d.Value.Rat(), middle)
		return r.Abs(r)
	}
	var out []day
	for _, d := range all {
		if between(all[0], d) < float64(s.SkipDays) {
			continue
		}
		last := len(out) - 1
		if last < 0 || !out[last].date.Equal(d.date) {
			out = append(out, d)
			continue
		}
		why := out[last].Break + d.Break // a break on a date holds whichever INR counts
		if away(d).Cmp(away(out[last])) < 0 {
			out[last] = d
		}
		out[last].Break = why
	}
	return out
}

// lines adds up the time along the lines between successive INRs.
func (s RangeSettings) lines(days []day, t *TimeInRange) {
	var growth, growthAll float64
	var n int
	for i := 1; i < len(days); i++ {
		a, b := days[i-1], days[i]
		long := between(a, b)
		change := b.Value.Float() - a.Value.Float()
		square := change * change / (long / 7)
		growthAll += square
		switch {
		case b.Break != "":
			t.BreakDays += long
			continue
		case long > float64(s.LongestGap):
			t.GapDays += long
			continue
		}
		growth += square
		n++
		below, in, above := s.shares(a.Value, b.Value)
		t.Below, t.In, t.Above = t.Below+long*below, t.In+long*in, t.Above+long*above
	}
	if len(days) > 1 {
		t.GrowthAll = growthAll / float64(len(days)-1)
	}
	if n > 0 {
		t.Growth = growth / float64(n)
	}
}

// shares of a line from a to b that lie below, in and above the range.
func (s RangeSettings) shares(a, b poct.Number) (below, in, above float64) {
	if a.Cmp(b) == 0 {
		switch {
		case a.Cmp(s.Low) < 0:
			return 1, 0, 0
		case a.Cmp(s.High) > 0:
			return 0, 0, 1
		}
		return 0, 1, 0
	}
	if a.Cmp(b) > 0 {
		a, b = b, a // time has no direction here
	}
	at := func(limit poct.Number) float64 {
		return min(max((limit.Float()-a.Float())/(b.Float()-a.Float()), 0), 1)
	}
	low, high := at(s.Low), at(s.High)
	return low, high - low, 1 - high
}

func between(a, b day) float64 { return b.date.Sub(a.date).Hours() / 24 }
