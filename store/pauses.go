package store

import (
	"context"
	"fmt"
	"sync"

	"tidegate/ledger"
	"tidegate/poct"
)

// pauses are the outlets that nothing is handed out for, as committed.
type pauses struct {
	mu sync.Mutex
	m  map[string]poct.Pause
}

func (p *pauses) load(q querier) error {
	type row struct {
		outlet string
		poct.Pause
	}
	all, err := collect(q, func(rows rowSet) (r row, err error) {
		var at int64
		err = rows.Scan(&r.outlet, &r.By, &r.Reason, &at)
		r.At = fromMicros(at)
		return r, err
	}, `SELECT outlet, actor, reason, at FROM outlet_pauses p
		WHERE paused = 1 AND NOT EXISTS (SELECT 1 FROM outlet_pauses n WHERE n.outlet = p.outlet AND n.event > p.event)`)
	if err != nil {
		return fmt.Errorf("read paused outlets: %w", err)
	}
	p.m = map[string]poct.Pause{}
	for _, r := range all {
		p.m[r.outlet] = r.Pause
	}
	return nil
}

func (p *pauses) get(outlet string) (poct.Pause, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	pause, ok := p.m[outlet]
	return pause, ok
}

func (p *pauses) set(outlet string, pause poct.Pause, paused bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if paused {
		p.m[outlet] = pause
	} else {
		delete(p.m, outlet)
	}
}

// Paused tells whether a person paused an outlet, and who and why.
func (s *Store) Paused(outlet string) (poct.Pause, bool) { return s.paused.get(outlet) }

// PauseOutlet hands out no delivery of an outlet any more, until it is resumed,
// also after a restart. What was handed out already is finished.
// poct.ErrSoAlready: it is paused.
func (s *Store) PauseOutlet(ctx context.Context, outlet, actor, reason string) error {
	return s.turnOutlet(ctx, outlet, actor, reason, true)
}

// ResumeOutlet lets what waited go, in order. poct.ErrSoAlready: it is not
// paused.
func (s *Store) ResumeOutlet(ctx context.Context, outlet, actor, reason string) error {
	return s.turnOutlet(ctx, outlet, actor, reason, false)
}

func (s *Store) turnOutlet(ctx context.Context, outlet, actor, reason string, pause bool) error {
	kind := poct.EventResumed
	if pause {
		kind = poct.EventPaused
	}
	return s.do(ctx, func(t *tx) error {
		var is bool
		err := t.row(`SELECT paused FROM outlet_pauses WHERE outlet = ? ORDER BY event DESC LIMIT 1`, outlet).Scan(&is)
		if err != nil && !isNone(err) {
			return fmt.Errorf("read outlet: %w", err)
		}
		if is == pause {
			return fmt.Errorf("outlet %s: %w", outlet, poct.ErrSoAlready)
		}
		if _, err := t.exec(`INSERT INTO outlet_pauses (event, outlet, paused, at, actor, reason) VALUES (?,?,?,?,?,?)`,
			t.nextEvent(), outlet, pause, micros(t.at), actor, reason); err != nil {
			return fmt.Errorf("write outlet: %w", err)
		}
		stands := poct.Pause{By: actor, Reason: reason, At: t.at}
		t.after = append(t.after, func() {
			s.paused.set(outlet, stands, pause)
			s.due.wake(outlet)
		})
		_, err = t.event(poct.Event{Kind: kind, Actor: actor, Outlet: outlet},
			&ledger.Payload{SHA256: digestOf([]byte(outlet), []byte(reason)), Reason: reason})
		return err
	})
}

// outletPauses checks each row against its event.
func (v *verifier) outletPauses() error {
	var n int64
	if err := v.each(`SELECT p.outlet, p.paused, p.actor, p.reason, p.at = coalesce(e.at, -1), p.event, `+witnessed+`
		FROM outlet_pauses p LEFT JOIN events e ON e.idx = p.event`, func(rows rowSet) error {
		var outlet, actor, reason string
		var paused, then bool
		var w witness
		if err := rows.Scan(append([]any{&outlet, &paused, &actor, &reason, &then, &w.index}, w.into()...)...); err != nil {
			return err
		}
		n++
		kind := poct.EventResumed
		if paused {
			kind = poct.EventPaused
		}
		if !w.is(kind) || !then || w.actor != actor || !w.says(digestOf([]byte(outlet), []byte(reason))) {
			v.fault(w.index, "a pause of outlet %s is not the one that was asked for", outlet)
		}
		return nil
	}); err != nil {
		return err
	}
	return v.number("pauses of outlets", n, "outlet_pauses", poct.EventPaused, poct.EventResumed)
}
