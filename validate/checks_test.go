package validate_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/validate"
)

type set = map[string]any

func TestAGoodResultPassesEveryCheck(t *testing.T) {
	f := good().check(t, nil)
	assert.Empty(t, f.Problems)
	assert.Equal(t, poct.Release, f.Verdict)
	assert.Empty(t, f.Cause)
	assert.False(t, f.Critical)
	assert.Len(t, f.Answers, 51, "46 numbers without 46, which controls are asked, and 9a 16a 21a 22a 26a 39a")
	unasked := map[string]string{}
	for _, a := range f.Answers {
		if a.Answer == poct.NotAsked {
			unasked[a.Check] = a.Why
			continue
		}
		assert.Equal(t, poct.Pass, a.Answer, a.Code)
	}
	for _, n := range []string{"9", "9a", "10", "11", "19"} {
		assert.Contains(t, unasked[n], "checks.", "check %s is asked only where it is configured", n)
		delete(unasked, n)
	}
	assert.Empty(t, unasked)
}

// Each check with a problem, a pass at its edge, and each way not to know.
// The limits are those of the table of checks: most are this project's own
// defaults (no published source); sources stand where there is one.
func TestChecks(t *testing.T) {
	visits := validate.Config{"patient-not-present": nil, "wrong-site": nil}
	for _, tt := range []checkCase{
		// 1
		{name: "decoding found a fault", code: "unreadable-record", change: func(s *situation) {
			s.decoded = []poct.Problem{{Code: "unreadable-record", Field: "message", Text: "OBX-11 holds a status that is not known."}}
		}, want: poct.Found, severity: poct.Hold, text: "OBX-11", verdict: poct.HoldIt},
		{name: "nothing could be read", code: "unreadable-record", change: func(s *situation) {
			s.res.Reading = poct.Reading{Kind: poct.KindUnread, Arrival: "a-1"}
		}, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "cancelled, and a value all the same", code: "unreadable-record", change: func(s *situation) {
			s.r().Status = poct.StatusCancelled
		}, want: poct.Found, severity: poct.Hold, text: "cancelled", verdict: poct.HoldIt},

		// 2
		{name: "no patient", code: "missing-essential", change: func(s *situation) {
			s.r().Patient.ID, s.f.Patients, s.f.Patient = "", nil, nil
		}, want: poct.Found, severity: poct.Hold, text: "patient identifier", verdict: poct.HoldIt},
		{name: "no meter", code: "missing-essential", change: func(s *situation) {
			s.r().Meter, s.f.Meter, s.f.Site = "", nil, nil
		}, want: poct.Found, severity: poct.Hold, text: "no meter", verdict: poct.HoldIt},
		{name: "no time", code: "missing-essential", change: func(s *situation) { s.r().TestedAt = poct.Stamp{} },
			want: poct.Found, severity: poct.Hold, text: "time of the test", verdict: poct.HoldIt},
		{name: "the day only", code: "missing-essential", change: func(s *situation) { s.r().TestedAt.Precision = "day" },
			want: poct.Found, severity: poct.Hold, text: "to the day only", verdict: poct.HoldIt},
		{name: "no value", code: "missing-essential", change: func(s *situation) { s.inr("") },
			want: poct.Found, severity: poct.Hold, text: "INR value", verdict: poct.HoldIt},
		{name: "seconds alone", code: "missing-essential", change: func(s *situation) { s.r().Measurements = s.r().Measurements[1:] },
			want: poct.Found, severity: poct.Hold, text: "INR value", verdict: poct.HoldIt},
		{name: "to the minute is enough", code: "missing-essential", change: func(s *situation) { s.r().TestedAt.Precision = "minute" },
			want: poct.Pass, verdict: poct.Release},

		// 3
		{name: "an error code for a value", code: "not-a-number", change: func(s *situation) { s.inr("E-4") },
			want: poct.Found, severity: poct.Hold, text: "“E-4”", verdict: poct.HoldIt},
		{name: "dashes for seconds", code: "not-a-number", change: func(s *situation) { s.pt("---") },
			want: poct.Found, severity: poct.Hold, text: "PT", verdict: poct.HoldIt},
		{name: "not a number in floats", code: "not-a-number", change: func(s *situation) { s.inr("NaN") },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "a value with an error beside it", code: "not-a-number", change: func(s *situation) { s.r().DeviceError, s.r().ErrorText = "E-7", "Sample too small." },
			want: poct.Found, severity: poct.Hold, text: "Sample too small", verdict: poct.HoldIt},
		{name: "no value at all", code: "not-a-number", change: func(s *situation) { s.inr("") },
			want: poct.CannotTell, severity: poct.Hold, because: "missing-essential", verdict: poct.HoldIt},

		// 4
		{name: "above the meter's range", code: "comparator-kept", change: func(s *situation) { s.inr(">9.0"); s.pt(">108") },
			want: poct.Found, severity: poct.Flag, text: "INR >9.0 is a bound", verdict: poct.Release},
		{name: "below the meter's range", code: "comparator-kept", change: func(s *situation) { s.inr("<0.7"); s.pt("<8.4") },
			want: poct.Found, severity: poct.Flag, text: "INR <0.7", verdict: poct.Release},

		// 5
		{name: "two decimals", code: "odd-precision", change: func(s *situation) { s.inr("2.50") },
			want: poct.Found, severity: poct.Note, text: "2 decimals", verdict: poct.Release},
		{name: "whole seconds are usual too", code: "odd-precision", change: func(s *situation) { s.pt("30") }, want: poct.Pass, verdict: poct.Release},

		// 6
		{name: "identifier not registered", code: "patient-unknown", change: func(s *situation) { s.f.Patients, s.f.Patient = nil, nil },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "no identifier", code: "patient-unknown", change: func(s *situation) { s.r().Patient.ID, s.f.Patients, s.f.Patient = "", nil, nil },
			want: poct.CannotTell, severity: poct.Hold, because: "missing-essential", verdict: poct.HoldIt},

		// 7
		{name: "two patients", code: "patient-ambiguous", change: func(s *situation) {
			s.f.Patients, s.f.Patient = append(s.f.Patients, poct.Patient{ID: "MRN0007"}), nil
		}, want: poct.Found, severity: poct.Hold, text: "2 patients", verdict: poct.HoldIt},
		{name: "merged in a circle", code: "patient-ambiguous", change: func(s *situation) { s.f.Patient = nil },
			want: poct.Found, severity: poct.Hold, text: "merged", verdict: poct.HoldIt},

		// 8
		{name: "another birth date", code: "second-identifier-conflict", change: func(s *situation) { s.r().BirthDate = "1950-01-02" },
			want: poct.Found, severity: poct.Hold, text: "birth date", verdict: poct.HoldIt},
		{name: "another family name", code: "second-identifier-conflict", change: func(s *situation) { s.r().Family = "Otherperson" },
			want: poct.Found, severity: poct.Hold, text: "family name", verdict: poct.HoldIt},
		{name: "another given name", code: "second-identifier-conflict", change: func(s *situation) { s.r().Given = "Ida" },
			want: poct.Found, severity: poct.Hold, text: "given name", verdict: poct.HoldIt},
		{name: "no name sent", code: "second-identifier-conflict", change: func(s *situation) { s.r().Family, s.r().Given = "", "" },
			want: poct.Pass, verdict: poct.Release},
		{name: "birth date expected but empty", code: "second-identifier-conflict", change: func(s *situation) { s.r().BirthDate = "" },
			want: poct.CannotTell, severity: poct.Hold, text: "sent no birth date", verdict: poct.HoldIt},
		{name: "birth date not registered", code: "second-identifier-conflict", change: func(s *situation) { s.f.Patient = &poct.Patient{ID: "MRN0007"} },
			want: poct.CannotTell, severity: poct.Hold, text: "registry has no birth date", verdict: poct.HoldIt},
		{name: "the profile has no birth date", code: "second-identifier-conflict", change: func(s *situation) {
			s.r().BirthDate, s.r().NotSent = "", []string{"birth_date"}
		}, want: poct.NotAsked, text: "does not send a birth date", verdict: poct.Release},
		{name: "unknown patient", code: "second-identifier-conflict", change: func(s *situation) { s.f.Patients, s.f.Patient = nil, nil },
			want: poct.CannotTell, severity: poct.Hold, because: "patient-unknown", verdict: poct.HoldIt},

		// 9
		{name: "no visit", code: "patient-not-present", change: func(s *situation) {}, cfg: visits,
			want: poct.Found, severity: poct.Flag, text: "within 12 h", verdict: poct.Release},
		{name: "in the visit", code: "patient-not-present", change: func(s *situation) {
			s.f.Visit = &poct.Visit{Start: tested.Add(-time.Hour), Site: "millrace"}
		}, cfg: visits, want: poct.Pass, verdict: poct.Release},
		{name: "visit ended earlier than the site's limit", code: "patient-not-present", change: func(s *situation) {
			s.f.Visit = &poct.Visit{Start: tested.Add(-9 * time.Hour), End: tested.Add(-3 * time.Hour)}
		}, cfg: validate.Config{"patient-not-present": set{"limit": "2h"}}, want: poct.Found, severity: poct.Flag, text: "within 2 h", verdict: poct.Release},
		{name: "not configured", code: "patient-not-present", change: func(s *situation) {}, want: poct.NotAsked, text: "visits", verdict: poct.Release},

		// 9a
		{name: "posted without an order", code: "order-missing", change: func(s *situation) {}, cfg: validate.Config{"order-missing": nil}, want: poct.Pass, verdict: poct.Release},
		{name: "held without an order", code: "order-missing", change: func(s *situation) {}, cfg: validate.Config{"order-missing": set{"choice": "hold"}},
			want: poct.Found, severity: poct.Hold, text: "No open order", verdict: poct.HoldIt},
		{name: "the meter names an order that is not this patient's", code: "order-missing", change: func(s *situation) { s.r().Order = "P-9" },
			cfg: validate.Config{"order-missing": nil}, want: poct.Found, severity: poct.Flag, text: "No open order", verdict: poct.Release},
		{name: "an order", code: "order-missing", change: func(s *situation) { s.f.Order = &poct.Order{ID: "P-1"} },
			cfg: validate.Config{"order-missing": set{"choice": "hold"}}, want: poct.Pass, verdict: poct.Release},
		{name: "several orders", code: "order-missing", change: func(s *situation) { s.f.Orders = []poct.Order{{ID: "P-1"}, {ID: "P-2"}} },
			cfg: validate.Config{"order-missing": nil}, want: poct.Found, severity: poct.Flag, text: "2 open orders", verdict: poct.Release},
		{name: "orders are not asked about", code: "order-missing", change: func(s *situation) {}, want: poct.NotAsked, text: "orders", verdict: poct.Release},

		// 10
		{name: "wrong form", code: "id-check-digit", change: func(s *situation) {},
			cfg:  validate.Config{"id-check-digit": set{"authorities": set{"MILLRACE": set{"form": "[0-9]{8}"}}}},
			want: poct.Found, severity: poct.Hold, text: "form", verdict: poct.HoldIt},
		{name: "right form", code: "id-check-digit", change: func(s *situation) {},
			cfg:  validate.Config{"id-check-digit": set{"authorities": set{"MILLRACE": set{"form": "MRN[0-9]{4}"}}}},
			want: poct.Pass, verdict: poct.Release},
		{name: "wrong check digit", code: "id-check-digit", change: func(s *situation) { s.r().Patient.ID = "79927398710" },
			cfg:  validate.Config{"id-check-digit": set{"authorities": set{"MILLRACE": set{"scheme": "mod10"}}}},
			want: poct.Found, severity: poct.Hold, text: "check digit", verdict: poct.HoldIt},
		{name: "another authority", code: "id-check-digit", change: func(s *situation) {},
			cfg:  validate.Config{"id-check-digit": set{"authorities": set{"HARBOUR": set{"scheme": "mod10"}}}},
			want: poct.NotAsked, text: "no form is set", verdict: poct.Release},

		// 11
		{name: "listed", code: "test-patient", change: func(s *situation) {}, cfg: validate.Config{"test-patient": set{"ids": []any{"mrn0007"}}},
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "listed under another authority", code: "test-patient", change: func(s *situation) {}, cfg: validate.Config{"test-patient": set{"ids": []any{"HARBOUR|MRN0007"}}},
			want: poct.Pass, verdict: poct.Release},

		// 12
		{name: "six minutes ahead", code: "future-time", change: func(s *situation) { s.f.Received = tested.Add(-6 * time.Minute) },
			want: poct.Found, severity: poct.Hold, text: "6 min after its result came", verdict: poct.HoldIt},
		{name: "five minutes ahead", code: "future-time", change: func(s *situation) {
			s.f.Received = tested.Add(-5 * time.Minute)
			s.r().SentAt.At = s.f.Received
		}, want: poct.Pass, verdict: poct.Release},
		{name: "a reviewer's offset counts", code: "future-time", change: func(s *situation) {
			s.f.Received, s.r().TimeOffset = tested.Add(-59*time.Minute), -3600
			s.f.Controls[0].Tested, s.f.Controls[1].Tested = tested.Add(-2*time.Hour), tested.Add(-2*time.Hour)
		}, want: poct.Pass, verdict: poct.Release},
		{name: "no time to compare", code: "future-time", change: func(s *situation) { s.r().TestedAt = poct.Stamp{} },
			want: poct.CannotTell, severity: poct.Hold, because: "missing-essential", verdict: poct.HoldIt},

		// 13
		{name: "a day late", code: "stale-result", change: late(24*time.Hour + time.Minute), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "exactly a day", code: "stale-result", change: late(24 * time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "a week late", code: "stale-result", change: late(7*24*time.Hour + time.Minute), want: poct.Found, severity: poct.Hold, text: "7 d", verdict: poct.HoldIt},

		// 14
		{name: "six minutes behind", code: "clock-offset", change: func(s *situation) { s.r().SentAt.At = s.f.Received.Add(-6 * time.Minute) },
			want: poct.Found, severity: poct.Flag, text: "6 min behind", verdict: poct.Release},
		{name: "31 minutes ahead", code: "clock-offset", change: func(s *situation) { s.r().SentAt.At = s.f.Received.Add(31 * time.Minute) },
			want: poct.Found, severity: poct.Hold, text: "31 min ahead of", verdict: poct.HoldIt},
		{name: "thirty minutes", code: "clock-offset", change: func(s *situation) { s.r().SentAt.At = s.f.Received.Add(30 * time.Minute) },
			want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "corrected by a reviewer", code: "clock-offset", change: func(s *situation) {
			s.r().SentAt.At = s.f.Received.Add(-time.Hour)
			s.r().TestedAt.At = tested.Add(-time.Hour)
			s.r().TimeOffset = 3600
		}, want: poct.Pass, verdict: poct.Release},
		{name: "sending time unclear", code: "clock-offset", change: func(s *situation) { s.r().SentAt.Ambiguous = "twice" },
			want: poct.CannotTell, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "no sending time", code: "clock-offset", change: func(s *situation) { s.r().SentAt = poct.Stamp{} },
			want: poct.NotAsked, text: "does not say when it was sent", verdict: poct.Release},

		// 16
		{name: "sequence up, time down", code: "time-order", change: older("88230", time.Hour), want: poct.Found, severity: poct.Flag, text: "88230", verdict: poct.Release},
		{name: "late one of the past", code: "time-order", change: older("88230", -time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "longer sequence is later", code: "time-order", change: older("100001", time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "other letters before the number", code: "time-order", change: older("F-88230", time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "no sequence in the profile", code: "time-order", change: func(s *situation) { s.r().Sequence, s.r().NotSent = "", []string{"sequence"} },
			want: poct.NotAsked, verdict: poct.Release},

		// 16a
		{name: "occurs twice", code: "time-ambiguous", change: func(s *situation) { s.r().TestedAt.Ambiguous = "twice" },
			want: poct.Found, severity: poct.Hold, text: "twice", verdict: poct.HoldIt},
		{name: "never occurs", code: "time-ambiguous", change: func(s *situation) { s.r().TestedAt.Ambiguous = "never" },
			want: poct.Found, severity: poct.Hold, text: "does not exist", verdict: poct.HoldIt},

		// 17
		{name: "not registered", code: "meter-unknown", change: func(s *situation) { s.f.Meter, s.f.Site, s.f.NearestMeter = nil, nil, "Q3-1OO7" },
			want: poct.Found, severity: poct.Hold, text: "Q3-1OO7", verdict: poct.HoldIt},
		{name: "site not registered", code: "meter-unknown", change: func(s *situation) { s.f.Site = nil },
			want: poct.Found, severity: poct.Hold, text: "site “millrace”", verdict: poct.HoldIt},
		{name: "empty registry", code: "meter-unknown", change: func(s *situation) {
			s.f = poct.Facts{Received: s.f.Received, Now: s.f.Now, RegistryEmpty: true}
		}, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},

		// 18
		{name: "withdrawn", code: "meter-withdrawn", change: func(s *situation) { s.f.Meter.State = "withdrawn" },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "state not known", code: "meter-withdrawn", change: func(s *situation) { s.f.Meter.State = "" },
			want: poct.CannotTell, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "unknown meter", code: "meter-withdrawn", change: func(s *situation) { s.f.Meter, s.f.Site = nil, nil },
			want: poct.CannotTell, severity: poct.Hold, because: "meter-unknown", verdict: poct.HoldIt},

		// 19
		{name: "visit elsewhere", code: "wrong-site", change: func(s *situation) { s.f.Visit = &poct.Visit{Site: "saltmarsh", Start: tested} }, cfg: visits,
			want: poct.Found, severity: poct.Flag, text: "saltmarsh", verdict: poct.Release},
		{name: "visit here", code: "wrong-site", change: func(s *situation) { s.f.Visit = &poct.Visit{Site: "millrace", Start: tested} }, cfg: visits,
			want: poct.Pass, verdict: poct.Release},
		{name: "no visit to compare", code: "wrong-site", change: func(s *situation) {}, cfg: visits, want: poct.Found, severity: poct.Flag, verdict: poct.Release},

		// 20
		{name: "not registered", code: "operator-unknown", change: func(s *situation) { s.f.Operator = nil },
			want: poct.Found, severity: poct.Hold, text: "118", verdict: poct.HoldIt},
		{name: "for another site", code: "operator-unknown", change: func(s *situation) { s.f.Operator.Sites = []string{"saltmarsh"} },
			want: poct.Found, severity: poct.Hold, text: "site millrace", verdict: poct.HoldIt},
		{name: "none named", code: "operator-unknown", change: func(s *situation) { s.r().Operator, s.f.Operator = "", nil },
			want: poct.CannotTell, severity: poct.Hold, text: "names no operator", verdict: poct.HoldIt},
		{name: "the profile has none", code: "operator-unknown", change: func(s *situation) {
			s.r().Operator, s.f.Operator, s.r().NotSent = "", nil, []string{"operator"}
		}, want: poct.NotAsked, verdict: poct.Release},

		// 21
		{name: "lapsed the day before", code: "operator-lapsed", change: func(s *situation) { s.f.Operator.CertifiedUntil = "2024-03-04" },
			want: poct.Found, severity: poct.Hold, text: "2024-03-04", verdict: poct.HoldIt},
		{name: "last day", code: "operator-lapsed", change: func(s *situation) { s.f.Operator.CertifiedUntil = "2024-03-05" }, want: poct.Pass, verdict: poct.Release},
		{name: "certificate not known", code: "operator-lapsed", change: func(s *situation) { s.f.Operator.CertifiedUntil = "" },
			want: poct.CannotTell, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "unknown operator", code: "operator-lapsed", change: func(s *situation) { s.f.Operator = nil },
			want: poct.CannotTell, severity: poct.Hold, because: "operator-unknown", verdict: poct.HoldIt},

		// 22
		{name: "failed, with a value", code: "onboard-control-failed", change: func(s *situation) { s.r().Onboard = "fail" },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "passed", code: "onboard-control-failed", change: func(s *situation) { s.r().Onboard = "pass" }, want: poct.Pass, verdict: poct.Release},
		// HL7 table 0078: QCF is quality control failure.
		{name: "flagged by the meter", code: "onboard-control-failed", change: func(s *situation) { s.r().Measurements[0].Flags = "H~QCF" },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},

		// 23
		{name: "letter O for a zero", code: "lot-unknown", change: func(s *situation) {
			s.r().StripLot, s.f.StripLot, s.f.NearestLot = "7K4O231", nil, "7K40231"
		}, want: poct.Found, severity: poct.Hold, text: "nearest registered lot is 7K40231, 1 character apart", verdict: poct.HoldIt},
		{name: "two digits swapped", code: "lot-unknown", change: func(s *situation) {
			s.r().StripLot, s.f.StripLot, s.f.NearestLot = "7K40321", nil, "7K40231"
		}, want: poct.Found, severity: poct.Hold, text: "7K40231, with 2 characters swapped", verdict: poct.HoldIt},
		{name: "lot of another model", code: "lot-unknown", change: func(s *situation) { s.f.StripLot.Model = "Reed 2" },
			want: poct.Found, severity: poct.Hold, text: "Reed 2", verdict: poct.HoldIt},
		{name: "none named", code: "lot-unknown", change: func(s *situation) { s.r().StripLot, s.f.StripLot = "", nil },
			want: poct.CannotTell, severity: poct.Hold, text: "names no strip lot", verdict: poct.HoldIt},
		{name: "the profile has none", code: "lot-unknown", change: noLot, want: poct.NotAsked, verdict: poct.Release},

		// 24
		{name: "registered expiry", code: "lot-expired", change: func(s *situation) { s.f.StripLot.Expires = "2024-03-04" },
			want: poct.Found, severity: poct.Hold, text: "expired on 2024-03-04", verdict: poct.HoldIt},
		{name: "on its last day", code: "lot-expired", change: func(s *situation) { s.f.StripLot.Expires = "2024-03-05" }, want: poct.Pass, verdict: poct.Release},
		{name: "sent expiry is earlier", code: "lot-expired", change: func(s *situation) { s.r().StripExpires = "2024-03-01" },
			want: poct.Found, severity: poct.Hold, text: "2024-03-01", verdict: poct.HoldIt},
		{name: "sent expiry is later", code: "lot-expired", change: func(s *situation) {
			s.r().StripExpires, s.f.StripLot.Expires = "2025-01-01", "2024-03-01"
		}, want: poct.Found, severity: poct.Hold, text: "2024-03-01", verdict: poct.HoldIt},
		{name: "expired as sent, lot unknown", code: "lot-expired", change: func(s *situation) { s.r().StripExpires, s.f.StripLot = "2024-03-01", nil },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "in date as sent, lot unknown", code: "lot-expired", change: func(s *situation) { s.r().StripExpires, s.f.StripLot = "2025-03-01", nil },
			want: poct.CannotTell, severity: poct.Hold, because: "lot-unknown", verdict: poct.HoldIt},
		{name: "no expiry anywhere", code: "lot-expired", change: func(s *situation) { s.f.StripLot.Expires = "" },
			want: poct.CannotTell, severity: poct.Hold, text: "neither the message nor the registry", verdict: poct.HoldIt},
		{name: "sent expiry is no date", code: "lot-expired", change: func(s *situation) { s.r().StripExpires = "03/25" },
			want: poct.CannotTell, severity: poct.Hold, text: "no date", verdict: poct.HoldIt},
		{name: "local day decides", code: "lot-expired", change: func(s *situation) {
			// 00:30 on 6 March at the site is still 5 March in UTC.
			at := time.Date(2024, 3, 6, 0, 30, 0, 0, cet)
			s.r().TestedAt.At, s.f.StripLot.Expires = at, "2024-03-05"
			s.f.Received, s.r().SentAt.At = at, at
			s.f.Controls[0].Tested, s.f.Controls[1].Tested = at.Add(-time.Hour), at.Add(-time.Hour)
		}, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "the profile has no lot", code: "lot-expired", change: noLot, want: poct.NotAsked, verdict: poct.Release},

		// 25
		{name: "no control of this lot", code: "lot-not-accepted", change: func(s *situation) { s.f.Controls = nil },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "only of another lot", code: "lot-not-accepted", change: func(s *situation) {
			s.f.Controls[0].Reading.StripLot, s.f.Controls[1].Reading.StripLot = "OTHER", "OTHER"
		}, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "only after the test", code: "lot-not-accepted", change: func(s *situation) {
			s.f.Controls[0].Tested, s.f.Controls[1].Tested = tested.Add(time.Minute), tested.Add(time.Minute)
		}, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "unknown lot", code: "lot-not-accepted", change: func(s *situation) { s.f.StripLot = nil },
			want: poct.CannotTell, severity: poct.Hold, because: "lot-unknown", verdict: poct.HoldIt},

		// 26
		{name: "recalled", code: "lot-recalled", change: func(s *situation) { s.f.StripLot.Recalled = true },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "unknown lot", code: "lot-recalled", change: func(s *situation) { s.f.StripLot = nil },
			want: poct.CannotTell, severity: poct.Hold, because: "lot-unknown", verdict: poct.HoldIt},

		// 27; 42 CFR 493.1269(b): two levels each eight hours of operation.
		{name: "eight hours and a minute", code: "qc-overdue", change: passedAgo(8*time.Hour+time.Minute, time.Hour),
			want: poct.Found, severity: poct.Hold, text: "level 1", verdict: poct.HoldIt},
		{name: "eight hours", code: "qc-overdue", change: passedAgo(8*time.Hour, time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "one level only", code: "qc-overdue", change: func(s *situation) { s.f.Controls = s.f.Controls[:1] },
			want: poct.Found, severity: poct.Hold, text: "Only 1 of 2", verdict: poct.HoldIt},
		{name: "one level twice", code: "qc-overdue", change: func(s *situation) { s.f.Controls[1].Reading.ControlLevel = " 1 " },
			want: poct.Found, severity: poct.Hold, text: "Only 1 of 2", verdict: poct.HoldIt},
		{name: "the site's row", code: "qc-overdue", change: func(s *situation) {
			passedAgo(20*time.Hour, 20*time.Hour)(s)
			s.f.Site.QCInterval = 24 * time.Hour
		}, want: poct.Pass, verdict: poct.Release},
		{name: "the configuration comes before the site's row", code: "qc-overdue", change: func(s *situation) {
			passedAgo(20*time.Hour, 20*time.Hour)(s)
			s.f.Site.QCInterval = 24 * time.Hour
		}, cfg: validate.Config{"qc-overdue": set{"interval": "12h"}}, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "one site's own interval", code: "qc-overdue", change: passedAgo(20*time.Hour, 20*time.Hour),
			cfg:  validate.Config{"sites": set{"millrace": set{"qc-overdue": set{"interval": "24h"}}}},
			want: poct.Pass, verdict: poct.Release},
		{name: "another site's interval", code: "qc-overdue", change: passedAgo(20*time.Hour, 20*time.Hour),
			cfg:  validate.Config{"sites": set{"saltmarsh": set{"qc-overdue": set{"interval": "24h"}}}},
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "no pass at all", code: "qc-overdue", change: func(s *situation) { s.f.Controls = nil },
			want: poct.CannotTell, severity: poct.Hold, because: "lot-not-accepted", verdict: poct.HoldIt},
		{name: "passed after the test", code: "qc-overdue", change: func(s *situation) { s.f.Controls[1].Tested = tested.Add(time.Minute) },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "same minute, later in sequence", code: "qc-overdue", change: func(s *situation) {
			s.f.Controls[1].Tested, s.f.Controls[1].Reading.Sequence = tested, "88232"
		}, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "same minute, earlier in sequence", code: "qc-overdue", change: func(s *situation) { s.f.Controls[1].Tested = tested },
			want: poct.Pass, verdict: poct.Release},
		{name: "a held control is no pass", code: "qc-overdue", change: func(s *situation) { s.f.Controls[1].State = poct.Held },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "meters without lots", code: "qc-overdue", change: noLot, want: poct.Pass, verdict: poct.Release},
		{name: "unknown meter", code: "qc-overdue", change: func(s *situation) { s.f.Meter, s.f.Site = nil, nil },
			want: poct.CannotTell, severity: poct.Hold, because: "meter-unknown", verdict: poct.HoldIt},

		// 28
		{name: "failed since", code: "qc-failed", change: controls("1+ 2+ 2-"), want: poct.Found, severity: poct.Hold, text: "level 2", verdict: poct.HoldIt},
		{name: "both passed since", code: "qc-failed", change: controls("2- 1+ 2+"), want: poct.Pass, verdict: poct.Release},
		{name: "only the failed level passed since", code: "qc-failed", change: controls("1+ 2- 2+"), want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "only the other level passed since", code: "qc-failed", change: controls("2+ 2- 1+"), want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "an older failure not cleared by a newer pass", code: "qc-failed", change: controls("1+ 2+ 1- 2+"), want: poct.Found, severity: poct.Hold, text: "level 1", verdict: poct.HoldIt},
		{name: "another lot failed", code: "qc-failed", change: func(s *situation) {
			controls("1+ 2+ 2-")(s)
			s.f.Controls[2].Reading.StripLot = "OTHER"
		}, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "another lot failed and was cleared there", code: "qc-failed", change: func(s *situation) {
			controls("1+ 2+ 2- 1+ 2+")(s)
			for i := 2; i < 5; i++ {
				s.f.Controls[i].Reading.StripLot = "OTHER"
			}
		}, want: poct.Pass, verdict: poct.Release},
		{name: "failed after the test", code: "qc-failed", change: func(s *situation) {
			controls("1+ 2+ 2-")(s)
			s.f.Controls[2].Tested = tested.Add(time.Minute)
		}, want: poct.Pass, verdict: poct.Release},
		{name: "a withdrawn run is neither", code: "qc-failed", change: func(s *situation) {
			controls("1+ 2+ 2-")(s)
			s.f.Controls[2].Reading.Status = poct.StatusWithdrawn
		}, want: poct.Pass, verdict: poct.Release},

		// 30
		{name: "tagged as a control", code: "qc-looks-like-patient", change: func(s *situation) { s.r().ControlHint = "the comment says level 2" },
			want: poct.Found, severity: poct.Hold, text: "level 2", verdict: poct.HoldIt},
		{name: "a control level in a patient's place", code: "qc-looks-like-patient", change: func(s *situation) { s.r().ControlLevel = "2" },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "a control lot for an identifier", code: "qc-looks-like-patient", change: func(s *situation) {
			s.f.Patients, s.f.Patient, s.f.ControlLots = nil, nil, []poct.ControlLot{{Lot: "MRN0007"}}
		}, want: poct.Found, severity: poct.Hold, text: "registered control lot", verdict: poct.HoldIt},
		{name: "on the site's list", code: "qc-looks-like-patient", change: func(s *situation) {},
			cfg:  validate.Config{"qc-looks-like-patient": set{"ids": []any{"MRN0007"}}},
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},

		// 31; UCUM: S is siemens, s is seconds.
		{name: "siemens for seconds", code: "unit-unexpected", change: func(s *situation) { s.r().Measurements[1].Unit, s.r().Measurements[1].RawUnit = "", "S" },
			want: poct.Found, severity: poct.Hold, text: "“S”", verdict: poct.HoldIt},
		{name: "INR in percent", code: "unit-unexpected", change: func(s *situation) { s.r().Measurements[0].Unit, s.r().Measurements[0].RawUnit = "", "%" },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},

		// 32; LOINC: 6301-6 and 5902-2 are platelet poor plasma.
		{name: "a plasma code", code: "code-specimen-mismatch", change: func(s *situation) { s.r().Measurements[0].LOINC = "6301-6" },
			want: poct.Found, severity: poct.Flag, text: "plasma", verdict: poct.Release},
		{name: "a plasma code for seconds", code: "code-specimen-mismatch", change: func(s *situation) { s.r().Measurements[1].LOINC = "5902-2" },
			want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "the other analyte's code", code: "code-specimen-mismatch", change: func(s *situation) { s.r().Measurements[0].LOINC = "46417-2" },
			want: poct.Found, severity: poct.Flag, text: "PT in capillary", verdict: poct.Release},
		{name: "a blood code takes in capillary blood", code: "code-specimen-mismatch", change: func(s *situation) { s.r().Measurements[0].LOINC = "34714-6" },
			want: poct.Pass, verdict: poct.Release},
		{name: "the profile names no sample", code: "code-specimen-mismatch", change: func(s *situation) { s.r().Specimen = "" },
			want: poct.NotAsked, verdict: poct.Release},

		// 33
		{name: "a lost decimal point", code: "impossible-value", change: func(s *situation) { s.inr("25") },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "zero", code: "impossible-value", change: func(s *situation) { s.inr("0.0") }, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "less than nothing", code: "impossible-value", change: func(s *situation) { s.inr("<0.0") }, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "more than the most", code: "impossible-value", change: func(s *situation) { s.inr(">20") }, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "four seconds", code: "impossible-value", change: func(s *situation) { s.pt("4.9") }, want: poct.Found, severity: poct.Hold, text: "PT 4.9 s", verdict: poct.HoldIt},
		{name: "301 seconds", code: "impossible-value", change: func(s *situation) { s.pt("300.1") }, want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "just possible", code: "impossible-value", change: func(s *situation) { s.inr("20"); s.pt("300") }, want: poct.Pass, verdict: poct.HoldIt},
		{name: "a bound is possible", code: "impossible-value", change: func(s *situation) { s.inr(">9.0"); s.pt(">108") }, want: poct.Pass, verdict: poct.Release},
		{name: "no number", code: "impossible-value", change: func(s *situation) { s.inr("---") },
			want: poct.CannotTell, severity: poct.Hold, because: "not-a-number", verdict: poct.HoldIt},

		// 34
		{name: "above the profile's range", code: "outside-measuring-range", change: func(s *situation) { s.inr("9.1"); s.pt("109.2") },
			want: poct.Found, severity: poct.Hold, text: "0.7 to 9.0", verdict: poct.HoldIt},
		{name: "at its end", code: "outside-measuring-range", change: func(s *situation) { s.inr("9.0"); s.pt("108.0") }, want: poct.Pass, verdict: poct.Release},
		{name: "a bound at its end", code: "outside-measuring-range", change: func(s *situation) { s.inr(">9.0"); s.pt(">108") }, want: poct.Pass, verdict: poct.Release},
		{name: "a bound elsewhere", code: "outside-measuring-range", change: func(s *situation) { s.inr(">8.0"); s.pt(">96") },
			want: poct.Found, severity: poct.Hold, text: ">8.0 is no bound", verdict: poct.HoldIt},
		{name: "a bound at the wrong end", code: "outside-measuring-range", change: func(s *situation) { s.inr("<9.0"); s.pt("<108") },
			want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "default range", code: "outside-measuring-range", change: func(s *situation) {
			s.r().Range = poct.MeasuringRange{}
			s.inr("8.1")
			s.pt("97.2")
		}, want: poct.Found, severity: poct.Hold, text: "0.8 to 8.0", verdict: poct.HoldIt},

		// 35
		{name: "at the limit", code: "confirm-venous", change: value("4.5"), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "below the limit", code: "confirm-venous", change: value("4.4"), want: poct.Pass, verdict: poct.Release},
		{name: "a bound above", code: "confirm-venous", change: value(">9.0"), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "a bound below", code: "confirm-venous", change: value("<0.7"), want: poct.Pass, verdict: poct.Release},

		// 36
		{name: "above the limit", code: "critical", change: value("5.1"), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "at the limit", code: "critical", change: value("5.0"), want: poct.Pass, verdict: poct.Release},
		{name: "more digits decide nothing", code: "critical", change: value("5.00"), want: poct.Pass, verdict: poct.Release},
		{name: "a bound above", code: "critical", change: value(">9.0"), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "a bound that may exceed", code: "critical", change: value(">4.0"), want: poct.Found, severity: poct.Flag, verdict: poct.HoldIt},
		{name: "own limit", code: "critical", change: value("4.1"), cfg: validate.Config{"critical": set{"limit": "4.0"}}, want: poct.Found, severity: poct.Flag, verdict: poct.Release},

		// 39; see also TestPTINR
		{name: "out of the band", code: "pt-inr-disagree", change: func(s *situation) { s.inr("2.8") },
			want: poct.Found, severity: poct.Hold, text: "2.32 to 2.68", verdict: poct.HoldIt},
		{name: "profile without seconds", code: "pt-inr-disagree", change: func(s *situation) {
			s.r().Measurements, s.r().NotSent = s.r().Measurements[:1], []string{"pt"}
		}, want: poct.NotAsked, text: "does not send seconds", verdict: poct.Release},
		{name: "seconds expected but absent", code: "pt-inr-disagree", change: func(s *situation) { s.r().Measurements = s.r().Measurements[:1] },
			want: poct.CannotTell, severity: poct.Hold, text: "sent no seconds", verdict: poct.HoldIt},
		{name: "lot without constants", code: "pt-inr-disagree", change: func(s *situation) { s.f.StripLot.ISI, s.f.StripLot.MNPT = poct.Number{}, poct.Number{} },
			want: poct.NotAsked, text: "no ISI and MNPT", verdict: poct.Release},
		{name: "lot with half its constants", code: "pt-inr-disagree", change: func(s *situation) { s.f.StripLot.MNPT = poct.Number{} },
			want: poct.CannotTell, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "unknown lot", code: "pt-inr-disagree", change: func(s *situation) { s.f.StripLot = nil },
			want: poct.CannotTell, severity: poct.Hold, because: "lot-unknown", verdict: poct.HoldIt},
		{name: "the profile has no lot", code: "pt-inr-disagree", change: noLot, want: poct.NotAsked, verdict: poct.Release},

		// 40
		{name: "ISI of 2.1", code: "lot-constants-implausible", change: func(s *situation) { s.f.StripLot.ISI = poct.MustNumber("2.01"); s.inr("6.3") },
			want: poct.Found, severity: poct.Flag, text: "ISI 2.01", verdict: poct.Release},
		{name: "MNPT of 8", code: "lot-constants-implausible", change: func(s *situation) { s.f.StripLot.MNPT = poct.MustNumber("8.9"); s.inr("3.4") },
			want: poct.Found, severity: poct.Flag, text: "MNPT 8.9 s", verdict: poct.Release},
		{name: "no constants", code: "lot-constants-implausible", change: func(s *situation) { s.f.StripLot.ISI, s.f.StripLot.MNPT = poct.Number{}, poct.Number{} },
			want: poct.NotAsked, verdict: poct.Release},

		// 41
		{name: "up by half", code: "delta-large", change: before("1.6", 20*24*time.Hour), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "up by half, but little", code: "delta-large", change: func(s *situation) {
			before("1.0", 20*24*time.Hour)(s)
			s.inr("1.6")
			s.pt("19.2")
		}, want: poct.Pass, verdict: poct.Release},
		{name: "down by a third", code: "delta-large", change: before("3.8", 20*24*time.Hour), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "much, but in proportion", code: "delta-large", change: before("3.7", 20*24*time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "two or more", code: "delta-large", change: before("4.5", 30*24*time.Hour), want: poct.Found, severity: poct.Hold, text: "4.5", verdict: poct.HoldIt},
		{name: "two or more, long ago", code: "delta-large", change: before("4.5", 31*24*time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "0.7 a day", code: "delta-large", change: before("3.9", 48*time.Hour), want: poct.Found, severity: poct.Hold, verdict: poct.HoldIt},
		{name: "0.65 a day", code: "delta-large", change: before("3.8", 48*time.Hour), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "0.8 in less than a day", code: "delta-large", change: before("3.3", 23*time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "a pair of one day", code: "delta-large", change: before("3.1", 2*time.Hour), want: poct.Found, severity: poct.Flag, verdict: poct.Release},
		{name: "a pair at its edge", code: "delta-large", change: before("3.0", 2*time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "a bound before", code: "delta-large", change: before(">9.0", 24*time.Hour), want: poct.Pass, verdict: poct.Release},
		{name: "a bound now", code: "delta-large", change: func(s *situation) { before("1.0", 24*time.Hour)(s); s.inr(">9.0"); s.pt(">108") }, want: poct.Pass, verdict: poct.Release},
		{name: "its own earlier version", code: "delta-large", change: func(s *situation) {
			before("4.9", time.Hour)(s)
			s.f.History[0].Key = s.r().Key()
		}, want: poct.Pass, verdict: poct.Release},
		{name: "unknown patient", code: "delta-large", change: func(s *situation) { s.f.Patients, s.f.Patient = nil, nil },
			want: poct.CannotTell, severity: poct.Hold, because: "patient-unknown", verdict: poct.HoldIt},

		// 45
		{name: "within 15 minutes", code: "repeat-test", change: before("2.5", 15*time.Minute), want: poct.Found, severity: poct.Flag, text: "15 min earlier, with INR 2.5", verdict: poct.Release},
		{name: "later", code: "repeat-test", change: before("2.5", 16*time.Minute), want: poct.Pass, verdict: poct.Release},

		// Checks that wait for what decoding found, and one that is switched off.
		{name: "decoding counts like a check", code: "unit-unexpected", change: func(s *situation) {
			s.decoded = []poct.Problem{{Code: "unit-unexpected", Field: "inr", Text: "Unit IU is not mapped."}}
		}, want: poct.Found, severity: poct.Hold, text: "IU", verdict: poct.HoldIt},
		{name: "decoding's words stand for its field", code: "missing-essential", change: func(s *situation) {
			s.r().TestedAt = poct.Stamp{Raw: "2024-13-05"}
			s.decoded = []poct.Problem{{Code: "missing-essential", Field: "tested_at", Text: "OBR-7 is no time.", Severity: poct.Note}}
		}, want: poct.Found, severity: poct.Hold, text: "OBR-7", verdict: poct.HoldIt},
		{name: "switched off", code: "delta-large", change: before("9.0", time.Hour), cfg: validate.Config{"delta-large": set{"off": true}},
			want: poct.NotAsked, text: "switched off", verdict: poct.Release},
	} {
		tt.run(t)
	}
}

// checkCase is one check asked of a good result after a change.
type checkCase struct {
	name     string
	code     string
	change   func(s *situation)
	cfg      validate.Config
	of       func() *situation // another start than a good result
	want     poct.Answer
	severity poct.Severity // of the problem, "" for none
	because  string
	text     string // part of the problem's text, or of why it was not asked
	verdict  poct.Verdict
}

func (tt checkCase) run(t *testing.T) {
	t.Run(tt.code+"/"+tt.name, func(t *testing.T) {
		s := good()
		if tt.of != nil {
			s = tt.of()
		}
		if tt.change != nil {
			tt.change(s)
		}
		f := s.check(t, tt.cfg)
		got := answerOf(f, tt.code)
		assert.Equal(t, tt.want, got.Answer)
		assert.Equal(t, tt.verdict, f.Verdict, "problems: %+v", f.Problems)
		problems := problemsOf(f, tt.code)
		if tt.severity == "" {
			assert.Empty(t, problems)
			if tt.want == poct.NotAsked {
				assert.Contains(t, got.Why, tt.text)
			}
			return
		}
		require.NotEmpty(t, problems)
		p := problems[0]
		assert.Equal(t, tt.severity, p.Severity)
		assert.Equal(t, tt.because, p.Because)
		assert.Equal(t, got.Check, p.Check)
		assert.NotEmpty(t, p.Remedy)
		assert.Contains(t, p.Text, tt.text)
		assert.NotContains(t, p.Text, "{", "a name was not filled")
		assert.Equal(t, tt.want == poct.CannotTell, strings.HasPrefix(p.Text, "Cannot tell "))
	})
}

func late(by time.Duration) func(*situation) {
	return func(s *situation) {
		s.f.Received = tested.Add(by)
		s.r().SentAt.At = s.f.Received
	}
}

func older(sequence string, ahead time.Duration) func(*situation) {
	return func(s *situation) {
		s.f.MeterHistory = []poct.Past{{Key: "k", Tested: tested.Add(ahead), Reading: poct.Reading{Sequence: sequence}}}
	}
}

func noLot(s *situation) {
	s.r().StripLot, s.r().NotSent, s.f.StripLot = "", []string{"strip_lot"}, nil
	for i := range s.f.Controls {
		s.f.Controls[i].Reading.StripLot = ""
	}
}

func passedAgo(one, two time.Duration) func(*situation) {
	return func(s *situation) {
		s.f.Controls[0].Tested, s.f.Controls[1].Tested = tested.Add(-one), tested.Add(-two)
	}
}

// controls writes a row of control runs, ten minutes apart up to the test:
// "1+ 2-" is a pass of level 1, then a failure of level 2.
func controls(runs string) func(*situation) {
	return func(s *situation) {
		list := strings.Fields(runs)
		s.f.Controls = nil
		for i, run := range list {
			s.f.Controls = append(s.f.Controls, poct.Past{
				State: poct.Filed, QCPassed: run[1] == '+', Tested: tested.Add(-time.Duration(len(list)-i) * 10 * time.Minute),
				Reading: poct.Reading{Kind: poct.KindControl, StripLot: "7K40231", ControlLevel: run[:1]},
			})
		}
	}
}

func value(inr string) func(*situation) {
	return func(s *situation) {
		s.inr(inr)
		s.r().Measurements, s.r().NotSent = s.r().Measurements[:1], []string{"pt"}
	}
}

func before(inr string, ago time.Duration) func(*situation) {
	return func(s *situation) {
		s.f.History = []poct.Past{{
			Key: "earlier", State: poct.Delivered, Tested: tested.Add(-ago),
			Reading: poct.Reading{Measurements: []poct.Measurement{{Analyte: "inr", Value: poct.MustNumber(inr)}}},
		}}
	}
}
