package validate_test

import (
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
