package validate_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/validate"
)

// Which readings end how, by kind, status and what has their key already.
func TestVerdicts(t *testing.T) {
	for _, tt := range []struct {
		name    string
		from    func() *situation
		change  func(s *situation)
		want    poct.Verdict
		rule    string
		orElse  poct.Verdict
		problem string // the holding or flagging problem's code
		text    string
	}{
		{name: "a good result", want: poct.Release, orElse: poct.Release},
		{name: "no status sent", change: func(s *situation) { s.r().Status = "" }, want: poct.Release, orElse: poct.Release},

		// HL7 table 0103: P production, T training, D debugging.
		{name: "training", change: func(s *situation) { s.r().Processing = "T" }, want: poct.Ignore, rule: "not-production", orElse: poct.Ignore},
		{name: "debugging, with a mode", change: func(s *situation) { s.r().Processing = "D^T" }, want: poct.Ignore, rule: "not-production", orElse: poct.Ignore},
		{name: "production, with a mode", change: func(s *situation) { s.r().Processing = "P^T" }, want: poct.Release, orElse: poct.Release},
		{name: "training control", from: controlRun, change: func(s *situation) { s.r().Processing = "T" }, want: poct.Ignore, rule: "not-production", orElse: poct.Ignore},

		{name: "a device event", change: func(s *situation) { s.r().Kind, s.r().Measurements = poct.KindEvent, nil }, want: poct.File, orElse: poct.File},
		{name: "an event without meter and time", change: func(s *situation) { s.res.Reading = poct.Reading{Kind: poct.KindEvent} }, want: poct.File, orElse: poct.File},
		{name: "another event of the same moment", change: func(s *situation) {
			owned(poct.Filed, func(r *poct.Reading) { r.Kind, r.ErrorText = poct.KindEvent, "x"; r.Measurements = nil })(s)
			s.r().Kind, s.r().Measurements, s.r().DeviceError = poct.KindEvent, nil, "E-2"
		}, want: poct.File, orElse: poct.File},
		{name: "an event in doubt", change: func(s *situation) {
			s.r().Kind, s.decoded = poct.KindEvent, []poct.Problem{{Code: "unreadable-record", Text: "cut off"}}
		}, want: poct.HoldIt, orElse: poct.File, problem: "unreadable-record"},
		{name: "unread", change: func(s *situation) { s.res.Reading = poct.Reading{Arrival: "a-1"} }, want: poct.HoldIt, orElse: poct.File, problem: "unreadable-record"},
		{name: "decoding found what no check of ours has", change: func(s *situation) {
			s.decoded = []poct.Problem{{Code: "odd-batch", Text: "The batch count is wrong."}}
		}, want: poct.HoldIt, orElse: poct.Release, problem: "odd-batch"},

		// HL7 table 0085: X cancelled, P preliminary, C corrected, W and D withdrawn.
		{name: "cancelled without a value", change: func(s *situation) {
			s.r().Status = poct.StatusCancelled
			s.inr("")
			s.pt("")
		}, want: poct.File, orElse: poct.File},
		{name: "preliminary", change: status(poct.StatusPreliminary), want: poct.File, orElse: poct.File},
		{name: "preliminary in doubt", change: func(s *situation) { status(poct.StatusPreliminary)(s); s.f.Operator = nil },
			want: poct.HoldIt, orElse: poct.File, problem: "operator-unknown"},
		{name: "final after preliminary", change: owned(poct.Filed, func(r *poct.Reading) { r.Status = poct.StatusPreliminary }), want: poct.Release, orElse: poct.Release},
		{name: "preliminary after final", change: then(owned(poct.Delivered, nil), status(poct.StatusPreliminary)),
			want: poct.HoldIt, orElse: poct.File, problem: "conflicting-resend", text: "marked as preliminary"},

		{name: "the same once more", change: owned(poct.Delivered, nil), want: poct.Duplicate, rule: "resent", orElse: poct.Duplicate},
		{name: "the same, while the first is held", change: owned(poct.Held, nil), want: poct.Duplicate, rule: "resent", orElse: poct.Duplicate},
		{name: "the same, in another message", change: func(s *situation) {
			owned(poct.Delivered, nil)(s)
			s.r().Arrival, s.r().SentAt.Raw = "a-9", "later"
		}, want: poct.Duplicate, rule: "resent", orElse: poct.Duplicate},
		{name: "other value, no correction", change: owned(poct.Delivered, func(r *poct.Reading) { r.Measurements[0].RawValue = "2.4" }),
			want: poct.HoldIt, orElse: poct.Release, problem: "conflicting-resend", text: "another result came before"},
		{name: "other patient, no correction", change: owned(poct.Delivered, func(r *poct.Reading) { r.Patient.ID = "MRN0008" }),
			want: poct.HoldIt, orElse: poct.Release, problem: "conflicting-resend"},
		{name: "a control under this key", change: owned(poct.Filed, func(r *poct.Reading) { r.Kind = poct.KindControl }),
			want: poct.HoldIt, orElse: poct.Release, problem: "conflicting-resend", text: "another kind"},

		{name: "correction", change: then(owned(poct.Delivered, func(r *poct.Reading) { r.Measurements[0].RawValue = "2.4" }), status(poct.StatusCorrected)),
			want: poct.Release, orElse: poct.Release},
		{name: "correction of a correction", change: then(owned(poct.Delivered, func(r *poct.Reading) {
			r.Status, r.Measurements[0].RawValue = poct.StatusCorrected, "2.4"
		}), status(poct.StatusCorrected)), want: poct.Release, orElse: poct.Release},
		{name: "correction of what is not known", change: status(poct.StatusCorrected), want: poct.Release, orElse: poct.Release, problem: "conflicting-resend", text: "no earlier result"},
		{name: "correction with an expired strip", change: then(owned(poct.Delivered, func(r *poct.Reading) { r.Measurements[0].RawValue = "2.4" }),
			status(poct.StatusCorrected), func(s *situation) { s.f.StripLot.Expires = "2024-01-01" }), want: poct.HoldIt, orElse: poct.Release, problem: "lot-expired"},
		{name: "final after correction", change: owned(poct.Delivered, func(r *poct.Reading) { r.Status = poct.StatusCorrected }),
			want: poct.HoldIt, orElse: poct.Release, problem: "conflicting-resend", text: "A correction of this result came before"},
		{name: "preliminary after correction", change: then(owned(poct.Delivered, func(r *poct.Reading) { r.Status = poct.StatusCorrected }), status(poct.StatusPreliminary)),
			want: poct.HoldIt, orElse: poct.File, problem: "conflicting-resend", text: "A correction"},

		{name: "withdrawal", change: then(owned(poct.Delivered, nil), status(poct.StatusWithdrawn)), want: poct.Release, orElse: poct.Release},
		{name: "withdrawal without a value, lot or operator", change: then(owned(poct.Delivering, nil), status(poct.StatusWithdrawn), func(s *situation) {
			s.r().Measurements, s.r().StripLot, s.r().Operator = nil, "", ""
			s.f.StripLot, s.f.Operator = nil, nil
		}), want: poct.Release, orElse: poct.Release},
		{name: "withdrawal of the unknown", change: status(poct.StatusWithdrawn), want: poct.HoldIt, orElse: poct.File, problem: "conflicting-resend", text: "never came here"},
		{name: "withdrawal under another patient", change: then(owned(poct.Delivered, nil), status(poct.StatusWithdrawn), func(s *situation) { s.r().Patient.ID = "MRN0008" }),
			want: poct.HoldIt, orElse: poct.Release, problem: "conflicting-resend", text: "another patient"},
		{name: "withdrawal of what is held", change: then(owned(poct.Held, nil), status(poct.StatusWithdrawn)), want: poct.HoldIt, orElse: poct.File, problem: "conflicting-resend", text: "still held"},
		{name: "withdrawal of a preliminary result", change: then(owned(poct.Filed, func(r *poct.Reading) { r.Status = poct.StatusPreliminary }), status(poct.StatusWithdrawn)), want: poct.File, orElse: poct.File},
		{name: "withdrawal once more", change: func(s *situation) {
			status(poct.StatusWithdrawn)(s)
			owned(poct.Delivered, nil)(s)
		}, want: poct.Duplicate, rule: "resent", orElse: poct.Duplicate},
		{name: "final after withdrawal", change: owned(poct.Delivered, func(r *poct.Reading) { r.Status = poct.StatusWithdrawn }), want: poct.HoldIt, orElse: poct.Release, problem: "conflicting-resend", text: "withdrew"},
		{name: "cancelled after final", change: then(owned(poct.Delivered, nil), func(s *situation) {
			s.r().Status = poct.StatusCancelled
			s.inr("")
			s.pt("")
		}), want: poct.HoldIt, orElse: poct.File, problem: "conflicting-resend", text: "gave no result"},

		{name: "control in its range", from: controlRun, want: poct.File, orElse: poct.File},
		{name: "control out of its range", from: controlRun, change: func(s *situation) { s.inr("3.2") }, want: poct.File, orElse: poct.File},
		{name: "control of an unknown lot", from: controlRun, change: func(s *situation) { s.f.ControlLots = nil }, want: poct.HoldIt, orElse: poct.File, problem: "lot-unknown", text: "no range"},
		{name: "control without a lot", from: controlRun, change: func(s *situation) { s.r().ControlLot, s.f.ControlLots = "", nil }, want: poct.HoldIt, orElse: poct.File, problem: "missing-essential", text: "control lot"},
		{name: "control without a level", from: controlRun, change: func(s *situation) { s.r().ControlLevel = "" }, want: poct.HoldIt, orElse: poct.File, problem: "missing-essential", text: "control level"},
		{name: "expired control", from: controlRun, change: func(s *situation) { s.f.ControlLots[1].Expires = "2024-03-04" }, want: poct.HoldIt, orElse: poct.File, problem: "lot-expired", text: "Control lot QC77"},
		{name: "control on an unknown meter", from: controlRun, change: func(s *situation) { s.f.Meter, s.f.Site = nil, nil }, want: poct.HoldIt, orElse: poct.File, problem: "meter-unknown"},
		{name: "control in another unit", from: controlRun, change: func(s *situation) { s.r().Measurements[0].Unit = "" }, want: poct.HoldIt, orElse: poct.File, problem: "unit-unexpected"},
		{name: "withdrawn control", from: controlRun, change: then(owned(poct.Filed, nil), status(poct.StatusWithdrawn)), want: poct.File, orElse: poct.File},
	} {
		t.Run(tt.name, func(t *testing.T) {
			from := tt.from
			if from == nil {
				from = good
			}
			s := from()
			if tt.change != nil {
				tt.change(s)
			}
			f := s.check(t, nil)
			assert.Equal(t, tt.want, f.Verdict, "problems: %+v", f.Problems)
			assert.Equal(t, tt.rule, f.Rule)
			assert.Equal(t, tt.orElse, f.Else)
			assert.Equal(t, tt.want == poct.HoldIt, f.Cause != "", "cause %q", f.Cause)
			if tt.problem != "" {
				p := problemsOf(f, tt.problem)
				require.NotEmpty(t, p)
				assert.Contains(t, p[0].Text, tt.text)
				assert.Empty(t, p[0].Because)
			}
		})
	}
}

func status(st poct.Status) func(*situation) {
	return func(s *situation) { s.r().Status = st }
}

func then(steps ...func(*situation)) func(*situation) {
	return func(s *situation) {
		for _, step := range steps {
			step(s)
		}
	}
}

// owned puts a result under the key of the reading: the same reading, changed.
func owned(state poct.State, change func(*poct.Reading)) func(*situation) {
	return func(s *situation) {
		r := *s.r()
		r.Measurements = append([]poct.Measurement(nil), r.Measurements...)
		if change != nil {
			change(&r)
		}
		s.f.Owner = &poct.Past{Result: "r-1", Version: 1, Key: r.Key(), State: state, Reading: r, Digest: poct.Content(r), Tested: r.Tested()}
	}
}

// A control passes within its range, both ends included; only then, and only
// once it was filed.
func TestQCPassed(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(s *situation)
		want   bool
	}{
		{"inside", func(*situation) {}, true},
		{"at the low end", func(s *situation) { s.inr("2.1") }, true},
		{"at the high end, more digits", func(s *situation) { s.inr("3.10") }, true},
		{"just below", func(s *situation) { s.inr("2.09") }, false},
		{"just above", func(s *situation) { s.inr("3.11") }, false},
		{"a bound", func(s *situation) { s.inr(">2.5") }, false},
		{"the other level's range", func(s *situation) { s.r().ControlLevel = "1" }, false},
		{"level spelt otherwise", func(s *situation) {
			s.r().ControlLevel = " l2"
			s.f.ControlLots[1].Level = "L2"
		}, true},
		{"range of this strip lot comes first", func(s *situation) {
			s.f.ControlLots = append(s.f.ControlLots, poct.ControlLot{Lot: "QC77", Level: "2", StripLot: "7K40231", Low: poct.MustNumber("2.6"), High: poct.MustNumber("3.1")})
		}, false},
		{"range of another strip lot", func(s *situation) { s.f.ControlLots[1].StripLot = "OTHER" }, false},
		{"preliminary", status(poct.StatusPreliminary), false},
		{"withdrawn", then(owned(poct.Filed, nil), status(poct.StatusWithdrawn)), false},
		{"held for the clock", func(s *situation) { s.r().SentAt.At = s.f.Received.Add(time.Hour) }, false},
		{"its strip's own control failed", func(s *situation) { s.r().Onboard = "fail" }, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := controlRun()
			tt.change(s)
			assert.Equal(t, tt.want, s.check(t, nil).QCPassed)
		})
	}
	assert.False(t, good().check(t, nil).QCPassed, "a patient's result is no control")
}

// A critical value alerts a person whatever else becomes of the result.
func TestCriticalAlertsEvenIfHeld(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(s *situation)
		want   bool
	}{
		{"released", value("5.1"), true},
		{"not above", value("5.0"), false},
		{"held for its patient", then(value("6.1"), func(s *situation) { s.f.Patients, s.f.Patient = nil, nil }), true},
		{"held for everything", then(value("6.1"), func(s *situation) { s.f = poct.Facts{RegistryEmpty: true} }), true},
		{"preliminary", then(value("6.1"), status(poct.StatusPreliminary)), true},
		{"impossible", value("61"), true},
		{"resent", then(value("6.1"), owned(poct.Delivered, nil)), false},
		{"training", then(value("6.1"), func(s *situation) { s.r().Processing = "T" }), false},
		{"withdrawn", then(value("6.1"), owned(poct.Delivered, nil), status(poct.StatusWithdrawn)), false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := good()
			tt.change(s)
			assert.Equal(t, tt.want, s.check(t, nil).Critical)
		})
	}
}

// Holds with one shared reason have one cause; nothing in it is of a patient.
func TestCause(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(s *situation)
		want   string
	}{
		{"lot", func(s *situation) { s.r().StripLot, s.f.StripLot = "7K4O231", nil }, "lot-unknown|7K4O231"},
		{"shared cause before the patient's own", func(s *situation) {
			s.r().StripLot, s.f.StripLot, s.r().BirthDate = "7K4O231", nil, "1951-01-01"
		}, "lot-unknown|7K4O231"},
		{"meter", func(s *situation) { s.f.Meter, s.f.Site = nil, nil }, "meter-unknown|Q3-1007"},
		{"operator", func(s *situation) { s.f.Operator = nil }, "operator-unknown|118"},
		{"controls of meter and lot", func(s *situation) { s.f.Controls = s.f.Controls[:1] }, "qc-overdue|Q3-1007|7K40231"},
		{"profile", func(s *situation) { s.r().Measurements[0].Unit = "" }, "unit-unexpected|quill-hl7"},
		{"empty registry", func(s *situation) { s.f = poct.Facts{RegistryEmpty: true, Received: s.f.Received} }, "meter-unknown|registry is empty"},
		{"patient's own", func(s *situation) { s.r().BirthDate = "1951-01-01" }, "second-identifier-conflict|Q3-1007|88231|20240305091200+0100"},
		{"without a key", func(s *situation) { s.r().TestedAt = poct.Stamp{} }, "missing-essential|a-1#0"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := good()
			tt.change(s)
			f := s.check(t, nil)
			assert.Equal(t, tt.want, f.Cause)
			for _, private := range []string{"MRN0007", "Testperson", "1950-01-01", "1951-01-01"} {
				assert.NotContains(t, f.Cause, private)
			}
		})
	}
}

// What waits for another problem hangs under it and makes no cause of its own.
func TestUnknownLotIsOneCause(t *testing.T) {
	s := good()
	s.r().StripLot, s.f.StripLot = "7K4O231", nil
	f := s.check(t, nil)
	under := map[string]bool{}
	for _, p := range f.Problems {
		if p.Code == "lot-unknown" {
			assert.Empty(t, p.Because)
			continue
		}
		assert.Equal(t, "lot-unknown", p.Because, p.Code)
		assert.Equal(t, poct.Hold, p.Severity, p.Code)
		under[p.Code] = true
	}
	assert.Len(t, under, 7, "%v", under)
}

// Where the cause itself is switched off or lowered, what cannot be told still
// holds by its own name.
func TestCannotTellHoldsWithoutItsCause(t *testing.T) {
	s := good()
	s.r().StripLot, s.f.StripLot = "7K4O231", nil
	off := s.check(t, validate.Config{"lot-unknown": set{"off": true}})
	assert.Equal(t, poct.HoldIt, off.Verdict)
	for _, p := range off.Problems {
		assert.NotEqual(t, "lot-unknown", p.Because)
	}
	lowered := s.check(t, validate.Config{"lot-unknown": set{"severity": "flag"}})
	assert.Equal(t, poct.HoldIt, lowered.Verdict)
	assert.Equal(t, poct.Flag, problemsOf(lowered, "lot-unknown")[0].Severity)
	assert.Equal(t, poct.Hold, problemsOf(lowered, "lot-expired")[0].Severity)
}

func TestSeveritySetForASite(t *testing.T) {
	s := good()
	value("4.6")(s)
	cfg := validate.Config{"sites": set{"millrace": set{"confirm-venous": set{"severity": "hold"}}}}
	assert.Equal(t, poct.HoldIt, s.check(t, cfg).Verdict)
	s.res.Site, s.f.Site.ID = "saltmarsh", "saltmarsh"
	assert.Equal(t, poct.Release, s.check(t, cfg).Verdict)
}

func TestLimitsAreToldWithTheirSource(t *testing.T) {
	s := good()
	value("5.1")(s)
	assert.Contains(t, problemsOf(s.check(t, nil), "critical")[0].Limit, "limit 5.0 (median of a survey")
	assert.Equal(t, "limit 5.0 (set in the configuration)",
		problemsOf(s.check(t, validate.Config{"critical": set{"limit": "5.0"}}), "critical")[0].Limit)
	s.f.Site.QCInterval = 24 * time.Hour
	assert.Equal(t, "interval 24 h (the site's row in the registry)", answerOf(s.check(t, nil), "qc-overdue").Limit)
}
