package quality

import (
	"errors"
	"fmt"
	"math/big"
	"strconv"

	"tidegate/poct"
)

// MinRuns is how many runs an own mean and SD need (common practice, no source).
const MinRuns = 20

// Basis is what a control's chart is drawn about: a mean and an SD, both fixed
// and exact, and where they come from. The zero Basis can judge nothing.
type Basis struct {
	Mean, SD *big.Rat
	From     string // for the reader: "stated", "range 2.1 to 3.1 taken as 2 SD to each side", "own 24 runs"
}

// Usable reports whether values can be judged: there is an SD above zero.
func (b Basis) Usable() bool { return b.Mean != nil && b.SD != nil && b.SD.Sign() > 0 }

// Stated is a mean and an SD given by the control's maker or the laboratory.
func Stated(mean, sd poct.Number) (Basis, error) {
	b := Basis{Mean: mean.Rat(), SD: sd.Rat(), From: "stated"}
	if !mean.Exact() || !sd.Exact() || !b.Usable() {
		return Basis{}, errors.New("a stated mean and SD are two plain numbers, the SD above 0; write both")
	}
	return b, nil
}

// OfRange is the middle of a range, and its width in SDs as stated by whoever
// set the range: k SDs to each side. k is never guessed.
func OfRange(r Range, k poct.Number) (Basis, error) {
	if !r.Known() || !k.Exact() || k.Rat().Sign() <= 0 {
		return Basis{}, errors.New("a range becomes mean and SD only with both ends and the number of SDs that it spans to each side; write range_sds, usually 2 or 3, from the control's sheet")
	}
	low, high := r.Low.Rat(), r.High.Rat()
	sum, width := new(big.Rat).Add(low, high), new(big.Rat).Sub(high, low)
	b := Basis{
		Mean: sum.Quo(sum, big.NewRat(2, 1)),
		SD:   width.Quo(width, new(big.Rat).Mul(big.NewRat(2, 1), k.Rat())),
		From: "range " + r.Low.Text + " to " + r.High.Text + " taken as " + k.Text + " SD to each side",
	}
	if !b.Usable() {
		return Basis{}, errors.New("a range's high end lies above its low end; look at the control's sheet")
	}
	return b, nil
}

// OwnRuns is the mean and SD of at least MinRuns values, rounded to four more
// decimals than the values have: what is shown is what is compared with. Fix
// it once and keep it; a chart whose mean follows its runs shows no drift.
// Values with a comparator are left out.
func OwnRuns(values []poct.Number) (Basis, error) {
	var floats []float64
	decimals := 0
	for _, v := range values {
		if v.Exact() {
			floats = append(floats, v.Float())
			decimals = max(decimals, v.Decimals())
		}
	}
	if len(floats) < MinRuns {
		return Basis{}, errors.New(FewRuns(len(floats)))
	}
	s := Summarise(floats)
	round := func(f float64) *big.Rat {
		r, _ := new(big.Rat).SetString(strconv.FormatFloat(f, 'f', decimals+4, 64))
		return r
	}
	b := Basis{Mean: round(s.Mean), SD: round(s.SD), From: fmt.Sprintf("own %d runs", s.N)}
	if !b.Usable() {
		return Basis{}, errors.New("all runs have the same value: no SD can be told from them; state one")
	}
	return b, nil
}

// FewRuns is the note for a chart with fewer than MinRuns runs; "" from there on.
func FewRuns(n int) string {
	if n >= MinRuns {
		return ""
	}
	return fmt.Sprintf("an own mean and SD need at least %d runs; there are %d", MinRuns, n)
}

// BasisOf reads a registry row: mean and SD if both stand there, else the
// range with its stated number of SDs, else an error that says what to write.
func BasisOf(row poct.ControlLot) (Basis, error) {
	switch {
	case !row.Mean.IsZero() || !row.SD.IsZero():
		return Stated(row.Mean, row.SD)
	case !row.RangeSDs.IsZero():
		return OfRange(Range{row.Low, row.High}, row.RangeSDs)
	}
	return Basis{}, errors.New("the registry gives a range and no SD; write mean and sd, or range_sds from the control's sheet, or take own runs once there are " + strconv.Itoa(MinRuns))
}

// Range is what a control must lie in, both ends included.
type Range struct{ Low, High poct.Number }

// Known reports whether both ends are plain numbers.
func (r Range) Known() bool { return r.Low.Exact() && r.High.Exact() }

// Holds reports whether a value lies in the range: low <= value <= high. A
// value with a comparator is a bound and is never known to lie inside.
func (r Range) Holds(v poct.Number) bool {
	return r.Known() && v.Exact() && v.Cmp(r.Low) >= 0 && v.Cmp(r.High) <= 0
}
