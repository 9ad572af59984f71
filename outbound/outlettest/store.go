// Package outlettest holds what every kind of outlet is tested with: a store
// in memory that fences late workers, and one suite of promises.
package outlettest

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"tidegate/poct"
)

// Store keeps deliveries in memory with the promises of outbound.Store. It is
// safe for concurrent use.
type Store struct {
	Now func() time.Time

	mu     sync.Mutex
	rows   []*Row
	open   []*Row            // those that are not final, in order
	of     map[string][]*Row // by result
	undone int               // ready or leased
	epoch  int64
	wake   chan struct{}
	// Before is called before each commit, with "claim", "intent" or "finish";
	// an error fails it without effect. Nil for none.
	Before func(step string, d poct.Delivery) error
}

// Row is one delivery and what became of it.
type Row struct {
	poct.Delivery
	Due      time.Time // when it may be tried next
	Receipts []poct.Receipt
	Hold     *poct.Problem
}

// NewStore makes an empty store.
func NewStore(now func() time.Time) *Store {
	return &Store{Now: now, wake: make(chan struct{}, 1)}
}

// Wake signals that a delivery may be due.
func (s *Store) Wake() <-chan struct{} { return s.wake }

func (s *Store) signal() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// Add queues a delivery of a result version and returns its id.
func (s *Store) Add(outlet string, r poct.Result, action poct.Action) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	id := int64(len(s.rows) + 1)
	row := &Row{Delivery: poct.Delivery{
		ID: id, Result: r, Outlet: outlet, Action: action, State: poct.DeliveryReady, First: s.Now(),
	}}
	if s.of == nil {
		s.of = map[string][]*Row{}
	}
	s.rows, s.open, s.of[r.ID] = append(s.rows, row), append(s.open, row), append(s.of[r.ID], row)
	s.undone++
	s.signal()
	return id
}

// Len is how many deliveries were added.
func (s *Store) Len() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.rows)
}

// Row is a copy of a delivery's row.
func (s *Store) Row(id int64) Row {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := *s.rows[id-1]
	r.Receipts = append([]poct.Receipt(nil), r.Receipts...)
	return r
}

// Change edits a row, as a test needs it.
func (s *Store) Change(id int64, edit func(*Row)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	edit(s.rows[id-1])
	s.open, s.undone = nil, 0
	for _, r := range s.rows {
		if !r.final() {
			s.open = append(s.open, r)
		}
		if r.underWay() {
			s.undone++
		}
	}
	s.signal()
}

// Open counts the deliveries that are neither delivered, held nor cancelled.
func (s *Store) Open() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.undone
}

// final tells whether nothing more will happen to a delivery by itself.
func (r *Row) final() bool {
	return r.State == poct.DeliveryDone || r.State == poct.DeliveryCancelled
}

func (r *Row) underWay() bool {
	return r.State == poct.DeliveryReady || r.State == poct.DeliveryLeased
}

// ClaimDeliveries leases what is due, an earlier version of a result first.
func (s *Store) ClaimDeliveries(_ context.Context, outlet, _ string, most int, lease time.Duration) ([]poct.Delivery, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.Now()
	waiting := map[string]bool{}
	var out []poct.Delivery
	s.open = slices.DeleteFunc(s.open, (*Row).final)
	for _, r := range s.open {
		if len(out) == most {
			break
		}
		if r.Outlet != outlet {
			continue
		}
		blocked := waiting[r.Result.ID]
		waiting[r.Result.ID] = true
		switch {
		case blocked, r.State == poct.DeliveryHeld, r.Due.After(now):
			continue
		case r.State == poct.DeliveryLeased && now.Before(r.Lease):
			continue
		}
		if s.Before != nil {
			if err := s.Before("claim", r.Delivery); err != nil {
				return nil, err
			}
		}
		s.epoch++
		r.State, r.Epoch, r.Lease = poct.DeliveryLeased, s.epoch, now.Add(lease)
		d := r.Delivery
		d.Remote = s.remote(r)
		out = append(out, d)
	}
	return out, nil
}

// remote is what the record system called the filing so far.
func (s *Store) remote(r *Row) map[string]string {
	known := map[string]string{}
	if r.Action != poct.Create {
		for _, o := range s.of[r.Result.ID] {
			if o.Outlet == r.Outlet && o.Result.Filing == r.Result.Filing && o.ID < r.ID && o.State == poct.DeliveryDone {
				known = maps.Clone(o.Remote)
			}
		}
	}
	maps.Copy(known, r.Remote)
	return known
}

func (s *Store) mine(d poct.Delivery) (*Row, error) {
	r := s.rows[d.ID-1]
	if r.State != poct.DeliveryLeased || r.Epoch != d.Epoch {
		return nil, fmt.Errorf("delivery %d: %w", d.ID, poct.ErrFenced)
	}
	return r, nil
}

// Intent fixes the bytes; others for the same delivery are refused.
func (s *Store) Intent(_ context.Context, d poct.Delivery, body []byte, remote map[string]string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	r, err := s.mine(d)
	if err != nil {
		return err
	}
	if !s.Now().Before(r.Lease) {
		return fmt.Errorf("delivery %d: %w", d.ID, poct.ErrFenced)
	}
	if s.Before != nil {
		if err := s.Before("intent", d); err != nil {
			return err
		}
	}
	if r.Body != nil && !bytes.Equal(r.Body, body) {
		return fmt.Errorf("delivery %d: its bytes are fixed already, and these are others", d.ID)
	}
	if !bytes.Equal(d.Body, body) { // what the claim brought is there already
		r.Body = bytes.Clone(body)
	}
	r.Intent, r.IntentAt, r.SentBy, r.Remote = true, s.Now(), d.Lease, maps.Clone(remote)
	return nil
}

// Finish commits an outcome under the lease it was claimed with.
func (s *Store) Finish(_ context.Context, d poct.Delivery, o poct.SendOutcome) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	r, err := s.mine(d)
	if err != nil {
		return err
	}
	if s.Before != nil {
		if err := s.Before("finish", d); err != nil {
			return err
		}
	}
	r.Receipts = append(r.Receipts, o.Receipt)
	r.Attempts++
	if o.Done || o.Hold != nil {
		s.undone--
	}
	switch {
	case o.Done:
		r.State = poct.DeliveryDone
		if r.Remote == nil {
			r.Remote = map[string]string{}
		}
		maps.Copy(r.Remote, o.Receipt.Remote)
	case o.Hold != nil:
		r.State, r.Hold = poct.DeliveryHeld, o.Hold
		r.Intent = r.Intent && o.KeepSent
	default:
		r.State, r.Due, r.LastError = poct.DeliveryReady, o.RetryAt, o.Receipt.Class
		if !o.KeepSent {
			r.Intent, r.IntentAt, r.SentBy = false, time.Time{}, time.Time{}
		}
	}
	s.signal()
	return nil
}
