package outbound

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tidegate/fault"
	"tidegate/poct"
)

// finish turns what a step came to into the delivery's next state and the
// destination's.
func (w *Worker) finish(ctx context.Context, d poct.Delivery, a Answered, intent bool) {
	now := w.s.Now()
	w.judge(now, a)
	o := w.outcome(now, d, a, intent)
	err := w.s.Store.Finish(ctx, d, o)
	fault.Point("outbound.finished")
	switch {
	case errors.Is(err, poct.ErrFenced):
		w.s.Log.Info().Str("result", d.Result.ID).Msg("lease lost; another worker goes on with this delivery")
		return
	case err != nil:
		// The lease runs out, and the next claim looks up first.
		w.s.Log.Error().Str("result", d.Result.ID).Err(err).Msg("receipt not committed")
		return
	}
	if o.Done || o.Hold != nil {
		w.mu.Lock()
		delete(w.sent, d.ID)
		w.mu.Unlock()
		w.conflicts.forget(d.ID)
	}
	if w.s.Answered != nil {
		w.s.Answered(o.Receipt, o.Done, now.Sub(d.First))
	}
}

// judge tells the breaker how the destination did.
func (w *Worker) judge(now time.Time, a Answered) {
	reason := string(a.Class)
	if a.Status != 0 {
		reason = fmt.Sprintf("%s, status %d", a.Class, a.Status)
	}
	opened := false
	switch a.Class {
	case Done, Absent, Ambiguous, Refused, Compare, Configuration:
		w.breaker.good(now)
	case Throttled:
		opened = w.breaker.bad(now, reason, max(a.Pause, w.cfg.Retry.First))
	case SignIn, Forbidden:
		opened = w.breaker.bad(now, reason, w.cfg.Breaker.Pause)
	case Waiting:
		w.breaker.unused()
	case NotSent, Transient, Unknown:
		opened = w.breaker.bad(now, reason, 0)
	}
	if opened {
		ev := w.s.Log.Warn()
		if a.Class == SignIn || a.Class == Forbidden {
			ev = w.s.Log.Error()
		}
		ev.Str("reason", reason).Time("next_try", w.breaker.health().NextTry).Msg("record system left alone for a while")
	}
}

func (w *Worker) outcome(now time.Time, d poct.Delivery, a Answered, intent bool) poct.SendOutcome {
	o := poct.SendOutcome{Receipt: poct.Receipt{
		Delivery: d.ID, Outlet: w.cfg.ID, Action: d.Action, At: now,
		Status: a.Status, Class: string(a.Class), Answer: a.Note, Request: a.Request,
		Remote: settledRemote(merged(d.Remote, a.Remote)),
	}}
	switch {
	case a.Problem != nil:
		o.Hold = a.Problem
		// A plain refusal of the first send landed nothing; anything else may have.
		o.KeepSent = intent && (d.Intent || a.Landed || a.Class == Ambiguous)
	case a.Class == Done && a.Confirm:
		o.RetryAt, o.KeepSent = now.Add(w.cfg.LookupWait), true
		o.Receipt.Class, o.Receipt.Answer = string(Unknown), "carried out; looked up once more before it is final"
	case a.Class == Done:
		o.Done = true
	default:
		o.RetryAt, o.KeepSent = w.retryAt(now, d, a, intent), intent
		o.Reset = !intent
	}
	return o
}

// retryAt is when a delivery may be tried again: after the backoff, after what
// the destination asked for, and never before its last send has settled.
func (w *Worker) retryAt(now time.Time, d poct.Delivery, a Answered, intent bool) time.Time {
	if a.Class == Waiting {
		return now.Add(a.Pause)
	}
	at := now.Add(max(w.backoff.after(d.Attempts+1), a.Pause))
	if intent {
		if settled := w.settled(d); settled.After(at) {
			at = settled
		}
	}
	return at
}
