package validate_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/validate"
)

const day = 24 * time.Hour

// The checks of lots, controls, samples, clocks and the laboratory. Limits are
// those of the table of checks: this project's own defaults unless a source
// stands beside a case.
func TestSupervisionChecks(t *testing.T) {
	unknownPatient := func(s *situation) { s.f.Patients, s.f.Patient = nil, nil }
	noTime := func(s *situation) { s.r().TestedAt = poct.Stamp{} }
	required := validate.Config{"lot-not-accepted": set{"acceptance": "required"}}
	for _, tt := range []checkCase{
		// 3a; events are filed, never held and never sent.
		{name: "not enough blood", code: "device-error", of: failedTest, want: poct.Found, severity: poct.Note, text: "“E-4”, not enough blood", verdict: poct.File},
		{name: "an event that is no error", code: "device-error", of: failedTest, change: func(s *situation) { s.r().DeviceError = "" }, want: poct.Pass, verdict: poct.File},

		// 14, by the latest contact.
		{name: "half an hour by the contact", code: "clock-offset", change: contact(30*time.Minute, time.Minute), want: poct.Found, severity: poct.Flag, text: "30 min ahead of", verdict: poct.Release},
		{name: "more by the contact", code: "clock-offset", change: contact(-31*time.Minute, day), want: poct.Found, severity: poct.Hold, text: "31 min behind", verdict: poct.HoldIt},
		{name: "contact in time", code: "clock-offset", change: contact(5*time.Minute, time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "contact of long ago", code: "clock-offset", change: contact(3*time.Hour, day+time.Minute), want: poct.NotAsked, text: "no contact", verdict: poct.Release},
		{name: "contact of long after", code: "clock-offset", change: contact(3*time.Hour, -16*time.Minute), want: poct.NotAsked, text: "no contact", verdict: poct.Release},
		{name: "contact that told no time", code: "clock-offset", change: func(s *situation) {
			contact(3*time.Hour, time.Minute)(s)
			s.f.Contact.Device = time.Time{}
		}, want: poct.NotAsked, text: "no contact", verdict: poct.Release},
		{name: "corrected by a person", code: "clock-offset", change: func(s *situation) {
			contact(time.Hour, time.Minute)(s)
			s.r().TimeOffset = -60
		}, want: poct.Pass, verdict: poct.Release},
		{name: "the message's own time comes first", code: "clock-offset", change: func(s *situation) {
			s.f.Contact = &poct.Contact{At: s.f.Received, Device: s.f.Received, Offset: 9 * time.Hour}
		}, want: poct.Pass, verdict: poct.Release},

		// 15; European Union, Directive 2000/84/EC: clocks change on the last Sunday of March at 01:00 UTC.
		{name: "an hour behind after the change", code: "dst-hour", change: aboutSummerTime(-time.Hour, 2*day), want: poct.Found, severity: poct.Flag, text: "1 h behind this machine's, and the clocks changed on 31 Mar 2024", verdict: poct.HoldIt},
		{name: "63 minutes", code: "dst-hour", change: aboutSummerTime(63*time.Minute, -day), want: poct.Found, severity: poct.Flag, text: "ahead of", verdict: poct.HoldIt},
		{name: "64 minutes", code: "dst-hour", change: aboutSummerTime(64*time.Minute, day), want: poct.Pass, verdict: poct.HoldIt},
		{name: "56 minutes", code: "dst-hour", change: aboutSummerTime(-56*time.Minute, day), want: poct.Pass, verdict: poct.HoldIt},
		{name: "an hour, eight days after", code: "dst-hour", change: aboutSummerTime(-time.Hour, 8*day), want: poct.Pass, verdict: poct.HoldIt},
		{name: "a zone without changes", code: "dst-hour", change: func(s *situation) { s.f.ClocksChange = time.Time{} }, want: poct.Pass, verdict: poct.Release},
		{name: "no clock told", code: "dst-hour", change: func(s *situation) { s.r().SentAt = poct.Stamp{} }, want: poct.NotAsked, verdict: poct.Release},
		{name: "sending time not clear", code: "dst-hour", change: func(s *situation) { s.r().SentAt.At = time.Time{} }, want: poct.CannotTell, severity: poct.Hold, because: "clock-offset", text: "is not clear", verdict: poct.HoldIt},

		// 21a
		{name: "shared", code: "shared-log-in", change: func(s *situation) { s.f.Operator.Shared = true }, want: poct.Found, severity: poct.Flag, text: "118", verdict: poct.Release},
		{name: "unknown operator", code: "shared-log-in", change: func(s *situation) { s.f.Operator = nil }, want: poct.CannotTell, severity: poct.Hold, because: "operator-unknown", verdict: poct.HoldIt},
		{name: "no operators", code: "shared-log-in", change: func(s *situation) {
			s.r().Operator, s.f.Operator, s.r().NotSent = "", nil, []string{"operator"}
		}, want: poct.NotAsked, text: "an operator", verdict: poct.Release},

		// 22a; 150 s from prompt to sample: common practice, no source.
		{name: "150 seconds", code: "sampling-late", change: sampled(150*time.Second, "second"), want: poct.Pass, verdict: poct.Release},
		{name: "151 seconds", code: "sampling-late", change: sampled(151*time.Second, "second"), want: poct.Found, severity: poct.Flag, text: "151 s after the meter asked", verdict: poct.Release},
		{name: "four minutes, to the minute", code: "sampling-late", change: sampled(4*time.Minute, "minute"), want: poct.Pass, verdict: poct.Release},
		{name: "five minutes, to the minute", code: "sampling-late", change: sampled(5*time.Minute, "minute"), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "before the prompt", code: "sampling-late", change: sampled(-2*time.Second, "second"), want: poct.Found, severity: poct.Flag, text: "2 s before", verdict: poct.Release},
		{name: "only one of the two", code: "sampling-late", change: func(s *situation) { s.r().AskedAt = s.r().TestedAt }, want: poct.CannotTell, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "not told", code: "sampling-late", want: poct.Pass, verdict: poct.Release},
		{name: "never told", code: "sampling-late", change: func(s *situation) { s.r().NotSent = []string{"asked_at"} }, want: poct.NotAsked, verdict: poct.Release},

		// 24
		{name: "opened too long ago", code: "lot-expired", change: came("2024-03-01", "2024-03-04"), want: poct.Found, severity: poct.Hold, text: "2024-03-04", verdict: poct.HoldIt},
		{name: "last day after opening", code: "lot-expired", change: came("2024-03-01", "2024-03-05"), want: poct.Pass, verdict: poct.Release},
		{name: "a shipment that keeps longer than its lot", code: "lot-expired", change: func(s *situation) {
			came("2024-03-01", "2024-12-31")(s)
			s.f.StripLot.Expires = "2024-03-04"
		}, want: poct.Found, severity: poct.Hold, text: "2024-03-04", verdict: poct.HoldIt},

		// 25
		{name: "both levels since it came", code: "lot-not-accepted", change: came("2024-03-05T07:00:00Z", ""), want: poct.Pass, verdict: poct.Release},
		{name: "one level since it came", code: "lot-not-accepted", change: came("2024-03-05T07:02:00Z", ""), want: poct.Found, severity: poct.Hold, text: "1 of 2", verdict: poct.HoldIt},
		{name: "none since it came", code: "lot-not-accepted", change: came("2024-03-05T08:05:00+01:00", ""), want: poct.Found, severity: poct.Hold, text: "0 of 2 control levels", verdict: poct.HoldIt},
		{name: "came some day", code: "lot-not-accepted", change: came("last week", ""), want: poct.CannotTell, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "refused here", code: "lot-not-accepted", change: decided("refused", ""), want: poct.Found, severity: poct.Hold, text: "was refused at this site", verdict: poct.HoldIt},
		{name: "no record, none asked for", code: "lot-not-accepted", want: poct.Pass, verdict: poct.Release},
		{name: "no record", code: "lot-not-accepted", cfg: required, want: poct.Found, severity: poct.Hold, text: "No record", verdict: poct.HoldIt},
		{name: "accepted", code: "lot-not-accepted", cfg: required, change: decided("accepted", ""), want: poct.Pass, verdict: poct.Release},
		{name: "accepted for this shipment", code: "lot-not-accepted", cfg: required, change: func(s *situation) {
			came("2024-03-01", "")(s)
			decided("accepted", "S-1")(s)
		}, want: poct.Pass, verdict: poct.Release},
		{name: "accepted for another shipment", code: "lot-not-accepted", cfg: required, change: func(s *situation) {
			came("2024-03-01", "")(s)
			decided("accepted", "S-0")(s)
		}, want: poct.Found, severity: poct.Hold, text: "an earlier shipment", verdict: poct.HoldIt},

		// 26a
		{name: "a newer lot is in use", code: "old-lot-in-use", change: func(s *situation) {
			s.f.NewerLot = &poct.Shipment{StripLot: "7K40299", Arrived: "2024-03-01T08:00:00+01:00"}
		}, want: poct.Found, severity: poct.Flag, text: "lot 7K40299 came on 2024-03-01", verdict: poct.Release},
		{name: "unknown lot", code: "old-lot-in-use", change: func(s *situation) { s.f.StripLot = nil }, want: poct.CannotTell, severity: poct.Hold, because: "lot-unknown", verdict: poct.HoldIt},
		{name: "no lots", code: "old-lot-in-use", change: noLot, want: poct.NotAsked, verdict: poct.Release},

		// 37; 25 to 55 %: as inserts are quoted.
		{name: "the meter sent 55", code: "haematocrit-out", change: func(s *situation) { s.r().Haematocrit = poct.MustNumber("55") }, want: poct.Pass, verdict: poct.Release},
		{name: "the meter sent 55.1", code: "haematocrit-out", change: func(s *situation) { s.r().Haematocrit = poct.MustNumber("55.1") }, want: poct.Found, severity: poct.Flag, text: "55.1 %", verdict: poct.Release},
		{name: "a bound", code: "haematocrit-out", change: func(s *situation) { s.r().Haematocrit = poct.MustNumber("<25") }, want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "a finding of 24", code: "haematocrit-out", change: finding("haematocrit", "24", "%", 70*time.Hour), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "a finding in L/L", code: "haematocrit-out", change: finding("haematocrit", "0.56", "L/L", time.Hour), want: poct.Found, severity: poct.Flag, text: "56.0 %", verdict: poct.Release},
		{name: "a finding of four days ago", code: "haematocrit-out", change: finding("haematocrit", "24", "%", 96*time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "a finding in no unit", code: "haematocrit-out", change: finding("haematocrit", "24", "g/dL", time.Hour), want: poct.CannotTell, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "unknown patient", code: "haematocrit-out", change: unknownPatient, want: poct.CannotTell, severity: poct.Hold, because: "patient-unknown", verdict: poct.HoldIt},
		{name: "no time", code: "haematocrit-out", change: noTime, want: poct.CannotTell, severity: poct.Hold, because: "missing-essential", verdict: poct.HoldIt},

		// 38
		{name: "heparin", code: "interference-noted", change: finding("heparin", "", "", time.Hour), want: poct.Found, severity: poct.Flag, text: "heparin", verdict: poct.Release},
		{name: "a note of the meter", code: "interference-noted", change: func(s *situation) { s.r().Interference = []string{"lipaemic sample"} }, want: poct.Found, severity: poct.Flag, text: "“lipaemic sample”", verdict: poct.Release},
		{name: "a haematocrit disturbs nothing by itself", code: "interference-noted", change: finding("haematocrit", "40", "%", time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "unknown patient", code: "interference-noted", change: unknownPatient, want: poct.CannotTell, severity: poct.Hold, because: "patient-unknown", verdict: poct.HoldIt},

		// 39a
		{name: "ten seconds", code: "run-time-disagrees", change: func(s *situation) { s.r().RunTime = poct.MustNumber("40.0") }, want: poct.Pass, verdict: poct.Release},
		{name: "more", code: "run-time-disagrees", change: func(s *situation) { s.r().RunTime = poct.MustNumber("19.9") }, want: poct.Found, severity: poct.Flag, text: "ran 19.9 s", verdict: poct.Release},
		{name: "no seconds", code: "run-time-disagrees", change: func(s *situation) {
			s.r().RunTime = poct.MustNumber("30")
			s.r().Measurements = s.r().Measurements[:1]
		}, want: poct.CannotTell, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "not told", code: "run-time-disagrees", want: poct.Pass, verdict: poct.Release},
		{name: "never told", code: "run-time-disagrees", change: func(s *situation) { s.r().NotSent = []string{"run_time"} }, want: poct.NotAsked, verdict: poct.Release},

		// 41 by reference change value. CVi 10.1 % in all and nothing beside: log form
		// +32.21 %, -24.36 %, so 2.5 becomes unusual above 3.305 and below 1.891.
		{name: "rcv, within", code: "delta-large", cfg: rcv("10.1", "0"), change: func(s *situation) { before("2.5", 20*day)(s); value("3.3")(s) }, want: poct.Pass, verdict: poct.Release},
		{name: "rcv, above", code: "delta-large", cfg: rcv("10.1", "0"), change: func(s *situation) { before("2.5", 20*day)(s); value("3.4")(s) }, want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "rcv, within below", code: "delta-large", cfg: rcv("10.1", "0"), change: func(s *situation) { before("2.5", 20*day)(s); value("1.9")(s) }, want: poct.Pass, verdict: poct.Release},
		{name: "rcv, below", code: "delta-large", cfg: rcv("10.1", "0"), change: func(s *situation) { before("2.5", 20*day)(s); value("1.8")(s) }, want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "rcv holds where the ratio would", code: "delta-large", cfg: rcv("10.1", "0"), change: func(s *situation) { before("4.5", 20*day)(s) }, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},

		// 42; 0.5 below 2.0, else 30 %: common practice, no source.
		{name: "within 30 %", code: "lab-poc-disagree", change: lab("2.0", time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "beyond 30 %", code: "lab-poc-disagree", change: lab("3.6", time.Hour), want: poct.Found, severity: poct.Flag, text: "INR 2.5 of the meter, INR 3.6 of the laboratory, 1 h apart", verdict: poct.Release},
		{name: "half below two", code: "lab-poc-disagree", change: func(s *situation) { lab("1.9", -time.Hour)(s); value("2.4")(s) }, want: poct.Pass, verdict: poct.Release},
		{name: "more than half below two", code: "lab-poc-disagree", change: func(s *situation) { lab("1.9", -time.Hour)(s); value("2.5")(s) }, want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "too far apart", code: "lab-poc-disagree", change: lab("6.0", 25*time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "the nearest of two counts", code: "lab-poc-disagree", change: func(s *situation) {
			lab("6.0", 3*time.Hour)(s)
			far := s.f.Labs
			lab("2.6", time.Hour)(s)
			s.f.Labs = append(s.f.Labs, far...)
		}, want: poct.Pass, verdict: poct.Release},
		{name: "a bound far from it", code: "lab-poc-disagree", change: func(s *situation) { lab("4.0", time.Hour)(s); value(">9.0")(s) }, want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "a bound that may agree", code: "lab-poc-disagree", change: func(s *situation) { lab(">8.0", time.Hour)(s); value(">9.0")(s) }, want: poct.Pass, verdict: poct.Release},
		{name: "unknown patient", code: "lab-poc-disagree", change: unknownPatient, want: poct.CannotTell, severity: poct.Hold, because: "patient-unknown", verdict: poct.HoldIt},
		{name: "no number", code: "lab-poc-disagree", change: value("E-1"), want: poct.CannotTell, severity: poct.Hold, because: "not-a-number", verdict: poct.HoldIt},
		{name: "laboratory after the meter", code: "lab-poc-disagree", of: laboratory, change: pocBefore("4.0"), want: poct.Found, severity: poct.Flag, text: "INR 4.0 of the meter, INR 2.5 of the laboratory", verdict: poct.File},
		{name: "laboratory agrees", code: "lab-poc-disagree", of: laboratory, change: pocBefore("2.7"), want: poct.Pass, verdict: poct.File},

		// 46
		{name: "failed, after a result was sent", code: "late-qc-changes-verdict", of: controlRun, change: sentAfter("9.9", 1), want: poct.Found, severity: poct.Flag, text: "a result tested later", verdict: poct.File},
		{name: "failed, after three", code: "late-qc-changes-verdict", of: controlRun, change: sentAfter("9.9", 3), want: poct.Found, severity: poct.Flag, text: "3 results", verdict: poct.File},
		{name: "passed", code: "late-qc-changes-verdict", of: controlRun, change: sentAfter("2.6", 3), want: poct.Pass, verdict: poct.File},
		{name: "failed in time", code: "late-qc-changes-verdict", of: controlRun, change: func(s *situation) { s.inr("9.9") }, want: poct.Pass, verdict: poct.File},
		{name: "both levels passed before the next result", code: "late-qc-changes-verdict", of: controlRun, change: func(s *situation) {
			sentAfter("9.9", 1)(s)
			for i, level := range []string{"1", "2"} {
				s.f.MeterHistory = append(s.f.MeterHistory, poct.Past{Key: "c" + level, State: poct.Filed, QCPassed: true,
					Tested: tested.Add(time.Duration(i+1) * time.Second), Reading: poct.Reading{Kind: poct.KindControl, ControlLevel: level}})
			}
		}, want: poct.Pass, verdict: poct.File},
		{name: "held results were not sent", code: "late-qc-changes-verdict", of: controlRun, change: func(s *situation) {
			sentAfter("9.9", 1)(s)
			s.f.MeterHistory[0].State = poct.Held
		}, want: poct.Pass, verdict: poct.File},
		{name: "no range", code: "late-qc-changes-verdict", of: controlRun, change: func(s *situation) { sentAfter("9.9", 1)(s); s.f.ControlLots = nil }, want: poct.CannotTell, severity: poct.Hold, because: "lot-unknown", verdict: poct.HoldIt},
		{name: "no time", code: "late-qc-changes-verdict", of: controlRun, change: noTime, want: poct.CannotTell, severity: poct.Hold, because: "missing-essential", verdict: poct.HoldIt},
	} {
		tt.run(t)
	}
}

// failedTest is a test that gave no result.
func failedTest() *situation {
	s := good()
	r := s.r()
	r.Kind, r.Measurements, r.DeviceError, r.ErrorText = poct.KindEvent, nil, "E-4", "not enough blood"
	return s
}

// laboratory is a laboratory's own result of the same patient.
func laboratory() *situation {
	s := good()
	r := s.r()
	r.Kind, r.Specimen, r.Meter, r.Operator, r.StripLot = poct.KindComparison, "plasma", "", "", ""
	r.Measurements = r.Measurements[:1]
	r.Measurements[0].LOINC = "6301-6"
	s.f.Meter, s.f.Site, s.f.Operator, s.f.StripLot, s.f.Controls = nil, nil, nil, nil, nil
	s.res.Site = ""
	return s
}

func contact(offset, ago time.Duration) func(*situation) {
	return func(s *situation) {
		s.r().SentAt = poct.Stamp{}
		s.f.Contact = &poct.Contact{Meter: s.r().Meter, At: s.f.Received.Add(-ago), Device: s.f.Received, Offset: offset}
	}
}

// aboutSummerTime puts the test at a time from the change of the clocks, told
// by a contact with an offset.
func aboutSummerTime(offset, after time.Duration) func(*situation) {
	return func(s *situation) {
		s.f.ClocksChange = time.Date(2024, 3, 31, 1, 0, 0, 0, time.UTC)
		s.r().TestedAt.At = s.f.ClocksChange.Add(after)
		s.f.Received = s.r().TestedAt.At.Add(time.Minute)
		for i := range s.f.Controls {
			s.f.Controls[i].Tested = s.r().TestedAt.At.Add(-time.Hour)
		}
		contact(offset, 0)(s)
	}
}

func sampled(after time.Duration, precision string) func(*situation) {
	return func(s *situation) {
		s.r().AskedAt = poct.Stamp{Raw: "a", At: tested, Precision: precision}
		s.r().SampledAt = poct.Stamp{Raw: "b", At: tested.Add(after), Precision: precision}
	}
}

func came(arrived, useBy string) func(*situation) {
	return func(s *situation) {
		s.f.Shipment = &poct.Shipment{ID: "S-1", StripLot: "7K40231", Site: "millrace", Arrived: arrived, UseBy: useBy}
	}
}

func decided(decision, shipment string) func(*situation) {
	return func(s *situation) {
		s.f.Acceptance = &poct.Acceptance{StripLot: "7K40231", Site: "millrace", Shipment: shipment, Decision: decision, At: tested.Add(-day)}
	}
}

func finding(what, value, unit string, ago time.Duration) func(*situation) {
	return func(s *situation) {
		f := poct.Finding{Authority: "MILLRACE", Patient: "MRN0007", Finding: what, Unit: unit, At: tested.Add(-ago).Format(time.RFC3339)}
		f.Value, _ = poct.ParseNumber(value)
		s.f.Findings = []poct.Finding{f}
	}
}

func rcv(cvi, cva string) validate.Config {
	return validate.Config{"delta-large": set{"mode": "rcv", "cvi": cvi, "cva": cva}}
}

func inrOf(kind poct.ReadingKind, value string, at time.Time) poct.Past {
	return poct.Past{Result: "r-" + value, Key: "k-" + value + at.String(), State: poct.Delivered, Tested: at, Reading: poct.Reading{
		Kind: kind, Measurements: []poct.Measurement{{Analyte: "inr", Value: poct.MustNumber(value), RawValue: value, Unit: "{INR}"}},
	}}
}

func lab(inr string, ago time.Duration) func(*situation) {
	return func(s *situation) {
		s.f.Labs = []poct.Past{inrOf(poct.KindComparison, inr, tested.Add(-ago))}
	}
}

func pocBefore(inr string) func(*situation) {
	return func(s *situation) {
		s.f.History = []poct.Past{inrOf(poct.KindPatient, inr, tested.Add(-time.Hour))}
	}
}

// sentAfter lets a control of some INR come after n results that were tested
// later and sent on.
func sentAfter(inr string, n int) func(*situation) {
	return func(s *situation) {
		s.inr(inr)
		for i := range n {
			p := inrOf(poct.KindPatient, "2.4", tested.Add(time.Duration(i+1)*time.Minute))
			s.f.MeterHistory = append(s.f.MeterHistory, p)
		}
		s.f.MeterHistory = append(s.f.MeterHistory, inrOf(poct.KindPatient, "2.5", tested.Add(-time.Minute)))
	}
}

// A laboratory's own result is filed, whatever it says, and is asked nothing
// about meters, lots, controls and operators.
func TestALaboratorysResultIsFiled(t *testing.T) {
	f := laboratory().check(t, nil)
	assert.Empty(t, f.Problems)
	assert.Equal(t, poct.File, f.Verdict)
	assert.Equal(t, poct.File, f.Else)
	assert.False(t, f.QCPassed)
	for _, a := range f.Answers {
		for _, never := range []string{"lot", "qc", "meter", "operator", "clock", "critical", "delta", "repeat"} {
			assert.False(t, strings.HasPrefix(a.Code, never), a.Code)
		}
	}
	s := laboratory()
	value("12.0")(s)
	high := s.check(t, nil)
	assert.Equal(t, poct.File, high.Verdict, "it stands in the record already")
	assert.False(t, high.Critical, "the laboratory calls for its own")

	for name, change := range map[string]func(*situation){
		"second-identifier-conflict": func(s *situation) { s.r().BirthDate = "1951-01-01" },
		"patient-unknown":            func(s *situation) { s.f.Patients, s.f.Patient = nil, nil },
		"unit-unexpected":            func(s *situation) { s.r().Measurements[0].Unit, s.r().Measurements[0].RawUnit = "", "%" },
		"impossible-value":           func(s *situation) { s.inr("25") },
		"future-time":                func(s *situation) { s.r().TestedAt.At = tested.Add(time.Hour) },
		"missing-essential":          func(s *situation) { s.r().Sequence = "" },
	} {
		s := laboratory()
		change(s)
		f := s.check(t, nil)
		assert.Equal(t, poct.HoldIt, f.Verdict, name)
		assert.NotEmpty(t, problemsOf(f, name), name)
		assert.Equal(t, poct.File, f.Else, name)
	}
}

// A device error is an event, whatever kind of reading the profile made of it,
// and beside a value it stops the value for good.
func TestADeviceErrorIsNeverAResult(t *testing.T) {
	for _, kind := range []poct.ReadingKind{poct.KindPatient, poct.KindControl, poct.KindEvent, poct.KindComparison} {
		s := failedTest()
		s.r().Kind = kind
		f := s.check(t, nil)
		assert.Equal(t, poct.File, f.Verdict, kind)
		assert.Equal(t, poct.File, f.Else, kind)
		assert.Contains(t, problemsOf(f, "device-error")[0].Remedy, "Never add blood", kind)
	}
	for _, value := range []string{"2.5", "E-4", ">8.0", ""} {
		s := good()
		s.inr(value)
		s.r().DeviceError = "E-4"
		if value == "" {
			s.r().Measurements, s.r().DeviceError = nil, "E-9" // no words for it: perhaps the profile reads the wrong field
		}
		f := s.check(t, nil)
		require.Equal(t, poct.HoldIt, f.Verdict, value)
		err := validate.May(f.Problems, poct.ActRelease, poct.Actor{Name: "r.ito", Role: "reviewer coordinator clinician"}, "118")
		assert.ErrorIs(t, err, poct.ErrNotAllowed, value)
	}
}

// chain sets control runs, one of each level a day, the newest yesterday; the
// mean is 2.5 with SD 0.1 at both levels of the registry unless stated.
func chain(level1, level2 string) func(*situation) {
	return func(s *situation) {
		s.f.Chains = nil
		one, two := strings.Fields(level1), strings.Fields(level2)
		add := func(level, inr string, at time.Time) {
			p := inrOf(poct.KindControl, inr, at)
			p.Result, p.State = fmt.Sprint(level, at), poct.Filed
			p.Reading.StripLot, p.Reading.ControlLot, p.Reading.ControlLevel = "7K40231", "QC77", level
			s.f.Chains = append(s.f.Chains, p)
		}
		for i := range max(len(one), len(two)) {
			at := tested.Add(-time.Duration(max(len(one), len(two))-i) * day)
			if i < len(one) {
				add("1", one[i], at)
			}
			if i < len(two) {
				add("2", two[i], at.Add(4*time.Minute))
			}
		}
		for _, level := range []string{"1", "2"} {
			s.f.ChainRanges = append(s.f.ChainRanges, poct.ControlLot{Lot: "QC77", Level: level, Low: poct.MustNumber("2.3"), High: poct.MustNumber("2.7"), Mean: poct.MustNumber("2.5"), SD: poct.MustNumber("0.1")})
		}
	}
}

// 29; rules as Westgard QC, multirule pages; "exceeds" is strict.
func TestMultirule(t *testing.T) {
	rows := func(row poct.ControlLot) func(*situation) {
		return func(s *situation) {
			for i := range s.f.ChainRanges {
				row.Lot, row.Level = "QC77", s.f.ChainRanges[i].Level
				s.f.ChainRanges[i] = row
			}
		}
	}
	both := func(changes ...func(*situation)) func(*situation) {
		return func(s *situation) {
			for _, c := range changes {
				c(s)
			}
		}
	}
	bare := poct.ControlLot{Low: poct.MustNumber("2.3"), High: poct.MustNumber("2.7")}
	spanned := bare
	spanned.RangeSDs = poct.MustNumber("2")
	runs := validate.Config{"qc-multirule": set{"basis": "runs"}}
	twenty := strings.Repeat("2.4 2.6 ", 10)
	for _, tt := range []checkCase{
		{name: "at 3 SD, which floats take for less", change: chain("2.5 2.8", "2.5 2.5"), want: poct.Found, severity: poct.Note, text: "1-2s", verdict: poct.Release},
		{name: "beyond 3 SD", change: chain("2.5 2.9", "2.5 2.5"), want: poct.Found, severity: poct.Hold, text: "1-3s (level 1", verdict: poct.HoldIt},
		{name: "beyond 3 SD, and well since", change: chain("2.9 2.5", "2.5 2.5"), want: poct.Pass, verdict: poct.Release},
		{name: "one level well since, the other not run again", change: chain("2.5 2.5 2.5", "2.5 2.9"), want: poct.Found, severity: poct.Hold, text: "1-3s (level 2", verdict: poct.HoldIt},
		{name: "two running beyond 2 SD", change: chain("2.75 2.75", "2.5 2.5"), want: poct.Found, severity: poct.Hold, text: "2-2s", verdict: poct.HoldIt},
		{name: "two of a run beyond 2 SD", change: chain("2.5 2.75", "2.5 2.75"), want: poct.Found, severity: poct.Hold, text: "2-2s", verdict: poct.HoldIt},
		{name: "opposite in one run", change: chain("2.5 2.75", "2.5 2.25"), want: poct.Found, severity: poct.Hold, text: "R-4s", verdict: poct.HoldIt},
		{name: "four beyond 1 SD", change: chain("2.65 2.65 2.65 2.65", "2.5 2.5 2.5 2.5"), want: poct.Found, severity: poct.Flag, text: "4-1s", verdict: poct.Release},
		{name: "ten on one side", change: chain(strings.Repeat("2.55 ", 10), strings.Repeat("2.5 ", 10)), want: poct.Found, severity: poct.Flag, text: "10x", verdict: poct.Release},
		{name: "nine on one side", change: chain(strings.Repeat("2.55 ", 9), strings.Repeat("2.5 ", 9)), want: poct.Pass, verdict: poct.Release},
		{name: "begins anew after a corrective action", change: both(chain("2.75 2.75", "2.5 2.5"), func(s *situation) {
			s.f.Actions = []poct.CorrectiveAction{{At: tested.Add(-36 * time.Hour)}}
		}), want: poct.Found, severity: poct.Note, text: "1-2s", verdict: poct.Release},
		{name: "run after the test", change: both(chain("2.5 2.9", "2.5 2.5"), func(s *situation) { s.f.Chains[2].Tested = tested.Add(time.Minute) }), want: poct.Pass, verdict: poct.Release},
		{name: "an SD out of the range and its width", change: both(chain("2.5 2.9", "2.5 2.5"), rows(spanned)), want: poct.Found, severity: poct.Hold, text: "1-3s", verdict: poct.HoldIt},
		{name: "no SD stated", change: both(chain("2.5 2.9", "2.5 2.5"), rows(bare)), want: poct.NotAsked, text: "a range and no SD", verdict: poct.Release},
		{name: "own runs", cfg: runs, change: chain(twenty+"2.5 2.9", twenty+"2.5 2.5"), want: poct.Found, severity: poct.Hold, text: "1-3s", verdict: poct.HoldIt},
		{name: "own runs, none after them", cfg: runs, change: chain(twenty, twenty), want: poct.Pass, verdict: poct.Release},
		{name: "own runs, too few", cfg: runs, change: chain("2.5 2.9", "2.5 2.5"), want: poct.NotAsked, text: "at least 20 runs", verdict: poct.Release},
		{name: "no runs at all", change: func(s *situation) {}, want: poct.Pass, verdict: poct.Release},
		{name: "own lists", cfg: validate.Config{"qc-multirule": set{"hold": []any{"1-3s"}, "flag": []any{"2-2s"}, "note": []any{}}}, change: chain("2.75 2.75", "2.5 2.5"), want: poct.Found, severity: poct.Flag, text: "2-2s", verdict: poct.Release},
		{name: "no time", change: both(chain("2.5 2.5", "2.5 2.5"), func(s *situation) { s.r().TestedAt = poct.Stamp{} }), want: poct.CannotTell, severity: poct.Hold, because: "missing-essential", verdict: poct.HoldIt},
		{name: "unknown meter", change: both(chain("2.5 2.5", "2.5 2.5"), func(s *situation) { s.f.Meter = nil }), want: poct.CannotTell, severity: poct.Hold, because: "meter-unknown", verdict: poct.HoldIt},
	} {
		tt.code = "qc-multirule"
		tt.run(t)
	}
}

func TestOwnRunsAreAskedFor(t *testing.T) {
	assert.False(t, rules(t, nil).OwnRuns())
	assert.True(t, rules(t, validate.Config{"qc-multirule": set{"basis": "runs"}}).OwnRuns())
	assert.True(t, rules(t, validate.Config{"sites": set{"saltmarsh": set{"qc-multirule": set{"basis": "runs"}}}}).OwnRuns())
}

// A kept chart never answers for other runs than its own.
func TestChartsAreDrawnAnew(t *testing.T) {
	ru := rules(t, nil)
	for _, tt := range []struct{ newest, want string }{{"2.5", "pass"}, {"2.9", "problem"}, {"2.9", "problem"}, {"2.5", "pass"}} {
		s := good()
		chain("2.5 "+tt.newest, "2.5 2.5")(s)
		assert.Equal(t, tt.want, string(answerOf(ru.Check(s.res, s.f, nil), "qc-multirule").Answer), tt.newest)
	}
}
