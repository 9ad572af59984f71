package store

import (
	"encoding/json"
	"fmt"
	"slices"

	"tidegate/ledger"
	"tidegate/poct"
)

// queued is what the plan needs to know of an earlier delivery.
type queued struct {
	id       int64
	version  int
	content  int64
	outlet   string
	action   poct.Action
	filing   int
	state    poct.DeliveryState
	attempts int
	intent   int64
	unsure   bool
}

// landed tells whether it may stand at the record system without our knowing.
func (d queued) landed() bool { return d.intent != 0 || d.unsure }

const queuedColumns = `SELECT id, version, content, outlet, action, filing, state, attempts, intent, unsure FROM deliveries `

func scanQueued(rows rowSet) (queued, error) {
	var d queued
	err := rows.Scan(&d.id, &d.version, &d.content, &d.outlet, &d.action, &d.filing, &d.state, &d.attempts, &d.intent, &d.unsure)
	return d, err
}

// step is a delivery to be queued.
type step struct {
	outlet  string
	action  poct.Action
	content int64 // the version it is about; 0 is the one being written
	filing  int
	issued  int64
	unsure  bool
}

// plan is what a released version does to the deliveries of its result.
type plan struct {
	steps  []step
	cancel []queued // never sent, or set aside: the new version takes their place
	filing int
	issued int64 // of the version
}

// plan works out, outlet by outlet, what a released version has to send, from
// what was sent and queued before:
//
//	nothing is there    correct becomes create, withdraw becomes nothing
//	a version is there  create becomes correct: there is never a second one
//	another patient     the old filing is withdrawn, then filed anew: whom a
//	                    record is about is never edited
//
// What was queued and never touched is cancelled first. A filing that was
// withdrawn is not used again.
func (w *work) plan(o *poct.Outcome, k kept, fresh bool) (plan, error) {
	p := plan{filing: k.filing, issued: k.issued}
	outlets := slices.Clone(o.Outlets)
	at := map[string]*standing{}
	if !fresh {
		earlier, err := w.queueOf(k.seq)
		if err != nil {
			return p, err
		}
		for _, d := range earlier {
			if at[d.outlet] == nil {
				at[d.outlet] = &standing{}
			}
			at[d.outlet].add(&p, d, w.untouched(d))
		}
		for outlet, s := range at {
			if s.alive && !slices.Contains(outlets, outlet) {
				outlets = append(outlets, outlet) // no longer bound, but it holds the older version
			}
		}
		slices.Sort(outlets[len(o.Outlets):])
	}
	refile := false
	for _, outlet := range outlets {
		s := at[outlet]
		if s != nil && s.alive && o.Action != poct.Withdraw {
			v, err := w.versions.get(w.tx, s.content)
			if err != nil {
				return p, err
			}
			s.refile = o.Refile || patientOf(v) != patientOf(&o.Result)
			refile = refile || s.refile
		}
		if s != nil && s.withdrawn && s.filing >= p.filing {
			p.filing = s.filing + 1
		}
	}
	if refile {
		p.filing = max(p.filing, k.filing+1)
		p.issued += 1000 // the withdrawal is issued before what takes its place
	}
	for _, outlet := range outlets {
		s := at[outlet]
		if s == nil {
			s = &standing{}
		}
		p.steps = append(p.steps, s.steps(outlet, o, p, k.issued)...)
	}
	return p, nil
}

// patientOf is whom a result is about: as resolved, else as sent.
func patientOf(r *poct.Result) poct.PatientRef {
	if r.Patient.ID != "" {
		return poct.PatientRef{Authority: r.Patient.Authority, ID: r.Patient.ID}
	}
	return r.Reading.Patient
}

// untouched tells whether nothing of a delivery can have left and nobody has
// it now: then taking it back changes nothing at the record system. Should a
// worker claim it meanwhile, its intent finds the row cancelled.
func (w *work) untouched(d queued) bool {
	return d.state == poct.DeliveryReady && d.intent == 0 && !w.sending.leased(d.id, w.at)
}

// standing is what one outlet has of a result, once its queue is through.
type standing struct {
	alive     bool  // a version is there, or may be
	content   int64 // that version
	filing    int   // the newest filing used
	withdrawn bool  // that filing was withdrawn
	unsure    bool  // what was taken out of the queue may have landed
	refile    bool  // the new version is about another patient
}

// add takes account of an earlier delivery, in the order of the queue.
func (s *standing) add(p *plan, d queued, untouched bool) {
	if d.state == poct.DeliveryCancelled {
		s.unsure = s.unsure || d.landed() && d.action != poct.Withdraw
		return
	}
	if d.action != poct.Withdraw && (untouched || d.state == poct.DeliveryHeld) {
		p.cancel = append(p.cancel, d)
		s.unsure = s.unsure || d.landed()
		return
	}
	s.unsure = false // it is looked up with this one
	s.filing, s.content = d.filing, d.content
	s.alive, s.withdrawn = d.action != poct.Withdraw, d.action == poct.Withdraw
}

// steps is what an outlet is sent for a released version.
func (s *standing) steps(outlet string, o *poct.Outcome, p plan, issued int64) []step {
	create := step{outlet: outlet, action: poct.Create, filing: p.filing, issued: p.issued, unsure: s.unsure}
	bound := slices.Contains(o.Outlets, outlet)
	switch {
	case o.Action == poct.Withdraw && s.alive:
		return []step{{outlet: outlet, action: poct.Withdraw, filing: s.filing, issued: p.issued, unsure: s.unsure}}
	case o.Action == poct.Withdraw && s.unsure:
		return []step{{outlet: outlet, action: poct.Withdraw, filing: p.filing, issued: p.issued, unsure: true}}
	case o.Action == poct.Withdraw:
		return nil
	case !s.alive && bound:
		return []step{create}
	case !s.alive:
		return nil
	case s.refile:
		withdraw := step{outlet: outlet, action: poct.Withdraw, content: s.content, filing: s.filing, issued: issued}
		if !bound {
			return []step{withdraw}
		}
		return []step{withdraw, create}
	}
	return []step{{outlet: outlet, action: poct.Correct, filing: s.filing, issued: p.issued, unsure: s.unsure}}
}

// sendsMore is what an event carries that queues deliveries.
type sendsMore struct {
	Sends []sends `json:"sends,omitempty"`
}

type sends struct {
	Outlet string      `json:"outlet"`
	Action poct.Action `json:"action"`
	Filing int         `json:"filing,omitempty"`
}

func sendsOf(steps []step) sendsMore {
	var m sendsMore
	for _, s := range steps {
		m.Sends = append(m.Sends, sends{s.outlet, s.action, s.filing})
	}
	return m
}

// carryOut cancels and queues what the plan says; event is the release.
func (w *work) carryOut(p plan, o *poct.Outcome, k kept, seq, event int64) error {
	touched := map[int]bool{}
	for _, d := range p.cancel {
		if err := w.cancel(d, k, nil); err != nil {
			return err
		}
		touched[d.version] = true
	}
	for _, s := range p.steps {
		if s.content == 0 {
			s.content = seq
		}
		if err := w.queueStep(s, k, event); err != nil {
			return err
		}
	}
	for version := range touched {
		if err := w.follow(k, version, stateOf(o.Verdict, len(p.steps) > 0)); err != nil {
			return err
		}
	}
	return nil
}

// cancel takes back a delivery that is still as it was read, and queues what
// takes its place.
func (w *work) cancel(d queued, k kept, instead []step) error {
	event := w.nextEvent()
	n, err := w.exec(`UPDATE deliveries SET state = 'cancelled', event = ? WHERE id = ? AND state = ? AND intent = ? AND attempts = ?`,
		event, d.id, string(d.state), d.intent, d.attempts)
	if err != nil {
		return fmt.Errorf("cancel delivery: %w", err)
	}
	if n != 1 {
		return fmt.Errorf("cancel delivery %d: it changed within one transaction", d.id)
	}
	if d.state == poct.DeliveryReady {
		w.count(countPending+d.outlet, -1)
	}
	if _, err = w.event(poct.Event{Kind: poct.EventCancelled, Result: k.id, Version: d.version, Outlet: d.outlet},
		&ledger.Payload{Action: d.action, More: more(struct {
			receiptMore
			sendsMore
		}{receiptMore{Delivery: d.id}, sendsOf(instead)})}); err != nil {
		return err
	}
	for _, s := range instead {
		if err := w.queueStep(s, k, event); err != nil {
			return err
		}
	}
	return nil
}

// deliveryMore names the delivery that an event is about.
func deliveryMore(id int64) json.RawMessage { return more(receiptMore{Delivery: id}) }

// queueStep queues a delivery; event is why.
func (w *work) queueStep(s step, k kept, event int64) error {
	_, err := w.exec(`INSERT INTO deliveries (result, version, content, outlet, action, filing, issued, state, attempts, due, next,
		intent, sent_by, unsure, remote, last_error, event) VALUES (?,?,?,?,?,?,?,'ready',0,?,?,0,0,?,'','',?)`,
		k.seq, k.version, s.content, s.outlet, string(s.action), s.filing, s.issued, micros(w.at), micros(w.at), s.unsure, event)
	if err != nil {
		return fmt.Errorf("queue delivery: %w", err)
	}
	w.count(countPending+s.outlet, 1)
	w.after = append(w.after, func() { w.due.wake(s.outlet) })
	return nil
}

// follow lets the readings of an older version, all of whose deliveries were
// taken back or are through, share the fate of the version that took over.
func (w *work) follow(k kept, version int, state poct.State) error {
	var open int
	err := w.row(`SELECT count(*) FROM deliveries WHERE result = ? AND version = ? AND state IN ('ready', 'held')`, k.seq, version).Scan(&open)
	if err != nil {
		return fmt.Errorf("read deliveries: %w", err)
	}
	if open > 0 {
		return nil
	}
	return w.turn(turn{result: k.seq, version: version, from: poct.Delivering, toResult: k.seq, toVersion: k.version, to: state})
}
