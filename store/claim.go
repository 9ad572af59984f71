package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"tidegate/poct"
)

var errNoRows = sql.ErrNoRows

// pause is how long an arrival rests after a judge failed on it.
const pause = time.Second

// lease is one claim. While busy, a write of its holder is on its way to the
// disk, and nobody takes over.
type lease struct {
	owner string
	epoch int64
	until time.Time
	busy  bool
}

func (l *lease) free(now time.Time) bool { return !l.busy && !l.until.After(now) }

// arrivalLeases is what is handed out to be judged.
type arrivalLeases struct {
	mu     sync.Mutex
	epoch  int64
	cursor int64            // every arrival up to here was judged, or has a lease
	leases map[int64]*lease // by arrival; expired ones, and those that wait, too
}

// ClaimArrivals leases up to most arrivals that wait to be judged, in the
// order they came. One whose lease ran out is handed out again under a new
// epoch, which fences the holder before.
func (s *Store) ClaimArrivals(ctx context.Context, owner string, most int, term time.Duration) ([]poct.Claim, error) {
	if err := s.dead.Load(); err != nil {
		return nil, *err
	}
	q := s.read.with(context.WithoutCancel(ctx))
	l := &s.arrivals
	l.mu.Lock()
	defer l.mu.Unlock()
	now := s.now()
	var seqs []int64
	for seq, lease := range l.leases {
		if lease.free(now) {
			seqs = append(seqs, seq)
		}
	}
	slices.Sort(seqs)
	seqs = seqs[:min(len(seqs), most)]

	claims := make([]poct.Claim, 0, most)
	cursor := l.cursor
	for _, seq := range seqs {
		a, err := collect(q, s.scanArrival, claimColumns+`WHERE a.seq = ?`, seq)
		if err != nil {
			return nil, fmt.Errorf("claim arrivals: %w", err)
		}
		for _, a := range a {
			claims = append(claims, poct.Claim{Arrival: a.Arrival})
		}
	}
	if n := most - len(claims); n > 0 {
		fresh, err := collect(q, s.scanArrival, claimColumns+`WHERE a.seq > ?
			AND NOT EXISTS (SELECT 1 FROM readings WHERE arrival = a.seq) ORDER BY a.seq LIMIT ?`, l.cursor, n)
		if err != nil {
			return nil, fmt.Errorf("claim arrivals: %w", err)
		}
		for _, a := range fresh {
			claims = append(claims, poct.Claim{Arrival: a.Arrival})
			cursor = a.seq
		}
	}
	l.cursor = cursor
	for i := range claims {
		l.epoch++
		claims[i].Epoch = l.epoch
		l.leases[seqOf(claims[i].Arrival.ID)] = &lease{owner: owner, epoch: l.epoch, until: now.Add(term)}
	}
	return claims, nil
}

// hold marks claims as being decided. Those overtaken are left out.
func (l *arrivalLeases) hold(claims []poct.Claim) []*lease {
	l.mu.Lock()
	defer l.mu.Unlock()
	held := make([]*lease, len(claims))
	for i, c := range claims {
		if lease := l.leases[seqOf(c.Arrival.ID)]; lease != nil && lease.epoch == c.Epoch && !lease.busy {
			lease.busy = true
			held[i] = lease
		}
	}
	return held
}

// judged is how far everything was judged, if the arrivals in done are too.
func (l *arrivalLeases) judged(done map[int64]bool) int64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	through := l.cursor
	for seq := range l.leases {
		if !done[seq] {
			through = min(through, seq-1)
		}
	}
	return through
}

// settle ends what was held: decided ones are gone, others rest until a time.
func (l *arrivalLeases) settle(claims []poct.Claim, held []*lease, done func(i int) bool, until func(i int) time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i, lease := range held {
		switch {
		case lease == nil:
		case done(i):
			delete(l.leases, seqOf(claims[i].Arrival.ID))
		default:
			lease.busy = false
			l.epoch++
			lease.epoch, lease.until = l.epoch, until(i)
		}
	}
}

type storedArrival struct {
	poct.Arrival
	seq   int64
	event int64
}

const (
	arrivalFields = `SELECT a.seq, a.id, a.inlet, a.source, a.digest, a.received, a.peer, a.format, a.control, a.position, a.fault,
	a.event, a.packed, a.raw, `
	arrivalColumns = arrivalFields + `b.packed, b.body FROM arrivals a LEFT JOIN batches b ON b.id = a.batch `
	// A judge needs no batch, which may be long, but for the hello of a POCT1-A
	// meter: the documents themselves do not name it.
	claimColumns = arrivalFields + `b.packed, b.body FROM arrivals a LEFT JOIN batches b ON b.id = a.batch AND a.format = 'poct1a' `
)

func (s *Store) scanArrival(rows rowSet) (storedArrival, error) {
	var a storedArrival
	var digest, raw, batch sql.RawBytes
	var received int64
	var packed bool
	var batchPacked sql.NullBool
	if err := rows.Scan(&a.seq, &a.ID, &a.Inlet, &a.Source, &digest, &received, &a.Peer, &a.Format, &a.ControlID, &a.Position, &a.Fault,
		&a.event, &packed, &raw, &batchPacked, &batch); err != nil {
		return a, err
	}
	copy(a.Digest[:], digest)
	a.Received = fromMicros(received)
	var err error
	if a.Raw, err = s.packer.unpack(raw, packed); err != nil {
		return a, fmt.Errorf("arrival %s cannot be unpacked: %w", a.ID, err)
	}
	if batchPacked.Valid {
		if a.Batch, err = s.packer.unpack(batch, batchPacked.Bool); err != nil {
			return a, fmt.Errorf("batch of arrival %s cannot be unpacked: %w", a.ID, err)
		}
	}
	return a, nil
}

// arrival reads one arrival; poct.ErrNotFound if there is none.
func (s *Store) arrival(q querier, seq int64) (poct.Arrival, int64, error) {
	found, err := collect(q, s.scanArrival, arrivalColumns+`WHERE a.seq = ?`, seq)
	if err != nil {
		return poct.Arrival{}, 0, fmt.Errorf("read arrival: %w", err)
	}
	if len(found) == 0 {
		return poct.Arrival{}, 0, fmt.Errorf("arrival: %w", poct.ErrNotFound)
	}
	return found[0].Arrival, found[0].event, nil
}

// Arrival returns the bytes as they came, and where the arrival has got to.
func (s *Store) Arrival(ctx context.Context, id string) (poct.Arrival, poct.State, error) {
	q := s.read.with(ctx)
	a, _, err := s.arrival(q, seqOf(id))
	if err != nil {
		return a, "", err
	}
	if a.ID != id {
		return poct.Arrival{}, "", fmt.Errorf("arrival %s: %w", id, poct.ErrNotFound)
	}
	state, err := arrivalEnd(q, seqOf(id))
	return a, state, err
}

// arrivalEnd is where an arrival has got to, from its readings.
func arrivalEnd(q querier, seq int64) (poct.State, error) {
	var states []poct.State
	readings, err := collect(q, scanReading, readingColumns+`WHERE arrival = ? ORDER BY idx`, seq)
	if err != nil {
		return "", fmt.Errorf("read readings: %w", err)
	}
	for _, r := range readings {
		states = append(states, r.ending)
	}
	return first(states), nil
}

// first is the state of an arrival whose readings have these: the first in a
// fixed order, waiting if there is none.
func first(states []poct.State) poct.State {
	for _, s := range []poct.State{poct.Held, poct.Delivering, poct.Delivered, poct.Filed, poct.Discarded, poct.Duplicated, poct.Ignored} {
		if slices.Contains(states, s) {
			return s
		}
	}
	return poct.Waiting
}

type reading struct {
	arrival int64
	idx     int
	result  int64
	version int
	ending  poct.State
}

const readingColumns = `SELECT arrival, idx, result, version, ending FROM readings `

func scanReading(rows rowSet) (reading, error) {
	var r reading
	err := rows.Scan(&r.arrival, &r.idx, &r.result, &r.version, &r.ending)
	return r, err
}

func isNone(err error) bool { return errors.Is(err, errNoRows) }
