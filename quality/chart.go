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
	ID       string      `json:"id"` // of the result
	At       time.Time   `json:"at"`
	Value    poct.Number `json:"value"`
	Material string      `json:"material"` // control lot and level: what has a mean and SD of its own; see Material
	Run      string      `json:"run"`      // equal for all controls of one event; "" is an event of its own
	// Corrected tells that a corrective action was recorded since the control
	// before: every chain begins anew here.
	Corrected bool `json:"corrected,omitempty"`
}

// Material names a level of a control lot. The level is compared without
// regard to case and outer spaces.
func Material(lot, level string) string {
	return strings.TrimSpace(lot) + "|" + strings.ToLower(strings.TrimSpace(level))
}

// Point is a control on the chart. Z is for drawing: no rule is judged by it.
type Point struct {
	Control
	Judged bool     `json:"judged"` // the material has a usable basis and the value is a plain number
	Z      float64  `json:"z"`      // (value - mean) / SD, 0 unless judged
	Fired  []Firing `json:"fired,omitempty"`
}

// Firing is one rule that a control completes.
type Firing struct {
	Rule     Rule          `json:"rule"`
	Severity poct.Severity `json:"severity"`
	Across   bool          `json:"across,omitempty"` // over more than one material
	Points   []int         `json:"points"`           // indexes of all points that take part, in order; the last is where it fires
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
	scales := map[string]*scale{}
	points := make([]Point, len(controls))
	for i, in := range controls {
		on, known := scales[in.Material]
		if !known {
			on = scaleOf(bases[in.Material])
			scales[in.Material] = on
		}
		s := on.score(in.Value, rules.AtLimit)
		points[i] = Point{Control: in, Judged: s.judged()}
		if s.judged() {
			points[i].Z = on.z(in.Value)
		}
		points[i].Fired = c.add(i, in, s)
	}
	return points
}

// Events gives each control without a run one: a control belongs to the event
// of the one before while it follows within a span and its material is not yet
// in that event. A level that is run again begins an event of its own, and the
// other level joins it. Controls are put in order of time.
func Events(controls []Control, within time.Duration) []Control {
	controls = slices.Clone(controls)
	slices.SortStableFunc(controls, func(a, b Control) int { return a.At.Compare(b.At) })
	var last time.Time
	var in []string
	n := 0
	for i, c := range controls {
		if c.Run != "" {
			continue
		}
		if n == 0 || c.At.Sub(last) > within || slices.Contains(in, c.Material) {
			n++
			in = nil
		}
		last, in = c.At, append(in, c.Material)
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

// scale is a basis made ready for many values: mean + k SD for k = -3 to 3.
type scale struct {
	mean, sd float64
	steps    [7]*big.Rat
	basis    Basis
}

// scaleOf is nil for a basis that can judge nothing.
func scaleOf(b Basis) *scale {
	if !b.Usable() {
		return nil
	}
	s := &scale{basis: b}
	s.mean, _ = b.Mean.Float64()
	s.sd, _ = b.SD.Float64()
	for i := range s.steps {
		step := new(big.Rat).Mul(big.NewRat(int64(i-3), 1), b.SD)
		s.steps[i] = step.Add(step, b.Mean)
	}
	return s
}

func (s *scale) z(v poct.Number) float64 { return (v.Float() - s.mean) / s.sd }

// score is where a value lies: exact, so that 2.8 about 2.5 with SD 0.1 is 3 SD
// and not 2.9999999999999982.
type score struct {
	on     *scale // nil if it cannot be judged
	value  *big.Rat
	beyond [4]int // side on which it lies beyond k SD: -1, 0, 1; k = 0 is the side of the mean
}

func (s score) judged() bool { return s.on != nil }

// exactZ is z as a fraction.
func (s score) exactZ() *big.Rat {
	z := new(big.Rat).Sub(s.value, s.on.basis.Mean)
	return z.Quo(z, s.on.basis.SD)
}

func (s *scale) score(v poct.Number, atLimit bool) score {
	if s == nil || !v.Exact() {
		return score{}
	}
	out := score{on: s, value: v.Rat()}
	side := out.value.Cmp(s.steps[3])
	out.beyond[0] = side
	for k := 1; k < len(out.beyond) && side != 0; k++ {
		c := side * out.value.Cmp(s.steps[3+side*k])
		if c < 0 || c == 0 && !atLimit {
			break
		}
		out.beyond[k] = side
	}
	return out
}
