package probe

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"sync"
	"time"

	"tidegate/outbound"
	"tidegate/poct"
)

// queue is the store of a worker that delivers one thing at a time: what the
// daemon keeps in its database, in memory. A probe that dies has lost nothing
// but itself.
type queue struct {
	now  func() time.Time
	wake chan struct{}
	told func(poct.Receipt) // after each attempt

	mu    sync.Mutex
	epoch int64
	row   *row
}

// row is the delivery under way.
type row struct {
	poct.Delivery
	due      time.Time
	hold     *poct.Problem
	attempts int
	last     poct.Receipt
	end      chan struct{} // closed when it is final
}

var _ outbound.Store = (*queue)(nil)

func newQueue(now func() time.Time, told func(poct.Receipt)) *queue {
	return &queue{now: now, told: told, wake: make(chan struct{}, 1)}
}

// add queues a delivery in place of the one before.
func (q *queue) add(d poct.Delivery) *row {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.epoch++
	d.ID, d.State, d.First = q.epoch, poct.DeliveryReady, q.now()
	q.row = &row{Delivery: d, end: make(chan struct{})}
	select {
	case q.wake <- struct{}{}:
	default:
	}
	return q.row
}

// take gives a copy of the delivery as it stands, and no longer lets it be
// worked on.
func (q *queue) take(r *row) row {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.row == r {
		q.row = nil
	}
	return *r
}

// ClaimDeliveries leases the delivery if it is due.
func (q *queue) ClaimDeliveries(_ context.Context, _, _ string, most int, lease time.Duration) ([]poct.Delivery, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	now, r := q.now(), q.row
	switch {
	case r == nil || most < 1 || r.due.After(now):
		return nil, nil
	case r.State == poct.DeliveryLeased && now.Before(r.Lease):
		return nil, nil
	case r.State != poct.DeliveryReady && r.State != poct.DeliveryLeased:
		return nil, nil
	}
	q.epoch++
	r.State, r.Epoch, r.Lease, r.Attempts = poct.DeliveryLeased, q.epoch, now.Add(lease), r.attempts
	d := r.Delivery
	d.Remote = maps.Clone(r.Remote)
	return []poct.Delivery{d}, nil
}

func (q *queue) mine(d poct.Delivery) (*row, error) {
	if q.row == nil || q.row.ID != d.ID || q.row.Epoch != d.Epoch || q.row.State != poct.DeliveryLeased {
		return nil, fmt.Errorf("delivery %d: %w", d.ID, poct.ErrFenced)
	}
	return q.row, nil
}

// Intent keeps the bytes before the first of them is sent.
func (q *queue) Intent(_ context.Context, d poct.Delivery, body []byte, remote map[string]string) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	r, err := q.mine(d)
	if err != nil {
		return err
	}
	if r.Body != nil && !bytes.Equal(r.Body, body) {
		return fmt.Errorf("delivery %d: its bytes are fixed already, and these are others", d.ID)
	}
	r.Body = bytes.Clone(body)
	r.Delivery.Intent, r.IntentAt, r.SentBy, r.Remote = true, q.now(), d.Lease, maps.Clone(remote)
	return nil
}

// Finish keeps what became of an attempt.
func (q *queue) Finish(_ context.Context, d poct.Delivery, o poct.SendOutcome) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	r, err := q.mine(d)
	if err != nil {
		return err
	}
	r.attempts++
	r.last = o.Receipt
	if q.told != nil {
		q.told(o.Receipt)
	}
	switch {
	case o.Done:
		r.State = poct.DeliveryDone
		if r.Remote == nil {
			r.Remote = map[string]string{}
		}
		maps.Copy(r.Remote, o.Receipt.Remote)
		close(r.end)
	case o.Hold != nil:
		r.State, r.hold = poct.DeliveryHeld, o.Hold
		close(r.end)
	default:
		r.State, r.due = poct.DeliveryReady, o.RetryAt
		if !o.KeepSent {
			r.Delivery.Intent, r.IntentAt, r.SentBy = false, time.Time{}, time.Time{}
		}
	}
	return nil
}
