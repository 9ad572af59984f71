package quality

import (
	"cmp"
	"math/big"
	"slices"
	"strconv"
	"time"

	"tidegate/poct"
)

// Pair is one patient measured twice: by the method compared with (laboratory,
// old lot) and by the one under test (meter, new lot).
type Pair struct {
	ID        string        `json:"id,omitempty"`   // of the tested result
	With      string        `json:"with,omitempty"` // of the reference result
	At        time.Time     `json:"at,omitzero"`    // of the tested result
	Apart     time.Duration `json:"apart,omitempty"`
	Reference poct.Number   `json:"reference,omitzero"`
	Tested    poct.Number   `json:"tested,omitzero"`
	Excluded  string        `json:"excluded,omitempty"` // why it is left out; "" if it is used
}

// PairUp finds, for each tested result (meter, new lot), the reference result
// (laboratory, old lot) of the same patient that lies nearest in time and at
// most within away. Each result is used once; the pairs nearest in time are
// made first. Tested results come back in the order given; one that finds no
// partner, or whose value is a bound, is excluded with the reason.
func PairUp(tested, reference []poct.Past, within time.Duration) []Pair {
	of := map[poct.PatientRef][]int{}
	for k, r := range reference {
		if usableINR(r) == "" {
			of[r.Reading.Patient] = append(of[r.Reading.Patient], k)
		}
	}
	type candidate struct {
		apart time.Duration
		t, r  int
	}
	var near []candidate
	out := make([]Pair, len(tested))
	for i, p := range tested {
		out[i] = Pair{ID: p.Result, At: p.Tested, Excluded: usableINR(p)}
		if v, ok := p.Reading.Measured("inr"); ok {
			out[i].Tested = v.Value
		}
		if out[i].Excluded != "" {
			continue
		}
		out[i].Excluded = "no other INR of this patient within " + hours(within) + " that no nearer result has taken"
		for _, k := range of[p.Reading.Patient] {
			if apart := p.Tested.Sub(reference[k].Tested).Abs(); apart <= within && reference[k].Result != p.Result {
				near = append(near, candidate{apart, i, k})
			}
		}
	}
	slices.SortStableFunc(near, func(a, b candidate) int { return cmp.Compare(a.apart, b.apart) })
	paired, taken := map[int]bool{}, map[int]bool{}
	for _, c := range near {
		if paired[c.t] || taken[c.r] {
			continue
		}
		paired[c.t], taken[c.r] = true, true
		v, _ := reference[c.r].Reading.Measured("inr")
		p := &out[c.t]
		p.With, p.Apart, p.Reference, p.Excluded = reference[c.r].Result, c.apart, v.Value, ""
	}
	return out
}

// hours writes a span in hours, or in minutes where it is not whole hours.
func hours(d time.Duration) string {
	if d%time.Hour == 0 {
		return strconv.FormatInt(int64(d/time.Hour), 10) + " h"
	}
	return strconv.FormatInt(int64(d/time.Minute), 10) + " min"
}

// usableINR says why a result cannot stand in a pair; "" if it can.
func usableINR(p poct.Past) string {
	v, ok := p.Reading.Measured("inr")
	switch {
	case !ok || v.Value.IsZero():
		return "no INR"
	case !v.Value.Exact():
		return v.Value.String() + " is a bound, not a number"
	case p.Reading.Patient.ID == "":
		return "no patient"
	case p.Tested.IsZero():
		return "no time of the test"
	case p.Reading.Status == poct.StatusWithdrawn:
		return "withdrawn"
	}
	return ""
}

// sift parts the pairs that can be computed with from the others, each of
// which says why.
func sift(pairs []Pair) (used, excluded []Pair) {
	for _, p := range pairs {
		if p.Excluded == "" {
			p.Excluded = unfit(p)
		}
		if p.Excluded == "" {
			used = append(used, p)
		} else {
			excluded = append(excluded, p)
		}
	}
	return used, excluded
}

func unfit(p Pair) string {
	for _, v := range []poct.Number{p.Reference, p.Tested} {
		switch {
		case v.IsZero():
			return "one of the two values is missing"
		case !v.Exact():
			return v.String() + " is a bound, not a number"
		case v.Rat().Sign() <= 0:
			return v.String() + " is not above 0"
		}
	}
	return ""
}

// difference is tested minus reference, exact.
func (p Pair) difference() *big.Rat {
	return new(big.Rat).Sub(p.Tested.Rat(), p.Reference.Rat())
}

// share is the difference as a share of the reference, exact.
func (p Pair) share() *big.Rat {
	return new(big.Rat).Quo(p.difference(), p.Reference.Rat())
}

func floats(pairs []Pair) (x, y []float64) {
	for _, p := range pairs {
		x, y = append(x, p.Reference.Float()), append(y, p.Tested.Float())
	}
	return x, y
}

// scaled gives both values of each pair as whole numbers, times 10 to the
// power decimals: differences of decimals are then exact, as far as a float
// holds whole numbers (2^53), and equal slopes are equal.
func scaled(pairs []Pair) (x, y []float64, decimals int) {
	for _, p := range pairs {
		decimals = max(decimals, p.Reference.Decimals(), p.Tested.Decimals())
	}
	whole := func(n poct.Number) float64 {
		f, err := strconv.ParseFloat(n.Text+"e"+strconv.Itoa(decimals), 64)
		if err != nil {
			return n.Float() // out of range: cannot come from 32 digits
		}
		return f
	}
	for _, p := range pairs {
		x, y = append(x, whole(p.Reference)), append(y, whole(p.Tested))
	}
	return x, y, decimals
}
