package app_test

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

func TestResultReachesTheRecordOnce(t *testing.T) {
	h := newHouse(t)
	m := h.test(0, "2.4", "28.8") // 12.0 s * 2.4: both agree with the lot
	raw := bytes.ReplaceAll(m.bytes(), []byte("{sent}"), []byte(stamp(time.Now())))
	for range 2 {
		require.Contains(t, h.send(raw), "MSA|AA|", "a resend is answered like the first")
	}
	again := bytes.Replace(raw, []byte("|life-"), []byte("|once-more-"), 1)
	require.Contains(t, h.send(again), "MSA|AA|once-more-", "under another control id it is a message of its own")
	a := h.rest()
	require.Equal(t, map[string][]string{"46418-0": {"final"}, "46417-2": {"final"}}, h.observations(m.who.ID))
	tr := h.trace(m.seq)
	require.Equal(t, poct.Delivered, tr.State)
	require.Zero(t, a.Lost)
	require.EqualValues(t, 1, a.Resends, "the same bytes are no new arrival")
	require.EqualValues(t, 1, a.Duplicate, "the same result in other bytes is one, set aside")
}

func TestControlNeverLeaves(t *testing.T) {
	h := newHouse(t)
	a := h.rest()
	require.Positive(t, a.Filed)
	require.Zero(t, h.record.Count("Observation"))
}

func TestCorrectionAndWithdrawalByTheMeter(t *testing.T) {
	h := newHouse(t)
	m := h.test(1, "2.4", "28.8")
	h.send(m.bytes())
	h.rest()
	m.inr, m.pt, m.status = "2.6", "31.2", "C"
	h.send(m.bytes())
	h.rest()
	require.Equal(t, map[string][]string{"46418-0": {"corrected"}, "46417-2": {"corrected"}}, h.observations(m.who.ID))
	tr := h.trace(m.seq)
	require.Len(t, tr.Versions, 2)
	require.Equal(t, "2.4", tr.Versions[0].Result.Reading.Measurements[0].RawValue, "the old version stays readable")
	m.status = "W"
	h.send(m.bytes())
	h.rest()
	require.Equal(t, map[string][]string{"46418-0": {"entered-in-error"}, "46417-2": {"entered-in-error"}}, h.observations(m.who.ID))
}

func TestCorrectionToAnotherPatientIsFiledAnew(t *testing.T) {
	h := newHouse(t)
	m := h.test(2, "2.4", "28.8")
	h.send(m.bytes())
	h.rest()
	first := m.who
	m.who, m.status = h.people[3], "C"
	h.send(m.bytes())
	h.rest()
	require.Equal(t, []string{"entered-in-error"}, h.observations(first.ID)["46418-0"])
	// Filed anew, and still a corrected result (HL7 table 0085 C).
	require.Equal(t, []string{"corrected"}, h.observations(m.who.ID)["46418-0"])
}

func TestReviewerCorrectsTheLot(t *testing.T) {
	h := newHouse(t)
	m := h.test(4, "2.4", "28.8")
	m.lot = "Q2412"
	h.send(m.bytes())
	h.rest()
	require.Zero(t, h.record.Count("Observation"))
	x := h.openHold(m.seq)
	require.Contains(t, codes(x.Problems), "lot-unknown")
	require.Contains(t, x.Problems[0].Text, "1 character apart")

	status, b := h.settle("n.osei", x, "correct", map[string]string{"strip_lot": "Q2411"})
	require.Equal(t, 403, status, "a nurse may not: %s", b)
	status, b = h.settle("c.hale", x, "correct", map[string]string{"inr": "2.3"})
	require.Equal(t, 422, status, "a value is never corrected: %s", b)
	status, b = h.settle("c.hale", x, "correct", map[string]string{"strip_lot": "Q2411"})
	require.Equal(t, 200, status, string(b))
	status, b = h.settle("r.ito", x, "discard", nil)
	require.Equal(t, 409, status, "two people never overwrite each other: %s", b)
	h.rest()
	require.Equal(t, []string{"final"}, h.observations(m.who.ID)["46418-0"])
	tr := h.trace(m.seq)
	require.Len(t, tr.Versions, 2)
	require.Equal(t, "c.hale", tr.Versions[1].Actor)

	h.send(bytes.Replace(m.bytes(), []byte("|life-"), []byte("|again-"), 1)) // the meter sends once more what it always said
	a := h.rest()
	require.EqualValues(t, 1, a.Duplicate, "a resend after a correction is a resend")
	require.EqualValues(t, 2, h.record.Count("Observation"))
}

func TestWhatNobodyMayRelease(t *testing.T) {
	h := newHouse(t)
	m := h.test(5, "2.4", "28.8")
	m.lot = "Q2309" // expired in the invented registry
	h.send(m.bytes())
	h.rest()
	x := h.openHold(m.seq)
	require.Contains(t, codes(x.Problems), "lot-expired")
	status, b := h.settle("c.hale", x, "release", nil)
	require.Equal(t, 422, status, string(b))
	require.Contains(t, string(b), "Repeat the test")
	status, b = h.settle("c.hale", x, "discard", nil)
	require.Equal(t, 200, status, string(b))
	a := h.rest()
	require.EqualValues(t, 1, a.Discarded)
	require.Zero(t, h.record.Count("Observation"))
}

func TestReleaseInSpiteOfADoubt(t *testing.T) {
	h := newHouse(t)
	m := h.test(6, "2.4", "20.0") // seconds that do not fit the INR on this lot
	h.send(m.bytes())
	h.rest()
	x := h.openHold(m.seq)
	require.Equal(t, []string{"pt-inr-disagree"}, codes(x.Problems))
	status, b := h.settle("r.ito", x, "release", nil)
	require.Equal(t, 403, status, "not the reviewer's desk, and r.ito ran the test as operator 118: %s", b)
	status, b = h.settle("d.varga", x, "release", nil)
	require.Equal(t, 200, status, string(b))
	h.rest()
	require.Equal(t, []string{"final"}, h.observations(m.who.ID)["46418-0"])
	found := false
	for _, s := range h.record.All("Observation") {
		found = found || bytes.Contains(s.Body, []byte("Released by a person in spite of: pt-inr-disagree"))
	}
	require.True(t, found, "the mark travels with the result")
}

func TestGarbageStandsInTheQueue(t *testing.T) {
	h := newHouse(t)
	require.Contains(t, h.send([]byte("MSH|^~\\&|nonsense\r")), "MSA|AR")
	require.NotContains(t, h.send([]byte("PID|1||MRN-4711-K\r")), "MRN-4711-K")
	a := h.rest()
	require.EqualValues(t, 2, a.Held)
	status, b := h.ask("c.hale", "GET", "holds", nil)
	require.Equal(t, 200, status)
	var list struct{ Holds []poct.HoldRecord }
	require.NoError(t, json.Unmarshal(b, &list))
	for _, x := range list.Holds {
		require.Equal(t, []string{"unreadable-record"}, codes(x.Problems))
	}
}

func TestEmptyRegistryHolds(t *testing.T) {
	h := newHouse(t)
	m := h.test(7, "2.4", "28.8")
	raw := m.bytes()
	for i := range raw { // a meter that nobody registered
		if i+7 <= len(raw) && string(raw[i:i+7]) == "Q3-0118" {
			copy(raw[i:], "Q3-9999")
		}
	}
	require.Contains(t, h.send(raw), "MSA|AA|", "taken, whatever it says")
	a := h.rest()
	require.EqualValues(t, 1, a.Held)
	require.Zero(t, h.record.Count("Observation"))
}
