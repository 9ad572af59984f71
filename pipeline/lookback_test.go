package pipeline_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

var ctx = context.Background()

func TestLateFailureLooksBack(t *testing.T) {
	w := newWard(t, t.TempDir())
	defer w.store.Close()
	w.take(w.control("08:00", "1", "1.1"))
	w.take(w.control("08:05", "2", "3.0"))
	before := w.test("08:10", "2.4")
	w.take(before)
	w.take(w.control("09:00", "1", "1.1"))
	early, late, after := w.test("09:30", "2.5"), w.test("10:30", "2.6"), w.test("11:30", "2.7")
	ids := []string{w.take(early), w.take(late)}
	require.Len(t, w.deliver(), 3, "each passed by what was known then")

	// The control ran at ten and comes at eleven, after tests that it throws
	// doubt on were released; one is still under way.
	w.now = after.at
	ids = append(ids, w.take(after))
	failed := w.take(w.control("10:00", "1", "2.9"), "12:00")
	listed, b := w.doubted()
	assert.Equal(t, []int{early.seq, late.seq, after.seq}, listed)
	assert.True(t, b.Late)
	assert.Equal(t, failed, b.Control)
	for _, id := range ids {
		assert.Contains(t, w.kinds(id), "looked-back-on")
	}
	assert.Len(t, w.trace(ids[0]).Versions, 1, "nothing is rewritten")
	held := w.take(w.test("12:10", "2.5"))
	assert.Equal(t, "qc-failed", w.held(held), "what is measured from now on stops")

	judge := func(id string, j poct.Judged) error {
		i, err := w.store.LookBackItem(ctx, b.ID, id)
		require.NoError(t, err)
		return w.desk.JudgeItem(ctx, people["k.osei"], b.ID, poct.Judgement{Result: id, Version: i.Version, Judged: j, Reason: "Vial was left open over night."}, false)
	}
	require.NoError(t, judge(ids[0], poct.Stands))
	require.NoError(t, judge(ids[1], poct.TakenBack))
	require.ErrorIs(t, judge(ids[1], poct.TakenBack), poct.ErrOvertaken)
	require.NoError(t, judge(ids[2], poct.RepeatAsked))
	assert.Equal(t, []string{"create 7", "withdraw 6"}, w.deliver(), "once; and what had not left goes out with its mark")
	assert.Empty(t, w.deliver())
	mark := "A control of this meter failed; a repeat of this test was asked for."
	assert.Contains(t, w.sent[len(w.sent)-1].Result.Marks, mark)
	closed, err := w.store.LookBacks(ctx, false, "", 0)
	require.NoError(t, err)
	require.Len(t, closed, 1, "closed by itself")
	w.verifies()
}

func TestLateControlsFreeWhatWaitsForThem(t *testing.T) {
	w := newWard(t, t.TempDir())
	defer w.store.Close()
	w.take(w.control("08:00", "1", "1.1"))
	w.take(w.control("08:05", "2", "3.0"))
	first, typo := w.test("16:30", "2.4"), w.test("16:40", "2.5")
	typo.lot = "7K4O231"
	id, other := w.take(first), w.take(typo)
	unknown := w.test("16:45", "2.6")
	unknown.patient = "0000"
	stays := w.take(unknown)
	require.Equal(t, "qc-overdue", w.held(id))
	require.Contains(t, w.held(other), "lot-unknown")
	// A person puts one lot right; it is overdue then, too.
	h := w.openHold(other)
	_, err := w.desk.Settle(ctx, people["k.osei"], h.ID, poct.Settlement{Act: poct.ActCorrect, Version: h.Version,
		Changes: map[string]string{poct.FieldStripLot: "7K40231"}, Reason: "Read from the vial."})
	require.NoError(t, err)
	require.Equal(t, "qc-overdue", w.held(other))
	opened := w.openHold(stays).Opened

	// Both controls had been run at four; the meter sends them at five.
	w.take(w.control("16:00", "1", "1.2"), "17:00")
	assert.Equal(t, "qc-overdue", w.held(id), "one level is not enough")
	last := w.take(w.control("16:05", "2", "3.1"), "17:01")
	assert.Empty(t, w.held(id))
	assert.Empty(t, w.held(other), "what a person corrected stays corrected")
	assert.Equal(t, "patient-unknown", w.held(stays), "held for what is left")
	assert.Equal(t, opened, w.openHold(stays).Opened, "and as old as it was")
	assert.Equal(t, []string{"create 3", "create 4"}, w.deliver())
	tr := w.trace(other)
	v := tr.Versions[len(tr.Versions)-1]
	assert.Equal(t, "7K40231", v.Result.Reading.StripLot)
	assert.Equal(t, []string{poct.System, "Control " + last + " came in late."}, []string{v.Actor, v.Reason})
	assert.Contains(t, w.kinds(id), "judged-again released")
	w.verifies()
}

// A failure that comes late holds what waited for something else anew, with
// what it changes.
func TestLateFailureIsFoundInWhatIsHeld(t *testing.T) {
	w := newWard(t, t.TempDir())
	defer w.store.Close()
	w.take(w.control("08:00", "1", "1.1"))
	w.take(w.control("08:05", "2", "3.0"))
	id := w.take(w.test("16:30", "2.4"))
	require.Equal(t, "qc-overdue", w.held(id))
	w.take(w.control("16:00", "1", "2.2"), "17:00")
	assert.Equal(t, "qc-overdue qc-failed", w.held(id))
	assert.Empty(t, w.deliver())
	lists, err := w.store.LookBacks(ctx, true, "", 0)
	require.NoError(t, err)
	assert.Empty(t, lists, "nothing went out: nothing to look back on")
	w.verifies()
}

func TestRecallAtTwoSites(t *testing.T) {
	w := newWard(t, t.TempDir())
	defer w.store.Close()
	w.lot("7K40999", false)
	var ids []string
	for _, meter := range []string{"M-2041", "M-2052"} {
		for _, lot := range []string{"7K40231", "7K40999"} {
			for _, r := range []reading{w.control("08:00", "1", "1.1"), w.control("08:05", "2", "3.0"), w.test("08:10", "2.4")} {
				r.meter, r.lot = meter, lot
				id := w.take(r)
				if r.patient != "" && lot == "7K40231" {
					ids = append(ids, id)
				}
			}
		}
	}
	require.Len(t, w.deliver(), 4)
	w.lot("7K40231", true)
	listed, b := w.doubted()
	assert.Equal(t, []int{3, 9}, listed)
	assert.Equal(t, poct.LookBackRecalled, b.Kind)
	held := w.take(w.test("08:20", "2.5"))
	assert.Contains(t, w.held(held), "lot-recalled")
	j := poct.Judgement{Result: ids[1], Version: 1, Judged: poct.TakenBack, Reason: "Maker's notice of today."}
	require.ErrorIs(t, w.desk.JudgeItem(ctx, people["d.varga"], b.ID, j, false), poct.ErrNotFound, "the other site's is not theirs")
	require.NoError(t, w.desk.JudgeItem(ctx, people["k.osei"], b.ID, j, false))
	assert.Equal(t, []string{"withdraw 9"}, w.deliver())
	j.Result, j.Reason = ids[0], ""
	require.NoError(t, w.desk.JudgeItem(ctx, people["k.osei"], b.ID, j, true), "the reason carried over, the result judged by itself")
	assert.Equal(t, []string{"withdraw 3"}, w.deliver())
	assert.Equal(t, "Maker's notice of today.", w.trace(ids[0]).Versions[1].Reason)
	w.verifies()
}

// A control in range that was held for something else has passed once a person
// answered for that: it casts no doubt, and frees what waited for it.
func TestControlThatAPersonAnswersForHasPassed(t *testing.T) {
	w := newWard(t, t.TempDir())
	defer w.store.Close()
	w.take(w.control("08:00", "1", "1.1"))
	w.take(w.control("08:05", "2", "3.0"))
	w.take(w.test("09:00", "2.4"))
	waits := w.take(w.test("16:30", "2.4"))
	require.Equal(t, "qc-overdue", w.held(waits))
	for _, c := range []reading{w.control("16:00", "1", "1.2"), w.control("16:05", "2", "3.1")} {
		c.ahead = 40 * time.Minute
		id := w.take(c, "17:00")
		require.Equal(t, "clock-offset", w.held(id))
		h := w.openHold(id)
		_, err := w.desk.Settle(ctx, people["r.ito"], h.ID, poct.Settlement{Act: poct.ActRelease, Version: h.Version, Reason: "Only the sending clock is off."})
		require.NoError(t, err)
		w.step()
	}
	assert.Empty(t, w.held(waits))
	lists, err := w.store.LookBacks(ctx, true, "", 0)
	require.NoError(t, err)
	assert.Empty(t, lists)
	w.verifies()
}
