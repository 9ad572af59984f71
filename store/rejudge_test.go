package store

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// A commit that fails leaves open whether it took effect. Whichever it was, a
// hold that a late control frees is judged again once, and a result that is
// taken back is withdrawn once, after the process began anew.
func TestFailedCommitJudgesAgainOnce(t *testing.T) {
	pass := func(_ poct.Book, h poct.HoldRecord, _ poct.Arrival, _ poct.Settlement) (poct.Decision, error) {
		o := qcOutcome("1", poct.Release)
		o.Owner = h.Result
		return poct.Decision{Outcomes: []poct.Outcome{o}}, nil
	}
	for _, c := range []struct {
		name          string
		before, after error
	}{
		{"fails before it took effect", diskError(1034), nil}, // SQLITE_IOERR_FSYNC
		{"fails after it took effect", nil, diskError(1034)},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			s, fatal := openFailing(t, dir)
			held := decideOne(t, s, qcOutcome("1", poct.HoldIt))
			sent := decideOne(t, s, qcOutcome("2", poct.Release))
			decideOne(t, s, qcOutcome("c", poct.File))
			failing.set(c.before, c.after, nil)
			_, err := s.Rejudge(ctx, 10, pass)
			require.ErrorIs(t, <-fatal, firstOf(c.before, c.after))
			require.Error(t, err)
			failing.set(nil, nil, nil)
			require.NoError(t, s.Close())

			s, fatal = openFailing(t, dir)
			n, err := s.Rejudge(ctx, 10, pass)
			require.NoError(t, err)
			if c.after != nil {
				assert.Zero(t, n, "done already")
			}
			n, err = s.Rejudge(ctx, 10, pass)
			require.NoError(t, err)
			assert.Zero(t, n)
			tr, err := s.Trace(ctx, held)
			require.NoError(t, err)
			assert.Len(t, tr.Versions, 2)

			failing.set(c.before, c.after, nil)
			back := poct.Judgement{Result: sent, Version: 1, Actor: "k.osei", Reason: "wrong finger"}
			require.Error(t, s.Withdraw(ctx, back, nil))
			<-fatal
			failing.set(nil, nil, nil)
			require.NoError(t, s.Close())
			s = openIn(t, dir, Options{})
			if err := s.Withdraw(ctx, back, nil); c.after != nil {
				require.ErrorIs(t, err, poct.ErrOvertaken)
			} else {
				require.NoError(t, err)
			}
			tr, err = s.Trace(ctx, sent)
			require.NoError(t, err)
			assert.Len(t, tr.Versions, 2)
			verifies(t, s)
		})
	}
}

// qcOutcome is a result of meter Q1 at nine that is released or held as overdue,
// or a control that passed at eight.
func qcOutcome(seq string, v poct.Verdict) poct.Outcome {
	at := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	o := poct.Outcome{Verdict: v, Result: poct.Result{Reading: poct.Reading{Kind: poct.KindPatient, Meter: "Q1", Sequence: seq}}}
	r := &o.Result.Reading
	switch v {
	case poct.Release:
		o.Action, o.Outlets = poct.Create, []string{"record"}
	case poct.HoldIt:
		o.Problems = []poct.Problem{{Code: "qc-overdue", Severity: poct.Hold}}
	case poct.File:
		r.Kind, r.ControlLevel, o.QCPassed, at = poct.KindControl, "1", true, at.Add(-time.Hour)
	}
	r.TestedAt = poct.Stamp{Raw: at.Format("200601021504"), At: at}
	o.Result.Key = r.Key()
	return o
}

func decideOne(t *testing.T, s *Store, o poct.Outcome) string {
	t.Helper()
	_, err := s.Accept(ctx, arrival("message "+o.Result.Key))
	require.NoError(t, err)
	claims, err := s.ClaimArrivals(ctx, "w", 10, time.Minute)
	require.NoError(t, err)
	ds, errs, err := s.Decide(ctx, claims, func(poct.Book, poct.Arrival) (poct.Decision, error) {
		return poct.Decision{Outcomes: []poct.Outcome{o}}, nil
	})
	require.NoError(t, errors.Join(append(errs, err)...))
	return ds[0].Outcomes[0].Result.ID
}
