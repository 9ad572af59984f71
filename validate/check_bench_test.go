package validate_test

import (
	"strings"
	"testing"
	"time"

	"tidegate/validate"
)

func BenchmarkCheck(b *testing.B) {
	ru := rules(b, nil)
	s := good()
	before("2.4", 20*24*time.Hour)(s)
	b.ReportAllocs()
	for b.Loop() {
		ru.Check(s.res, s.f, nil)
	}
}

func BenchmarkCheckHeld(b *testing.B) {
	ru := rules(b, validate.Config{})
	s := good()
	s.r().StripLot, s.f.StripLot = "7K4O231", nil
	b.ReportAllocs()
	for b.Loop() {
		ru.Check(s.res, s.f, nil)
	}
}

// A meter with two controls a day, whose chart is drawn once and kept.
func BenchmarkCheckChart(b *testing.B) {
	ru := rules(b, nil)
	s := good()
	chain(strings.Repeat("2.4 2.6 ", 6), strings.Repeat("2.6 2.4 ", 6))(s)
	b.ReportAllocs()
	for b.Loop() {
		ru.Check(s.res, s.f, nil)
	}
}

func BenchmarkReady(b *testing.B) {
	ru := rules(b, nil)
	s, lot := used()
	chain(strings.Repeat("2.4 2.6 ", 6), strings.Repeat("2.6 2.4 ", 6))(s)
	b.ReportAllocs()
	for b.Loop() {
		ru.Ready(s.f, lot, time.Hour)
	}
}
