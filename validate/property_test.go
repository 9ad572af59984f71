package validate_test

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidegate/poct"
	"tidegate/validate"
)

// anySituation draws a reading in a context that may lack or bend anything.
func anySituation(t *rapid.T) *situation {
	s := rapid.SampledFrom([]func() *situation{good, good, controlRun, laboratory, failedTest}).Draw(t, "from")()
	maybe := func(name string, do func()) {
		if rapid.IntRange(0, 3).Draw(t, name) == 0 {
			do()
		}
	}
	number := func(name string) string {
		return rapid.SampledFrom([]string{"", "<", ">", ">="}).Draw(t, name+" comparator") +
			fmt.Sprintf("%d.%d", rapid.IntRange(0, 25).Draw(t, name), rapid.IntRange(0, 9).Draw(t, name+" tenths"))
	}
	maybe("inr", func() { s.inr(number("inr value")) })
	maybe("no inr", func() { s.inr(rapid.SampledFrom([]string{"", "E-1", "--"}).Draw(t, "text")) })
	maybe("status", func() {
		s.r().Status = rapid.SampledFrom([]poct.Status{"", "final", "preliminary", "corrected", "withdrawn", "cancelled"}).Draw(t, "which status")
	})
	maybe("kind", func() {
		s.r().Kind = rapid.SampledFrom([]poct.ReadingKind{"", "event", "control", "comparison", "unread", "patient"}).Draw(t, "which kind")
	})
	maybe("no meter", func() { s.f.Meter, s.f.Site = nil, nil })
	maybe("meter out", func() {
		if s.f.Meter != nil {
			s.f.Meter.State = "withdrawn"
		}
	})
	maybe("no key", func() { s.r().Meter = "" })
	maybe("no time", func() { s.r().TestedAt = poct.Stamp{} })
	maybe("no operator", func() { s.f.Operator = nil })
	maybe("no lot", func() { s.f.StripLot = nil })
	maybe("expired", func() { s.r().StripExpires = "2024-01-01" })
	maybe("no patient", func() { s.f.Patients, s.f.Patient = nil, nil })
	maybe("birth date", func() { s.r().BirthDate = "1951-01-01" })
	maybe("no controls", func() { s.f.Controls = nil })
	maybe("failed control", func() {
		if len(s.f.Controls) > 0 {
			s.f.Controls[len(s.f.Controls)-1].QCPassed = false
		}
	})
	maybe("late", func() { s.f.Received = tested.Add(time.Duration(rapid.IntRange(-2, 400).Draw(t, "hours")) * time.Hour) })
	maybe("history", func() {
		before(number("earlier"), time.Duration(rapid.IntRange(0, 100).Draw(t, "days"))*24*time.Hour)(s)
	})
	maybe("owner", func() {
		owned(rapid.SampledFrom([]poct.State{poct.Delivered, poct.Held, poct.Filed}).Draw(t, "owner state"), func(r *poct.Reading) {
			r.Status = rapid.SampledFrom([]poct.Status{"final", "preliminary", "corrected", "withdrawn"}).Draw(t, "owner status")
		})(s)
	})
	maybe("device error", func() { s.r().DeviceError = "E-4" })
	maybe("shipment", func() { came("2024-03-05", "2024-03-04")(s) })
	maybe("refused", func() { decided("refused", "")(s) })
	maybe("laboratory", func() { lab(number("laboratory's"), time.Hour)(s) })
	maybe("findings", func() { finding("haematocrit", "60", "%", time.Hour)(s) })
	maybe("contact", func() { contact(time.Duration(rapid.IntRange(-90, 90).Draw(t, "offset"))*time.Minute, time.Minute)(s) })
	maybe("drift", func() { chain("2.5 2.9", "2.75 2.75")(s) })
	maybe("sampled", func() { sampled(time.Duration(rapid.IntRange(-9, 999).Draw(t, "seconds"))*time.Second, "second")(s) })
	maybe("not sent", func() {
		s.r().NotSent = rapid.SliceOfDistinct(rapid.SampledFrom([]string{"pt", "birth_date", "strip_lot", "operator", "sequence"}), rapid.ID).Draw(t, "fields")
	})
	return s
}

// Release never stands beside a problem that holds; a hold always does, and
// has a cause; a control or an event is never released.
func TestVerdictFitsItsProblems(t *testing.T) {
	ru := rules(t, nil)
	rapid.Check(t, func(t *rapid.T) {
		s := anySituation(t)
		f := ru.Check(s.res, s.f, nil)
		holds := 0
		for _, p := range f.Problems {
			if p.Severity == poct.Hold {
				holds++
			}
			if p.Text == "" || p.Code == "" || p.Severity == "" {
				t.Fatalf("a problem says too little: %+v", p)
			}
		}
		if (f.Verdict == poct.HoldIt) != (holds > 0) || (f.Verdict == poct.HoldIt) != (f.Cause != "") {
			t.Fatalf("verdict %s with %d holding problems and cause %q", f.Verdict, holds, f.Cause)
		}
		if f.Verdict == poct.Release && s.r().Kind != poct.KindPatient {
			t.Fatalf("released a reading of kind %q", s.r().Kind)
		}
		if f.Else == poct.Release && s.r().Kind != poct.KindPatient {
			t.Fatalf("a person could release a reading of kind %q", s.r().Kind)
		}
		if f.Else == poct.Release && s.r().DeviceError != "" && s.r().Status != poct.StatusWithdrawn && validate.May(f.Problems, poct.ActRelease, poct.Actor{Role: "reviewer coordinator clinician"}, "") == nil {
			t.Fatal("a person could release a device error")
		}
		if f.QCPassed && f.Verdict != poct.File {
			t.Fatalf("a control passed that ended as %s", f.Verdict)
		}
		for _, a := range f.Answers {
			if (a.Answer == poct.CannotTell || a.Answer == poct.NotAsked) && a.Why == "" {
				t.Fatalf("check %s answers %s and does not say why", a.Check, a.Answer)
			}
			if a.Answer == poct.CannotTell && f.Verdict != poct.HoldIt {
				t.Fatalf("check %s cannot tell, and the verdict is %s", a.Check, f.Verdict)
			}
		}
	})
}

// One more problem never opens the gate.
func TestAProblemMoreNeverReleases(t *testing.T) {
	ru := rules(t, nil)
	codes := validate.Checks()
	rapid.Check(t, func(t *rapid.T) {
		s := anySituation(t)
		without := ru.Check(s.res, s.f, nil)
		p := poct.Problem{
			Code: rapid.SampledFrom(codes).Draw(t, "check").Code, Text: "Found while reading.",
			Field:    rapid.SampledFrom([]string{"message", "inr", "sent_at", "tested_at", "strip_lot", ""}).Draw(t, "field"),
			Severity: rapid.SampledFrom([]poct.Severity{"", poct.Hold, poct.Flag, poct.Note}).Draw(t, "severity"),
		}
		with := ru.Check(s.res, s.f, []poct.Problem{p})
		if without.Verdict == poct.HoldIt && with.Verdict != poct.HoldIt {
			t.Fatalf("%+v changed hold into %s", p, with.Verdict)
		}
		if p.Severity == poct.Hold && (with.Verdict == poct.Release || with.Verdict == poct.File) {
			t.Fatalf("a holding problem passed: %+v", p)
		}
		if without.Critical && !with.Critical {
			t.Fatal("a problem silenced the alert")
		}
	})
}

// A stricter limit never lets more through, a looser one never less.
func TestLimitsAreMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySituation(t)
		low, high := rapid.IntRange(10, 150).Draw(t, "limit"), rapid.IntRange(10, 150).Draw(t, "other limit")
		if low > high {
			low, high = high, low
		}
		tenths := func(n int) string { return fmt.Sprintf("%d.%d", n/10, n%10) }
		hours := func(n int) string { return fmt.Sprintf("%dh", n) }
		alerts := func(n int) bool {
			ru, _ := validate.Compile(validate.Config{"critical": set{"limit": tenths(n)}})
			return ru.Check(s.res, s.f, nil).Critical
		}
		if alerts(high) && !alerts(low) {
			t.Fatalf("alerts above %s but not above %s", tenths(high), tenths(low))
		}
		holds := func(n int) bool {
			ru, _ := validate.Compile(validate.Config{"qc-overdue": set{"interval": hours(n)}})
			return ru.Check(s.res, s.f, nil).Verdict == poct.HoldIt
		}
		if holds(high) && !holds(low) {
			t.Fatalf("holds with %s but not with %s", hours(high), hours(low))
		}
	})
}

// Waiting changes nothing: the same reading and facts give the same findings,
// whenever they are judged.
func TestCheckIsPure(t *testing.T) {
	ru := rules(t, nil)
	rapid.Check(t, func(t *rapid.T) {
		s := anySituation(t)
		one := fmt.Sprintf("%+v", ru.Check(s.res, s.f, nil))
		s.f.Now = s.f.Now.Add(1000 * time.Hour)
		if two := fmt.Sprintf("%+v", ru.Check(s.res, s.f, nil)); one != two {
			t.Fatalf("judged again it says\n%s\nafter\n%s", two, one)
		}
	})
}
