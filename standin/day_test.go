package standin

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var aDay = time.Date(2026, 6, 10, 15, 30, 0, 0, time.UTC)

func TestDayAddsUp(t *testing.T) {
	d, err := NewDay(1, aDay)
	require.NoError(t, err)
	a := d.Account()
	t.Log(a)
	require.GreaterOrEqual(t, a.Arrivals, 300)
	sum := 0
	for _, n := range a.Ends {
		sum += n
	}
	require.Equal(t, a.Arrivals, sum)
	for _, end := range []string{delivered, filed, held, duplicate, ignored} {
		require.Positive(t, a.Ends[end], end)
	}
	require.Positive(t, a.Resends)
	require.Positive(t, a.Criticals)
}

// Each working check of the product is met at least once.
func TestDayMeetsEachCheck(t *testing.T) {
	d, err := NewDay(1, aDay)
	require.NoError(t, err)
	met := map[string]bool{}
	for _, it := range d.Items {
		for _, c := range it.Want.Codes {
			met[c] = true
		}
	}
	for _, code := range []string{
		"unreadable-record", "missing-essential", "not-a-number", "comparator-kept",
		"patient-unknown", "patient-ambiguous", "second-identifier-conflict", "id-check-digit", "test-patient",
		"future-time", "stale-result", "clock-offset", "time-ambiguous", "meter-unknown", "meter-withdrawn",
		"operator-unknown", "operator-lapsed", "onboard-control-failed", "lot-unknown", "lot-expired",
		"lot-not-accepted", "lot-recalled", "qc-overdue", "qc-failed", "qc-looks-like-patient",
		"unit-unexpected", "code-specimen-mismatch", "impossible-value", "outside-measuring-range",
		"confirm-venous", "critical", "pt-inr-disagree", "delta-large", "conflicting-resend", "repeat-test",
		"sampling-late", "run-time-disagrees", "haematocrit-out", "interference-noted", "shared-log-in", "old-lot-in-use",
		"qc-multirule", "lab-poc-disagree", "late-qc-changes-verdict", localRule,
	} {
		require.True(t, met[code], code)
	}
	require.Positive(t, d.Account().Ends[duplicate], "resent")
}

// Each way that a meter speaks is heard, and each kind of act is done.
func TestDayShowsEachWayAndAct(t *testing.T) {
	d, err := NewDay(1, aDay)
	require.NoError(t, err)
	ways, kinds, acts := map[Way]bool{}, map[string]bool{}, map[string]bool{}
	for _, it := range d.Items {
		ways[it.Way] = true
		if it.Way == Folder {
			kinds[it.Name[strings.LastIndexByte(it.Name, '.'):]] = true
		}
	}
	for _, a := range d.Acts {
		acts[strings.Fields(a.Story)[0]] = true
	}
	require.Equal(t, map[Way]bool{MLLP: true, HTTP: true, Queue: true, Folder: true, LIS: true, POCT1A: true}, ways)
	require.Equal(t, map[string]bool{".csv": true, ".json": true, ".xml": true, ".lis": true, ".hl7": true}, kinds)
	for _, a := range []string{"correct", "release", "discard", "call", "recall", "read", "look-back", "corrective", "may"} {
		require.True(t, acts[a], a)
	}
}

func TestDayIsFixedBySeedAndStart(t *testing.T) {
	one, err := NewDay(7, aDay)
	require.NoError(t, err)
	two, err := NewDay(7, aDay)
	require.NoError(t, err)
	other, err := NewDay(8, aDay)
	require.NoError(t, err)
	require.Equal(t, one.Items, two.Items)
	require.NotEqual(t, one.Items, other.Items)
}

// On every start the day lies before it and no local time of a Reed 2 is one
// that occurs twice, unless the script wants it so. The changes of the clocks
// are those of Europe/London in the IANA time zone database.
func TestDayAtAnyStart(t *testing.T) {
	for _, start := range []time.Time{
		time.Date(2026, 10, 25, 2, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 8, 0, 0, 0, time.UTC),
		time.Date(2026, 3, 29, 3, 0, 0, 0, time.UTC), time.Date(2026, 1, 1, 0, 5, 0, 0, time.UTC), aDay,
	} {
		d, err := NewDay(1, start)
		require.NoError(t, err)
		for serial, at := range d.at {
			require.False(t, at.After(d.Start), "%s at %s", serial, start)
		}
		twice := d.hourTwice()
		require.Equal(t, 1, twice.Hour())
		require.True(t, twice.Before(d.Start))
	}
}
