package validate

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"tidegate/poct"
)

// The INR band recomputed from seconds. The published values stand on pages
// that explain the calculation; the bands are calculated here by hand from
// the eight corners, widened by the INR's own half-step.
func TestBandOfPublishedValues(t *testing.T) {
	for _, tt := range []struct {
		name          string
		pt, mnpt, isi string
		inr           float64 // (PT/MNPT)^ISI
		low, high     float64 // 0 where not calculated
	}{
		{"calculation page, published 1.213", "15.2", "13.1", "1.297", 1.2127, 1.1507, 1.2749},
		{"calculation page, published 1.28", "15", "12", "1.1", 1.2782, 0, 0},
		{"calculated here", "30.0", "12.0", "1.00", 2.5000, 2.4242, 2.5763},
		{"calculated here, whole seconds", "30", "12.0", "1.00", 2.5000, 2.3872, 2.6143},
		{"calculated here", "24.0", "12.0", "1.25", 2.3784, 2.3018, 2.4555},
		{"calculated here", "60.0", "12.0", "1.00", 5.0000, 4.8854, 5.1158},
	} {
		t.Run(tt.name+" "+tt.pt, func(t *testing.T) {
			pt, mnpt, isi := poct.MustNumber(tt.pt), poct.MustNumber(tt.mnpt), poct.MustNumber(tt.isi)
			b := bandOf(pt, mnpt, isi)
			assert.Less(t, b.low, tt.inr)
			assert.Greater(t, b.high, tt.inr)
			if tt.low == 0 {
				return
			}
			const hINR = 0.05
			assert.InDelta(t, tt.low, b.low-hINR, 5e-5)
			assert.InDelta(t, tt.high, b.high+hINR, 5e-5)
		})
	}
}

// The edges of the band, with 0.1 allowed beyond rounding, for 30.0 s, MNPT
// 12.0 s, ISI 1.00: 2.3242 to 2.6763 (calculated here).
func TestPTINREdges(t *testing.T) {
	lot := &poct.StripLot{Lot: "7K40231", ISI: poct.MustNumber("1.00"), MNPT: poct.MustNumber("12.0")}
	k := *byDefault(&table[place["pt-inr-disagree"]])
	for _, tt := range []struct {
		inr, pt string
		want    poct.Answer
	}{
		{"2.3", "30.0", poct.Found},
		{"2.4", "30.0", poct.Pass},
		{"2.6", "30.0", poct.Pass},
		{"2.7", "30.0", poct.Found},
		{"2.71", "30.0", poct.Found}, // two decimals: its own half-step is smaller
		{"2.7", "30", poct.Pass},     // whole seconds say less
		{">8.0", "96", poct.Pass},
		{">8.0", ">96", poct.Pass},
		{">8.0", "60.0", poct.Found}, // 60 s make 5
		{"<0.8", "9.6", poct.Pass},
		{"<0.8", "<9.6", poct.Pass},
		{"<0.8", "30.0", poct.Found},
		{"2.5", ">96", poct.Found},
	} {
		t.Run(tt.inr+" of "+tt.pt, func(t *testing.T) {
			s := &subject{r: &poct.Reading{StripLot: lot.Lot}, f: &poct.Facts{StripLot: lot}, kind: patient}
			s.inr = poct.Measurement{Analyte: "inr", Value: poct.MustNumber(tt.inr), RawValue: tt.inr}
			s.pt = poct.Measurement{Analyte: "pt", Value: poct.MustNumber(tt.pt), RawValue: tt.pt}
			assert.Equal(t, tt.want, askPTINR(s, &k).answer)
		})
	}
}

// Check digits. Luhn: 79927398713 and its ten neighbours, the worked example
// of the article "Luhn algorithm" (Wikipedia, from memory). NHS number
// 943 476 5919, its example in the NHS Data Dictionary (from memory). LOINC
// codes end in a Luhn digit (LOINC Users' Guide, appendix on check digits).
func TestCheckDigits(t *testing.T) {
	for d := byte('0'); d <= '9'; d++ {
		assert.Equal(t, d == '3', mod10("7992739871"+string(d)))
		assert.Equal(t, d == '9', mod11("943476591"+string(d)))
	}
	for code := range loinc {
		digits := code[:len(code)-2] + code[len(code)-1:]
		assert.True(t, mod10(digits), code)
	}
	for _, s := range []string{"", "0", "x", "79927398x13", "943476591X", "94347x5919"} {
		assert.False(t, mod10(s), s)
		assert.False(t, mod11(s), s)
	}
}

func TestSameName(t *testing.T) {
	for _, tt := range []struct {
		a, b          string
		family, given bool
	}{
		{"Testperson", "TESTPERSON", true, true},
		{"Müller", "Mueller", true, true},
		{"Müller", "Muller", true, true},
		{"Mu\u0308ller", "M\u00fcller", true, true}, // decomposed and composed
		{"Groß", "Gross", true, true},
		{"Sørensen", "Soerensen", true, true},
		{"O'Neill-Smith", "ONEILL SMITH", true, true},
		{"Łukasz", "Lukasz", true, true},
		{"Ada", "Ida", false, false},
		{"Ada", "Ada Maria", false, true},
		{"A.", "Ada", false, true},
		{"Anna-Lena", "Anna", false, true},
		{"B", "Ada", false, false},
		{"Ada Maria", "Ada Ruth", false, false},
	} {
		assert.Equal(t, tt.family, sameName(tt.a, tt.b), "%s %s", tt.a, tt.b)
		assert.Equal(t, tt.family, sameName(tt.b, tt.a), "%s %s", tt.b, tt.a)
		assert.Equal(t, tt.given, sameGiven(tt.a, tt.b), "%s %s", tt.a, tt.b)
		assert.Equal(t, tt.given, sameGiven(tt.b, tt.a), "%s %s", tt.b, tt.a)
	}
}
