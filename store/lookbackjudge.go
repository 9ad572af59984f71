package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
)

// JudgeItem records what a person says of one result of a look-back, and does
// it, in one transaction:
//
//	stands        nothing changes
//	repeat asked  a new version goes to every outlet that has the result, as
//	              note leaves it: the same value with a mark
//	withdraw      a new version withdraws it from every outlet that has it
//
// note may be nil where nothing is to be added. poct.ErrOvertaken if the result
// was judged in this look-back already or is not at the version that the person
// saw; poct.ErrNotFound if it is not on the list; poct.ErrNotAllowed, with
// words for the person, where the judgement does not fit what became of the
// result. What was withdrawn meanwhile can only be judged as withdrawn, and is
// then not withdrawn twice.
func (s *Store) JudgeItem(ctx context.Context, lookback string, j poct.Judgement, note func(*poct.Result)) error {
	return s.do(ctx, func(t *tx) error {
		b, err := findLookback(t, lookback)
		if err != nil {
			return err
		}
		k, err := t.seen(j)
		if err != nil {
			return err
		}
		var judged string
		err = t.row(`SELECT judged FROM lookback_items WHERE lookback = ? AND result = ?`, b.seq, k.seq).Scan(&judged)
		switch {
		case isNone(err):
			return fmt.Errorf("result %s in look-back %s: %w", j.Result, lookback, poct.ErrNotFound)
		case err != nil:
			return fmt.Errorf("read look-back: %w", err)
		case judged != "":
			return fmt.Errorf("result %s in look-back %s: %w", j.Result, lookback, poct.ErrOvertaken)
		}
		stands, err := t.stands(k)
		if err != nil {
			return err
		}
		if !stands && j.Judged != poct.TakenBack {
			return fmt.Errorf("%w: it was withdrawn meanwhile; judge it as withdrawn", poct.ErrNotAllowed)
		}
		amends := stands && j.Judged != poct.Stands
		if amends {
			if err := t.settledFirst(k); err != nil {
				return err
			}
		}
		event, err := t.event(poct.Event{Kind: poct.EventJudged, Actor: j.Actor, Result: k.id, Version: k.version},
			&ledger.Payload{Reason: j.Reason, More: more(lookbackMore{b.id, j.Judged})})
		if err != nil {
			return err
		}
		if _, err := t.exec(`UPDATE lookback_items SET judged = ?, actor = ?, reason = ?, at = ?, event = ? WHERE lookback = ? AND result = ?`,
			string(j.Judged), j.Actor, j.Reason, micros(t.at), event, b.seq, k.seq); err != nil {
			return fmt.Errorf("judge result: %w", err)
		}
		if !amends {
			return nil
		}
		return t.amend(k, j, note)
	})
}

// Withdraw takes a result back from every outlet that has it, at a person's
// word. poct.ErrOvertaken if it is not at the version that the person saw,
// poct.ErrNotAllowed if no outlet has it or a newer version is held.
func (s *Store) Withdraw(ctx context.Context, j poct.Judgement, note func(*poct.Result)) error {
	j.Judged = poct.TakenBack
	return s.do(ctx, func(t *tx) error {
		k, err := t.seen(j)
		if err != nil {
			return err
		}
		stands, err := t.stands(k)
		if err != nil {
			return err
		}
		if !stands {
			return fmt.Errorf("%w: no record has it", poct.ErrNotAllowed)
		}
		if err := t.settledFirst(k); err != nil {
			return err
		}
		if _, err := t.event(poct.Event{Kind: poct.EventTakenBack, Actor: j.Actor, Result: k.id, Version: k.version},
			&ledger.Payload{Reason: j.Reason}); err != nil {
			return err
		}
		return t.amend(k, j, note)
	})
}

// seen is the result that a judgement names, at the version that it names.
func (t *tx) seen(j poct.Judgement) (kept, error) {
	k, err := t.result(j.Result)
	if err == nil && k.version != j.Version {
		err = fmt.Errorf("result %s is at version %d: %w", j.Result, k.version, poct.ErrOvertaken)
	}
	return k, err
}

func (t *tx) stands(k kept) (stands bool, err error) {
	if err = t.row(`SELECT `+inRecord+` FROM results r WHERE r.seq = ?`, k.seq).Scan(&stands); err != nil {
		err = fmt.Errorf("read deliveries: %w", err)
	}
	return stands, err
}

// settledFirst refuses to go past a newer version that waits for a person: it
// would be dropped unseen.
func (t *tx) settledFirst(k kept) error {
	var held bool
	if err := t.row(`SELECT EXISTS (SELECT 1 FROM holds WHERE result = ? AND open = 1 AND delivery = 0)`, k.seq).Scan(&held); err != nil {
		return fmt.Errorf("read holds: %w", err)
	}
	if held {
		return fmt.Errorf("%w: a newer version of it is held; settle that hold first", poct.ErrNotAllowed)
	}
	return nil
}

// amend writes a new version that says the same and goes the way of every
// other: marked, or withdrawn.
func (t *tx) amend(k kept, j poct.Judgement, note func(*poct.Result)) error {
	var current, arrival int64
	var problems, checks string
	if err := t.row(`SELECT v.seq, v.arrival, v.problems, v.checks FROM results r JOIN versions v ON v.seq = r.current WHERE r.seq = ?`, k.seq).
		Scan(&current, &arrival, &problems, &checks); err != nil {
		return fmt.Errorf("read version: %w", err)
	}
	was, err := t.versions.get(t, current)
	if err != nil {
		return err
	}
	o := poct.Outcome{Result: *was, Verdict: poct.Release, Owner: k.id, Action: poct.Correct}
	o.Result.Marks = slices.Clone(was.Marks)
	o.Result.Noted = j.Judged == poct.RepeatAsked
	if j.Judged == poct.TakenBack {
		o.Action = poct.Withdraw
	}
	if note != nil {
		note(&o.Result)
	}
	if o.Outlets, err = collect(t, scanText, `SELECT DISTINCT d.outlet FROM deliveries d WHERE d.result = ? AND `+isThere+` ORDER BY d.outlet`, k.seq); err != nil {
		return fmt.Errorf("read deliveries: %w", err)
	}
	if o.Problems, err = decode[[]poct.Problem](problems); err == nil {
		o.Checks, err = decode[[]poct.CheckAnswer](checks)
	}
	if err != nil {
		return fmt.Errorf("read version: %w", err)
	}
	w := &work{tx: t, arrival: poct.Arrival{ID: was.Reading.Arrival}, seq: arrival, actor: j.Actor, reason: j.Reason, amends: true}
	_, err = w.version(&o, k)
	return err
}

// WidenLookBack moves the beginning of a failed control's span back, never
// forward, and lists what was tested since then, too.
func (s *Store) WidenLookBack(ctx context.Context, id string, from time.Time, actor, reason string) error {
	return s.do(ctx, func(t *tx) error {
		b, err := findLookback(t, id)
		switch {
		case err != nil:
			return err
		case b.kind != poct.LookBackFailed:
			return fmt.Errorf("%w: a recall lists everything measured with the lot already", poct.ErrNotAllowed)
		case b.since == 0:
			return fmt.Errorf("%w: no control of this level passed before, so it lists everything from the beginning", poct.ErrNotAllowed)
		case micros(from) >= b.since:
			return fmt.Errorf("%w: the beginning can only be moved back, before %s", poct.ErrNotAllowed, fromMicros(b.since).Format(time.RFC3339))
		}
		end := b.since
		b.since = max(micros(from), 0)
		if b.event, err = t.event(poct.Event{Kind: poct.EventWidened, Actor: actor, Result: b.controlID},
			&ledger.Payload{SHA256: b.digest(), Reason: reason, More: more(lookbackMore{LookBack: b.id})}); err != nil {
			return err
		}
		if _, err := t.exec(`UPDATE lookbacks SET since = ?, event = ? WHERE seq = ?`, b.since, b.event, b.seq); err != nil {
			return fmt.Errorf("widen look-back: %w", err)
		}
		return t.doubtSpan(&b, b.since, end)
	})
}

func findLookback(q querier, id string) (lookback, error) {
	found, err := collect(q, scanLookback, lookbackColumns+`WHERE b.seq = ?`, seqOf(id))
	if err != nil {
		return lookback{}, fmt.Errorf("read look-back: %w", err)
	}
	if len(found) == 0 || found[0].id != id {
		return lookback{}, fmt.Errorf("look-back %s: %w", id, poct.ErrNotFound)
	}
	return found[0], nil
}
