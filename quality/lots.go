package quality

import (
	"fmt"
	"math/big"

	"tidegate/poct"
)

// LotLimits for a new strip lot against the old one, on patients.
type LotLimits struct {
	AtLeast     int         // usable pairs
	Pair        Agreement   // for each pair
	MeanPercent poct.Number // for the mean of the pairs' differences in percent, the limit itself with it
}

// DefaultLotLimits is this project's default, no standard: CLSI EP26 leaves the
// prothrombin time out, since lots are expected to shift and are calibrated by
// ISI. The 10 % echoes the bias accepted between reference thromboplastins.
func DefaultLotLimits() LotLimits {
	return LotLimits{AtLeast: 5, Pair: HalfOr20, MeanPercent: decimal("10")}
}

// LotComparison is what the pairs say of a new lot.
type LotComparison struct {
	Accept      bool     `json:"accept"`
	Why         []string `json:"why,omitempty"` // what stands against it
	N           int      `json:"n"`
	Low         string   `json:"low,omitempty"` // least and greatest value of the old lot, to see
	High        string   `json:"high,omitempty"`
	MeanPercent float64  `json:"mean_percent"`
	Outside     []Pair   `json:"outside,omitempty"`
	Excluded    []Pair   `json:"excluded,omitempty"`
}

// AcceptLot judges a new lot by pairs of old (reference) and new (tested) lot
// on the same patients. It says what the figures say; a person accepts the
// lot, after controls and constants were checked too.
func AcceptLot(pairs []Pair, limits LotLimits) LotComparison {
	used, excluded := sift(pairs)
	c := LotComparison{N: len(used), Excluded: excluded}
	if c.N < limits.AtLeast || c.N == 0 {
		c.Why = append(c.Why, fmt.Sprintf("%d usable pairs; at least %d are needed", c.N, max(limits.AtLeast, 1)))
	}
	if c.N == 0 {
		return c
	}
	sum := new(big.Rat)
	low, high := used[0].Reference, used[0].Reference
	for _, p := range used {
		sum.Add(sum, p.share())
		if p.Reference.Cmp(low) < 0 {
			low = p.Reference
		}
		if p.Reference.Cmp(high) > 0 {
			high = p.Reference
		}
		if agrees, judged := limits.Pair.Judge(p); !judged || !agrees {
			c.Outside = append(c.Outside, p)
		}
	}
	c.Low, c.High = low.Text, high.Text
	mean := sum.Mul(sum, big.NewRat(100, int64(c.N)))
	c.MeanPercent, _ = mean.Float64()
	if len(c.Outside) > 0 {
		c.Why = append(c.Why, fmt.Sprintf("%d of %d pairs are not %s", len(c.Outside), c.N, limits.Pair.Name))
	}
	if new(big.Rat).Abs(mean).Cmp(limits.MeanPercent.Rat()) > 0 {
		c.Why = append(c.Why, fmt.Sprintf("the mean difference is %s %%; at most %s %% are allowed", mean.FloatString(1), limits.MeanPercent.Text))
	}
	c.Accept = len(c.Why) == 0
	return c
}
