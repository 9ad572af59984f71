package store

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"tidegate/ledger"
	"tidegate/poct"
)

// openHold is a hold under a reviewer's act.
type openHold struct {
	poct.HoldRecord
	seq     int64
	result  kept
	content int64
	about   int         // the version whose readings it holds
	action  poct.Action // of the refused delivery
}

// Settle applies a person's act to a hold, in one transaction, if the hold is
// still open at the version the person saw; else poct.ErrOvertaken. It returns
// the hold as settled.
//
//	discard  the result ends there, and a refused delivery with it
//	retry    a refused delivery is sent again, looked up first if it may have
//	         landed; any other hold is judged again
//	correct, release   judged again
//
// To judge, decide is called inside the transaction with the hold and its
// arrival. Its outcomes become the result's next version, held anew if need
// be; outcomes without an owner are readings that came to light only now. If
// decide fails nothing happened, and its error is returned as it is.
func (s *Store) Settle(ctx context.Context, hold string, st poct.Settlement,
	decide func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error)) (poct.HoldRecord, error) {
	var settled poct.HoldRecord
	err := s.do(ctx, func(t *tx) error {
		h, err := t.openHold(hold, st.Version)
		if err != nil {
			return err
		}
		at := st
		at.At = t.at
		if err := t.closeHold(h.seq, at); err != nil {
			return err
		}
		settled = h.HoldRecord
		settled.Open, settled.Version, settled.Settled = false, h.Version+1, &at
		switch {
		case st.Act == poct.ActDiscard:
			err = t.discard(h, st)
		case st.Act == poct.ActRetry && h.Delivery != 0:
			err = t.sendAgain(h, st)
		default:
			err = t.judgeAgain(h, st, decide)
		}
		if err == nil {
			t.point("store.settled")
		}
		return err
	})
	if err != nil {
		return poct.HoldRecord{}, err
	}
	return settled, nil
}

func (t *tx) openHold(id string, version int) (*openHold, error) {
	found, err := collect(t, scanHold, holdColumns+`WHERE h.seq = ?`, seqOf(id))
	if err != nil {
		return nil, fmt.Errorf("read hold: %w", err)
	}
	if len(found) == 0 || found[0].ID != id {
		return nil, fmt.Errorf("hold %s: %w", id, poct.ErrNotFound)
	}
	h := &openHold{HoldRecord: found[0].HoldRecord, seq: seqOf(id), content: found[0].content}
	if !h.Open || h.Version != version {
		return nil, fmt.Errorf("hold %s: %w", id, poct.ErrOvertaken)
	}
	v, err := t.versions.get(t, h.content)
	if err != nil {
		return nil, err
	}
	h.Reading = v.Reading
	if h.result, err = t.result(h.Result); err != nil {
		return nil, err
	}
	if h.about = v.Version; h.Delivery != 0 {
		err = t.row(`SELECT version, action FROM deliveries WHERE id = ?`, h.Delivery).Scan(&h.about, &h.action)
	}
	return h, err
}

// act is the event of a person's act on a hold.
func (t *tx) act(h *openHold, kind poct.EventKind, st poct.Settlement) (int64, error) {
	p := &ledger.Payload{Reason: st.Reason, Fields: slices.Sorted(maps.Keys(st.Changes))}
	if len(st.Changes) > 0 || h.Delivery != 0 {
		p.More = more(struct {
			Delivery int64             `json:"delivery,omitempty"`
			Changes  map[string]string `json:"changes,omitempty"`
		}{h.Delivery, st.Changes})
	}
	return t.event(poct.Event{Kind: kind, Actor: st.Actor, Arrival: h.Arrival, Result: h.Result, Version: h.result.version, Hold: h.ID}, p)
}

// discard ends what was held. What other deliveries left in the record stays
// there, and the result counts as delivered then; what may have landed unseen
// is withdrawn.
func (t *tx) discard(h *openHold, st poct.Settlement) error {
	event, err := t.act(h, poct.EventDiscarded, st)
	if err != nil {
		return err
	}
	version, to := h.about, poct.Discarded
	if h.Delivery != 0 {
		if version, to, err = t.dropDelivery(h); err != nil {
			return err
		}
	}
	if err := t.remain(h.result, event); err != nil {
		return err
	}
	return t.turn(turn{result: h.result.seq, version: version, from: poct.Held, toResult: h.result.seq, toVersion: version, to: to})
}

// dropDelivery ends a refused delivery and returns the version that asked for
// it and where that leaves its readings.
//
// What stands behind it changes with it. The version after a dropped creation
// has nothing to correct, and creates; if none follows and nobody knows whether
// the creation landed, every match is withdrawn. After a dropped withdrawal
// nothing may be filed anew: that would stand there twice.
func (t *tx) dropDelivery(h *openHold) (version int, fate poct.State, err error) {
	k := h.result
	q, err := t.queueOf(k.seq)
	if err != nil {
		return 0, "", err
	}
	at := slices.IndexFunc(q, func(d queued) bool { return d.id == h.Delivery && d.state == poct.DeliveryHeld })
	if at < 0 {
		return 0, "", fmt.Errorf("delivery %d is not held: %w", h.Delivery, poct.ErrOvertaken)
	}
	d := q[at]
	behind := slices.DeleteFunc(slices.Clone(q[at+1:]), func(n queued) bool { return n.outlet != d.outlet || n.state != poct.DeliveryReady })
	w := &work{tx: t, actor: poct.System}
	var instead []step
	switch d.action {
	case poct.Withdraw:
		for _, n := range behind {
			if n.version != d.version {
				return 0, "", fmt.Errorf("%w: a newer version waits for this withdrawal; send it again", poct.ErrNotAllowed)
			}
			if err := w.cancel(n, k, nil); err != nil {
				return 0, "", err
			}
		}
	case poct.Create:
		if len(behind) > 0 {
			if _, err := t.exec(`UPDATE deliveries SET action = CASE action WHEN 'correct' THEN 'create' ELSE action END, unsure = ? WHERE id = ?`,
				d.landed() || behind[0].unsure, behind[0].id); err != nil {
				return 0, "", fmt.Errorf("change next delivery: %w", err)
			}
		} else if d.landed() {
			k.issued = max(micros(t.at), k.issued+1000)
			if _, err := t.exec(`UPDATE results SET issued = ? WHERE seq = ?`, k.issued, k.seq); err != nil {
				return 0, "", fmt.Errorf("issue withdrawal: %w", err)
			}
			instead = []step{{outlet: d.outlet, action: poct.Withdraw, content: d.content, filing: d.filing, issued: k.issued, unsure: true}}
		}
	}
	k.version = d.version
	if err := w.cancel(d, k, instead); err != nil {
		return 0, "", err
	}
	if q, err = t.queueOf(k.seq); err != nil {
		return 0, "", err
	}
	if len(instead) > 0 { // whatever becomes of the withdrawal, a person has discarded it
		q = q[:len(q)-1]
	}
	return d.version, q.fate(d.version), nil
}

// remain puts a result into the state that is left when what held it was
// settled: what is still held, on its way or in a record.
func (t *tx) remain(k kept, event int64) error {
	q, err := t.queueOf(k.seq)
	if err != nil {
		return err
	}
	state := q.end()
	var held int
	if err := t.row(`SELECT count(*) FROM holds WHERE result = ? AND open = 1`, k.seq).Scan(&held); err != nil {
		return fmt.Errorf("read holds: %w", err)
	}
	if held > 0 {
		state = poct.Held
	}
	if _, err := t.exec(`UPDATE results SET state = ?, event = ? WHERE seq = ?`, string(state), event, k.seq); err != nil {
		return fmt.Errorf("end result: %w", err)
	}
	return nil
}

// sendAgain makes a refused delivery ready once more.
func (t *tx) sendAgain(h *openHold, st poct.Settlement) error {
	event, err := t.act(h, poct.EventRetried, st)
	if err != nil {
		return err
	}
	var outlet string
	var version int
	err = t.row(`UPDATE deliveries SET state = 'ready', next = ?, event = ? WHERE id = ? AND state = 'held' RETURNING outlet, version`,
		micros(t.at), event, h.Delivery).Scan(&outlet, &version)
	if err != nil {
		return fmt.Errorf("send delivery again: %w", err)
	}
	t.count(countPending+outlet, 1)
	t.after = append(t.after, func() { t.due.wake(outlet) })
	if err := t.remain(h.result, event); err != nil { // another hold may be open
		return err
	}
	q, err := t.queueOf(h.result.seq)
	if err != nil {
		return err
	}
	return t.turn(turn{result: h.result.seq, version: version, from: poct.Held, toResult: h.result.seq, toVersion: version, to: q.fate(version)})
}

// judgeAgain applies what the judge says after a person's act.
func (t *tx) judgeAgain(h *openHold, st poct.Settlement, decide func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error)) error {
	seq := seqOf(h.Arrival)
	a, _, err := t.arrival(t, seq)
	if err != nil {
		return err
	}
	d, err := decide(t.book(), h.HoldRecord, a)
	if err != nil {
		return err
	}
	if len(d.Outcomes) == 0 {
		return errNoDecision
	}
	if _, err := t.act(h, actEvent(st, d), st); err != nil {
		return err
	}
	w := &work{tx: t, arrival: a, seq: seq, actor: st.Actor, reason: st.Reason, settling: h}
	followed := false
	for i := range d.Outcomes {
		o := &d.Outcomes[i]
		mine := !followed && (o.Owner == h.Result || o.Result.Reading.Index == h.Reading.Index)
		followed = followed || mine
		if mine && o.Owner == "" {
			o.Owner = h.Result
		}
		if mine && h.Delivery != 0 && (o.Verdict != poct.Release || h.action == poct.Withdraw) {
			// A person had it judged again, so what was refused is not sent any
			// more. A release replaces what was to be filed by itself.
			if _, _, err := t.dropDelivery(h); err != nil {
				return err
			}
		}
		state, err := w.outcome(o)
		if err != nil {
			return err
		}
		if mine && o.Result.ID != h.Result {
			if err := w.absorb(h, o, state); err != nil {
				return err
			}
		}
	}
	if !followed {
		return fmt.Errorf("hold %s: the judge said nothing about the held reading", h.ID)
	}
	return nil
}

func actEvent(st poct.Settlement, d poct.Decision) poct.EventKind {
	switch {
	case st.Act == poct.ActCorrect:
		return poct.EventCorrected
	case st.Act == poct.ActRejudged:
		return poct.EventRejudged
	case st.Act == poct.ActRelease && d.Outcomes[0].Verdict == poct.Release:
		return poct.EventOverridden
	}
	return poct.EventRetried
}

// absorb ends a held result whose reading turned out to be about another one.
func (w *work) absorb(h *openHold, o *poct.Outcome, state poct.State) error {
	if _, err := w.exec(`UPDATE results SET state = 'duplicate', event = ? WHERE seq = ?`, w.nextEvent(), h.result.seq); err != nil {
		return fmt.Errorf("end result: %w", err)
	}
	if _, err := w.event(poct.Event{Kind: poct.EventDuplicate, Arrival: h.Arrival, Result: h.Result},
		&ledger.Payload{Rule: o.Rule, More: more(map[string]string{"of": o.Result.ID})}); err != nil {
		return err
	}
	return w.turn(turn{result: h.result.seq, version: h.about, from: poct.Held, toResult: seqOf(o.Result.ID), toVersion: o.Result.Version, to: state})
}
