package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
)

// controlCodes are the problems that another control of the meter may change.
var controlCodes = []string{"lot-not-accepted", "qc-overdue", "qc-failed", "qc-multirule"}

// rests is how long a hold waits after judging it again failed.
const rests = 5 * time.Second

// touched tells whether one of the problems is about controls, or hangs under
// one that is.
func touched(problems []poct.Problem) bool {
	return slices.ContainsFunc(problems, func(p poct.Problem) bool {
		return slices.Contains(controlCodes, p.Code) || slices.Contains(controlCodes, p.Because)
	})
}

// askAgain queues the open holds of a meter that a control may change: those of
// tests run when it had been run already.
func (w *work) askAgain(meter string, tested, control int64) error {
	type open struct {
		hold     int64
		problems string
	}
	found, err := collect(w.tx, func(rows rowSet) (h open, err error) {
		err = rows.Scan(&h.hold, &h.problems)
		return h, err
	}, `SELECT h.seq, h.problems FROM results r JOIN holds h ON h.result = r.seq AND h.open = 1 AND h.delivery = 0
		WHERE r.meter = ? AND r.tested >= ? AND r.state = 'held' AND r.kind = 'patient' ORDER BY h.seq`, meter, tested)
	if err != nil {
		return fmt.Errorf("read holds: %w", err)
	}
	for _, h := range found {
		problems, err := decode[[]poct.Problem](h.problems)
		if err != nil {
			return fmt.Errorf("read problems: %w", err)
		}
		if !touched(problems) {
			continue
		}
		if err := w.queue(h.hold, control); err != nil {
			return err
		}
	}
	return nil
}

// queue has a hold judged again, for the result that gave cause.
func (t *tx) queue(hold, cause int64) error {
	if _, err := t.exec(`INSERT INTO rejudgements (hold, control, due) VALUES (?, ?, 0)
		ON CONFLICT (hold) DO UPDATE SET control = excluded.control, due = 0`, hold, cause); err != nil {
		return fmt.Errorf("queue hold: %w", err)
	}
	t.after = append(t.after, func() { signal(t.arrived) })
	return nil
}

// Rejudge judges open holds again that a control which came late, or what was
// told of their patient, may change, at most this many, each by itself, and returns how many it went through. The
// judge is called like that of Settle, inside the transaction, with a
// settlement whose actor is the program and whose reason names what gave cause.
//
// What passes now is released as a new version. What is held for the same
// problems stays as it is; for others, it is held anew with them, and is as old
// as it was. A person who settles such a hold first takes it out of the queue;
// one who comes too late gets poct.ErrOvertaken.
//
// The error joins what the judge failed with; those holds are tried again
// after a pause.
func (s *Store) Rejudge(ctx context.Context, most int, judge func(poct.Book, poct.HoldRecord, poct.Arrival, poct.Settlement) (poct.Decision, error)) (int, error) {
	now := s.now()
	var waiting bool
	if err := s.read.with(ctx).row(`SELECT EXISTS (SELECT 1 FROM rejudgements WHERE due <= ?)`, micros(now)).Scan(&waiting); err != nil {
		return 0, fmt.Errorf("read holds to judge again: %w", err)
	}
	if !waiting {
		return 0, nil
	}
	var n int
	var errs []error
	err := s.do(ctx, func(t *tx) error {
		n, errs = 0, nil
		queue, err := collect(t, scanQueuedHold, `SELECT h.id, h.version, c.id, c.kind, q.hold FROM rejudgements q JOIN holds h ON h.seq = q.hold
			JOIN results c ON c.seq = q.control WHERE q.due <= ? ORDER BY q.hold LIMIT ?`, micros(now), most)
		if err != nil {
			return fmt.Errorf("read holds to judge again: %w", err)
		}
		n = len(queue)
		for _, q := range queue {
			refused, failed := t.apart(func(t *tx) error { return t.rejudge(q, judge) })
			if failed != nil {
				return failed
			}
			if refused == nil {
				continue
			}
			errs = append(errs, fmt.Errorf("judge hold %s again: %w", q.id, refused))
			if _, err := t.exec(`UPDATE rejudgements SET due = ? WHERE hold = ?`, micros(t.at.Add(rests)), q.seq); err != nil {
				return fmt.Errorf("put hold off: %w", err)
			}
		}
		t.point("store.rejudged")
		return nil
	})
	return n, errors.Join(append(errs, err)...)
}

type queuedHold struct {
	id      string
	version int
	cause   string // the result that gave cause
	kind    poct.ReadingKind
	seq     int64
}

// reason says in words why a hold is judged again.
func (q queuedHold) reason() string {
	if q.kind == poct.KindContext {
		return "Message " + q.cause + " told of the patient."
	}
	return "Control " + q.cause + " came in late."
}

func scanQueuedHold(rows rowSet) (queuedHold, error) {
	var q queuedHold
	err := rows.Scan(&q.id, &q.version, &q.cause, &q.kind, &q.seq)
	return q, err
}

func (t *tx) rejudge(q queuedHold, judge func(poct.Book, poct.HoldRecord, poct.Arrival, poct.Settlement) (poct.Decision, error)) error {
	h, err := t.openHold(q.id, q.version)
	if err != nil {
		return err
	}
	st := poct.Settlement{Act: poct.ActRejudged, Version: q.version, Actor: poct.System, At: t.at,
		Reason: q.reason()}
	a, _, err := t.arrival(t, seqOf(h.Arrival))
	if err != nil {
		return err
	}
	d, err := judge(t.book(), h.HoldRecord, a, st)
	if err != nil {
		return err
	}
	if same(h, d) {
		if _, err := t.exec(`DELETE FROM rejudgements WHERE hold = ?`, h.seq); err != nil {
			return fmt.Errorf("take hold out of the queue: %w", err)
		}
		_, err := t.event(poct.Event{Kind: poct.EventRejudged, Arrival: h.Arrival, Result: h.Result, Version: h.result.version, Hold: h.ID},
			&ledger.Payload{Reason: st.Reason})
		return err
	}
	if err := t.closeHold(h.seq, st); err != nil {
		return err
	}
	if err := t.judgeAgain(h, st, func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error) { return d, nil }); err != nil {
		return err
	}
	if _, err := t.exec(`UPDATE holds SET opened = ? WHERE result = ? AND open = 1 AND delivery = 0`, micros(h.Opened), h.result.seq); err != nil {
		return fmt.Errorf("keep the hold's age: %w", err)
	}
	return nil
}

// same tells whether a decision holds what is held for the same problems.
func same(h *openHold, d poct.Decision) bool {
	return len(d.Outcomes) == 1 && d.Outcomes[0].Verdict == poct.HoldIt && d.Outcomes[0].Owner == h.Result &&
		slices.Equal(h.Problems, d.Outcomes[0].Problems)
}

// rejudgements checks that only open holds wait to be judged again, and for a
// control or a message about the patient.
func (v *verifier) rejudgements() error {
	return v.each(`SELECT q.hold FROM rejudgements q LEFT JOIN holds h ON h.seq = q.hold LEFT JOIN results c ON c.seq = q.control
		WHERE coalesce(h.open, 0) = 0 OR coalesce(c.kind, '') NOT IN ('control', 'context')`, func(rows rowSet) error {
		var hold int64
		err := rows.Scan(&hold)
		v.fault(-1, "a hold waits to be judged again that is not open, or for nothing that could change it")
		return err
	})
}
