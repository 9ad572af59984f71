package quality_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"tidegate/quality"
)

func BenchmarkJudge10000(b *testing.B) {
	bases := map[string]quality.Basis{"1": stated(b, "2.5", "0.1"), "2": stated(b, "4.0", "0.2")}
	var text strings.Builder
	for i := range 5000 {
		fmt.Fprintf(&text, "2.%02d/4.%02d ", 30+i*7%40, i*11%40)
	}
	controls := series(text.String())
	for b.Loop() {
		quality.Judge(controls, bases, quality.Rules{})
	}
}

func BenchmarkPassingBablokAtItsBound(b *testing.B) {
	var text strings.Builder
	for i := range quality.MaxPairs {
		fmt.Fprintf(&text, "%d.%d %d.%02d ", 1+i%7, i%10, 1+i%7, i*13%100)
	}
	pairs := pairsOf(text.String())
	for b.Loop() {
		if _, err := quality.PassingBablok(pairs, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCompareAtItsBound(b *testing.B) {
	var text strings.Builder
	for i := range quality.MaxPairs {
		fmt.Fprintf(&text, "%d.%d %d.%02d ", 1+i%7, i%10, 1+i%7, i*13%100)
	}
	pairs := pairsOf(text.String())
	for b.Loop() {
		if _, err := quality.Compare(pairs, quality.DefaultCompare()); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkTimeInRange10000(b *testing.B) {
	days := make([]quality.Dated, 10000)
	for i := range days {
		days[i] = quality.Dated{At: start.Add(time.Duration(i) * 36 * time.Hour), Value: num(fmt.Sprintf("%d.%d", 1+i%4, i%10))}
	}
	for b.Loop() {
		quality.TimeInTherapeuticRange(days, quality.RangeSettings{})
	}
}
