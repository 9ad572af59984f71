package poct_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"tidegate/poct"
)

func TestParseNumber(t *testing.T) {
	for _, tt := range []struct {
		text       string
		comparator string
		digits     string
		ok         bool
	}{
		{"2.5", "", "2.5", true},
		{" 2.50 ", "", "2.50", true},
		{"065.88", "", "065.88", true},
		{"> 8.0", ">", "8.0", true},
		{"<=0.5", "<=", "0.5", true},
		{"-1", "", "-1", true},
		{"2,4", "", "", false},
		{"2.", "", "", false},
		{".5", "", "", false},
		{"1e3", "", "", false},
		{"0x1p-2", "", "", false},
		{"1_0", "", "", false},
		{"NaN", "", "", false},
		{"Inf", "", "", false},
		{"", "", "", false},
		{">", "", "", false},
		{"<>2", "", "", false},
		{"111111111111111111111111111111111", "", "", false},
	} {
		n, err := poct.ParseNumber(tt.text)
		if (err == nil) != tt.ok || n.Comparator != tt.comparator || n.Text != tt.digits {
			t.Errorf("ParseNumber(%q) = %+v, %v", tt.text, n, err)
		}
	}
}

// Numbers that floats get wrong: (2.8-2.5)/0.1 is below 3 there, and 0.1+0.2
// above 0.3.
func TestCmp(t *testing.T) {
	for _, tt := range []struct {
		a, b string
		want int
	}{
		{"5.0", "5", 0}, {"05.00", "5", 0}, {"-0.0", "0", 0}, {"+1", "1", 0},
		{"5.1", "5.0", 1}, {"4.99999999999999999999", "5", -1}, {"10", "9", 1}, {"0.5", "0.45", 1},
		{"-2", "1", -1}, {"-2", "-1", -1}, {"-1.5", "-1.6", 1}, {"0.05", "0.5", -1},
	} {
		if got := poct.MustNumber(tt.a).Cmp(poct.MustNumber(tt.b)); got != tt.want {
			t.Errorf("%s against %s: got %d, want %d", tt.a, tt.b, got, tt.want)
		}
	}
	if (poct.Number{}).Cmp(poct.MustNumber("0.0")) != 0 {
		t.Error("no value does not compare as zero")
	}
}

// Digits compared as written agree with exact rationals, and floats read from
// them are the nearest ones.
func TestCmpAgreesWithRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) poct.Number {
			text := rapid.StringMatching(`[+-]?[0-9]{1,4}(\.[0-9]{1,4})?`).Draw(t, name)
			return poct.MustNumber(text)
		}
		a, b := draw("a"), draw("b")
		if got, want := a.Cmp(b), a.Rat().Cmp(b.Rat()); got != want {
			t.Fatalf("%s against %s: got %d, want %d", a, b, got, want)
		}
		if want, _ := a.Rat().Float64(); a.Float() != want {
			t.Fatalf("%s as float: got %v, want %v", a, a.Float(), want)
		}
		if a.Cmp(a) != 0 || a.Cmp(b) != -b.Cmp(a) {
			t.Fatal(fmt.Sprint(a, " and ", b, " are not ordered"))
		}
	})
}
