package quality

import (
	"errors"
	"math"
)

// BlandAltman is the mean difference, tested minus reference, and the limits
// between which about 95 % of differences lie, each with its interval.
// Sources: Bland and Altman, Lancet 1986;1:307, and Stat Methods Med Res
// 1999;8:135 for the exact SE of a limit.
type BlandAltman struct {
	N       int      `json:"n"`
	Bias    float64  `json:"bias"`
	SD      float64  `json:"sd"` // of the differences, divisor n-1
	Lower   float64  `json:"lower"`
	Upper   float64  `json:"upper"`
	Factor  float64  `json:"factor"` // limits are bias +- factor SD
	SEBias  float64  `json:"se_bias"`
	SELimit float64  `json:"se_limit"`
	BiasCI  Interval `json:"bias_ci"`
	LowerCI Interval `json:"lower_ci"`
	UpperCI Interval `json:"upper_ci"`
}

// Differences computes bias and limits of agreement of at least 3 usable pairs.
func Differences(pairs []Pair, s CompareSettings) (BlandAltman, error) {
	used, _ := sift(pairs)
	if err := enough(used); err != nil {
		return BlandAltman{}, err
	}
	if s.Factor <= 0 || s.Confidence <= 0 || s.Confidence >= 1 {
		return BlandAltman{}, errors.New("the factor of the limits lies above 0 and the confidence between 0 and 1; 1.96 and 0.95 are usual")
	}
	sum := Summarise(differences(used))
	n := float64(sum.N)
	b := BlandAltman{N: sum.N, Bias: sum.Mean, SD: sum.SD, Factor: s.Factor}
	b.Lower, b.Upper = b.Bias-b.Factor*b.SD, b.Bias+b.Factor*b.SD
	b.SEBias = b.SD / math.Sqrt(n)
	b.SELimit = b.SD * math.Sqrt(1/n+s.Factor*s.Factor/(2*(n-1)))
	if s.Approximate {
		b.SELimit = b.SD * math.Sqrt(3/n)
	}
	t := studentT(s.Confidence, n-1)
	b.BiasCI = Interval{b.Bias - t*b.SEBias, b.Bias + t*b.SEBias}
	b.LowerCI = Interval{b.Lower - t*b.SELimit, b.Lower + t*b.SELimit}
	b.UpperCI = Interval{b.Upper - t*b.SELimit, b.Upper + t*b.SELimit}
	return b, nil
}

// differences of pairs, tested minus reference, each rounded once.
func differences(pairs []Pair) []float64 {
	out := make([]float64, len(pairs))
	for i, p := range pairs {
		out[i], _ = p.difference().Float64()
	}
	return out
}
