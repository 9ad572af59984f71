package store

import (
	"context"
	"errors"
	"fmt"

	"tidegate/poct"
)

// LookBacks lists look-backs without their results, in the order they were
// opened: those with a result still to be judged, or those with none left.
// after is the last id of the page before; limit 0 is 100.
func (s *Store) LookBacks(ctx context.Context, open bool, after string, limit int) ([]poct.LookBack, error) {
	if limit <= 0 {
		limit = 100
	}
	q := s.read.with(ctx)
	found, err := collect(q, scanLookback, lookbackColumns+`WHERE b.seq > ? AND EXISTS
		(SELECT 1 FROM lookback_items i WHERE i.lookback = b.seq AND i.judged = '') = ? ORDER BY b.seq LIMIT ?`, seqOf(after), open, limit)
	if err != nil {
		return nil, fmt.Errorf("read look-backs: %w", err)
	}
	out := make([]poct.LookBack, len(found))
	for i := range found {
		if out[i], err = s.lookBack(q, &found[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// LookBack tells of one look-back with a page of its results, in the order they
// came. after is the last result of the page before; limit 0 is 100.
// poct.ErrNotFound if there is none.
func (s *Store) LookBack(ctx context.Context, id, after string, limit int) (poct.LookBack, error) {
	if limit <= 0 {
		limit = 100
	}
	q := s.read.with(ctx)
	b, err := findLookback(q, id)
	if err != nil {
		return poct.LookBack{}, err
	}
	out, err := s.lookBack(q, &b)
	if err != nil {
		return out, err
	}
	out.Items, err = s.lookBackItems(q, b.seq, `i.result > ? ORDER BY i.result LIMIT ?`, seqOf(after), limit)
	return out, err
}

// LookBackItem is one result of a look-back; poct.ErrNotFound if it is not on
// its list.
func (s *Store) LookBackItem(ctx context.Context, id, result string) (poct.LookBackItem, error) {
	q := s.read.with(ctx)
	b, err := findLookback(q, id)
	if err != nil {
		return poct.LookBackItem{}, err
	}
	items, err := s.lookBackItems(q, b.seq, `i.result = ?`, seqOf(result))
	if err != nil {
		return poct.LookBackItem{}, err
	}
	if len(items) == 0 || items[0].Result != result {
		return poct.LookBackItem{}, fmt.Errorf("result %s in look-back %s: %w", result, id, poct.ErrNotFound)
	}
	return items[0], nil
}

// LastReason is the reason that a person gave last in a look-back, "" if they
// gave none.
func (s *Store) LastReason(ctx context.Context, id, actor string) (string, error) {
	q := s.read.with(ctx)
	b, err := findLookback(q, id)
	if err != nil {
		return "", err
	}
	var reason string
	err = q.row(`SELECT reason FROM lookback_items WHERE lookback = ? AND judged <> '' AND actor = ? ORDER BY event DESC LIMIT 1`, b.seq, actor).Scan(&reason)
	if isNone(err) {
		err = nil
	}
	if err != nil {
		err = fmt.Errorf("read look-back: %w", err)
	}
	return reason, err
}

// lookBack fills in what follows from the items and the controls of now.
func (s *Store) lookBack(q querier, b *lookback) (poct.LookBack, error) {
	out := poct.LookBack{
		ID: b.id, Kind: b.kind, Site: b.site, Meter: b.meter, StripLot: b.lot, Control: b.controlID, Late: b.late,
		From: fromMicros(b.since), Why: b.why, Opened: fromMicros(b.opened), Items: []poct.LookBackItem{},
	}
	var last int64
	if err := q.row(`SELECT count(*), coalesce(sum(judged = ''), 0), coalesce(max(at), 0) FROM lookback_items WHERE lookback = ?`, b.seq).
		Scan(&out.Total, &out.Left, &last); err != nil {
		return out, fmt.Errorf("count look-back: %w", err)
	}
	if out.Left == 0 {
		out.Closed = fromMicros(last)
	}
	if b.control == 0 {
		return out, nil
	}
	until, err := passedAgain(q, b.meter, b.lot, b.ran, b.control)
	if err != nil {
		return out, err
	}
	out.To = fromMicros(until)
	var state, chain string
	var passed bool
	if err := q.row(`SELECT state, chain, qc FROM results WHERE seq = ?`, b.control).Scan(&state, &chain, &passed); err != nil {
		return out, fmt.Errorf("read control: %w", err)
	}
	switch {
	case state == string(poct.Held):
		out.ControlNow = "held"
	case chain == "":
		out.ControlNow = "withdrawn"
	case passed:
		out.ControlNow = "passed"
	}
	return out, nil
}

func (s *Store) lookBackItems(q querier, lookback int64, where string, args ...any) ([]poct.LookBackItem, error) {
	type item struct {
		poct.LookBackItem
		current int64
	}
	found, err := collect(q, func(rows rowSet) (item, error) {
		var i item
		var tested, at int64
		err := rows.Scan(&i.Result, &i.Version, &i.State, &i.Stands, &tested, &i.Site, &i.Meter, &i.current, &i.Judged, &i.By, &i.Reason, &at)
		i.Tested, i.At = fromMicros(tested), fromMicros(at)
		return i, err
	}, `SELECT r.id, r.version, r.state, `+inRecord+`, r.tested, r.site, r.meter, r.current, i.judged, i.actor, i.reason, i.at
		FROM lookback_items i JOIN results r ON r.seq = i.result WHERE i.lookback = ? AND `+where, append([]any{lookback}, args...)...)
	if err != nil {
		return nil, fmt.Errorf("read look-back: %w", err)
	}
	out := make([]poct.LookBackItem, 0, len(found))
	for _, i := range found {
		v, err := s.versions.get(q, i.current)
		if err != nil {
			return nil, err
		}
		i.Value = valueOf(v)
		out = append(out, i.LookBackItem)
	}
	return out, nil
}

// valueOf is the INR as sent.
func valueOf(r *poct.Result) string {
	m, _ := r.Reading.Measured("inr")
	if text := m.Value.String(); text != "" {
		return text
	}
	return m.RawValue
}

// lookbacks checks each list and each result on it against its event.
func (v *verifier) lookbacks() error {
	var lists, items int64
	if err := v.each(`SELECT b.seq, b.id, b.kind, b.site, b.meter, b.strip_lot, b.control, coalesce(c.id, ''), b.ran, b.since, b.late, b.why,
		b.opened, b.event, `+witnessed+` FROM lookbacks b LEFT JOIN results c ON c.seq = b.control LEFT JOIN events e ON e.idx = b.event`,
		func(rows rowSet) error {
			var b lookback
			var w witness
			if err := rows.Scan(append([]any{&b.seq, &b.id, &b.kind, &b.site, &b.meter, &b.lot, &b.control, &b.controlID, &b.ran, &b.since,
				&b.late, &b.why, &b.opened, &b.event}, w.into()...)...); err != nil {
				return err
			}
			lists++
			if !w.is(poct.EventLookBack, poct.EventWidened) || w.result != b.controlID || seqOf(b.id) != b.seq || !w.says(b.digest()) {
				v.fault(b.event, "look-back %s is not the one that was opened", b.id)
			}
			return nil
		}); err != nil {
		return err
	}
	if err := v.each(`SELECT b.id, r.id, i.judged, i.actor, i.reason, i.event, `+witnessed+` FROM lookback_items i
		LEFT JOIN lookbacks b ON b.seq = i.lookback JOIN results r ON r.seq = i.result LEFT JOIN events e ON e.idx = i.event`, func(rows rowSet) error {
		var list, result, judged, actor, reason string
		var w witness
		if err := rows.Scan(append([]any{&list, &result, &judged, &actor, &reason, &w.index}, w.into()...)...); err != nil {
			return err
		}
		items++
		fits := w.result == result && w.says(list)
		if judged == "" {
			fits = fits && w.is(poct.EventDoubted) && actor+reason == ""
		} else {
			fits = fits && w.is(poct.EventJudged) && w.actor == actor && w.says(judged) && (!isPlain(reason) || reason == "" || w.says(reason))
		}
		if !fits {
			v.fault(w.index, "result %s stands on look-back %s as %q, and no event says so", result, list, judged)
		}
		return nil
	}); err != nil {
		return err
	}
	return errors.Join(v.number("look-backs", lists, "", poct.EventLookBack),
		v.number("results looked back on", items, "", poct.EventDoubted))
}
