package validate_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/validate"
)

func held(code string) poct.Problem {
	info, _ := validate.Lookup(code)
	return poct.Problem{Check: info.Number, Code: code, Severity: poct.Hold, Text: info.Text, Remedy: info.Remedy}
}

// What no one may release, at any rank; the others by the desk of their check.
func TestMayReleaseByTheTable(t *testing.T) {
	everything := poct.Actor{Name: "k.osei", Role: "reviewer coordinator clinician", Operator: "7"}
	for _, info := range validate.Checks() {
		err := validate.May([]poct.Problem{held(info.Code)}, poct.ActRelease, everything, "118")
		if !strings.Contains(info.Acts, "R") {
			assert.ErrorIs(t, err, poct.ErrNotAllowed, info.Code)
			continue
		}
		assert.NoError(t, err, info.Code)
		for _, role := range []string{"reviewer", "coordinator", "clinician", "nurse", "engineer", "auditor", "admin", ""} {
			err := validate.May([]poct.Problem{held(info.Code)}, poct.ActRelease, poct.Actor{Role: role}, "118")
			if role == info.Desk {
				assert.NoError(t, err, "%s by %s", info.Code, role)
			} else {
				assert.ErrorIs(t, err, poct.ErrForbidden, "%s by %s", info.Code, role)
			}
		}
	}
	for _, code := range []string{"not-a-number", "onboard-control-failed", "lot-expired", "lot-recalled"} {
		info, ok := validate.Lookup(code)
		require.True(t, ok)
		assert.NotContains(t, info.Acts, "R", code)
	}
}

func TestMay(t *testing.T) {
	reviewer := poct.Actor{Name: "r.ito", Role: "reviewer", Operator: "118"}
	coordinator := poct.Actor{Name: "k.osei", Role: "coordinator"}
	waitsForLot := held("lot-expired")
	waitsForLot.Because = "lot-unknown"
	flagged := held("lot-expired")
	flagged.Severity = poct.Flag
	noExpiry := held("lot-expired")
	noExpiry.Text, noExpiry.Remedy = "Cannot tell whether the lot was in date: neither the message nor the registry gives a date.", "Enter the expiry."
	control := held("lot-unknown")
	control.Field = poct.FieldControlLot
	refused := poct.Problem{Code: "refused-by-record", Severity: poct.Hold, Remedy: "Mend it there."}
	for _, tt := range []struct {
		name     string
		problems []poct.Problem
		act      poct.Act
		actor    poct.Actor
		runBy    string
		want     error
		text     string
	}{
		{"expired strip", []poct.Problem{held("lot-expired")}, poct.ActRelease, coordinator, "", poct.ErrNotAllowed, "A result from an expired strip cannot be released by anyone. Repeat the test."},
		{"one of two is never released", []poct.Problem{held("lot-unknown"), held("lot-recalled")}, poct.ActRelease, coordinator, "", poct.ErrNotAllowed, "recalled"},
		{"expiry not known", []poct.Problem{noExpiry}, poct.ActRelease, coordinator, "", poct.ErrNotAllowed, "Cannot tell whether the lot was in date"},
		{"identity", []poct.Problem{held("second-identifier-conflict")}, poct.ActRelease, reviewer, "", poct.ErrNotAllowed, "cannot be released by anyone"},
		{"what waits for a releasable problem", []poct.Problem{held("lot-unknown"), waitsForLot}, poct.ActRelease, coordinator, "", nil, ""},
		{"what waits for a problem that is not there", []poct.Problem{waitsForLot}, poct.ActRelease, coordinator, "", poct.ErrNotAllowed, ""},
		{"a flag stops nobody", []poct.Problem{held("lot-unknown"), flagged}, poct.ActRelease, coordinator, "", nil, ""},
		{"another desk", []poct.Problem{held("lot-unknown")}, poct.ActRelease, reviewer, "", poct.ErrForbidden, "released by a coordinator"},
		{"one of two desks", []poct.Problem{held("stale-result"), held("qc-overdue")}, poct.ActRelease, reviewer, "", poct.ErrForbidden, "coordinator"},
		{"both desks", []poct.Problem{held("stale-result"), held("qc-overdue")}, poct.ActRelease, poct.Actor{Role: "reviewer,coordinator"}, "", nil, ""},
		{"own test", []poct.Problem{held("stale-result")}, poct.ActRelease, reviewer, " 118", poct.ErrForbidden, "Whoever ran the test may not release it"},
		{"another's test", []poct.Problem{held("stale-result")}, poct.ActRelease, reviewer, "119", nil, ""},
		{"without an operator number", []poct.Problem{held("qc-overdue")}, poct.ActRelease, coordinator, "118", nil, ""},
		{"nobody knows who ran it", []poct.Problem{held("stale-result")}, poct.ActRelease, poct.Actor{Role: "reviewer"}, "", nil, ""},
		{"a control", []poct.Problem{control}, poct.ActRelease, coordinator, "", poct.ErrNotAllowed, "control is never released"},
		{"refused by the record", []poct.Problem{refused}, poct.ActRelease, reviewer, "", poct.ErrNotAllowed, "Mend it there"},
		{"nothing holds, no desk", nil, poct.ActRelease, poct.Actor{Role: "nurse"}, "", poct.ErrForbidden, ""},

		{"own test corrected", []poct.Problem{held("patient-unknown")}, poct.ActCorrect, reviewer, "118", nil, ""},
		{"corrected by any desk", []poct.Problem{held("lot-unknown")}, poct.ActCorrect, reviewer, "", nil, ""},
		{"nothing to correct", []poct.Problem{held("qc-failed")}, poct.ActCorrect, coordinator, "", poct.ErrNotAllowed, "a correction"},
		{"one of two can be corrected", []poct.Problem{held("qc-failed"), held("lot-unknown")}, poct.ActCorrect, coordinator, "", nil, ""},
		{"corrected by a nurse", []poct.Problem{held("lot-unknown")}, poct.ActCorrect, poct.Actor{Role: "nurse"}, "", poct.ErrForbidden, ""},

		{"discarded", []poct.Problem{held("lot-expired")}, poct.ActDiscard, reviewer, "118", nil, ""},
		{"not to be discarded", []poct.Problem{held("operator-unknown")}, poct.ActDiscard, coordinator, "", poct.ErrNotAllowed, "discarding"},
		{"refused, then discarded", []poct.Problem{refused}, poct.ActDiscard, reviewer, "", nil, ""},
		{"discarded by an auditor", []poct.Problem{held("lot-expired")}, poct.ActDiscard, poct.Actor{Role: "auditor"}, "", poct.ErrForbidden, ""},

		{"read again by an engineer", []poct.Problem{held("unreadable-record")}, poct.ActRetry, poct.Actor{Role: "engineer"}, "", nil, ""},
		{"read again by a nurse", []poct.Problem{held("unreadable-record")}, poct.ActRetry, poct.Actor{Role: "nurse"}, "", poct.ErrForbidden, ""},
		{"no act", []poct.Problem{held("lot-unknown")}, "burn", coordinator, "", poct.ErrNotAllowed, "is no act"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			err := validate.May(tt.problems, tt.act, tt.actor, tt.runBy)
			if tt.want == nil {
				require.NoError(t, err)
				return
			}
			require.ErrorIs(t, err, tt.want)
			assert.Contains(t, err.Error(), tt.text)
			assert.Equal(t, strings.ToUpper(err.Error()[:1]), err.Error()[:1], "a sentence for a person")
		})
	}
}

func TestCorrectReading(t *testing.T) {
	for _, tt := range []struct {
		name    string
		changes map[string]string
		got     func(r poct.Reading) any
		want    any
	}{
		{"identifier alone", map[string]string{"patient": "MRN0008"}, func(r poct.Reading) any { return r.Patient }, poct.PatientRef{Authority: "MILLRACE", ID: "MRN0008"}},
		{"with authority", map[string]string{"patient": "HARBOUR|88 "}, func(r poct.Reading) any { return r.Patient }, poct.PatientRef{Authority: "HARBOUR", ID: "88"}},
		{"birth date", map[string]string{"birth_date": "1951-02-03"}, func(r poct.Reading) any { return r.BirthDate }, "1951-02-03"},
		{"names", map[string]string{"family": "Other", "given": "Ida", "sex": "F"}, func(r poct.Reading) any { return r.Family + r.Given + r.Sex }, "OtherIdaF"},
		{"lot drops the expiry that was sent", map[string]string{"strip_lot": "7K40231"}, func(r poct.Reading) any { return r.StripLot + r.StripExpires }, "7K40231"},
		{"operator", map[string]string{"operator": "119"}, func(r poct.Reading) any { return r.Operator }, "119"},
		{"offset in seconds", map[string]string{"time_offset": "-3600"}, func(r poct.Reading) any { return r.Tested() }, tested.Add(-time.Hour)},
		{"offset as a duration", map[string]string{"time_offset": "1h30m"}, func(r poct.Reading) any { return r.TimeOffset }, 5400},
		{"offset of nothing settles the hour", map[string]string{"time_offset": "0"}, func(r poct.Reading) any { return r.TestedAt.Ambiguous }, ""},
		{"code of the INR", map[string]string{"code": "34714-6"}, func(r poct.Reading) any { return r.Measurements[0].LOINC }, "34714-6"},
		{"code of the seconds", map[string]string{"code": "pt=5964-2"}, func(r poct.Reading) any { return r.Measurements[1].LOINC }, "5964-2"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := *good().r()
			r.StripExpires, r.TestedAt.Ambiguous = "2024-01-01", "twice"
			was := r
			was.Measurements = append([]poct.Measurement(nil), r.Measurements...)
			got, err := validate.CorrectReading(r, tt.changes)
			require.NoError(t, err)
			assert.Equal(t, tt.want, tt.got(got))
			assert.Equal(t, was, r, "the reading that came stays as it came")
			assert.Equal(t, r.TestedAt.Raw, got.TestedAt.Raw)
			assert.Equal(t, r.TestedAt.At, got.TestedAt.At)
			for i := range r.Measurements {
				assert.Equal(t, r.Measurements[i].Value, got.Measurements[i].Value)
			}
		})
	}
}

func TestCorrectReadingRefuses(t *testing.T) {
	const canary = "KANARI"
	for _, tt := range []struct{ name, field, value, text string }{
		{"a value", "inr", "2.4", "never changed by hand"},
		{"the meter's time", "tested_at", "20240305", "never changed by hand"},
		{"the meter", "meter", "Q3-2", "never changed by hand"},
		{"a unit", "unit", "s", "never changed by hand"},
		{"nothing", "patient", "  ", "is empty"},
		{"authority alone", "patient", "MILLRACE|", "no identifier"},
		{"birth date", "birth_date", canary, "YYYY-MM-DD"},
		{"a line break", "family", canary + "\n" + canary, "cannot be printed"},
		{"endless", "family", strings.Repeat(canary, 20), "longer than 64"},
		{"offset in words", "time_offset", "an hour", "Write seconds"},
		{"offset of half a second", "time_offset", "500ms", "Write seconds"},
		{"a plasma panel", "code", "34528-0", "Write one of 34714-6, 38875-1, 46418-0, 6301-6"},
		{"the other analyte", "code", "5964-2", "no LOINC code for INR"},
		{"code of nothing", "code", "aptt=14979-9", "neither inr nor pt"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := validate.CorrectReading(*good().r(), map[string]string{tt.field: tt.value})
			require.ErrorIs(t, err, poct.ErrNotAllowed)
			assert.Contains(t, err.Error(), tt.text)
			assert.NotContains(t, err.Error(), canary)
			var refusal *validate.Refusal
			assert.True(t, errors.As(err, &refusal))
		})
	}
	r := *good().r()
	r.TestedAt.At = time.Time{}
	_, err := validate.CorrectReading(r, map[string]string{"time_offset": "60"})
	assert.ErrorContains(t, err, "no offset mends it")
	r.Measurements = r.Measurements[:1]
	_, err = validate.CorrectReading(r, map[string]string{"code": "pt=5964-2"})
	assert.ErrorContains(t, err, "does not have")
}
