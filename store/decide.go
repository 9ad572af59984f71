package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
)

// errNoDecision says that a judge gave neither outcomes nor a time to wait for.
var errNoDecision = errors.New("the judge gave no outcome and no time to wait until")

// Decide judges claimed arrivals in the order given and commits all that
// follows from the decisions in one transaction. The judge runs inside it: its
// book already holds what was decided before, and nothing can change between
// its look-ups and the commit.
//
// For each claim there is a decision, with the ids and versions the store
// gave, or an error: poct.ErrFenced if another worker took the arrival over,
// else what the judge failed with; such an arrival rests for a second and is
// handed out again. The last error is about the whole: then nothing was
// decided.
func (s *Store) Decide(ctx context.Context, claims []poct.Claim, judge func(poct.Book, poct.Arrival) (poct.Decision, error)) ([]poct.Decision, []error, error) {
	held := s.arrivals.hold(claims)
	decisions := make([]poct.Decision, len(claims))
	errs := make([]error, len(claims))
	done := make(map[int64]bool, len(claims))
	err := s.do(ctx, func(t *tx) error {
		clear(done)
		for i, c := range claims {
			if held[i] == nil {
				errs[i] = fmt.Errorf("arrival %s: %w", c.Arrival.ID, poct.ErrFenced)
				continue
			}
			seq := seqOf(c.Arrival.ID)
			refused, failed := t.apart(func(t *tx) error {
				d, err := judge(t.book(), c.Arrival)
				if err != nil {
					return err
				}
				d.Arrival, d.Epoch = c.Arrival.ID, c.Epoch
				decisions[i] = d
				return t.decide(seq, c.Arrival, &decisions[i])
			})
			if failed != nil {
				return failed
			}
			errs[i] = refused
			done[seq] = refused == nil && decisions[i].Wait.IsZero()
		}
		t.deltas = append(t.deltas, delta{name: judgedThrough, set: true, n: s.arrivals.judged(done), at: micros(t.at)})
		t.point("store.decided")
		return nil
	})
	now := s.now()
	s.arrivals.settle(claims, held,
		func(i int) bool { return err == nil && done[seqOf(claims[i].Arrival.ID)] },
		func(i int) time.Time {
			if err == nil && errs[i] == nil {
				return decisions[i].Wait
			}
			return now.Add(pause)
		})
	if err != nil {
		return nil, nil, err
	}
	return decisions, errs, nil
}

// decide applies one arrival's decision.
func (t *tx) decide(seq int64, a poct.Arrival, d *poct.Decision) error {
	if !d.Wait.IsZero() {
		return t.wait(seq, a, d.Wait)
	}
	if len(d.Outcomes) == 0 {
		return errNoDecision
	}
	w := &work{tx: t, arrival: a, seq: seq, actor: poct.System}
	profile := d.Outcomes[0].Result.Reading.Profile
	if _, err := t.event(poct.Event{Kind: poct.EventRead, Arrival: a.ID},
		&ledger.Payload{Profile: profile, Readings: len(d.Outcomes)}); err != nil {
		return err
	}
	t.deciding = seq
	defer func() { t.deciding = 0 }()
	var end poct.State
	for i := range d.Outcomes {
		o := &d.Outcomes[i]
		state, err := w.outcome(o)
		if err != nil {
			return err
		}
		end = state
		if m := o.Result.Reading.Meter; m != "" {
			t.count(countMeter+m, 1)
		}
		if c, ok := readContact(a, &o.Result.Reading); ok {
			t.contact(c)
		}
	}
	if len(d.Outcomes) > 1 {
		var err error
		if end, err = arrivalEnd(t, seq); err != nil {
			return err
		}
	}
	t.count(arrivalsIn(poct.Waiting), -1)
	t.count(arrivalsIn(end), 1)
	return nil
}

// wait leaves an arrival waiting for a look-up. The first time is an event.
func (t *tx) wait(seq int64, a poct.Arrival, until time.Time) error {
	n, err := t.exec(`INSERT INTO waits (arrival, since, until) VALUES (?,?,?) ON CONFLICT (arrival) DO NOTHING`,
		seq, micros(t.at), micros(until))
	if err != nil {
		return fmt.Errorf("leave arrival waiting: %w", err)
	}
	if n == 1 {
		_, err = t.event(poct.Event{Kind: poct.EventWaiting, Arrival: a.ID}, nil)
	}
	return err
}

// work is the decision on one arrival, or a reviewer's on one hold, being
// applied.
type work struct {
	*tx
	arrival  poct.Arrival
	seq      int64
	actor    string
	reason   string
	settling *openHold // a reviewer's act on this hold; nil when an arrival is decided first
	amends   bool      // a person's word on a result: no reading leads to the version
}

// kept is a result's row as it stands.
type kept struct {
	seq     int64
	id      string
	key     string
	state   poct.State
	version int
	filing  int
	issued  int64
}

func (t *tx) result(id string) (kept, error) {
	k := kept{seq: seqOf(id)}
	err := t.row(`SELECT id, key, state, version, filing, issued FROM results WHERE seq = ?`, k.seq).
		Scan(&k.id, &k.key, &k.state, &k.version, &k.filing, &k.issued)
	if isNone(err) || err == nil && k.id != id {
		return k, fmt.Errorf("result %s: %w", id, poct.ErrNotFound)
	}
	if err != nil {
		return k, fmt.Errorf("read result: %w", err)
	}
	return k, nil
}

// outcome applies the decision on one reading and returns where that reading
// has got to.
func (w *work) outcome(o *poct.Outcome) (poct.State, error) {
	o.Result.Reading.Arrival = w.arrival.ID
	aside := o.Verdict == poct.Duplicate || o.Verdict == poct.Ignore
	itself := w.settling != nil && o.Owner == w.settling.Result
	if o.Owner != "" && aside && !itself {
		return w.attach(o)
	}
	var k kept
	var err error
	if o.Owner != "" {
		if k, err = w.result(o.Owner); err != nil {
			return "", err
		}
	}
	return w.version(o, k)
}

// attach ends a reading that says nothing new about a result that exists.
func (w *work) attach(o *poct.Outcome) (poct.State, error) {
	owner, err := w.result(o.Owner)
	if err != nil {
		return "", err
	}
	o.Result.ID, o.Result.Version = owner.id, 0
	state, kind := poct.Duplicated, poct.EventDuplicate
	if o.Verdict == poct.Ignore {
		state, kind = poct.Ignored, poct.EventIgnored
	}
	if err := w.reading(o, owner.seq, 0, state); err != nil {
		return "", err
	}
	_, err = w.event(poct.Event{Kind: kind, Arrival: w.arrival.ID, Result: owner.id},
		&ledger.Payload{Rule: o.Rule, Problems: o.Problems})
	return state, err
}
