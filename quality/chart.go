package quality

import (
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidegate/poct"
)

// Control is one control result on the chart of one meter and strip lot.
type Control struct {
	ID       string // of the result
	At       time.Time
	Value    poct.Number
	Material string // control lot and level: what has a mean and SD of its own; see Material
	Run      string // equal for all controls of one event; "" is an event of its own
	// Corrected tells that a corrective action was recorded since the control
	// before: every chain begins anew here.
	Corrected bool
}

// Material names a level of a control lot. The level is compared without
// regard to case and outer spaces.
func Material(lot, level string) string {
	return strings.TrimSpace(lot) + "|" + strings.ToLower(strings.TrimSpace(level))
}

// Point is a control on the chart. Z is for drawing: no rule is judged by it.
type Point struct {
	Control
	Judged bool    // the material has a usable basis and the value is a plain number
	Z      float64 // (value - mean) / SD, 0 unless judged
	Fired  []Firing
}

// Firing is one rule that a control completes.
type Firing struct {
	Rule     Rule
	Severity poct.Severity
	Across   bool  // over more than one material
	Points   []int // indexes of all points that take part, in order; the last is where it fires
}

// Judge draws the chart of one meter and strip lot: each control with its z,
// and the rules that it completes together with those before it. Controls are
// taken by time, equal times as given. Bases go by material; a material
// without a usable basis is drawn and judged by no rule.
//
// A chain is a material's controls in order. A new control lot is another
// material, so its chain begins empty; a corrective action empties all chains.
// A control that failed stays in its chain. Over two materials, a chain is of
// runs that hold both, one after another: a run that holds only one of them
// ends it. A value with a comparator has no z and breaks each chain it is in.
func Judge(controls []Control, bases map[string]Basis, rules Rules) []Point {
	controls = slices.Clone(controls)
	slices.SortStableFunc(controls, func(a, b Control) int { return a.At.Compare(b.At) })
	c := newChains(rules, len(controls))
	points := make([]Point, len(controls))
	for i, in := range controls {
		s := scoreOf(in.Value, bases[in.Material], rules.AtLimit)
		points[i] = Point{Control: in, Judged: s.z != nil}
		if s.z != nil {
			points[i].Z, _ = s.z.Float64()
		}
		points[i].Fired = c.add(i, in, s)
	}
	return points
}

// Events gives each control without a run one: controls belong to one event
// while they are within a span of its first and their material is not yet in
// it. Controls are put in order of time.
func Events(controls []Control, within time.Duration) []Control {
	controls = slices.Clone(controls)
	slices.SortStableFunc(controls, func(a, b Control) int { return a.At.Compare(b.At) })
	var first time.Time
	var in []string
	n := 0
	for i, c := range controls {
		if c.Run != "" {
			continue
		}
		if n == 0 || c.At.Sub(first) > within || slices.Contains(in, c.Material) {
			n++
			first, in = c.At, nil
		}
		in = append(in, c.Material)
		controls[i].Run = "event " + strconv.Itoa(n)
	}
	return controls
}

// ControlsOf takes filed control results of one meter and strip lot as points
// of a chart; those withdrawn, preliminary, undated or without an INR are left
// out. Events of one meter are told apart by time.
func ControlsOf(past []poct.Past, within time.Duration) []Control {
	var out []Control
	for _, p := range past {
		m, ok := p.Reading.Measured("inr")
		st := p.Reading.Status
		if !ok || m.Value.IsZero() || p.Tested.IsZero() || st == poct.StatusWithdrawn || st == poct.StatusPreliminary {
			continue
		}
		out = append(out, Control{ID: p.Result, At: p.Tested, Value: m.Value, Material: Material(p.Reading.ControlLot, p.Reading.ControlLevel)})
	}
	return Events(out, within)
}

// score is where a value lies: exact, so that 2.8 about 2.5 with SD 0.1 is 3 SD
// and not 2.9999999999999982.
type score struct {
	z      *big.Rat // nil if it cannot be judged
	beyond [4]int   // side on which it lies beyond k SD: -1, 0, 1; k = 0 is the side of the mean
}

func scoreOf(v poct.Number, b Basis, atLimit bool) score {
	if !v.Exact() || !b.Usable() {
		return score{}
	}
	z := new(big.Rat).Sub(v.Rat(), b.Mean)
	z.Quo(z, b.SD)
	s := score{z: z}
	s.beyond[0] = z.Sign()
	size := new(big.Rat).Abs(z)
	for k := 1; k < len(s.beyond); k++ {
		if c := size.Cmp(big.NewRat(int64(k), 1)); c > 0 || c == 0 && atLimit {
			s.beyond[k] = z.Sign()
		}
	}
	return s
}
