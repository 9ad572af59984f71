package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"tidegate/ledger"
	"tidegate/poct"
)

// Finish commits what became of a claimed delivery: the outlet's answer, the
// event, and where the result and its arrivals have got to. poct.ErrFenced:
// another worker took it over, nothing was written.
//
//	Done      delivered: final
//	Hold      set aside for a person; with KeepSent it may have landed
//	else      again, at RetryAt or at once; with KeepSent looked up first, else
//	          (and with Reset) the intent is withdrawn: nothing can have landed
func (s *Store) Finish(ctx context.Context, d poct.Delivery, o poct.SendOutcome) error {
	lease := s.sending.hold(d, false, s.now())
	if lease == nil {
		return fmt.Errorf("finish delivery %d: %w", d.ID, poct.ErrFenced)
	}
	ended := false
	defer func() { s.sending.settle(d.ID, lease, ended) }()
	f := &finish{d: d, o: o, receipt: o.Receipt}
	f.receipt.Delivery, f.receipt.Outlet, f.receipt.Action = d.ID, d.Outlet, d.Action
	err := s.do(ctx, func(t *tx) error {
		if f.receipt.At.IsZero() {
			f.receipt.At = t.at
		}
		t.point("store.finished")
		if err := f.apply(t); err != nil {
			return err
		}
		return t.audit(d.Outlet, o.Audit)
	})
	ended = err == nil
	if ended && !o.Done && o.Hold == nil {
		s.due.wake(d.Outlet)
	}
	return err
}

// finish is the end of one attempt being applied.
type finish struct {
	d       poct.Delivery
	o       poct.SendOutcome
	receipt poct.Receipt
}

func (f *finish) apply(t *tx) error {
	switch {
	case f.o.Done:
		return f.delivered(t)
	case f.o.Hold != nil:
		return f.held(t)
	}
	return f.again(t)
}

// event writes the receipt into the ledger: it is kept nowhere else.
func (f *finish) event(t *tx, kind poct.EventKind, hold string) error {
	_, err := t.event(poct.Event{Kind: kind, Result: f.d.Result.ID, Version: f.d.Result.Version, Hold: hold, Outlet: f.d.Outlet},
		&ledger.Payload{Action: f.d.Action, Status: f.receipt.Status, Class: f.receipt.Class, Remote: shown(f.receipt.Remote),
			More: more(receiptMore{Delivery: f.d.ID, Receipt: &f.receipt})})
	return err
}

// receiptMore is what an event about a delivery carries.
type receiptMore struct {
	Delivery int64         `json:"delivery"`
	Receipt  *poct.Receipt `json:"receipt,omitempty"`
}

// shown is the ids of a receipt that a timeline may show.
func shown(remote map[string]string) []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(remote)) {
		id := remote[name]
		if !strings.HasPrefix(name, "etag/") && !strings.Contains(strings.ToLower(id), "patient/") && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}

// move changes the delivery's row while it is still to be sent.
func (f *finish) move(t *tx, query string, args ...any) error {
	n, err := t.exec(query, args...)
	if err != nil {
		return fmt.Errorf("finish delivery: %w", err)
	}
	if n != 1 {
		return fmt.Errorf("finish delivery %d: %w", f.d.ID, poct.ErrFenced)
	}
	return nil
}

func (f *finish) delivered(t *tx) error {
	remote := f.d.Remote
	if len(f.receipt.Remote) > 0 {
		remote = maps.Clone(remote)
		if remote == nil {
			remote = map[string]string{}
		}
		maps.Copy(remote, f.receipt.Remote)
	}
	text, err := remoteText(remote)
	if err != nil {
		return err
	}
	if err := f.move(t, `UPDATE deliveries SET state = 'delivered', attempts = attempts + 1, remote = ?, last_error = '', event = ?
		WHERE id = ? AND state = 'ready'`, text, t.nextEvent(), f.d.ID); err != nil {
		return err
	}
	event := t.nextEvent()
	if err := f.event(t, poct.EventDelivered, ""); err != nil {
		return err
	}
	result := seqOf(f.d.Result.ID)
	t.refs = append(t.refs, refs(f.receipt.Remote, result)...)
	t.count(countPending+f.d.Outlet, -1)
	t.count(countDelivered+hourOf(t.at), 1)
	t.after = append(t.after, func() { t.due.wake(f.d.Outlet) }) // the next version may go now
	return t.deliveredOf(result, f.d.ID, event)
}

// queue is all deliveries of a result.
type queue []queued

func (t *tx) queueOf(result int64) (queue, error) {
	all, err := collect(t, scanQueued, queuedColumns+`WHERE result = ? ORDER BY id`, result)
	if err != nil {
		return nil, fmt.Errorf("read deliveries: %w", err)
	}
	return all, nil
}

// fate is where a version has got to by its deliveries: held while one is,
// delivering while one is to be sent; discarded if all that went out was the
// withdrawal of what was taken back; else delivered.
func (q queue) fate(version int) poct.State {
	told, dropped, ready := 0, 0, 0
	for _, d := range q {
		switch {
		case d.version != version:
		case d.state == poct.DeliveryHeld:
			return poct.Held
		case d.state == poct.DeliveryReady:
			ready++
		case d.state == poct.DeliveryCancelled:
			dropped++
		case d.action != poct.Withdraw:
			told++
		}
	}
	switch {
	case ready > 0:
		return poct.Delivering
	case told == 0 && dropped > 0:
		return poct.Discarded
	}
	return poct.Delivered
}

// end is where the result has got to by all its deliveries.
func (q queue) end() poct.State {
	end := poct.Discarded
	for _, d := range q {
		if d.state == poct.DeliveryReady {
			return poct.Delivering
		}
		if q.fate(d.version) == poct.Delivered {
			end = poct.Delivered
		}
	}
	return end
}

// deliveredOf ends what a delivery was the last of: the version that asked for
// it, and the result.
func (t *tx) deliveredOf(result, delivery, event int64) error {
	q, err := t.queueOf(result)
	if err != nil {
		return err
	}
	if end := q.end(); end != poct.Delivering {
		if _, err := t.exec(`UPDATE results SET state = ?, event = ? WHERE seq = ? AND state = 'delivering'`, string(end), event, result); err != nil {
			return fmt.Errorf("end result: %w", err)
		}
	}
	version := 0
	for _, d := range q {
		if d.id == delivery {
			version = d.version
		}
	}
	fate := q.fate(version)
	if fate == poct.Delivering || fate == poct.Held {
		return nil
	}
	c := turn{result: result, version: version, from: poct.Delivering, toResult: result, toVersion: version, to: fate}
	if fate == poct.Discarded {
		// A newer version took the place of what this one would have filed: its
		// readings share that one's fate.
		if err := t.row(`SELECT version, state FROM results WHERE seq = ?`, result).Scan(&c.toVersion, &c.to); err != nil {
			return fmt.Errorf("read result: %w", err)
		}
	}
	return t.turn(c)
}

// held sets the delivery aside for a person. What is queued behind it waits.
func (f *finish) held(t *tx) error {
	intent := 0
	if f.o.KeepSent {
		intent = 1
	}
	if err := f.move(t, `UPDATE deliveries SET state = 'held', attempts = attempts + 1, intent = intent * ?, last_error = ?, event = ?
		WHERE id = ? AND state = 'ready'`, intent, f.lastError(), t.nextEvent(), f.d.ID); err != nil {
		return err
	}
	result := seqOf(f.d.Result.ID)
	var version int
	var content int64
	var site string
	if err := t.row(`SELECT d.version, d.content, r.site FROM deliveries d JOIN results r ON r.seq = d.result WHERE d.id = ?`, f.d.ID).
		Scan(&version, &content, &site); err != nil {
		return fmt.Errorf("read delivery: %w", err)
	}
	o := &poct.Outcome{Cause: f.o.Hold.Code + "|" + f.d.Outlet, Result: poct.Result{Site: site}}
	id, err := t.hold(o, kept{seq: result}, content, f.d.ID, []poct.Problem{*f.o.Hold})
	if err != nil {
		return err
	}
	event := t.nextEvent()
	if err := f.event(t, poct.EventRefused, id); err != nil {
		return err
	}
	t.count(countPending+f.d.Outlet, -1)
	t.count(countProblem+f.o.Hold.Code, 1)
	if _, err := t.exec(`UPDATE results SET state = 'held', event = ? WHERE seq = ?`, event, result); err != nil {
		return fmt.Errorf("hold result: %w", err)
	}
	return t.turn(turn{result: result, version: version, from: poct.Delivering, toResult: result, toVersion: version, to: poct.Held})
}

// again leaves the delivery to be tried again.
func (f *finish) again(t *tx) error {
	next := f.o.RetryAt
	if next.IsZero() {
		next = t.at
	}
	keep := 0
	if f.o.KeepSent {
		keep = 1
	}
	if err := f.move(t, `UPDATE deliveries SET attempts = attempts + 1, intent = intent * ?, sent_by = sent_by * ?, next = ?, last_error = ?,
		event = ? WHERE id = ? AND state = 'ready'`, keep, keep, micros(next), f.lastError(), t.nextEvent(), f.d.ID); err != nil {
		return err
	}
	kind := poct.EventRetry
	if f.o.KeepSent {
		kind = poct.EventUnknown
	}
	return f.event(t, kind, "")
}

func (f *finish) lastError() string {
	if f.receipt.Status != 0 {
		return fmt.Sprintf("%s %d", f.receipt.Class, f.receipt.Status)
	}
	return f.receipt.Class
}

// Release gives a claim back untouched: nothing was committed for it and
// nothing was sent. It costs no write.
func (s *Store) Release(d poct.Delivery) {
	if lease := s.sending.hold(d, false, s.now()); lease != nil {
		s.sending.settle(d.ID, lease, true)
		s.due.wake(d.Outlet)
	}
}
