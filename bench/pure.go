package bench

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

// each times one call, as the least of several rounds: what else the machine
// does only ever adds.
func (x *run) each(do func()) time.Duration {
	best := time.Duration(1 << 62)
	for range 5 {
		n, began := 0, time.Now()
		for time.Since(began) < x.lasts/20 {
			for range 50 {
				do()
			}
			n += 50
		}
		best = min(best, time.Since(began)/time.Duration(n))
	}
	return best
}

// parseAndRender measures what costs no disk beside SHA-256 of the message.
func (x *run) parseAndRender(context.Context) error {
	raw := x.load.Result(1)
	sum := x.each(func() { sha256.Sum256(raw) })
	var failed error
	parse := x.each(func() {
		m, err := hl7.Parse(raw)
		if err != nil {
			failed = err
			return
		}
		m.Orders()
	})
	res := poct.Result{
		ID: "r", Version: 1, Key: meter + "|1|x", Site: "millrace", SiteName: "Millrace Surgery", OperatorOK: true, LotOK: true, LotExpires: "2099-01-31",
		Issued: time.Now(), Reading: poct.Reading{
			Arrival: "01a20000-0000-7000-8000-000000000000", Kind: poct.KindPatient, Status: poct.StatusFinal, Meter: meter, Model: "Quill 3", Sequence: "1",
			TestedAt: poct.Stamp{Raw: "x", At: time.Now(), Precision: "second"}, Operator: "118", StripLot: "Q2411", Specimen: "capillary",
			Measurements: []poct.Measurement{
				{Analyte: "inr", Value: poct.MustNumber("2.4"), RawValue: "2.4", Unit: "{INR}", LOINC: "46418-0"},
				{Analyte: "pt", Value: poct.MustNumber("28.8"), RawValue: "28.8", Unit: "s", LOINC: "46417-2"},
			},
		},
	}
	size := 0
	render := x.each(func() {
		b, err := mapping.Bundle(res, poct.Create, mapping.IDs{Patient: "Patient/1"}, mapping.Options{})
		if err != nil {
			failed = errors.Join(failed, err)
		}
		size = len(b)
	})
	if failed != nil {
		return failed
	}
	yardstick := fmt.Sprintf("%d ns SHA-256 of its %d bytes", sum.Nanoseconds(), len(raw))
	x.report.add("read one HL7 v2 message", fmt.Sprintf("%d ns", parse.Nanoseconds()), yardstick, float64(parse)/float64(sum), 4, false)
	x.report.add(fmt.Sprintf("render one result as FHIR, %d bytes", size), fmt.Sprintf("%d ns", render.Nanoseconds()), yardstick, float64(render)/float64(sum), 40, false)
	return nil
}
