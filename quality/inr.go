package quality

import "math"

// INR is (pt/mnpt)^isi, the definition of the international normalised ratio
// (WHO, Technical Report Series 889). Both times in seconds, all above 0.
func INR(pt, mnpt, isi float64) float64 { return math.Pow(pt/mnpt, isi) }

// PT is the seconds that belong to an INR: mnpt * inr^(1/isi).
func PT(inr, mnpt, isi float64) float64 { return mnpt * math.Pow(inr, 1/isi) }

// HalfSteps is how far each number may be from its true value by rounding:
// half a unit of its last digit, 0 if it is exact.
type HalfSteps struct{ INR, PT, MNPT, ISI float64 }

// UsualSteps is INR, PT and MNPT to one decimal, ISI to two.
var UsualSteps = HalfSteps{INR: 0.05, PT: 0.05, MNPT: 0.05, ISI: 0.005}

// INRBand is the least and greatest INR that a meter may show for these
// numbers: the formula over the eight corners pt, mnpt, isi +- half a step,
// widened by half a step of the INR. Where a number is so small that rounding
// might have made it from 0, no INR fits it: both ends are 0.
func INRBand(pt, mnpt, isi float64, h HalfSteps) (low, high float64) {
	if pt <= 0 || mnpt <= h.MNPT || isi <= h.ISI {
		return 0, 0
	}
	low, high = math.Inf(1), math.Inf(-1)
	for _, p := range []float64{pt - h.PT, pt + h.PT} {
		for _, m := range []float64{mnpt - h.MNPT, mnpt + h.MNPT} {
			for _, i := range []float64{isi - h.ISI, isi + h.ISI} {
				v := INR(max(p, 0), m, i)
				low, high = min(low, v), max(high, v)
			}
		}
	}
	return low - h.INR, high + h.INR
}

// Tolerance is the same to first order: how far a shown INR may be from the
// formula. It is symmetric and a little narrower than INRBand above.
func Tolerance(pt, mnpt, isi float64, h HalfSteps) float64 {
	inr := INR(pt, mnpt, isi)
	return h.INR + inr*(isi*(h.PT/pt+h.MNPT/mnpt)+math.Abs(math.Log(pt/mnpt))*h.ISI)
}
