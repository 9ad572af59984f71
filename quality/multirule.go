package quality

import (
	"math/big"
	"slices"
	"strconv"

	"tidegate/poct"
)

// Rule of a control chart, by its usual name: count, limit in SDs. Source of
// rules and names: J. O. Westgard, "Multirule and Westgard rules" (westgard.com);
// the original set: Clin Chem 1981;27:493.
type Rule string

// Rules. "Exceeds" is strict: exactly 2 SD is not beyond 2 SD.
const (
	Rule12s Rule = "1-2s" // one beyond 2 SD: a warning
	Rule13s Rule = "1-3s" // one beyond 3 SD
	Rule22s Rule = "2-2s" // two beyond the same 2 SD: a run's materials, or a material twice running
	RuleR4s Rule = "R-4s" // within one run, one beyond +2 SD and one beyond -2 SD
	Rule41s Rule = "4-1s" // four beyond the same 1 SD: a material 4 times, or two materials in 2 runs
	Rule10x Rule = "10x"  // ten on one side of the mean: a material 10 times, or two materials in 5 runs
)

// Rules says how the rules are read. The zero value is the usual reading.
type Rules struct {
	// AtLimit counts a value of exactly the limit as beyond it. Published
	// exercises differ in this.
	AtLimit bool
	// R4sByDifference lets R-4s fire when two z of a run differ by more than 4,
	// wherever they lie.
	R4sByDifference bool
	// SameSide is the count of the last rule, an even number; 0 is 10.
	SameSide int
	// Off lists rules that are not applied. The last rule goes by its name with
	// the count in force: "10x", "8x".
	Off []Rule
}

func (r Rules) sameSide() int {
	if r.SameSide > 1 {
		return r.SameSide
	}
	return 10
}

// Severity of a rule: 1-2s is a note; 1-3s, 2-2s and R-4s reject the run and
// hold; the others show a drift and flag. A choice of this project's defaults.
func (r Rule) Severity() poct.Severity {
	switch r {
	case Rule12s:
		return poct.Note
	case Rule13s, Rule22s, RuleR4s:
		return poct.Hold
	}
	return poct.Flag
}

// chains is what the rules look back on.
type chains struct {
	rules  Rules
	scores []score
	of     []string         // material of each point
	chain  map[string][]int // points of a material since the last reset
	runs   []*run           // since the last reset
	byRun  map[string]int
}

// run is the controls of one event.
type run struct{ points []int }

func newChains(rules Rules, n int) *chains {
	c := &chains{rules: rules, scores: make([]score, 0, n), of: make([]string, 0, n)}
	c.reset()
	return c
}

func (c *chains) reset() {
	c.chain, c.runs, c.byRun = map[string][]int{}, nil, map[string]int{}
}

// add takes the next control in and answers which rules it completes.
func (c *chains) add(i int, in Control, s score) []Firing {
	if in.Corrected {
		c.reset()
	}
	c.scores, c.of = append(c.scores, s), append(c.of, in.Material)
	c.chain[in.Material] = append(c.chain[in.Material], i)
	at, known := c.byRun[in.Run]
	if !known || in.Run == "" {
		at = len(c.runs)
		c.runs = append(c.runs, &run{})
		c.byRun[in.Run] = at
	}
	c.runs[at].points = append(c.runs[at].points, i)
	if !s.judged() {
		return nil
	}

	var out []Firing
	fire := func(rule Rule, across bool, points []int) {
		if len(points) > 0 && !slices.Contains(c.rules.Off, rule) {
			out = append(out, Firing{rule, rule.Severity(), across, points})
		}
	}
	if s.beyond[2] != 0 {
		fire(Rule12s, false, []int{i})
	}
	if s.beyond[3] != 0 {
		fire(Rule13s, false, []int{i})
	}
	fire(Rule22s, false, c.sameMaterial(i, 2, 2))
	fire(Rule22s, true, c.sameRun(i, at))
	fire(RuleR4s, true, c.opposite(i, at))
	fire(Rule41s, false, c.sameMaterial(i, 1, 4))
	fire(Rule41s, true, c.twoMaterials(i, at, 1, 4))
	n := c.rules.sameSide()
	last := Rule(strconv.Itoa(n) + "x")
	fire(last, false, c.sameMaterial(i, 0, n))
	fire(last, true, c.twoMaterials(i, at, 0, n))
	return out
}

// sameMaterial is the last n points of i's material, if all lie beyond k SD on
// one side.
func (c *chains) sameMaterial(i, k, n int) []int {
	chain := c.chain[c.of[i]]
	if len(chain) < n {
		return nil
	}
	last := chain[len(chain)-n:]
	if !c.allBeyond(last, k, c.scores[i].beyond[k]) {
		return nil
	}
	return slices.Clone(last)
}

// sameRun is the points of i's run beyond 2 SD on i's side, if there is one of
// another material.
func (c *chains) sameRun(i, at int) []int {
	side := c.scores[i].beyond[2]
	if side == 0 {
		return nil
	}
	var out []int
	others := false
	for _, j := range c.runs[at].points {
		if c.scores[j].beyond[2] == side {
			out = append(out, j)
			others = others || c.of[j] != c.of[i]
		}
	}
	if !others {
		return nil
	}
	return out
}

// opposite is the points of i's run that make R-4s with it, and i.
func (c *chains) opposite(i, at int) []int {
	four := big.NewRat(4, 1)
	side := c.scores[i].beyond[2]
	var out []int
	for _, j := range c.runs[at].points {
		s := c.scores[j]
		if !s.judged() || j == i {
			continue
		}
		hit := side != 0 && s.beyond[2] == -side
		if c.rules.R4sByDifference {
			d := c.scores[i].exactZ()
			d.Sub(d, s.exactZ())
			cmp := d.Abs(d).Cmp(four)
			hit = hit || cmp > 0 || cmp == 0 && c.rules.AtLimit
		}
		if hit {
			out = append(out, j)
		}
	}
	if len(out) == 0 {
		return nil
	}
	return append(out, i)
}

// twoMaterials is the points of i's material and one other in the last n/2
// runs, if each of these runs holds both and all lie beyond k SD on one side.
func (c *chains) twoMaterials(i, at, k, n int) []int {
	side := c.scores[i].beyond[k]
	if side == 0 {
		return nil
	}
	tried := []string{c.of[i]}
	for _, j := range c.runs[at].points {
		other := c.of[j]
		if slices.Contains(tried, other) {
			continue
		}
		tried = append(tried, other)
		if points := c.pair(c.of[i], other, at, k, side, (n+1)/2); points != nil {
			return points
		}
	}
	return nil
}

func (c *chains) pair(a, b string, at, k, side, runs int) []int {
	var out []int
	for ; at >= 0 && runs > 0; at-- {
		var here []int
		var hasA, hasB bool
		for _, j := range c.runs[at].points {
			hasA, hasB = hasA || c.of[j] == a, hasB || c.of[j] == b
			if c.of[j] == a || c.of[j] == b {
				here = append(here, j)
			}
		}
		if len(here) == 0 {
			continue // a run of other materials
		}
		if !hasA || !hasB || !c.allBeyond(here, k, side) {
			return nil
		}
		out = append(here, out...)
		runs--
	}
	if runs > 0 {
		return nil
	}
	return out
}

func (c *chains) allBeyond(points []int, k, side int) bool {
	for _, j := range points {
		if side == 0 || c.scores[j].beyond[k] != side {
			return false
		}
	}
	return true
}
