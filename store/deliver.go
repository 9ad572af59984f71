package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"strconv"
	"strings"
	"sync"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
)

// deliveryLeases is what is handed out to be sent.
type deliveryLeases struct {
	mu     sync.Mutex
	epoch  int64
	leases map[int64]*lease // by delivery
}

// leased tells whether a worker has the delivery now.
func (l *deliveryLeases) leased(id int64, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	lease := l.leases[id]
	return lease != nil && !lease.free(now)
}

// hold marks a claim as being written, nil if it was overtaken. With live it
// must not have run out either.
func (l *deliveryLeases) hold(d poct.Delivery, live bool, now time.Time) *lease {
	l.mu.Lock()
	defer l.mu.Unlock()
	lease := l.leases[d.ID]
	if lease == nil || lease.epoch != d.Epoch || lease.busy || live && lease.free(now) {
		return nil
	}
	lease.busy = true
	return lease
}

func (l *deliveryLeases) settle(id int64, lease *lease, ended bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	lease.busy = false
	if ended && l.leases[id] == lease {
		delete(l.leases, id)
	}
}

// signals wakes one sender per outlet.
type signals struct {
	mu sync.Mutex
	m  map[string]chan struct{}
}

func (s *signals) of(outlet string) chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.m == nil {
		s.m = map[string]chan struct{}{}
	}
	if s.m[outlet] == nil {
		s.m[outlet] = make(chan struct{}, 1)
	}
	return s.m[outlet]
}

func (s *signals) wake(outlet string) { signal(s.of(outlet)) }

// Due signals that a delivery to an outlet may have become claimable by a
// commit; that one becomes due by the clock it does not signal.
func (s *Store) Due(outlet string) <-chan struct{} { return s.due.of(outlet) }

const claimable = `SELECT d.id, d.outlet, d.action, d.filing, d.issued, d.attempts, d.due, d.intent, d.sent_by, d.unsure, d.body,
	d.remote, d.last_error, d.content, d.result FROM deliveries d
	WHERE d.outlet = ?1 AND d.state = 'ready' AND d.next <= ?2 AND d.id NOT IN (SELECT value FROM json_each(?4)) AND NOT EXISTS (SELECT 1 FROM deliveries p
		WHERE p.result = d.result AND p.outlet = d.outlet AND p.id < d.id AND p.state NOT IN ('delivered', 'cancelled'))
	ORDER BY d.next, d.id LIMIT ?3`

type claimed struct {
	poct.Delivery
	content int64
	result  int64
}

// ClaimDeliveries leases up to most deliveries that are due at an outlet, in
// the order they became due. Of each result at most one is under way: a later
// version waits until the one before it was delivered or cancelled unsent. A
// delivery whose lease ran out is handed out again under a new epoch; if it
// carries an intent the one before may have been sent. While a person has
// paused the outlet nothing is handed out.
func (s *Store) ClaimDeliveries(ctx context.Context, outlet, owner string, most int, term time.Duration) ([]poct.Delivery, error) {
	if err := s.dead.Load(); err != nil {
		return nil, *err
	}
	if _, paused := s.paused.get(outlet); paused {
		return nil, nil
	}
	q := s.read.with(context.WithoutCancel(ctx))
	l := &s.sending
	// The lock is held over the read: a lease that is gone was ended by a
	// commit that this read sees.
	l.mu.Lock()
	defer l.mu.Unlock()
	now := s.now()
	// Rows under a lease are left out by the query: reading them again for each
	// free place would cost more than all the rest.
	found, err := collect(q, s.scanClaimed, claimable, outlet, micros(now), most, l.taken(now))
	if err != nil {
		return nil, fmt.Errorf("claim deliveries to %s: %w", outlet, err)
	}
	out := make([]poct.Delivery, 0, min(most, len(found)))
	for _, d := range found {
		if err := s.complete(q, d); err != nil {
			return nil, err
		}
		l.epoch++
		d.State, d.Epoch, d.Lease = poct.DeliveryLeased, l.epoch, now.Add(term)
		l.leases[d.ID] = &lease{owner: owner, epoch: l.epoch, until: d.Lease}
		out = append(out, d.Delivery)
	}
	return out, nil
}

// taken lists the deliveries under a lease, as a JSON array. Its lock is held.
func (l *deliveryLeases) taken(now time.Time) string {
	b := []byte{'['}
	for id, lease := range l.leases {
		if lease.free(now) {
			continue
		}
		if len(b) > 1 {
			b = append(b, ',')
		}
		b = strconv.AppendInt(b, id, 10)
	}
	return string(append(b, ']'))
}

func (s *Store) scanClaimed(rows rowSet) (*claimed, error) {
	d := &claimed{}
	var issued, due, intent, sentBy int64
	var packed sql.RawBytes
	var remote string
	err := rows.Scan(&d.ID, &d.Outlet, &d.Action, &d.Result.Filing, &issued, &d.Attempts, &due, &intent, &sentBy, &d.Unsure, &packed,
		&remote, &d.LastError, &d.content, &d.result)
	if err != nil {
		return d, err
	}
	d.Result.Issued, d.First, d.Intent = fromMicros(issued), fromMicros(due), intent != 0
	d.IntentAt, d.SentBy = fromMicros(intent), fromMicros(sentBy)
	if packed != nil {
		if d.Body, err = s.packer.out.DecodeAll(packed, nil); err != nil {
			return d, fmt.Errorf("body of delivery %d cannot be unpacked: %w", d.ID, err)
		}
	}
	d.Remote, err = decode[map[string]string](remote)
	return d, err
}

// complete fills in the version that a delivery is about and, for a correction
// or withdrawal, what the record system called the filing so far.
func (s *Store) complete(q querier, d *claimed) error {
	v, err := s.versions.get(q, d.content)
	if err != nil {
		return err
	}
	filing, issued := d.Result.Filing, d.Result.Issued
	d.Result = *v
	d.Result.Filing, d.Result.Issued = filing, issued
	if d.Action == poct.Create {
		return nil
	}
	var text string
	err = q.row(`SELECT remote FROM deliveries WHERE result = ? AND outlet = ? AND filing = ? AND id < ? AND state = 'delivered'
		ORDER BY id DESC LIMIT 1`, d.result, d.Outlet, d.Result.Filing, d.ID).Scan(&text)
	if isNone(err) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("read receipt before delivery %d: %w", d.ID, err)
	}
	known, err := decode[map[string]string](text)
	if err != nil {
		return fmt.Errorf("read receipt before delivery %d: %w", d.ID, err)
	}
	if known == nil {
		known = map[string]string{}
	}
	maps.Copy(known, d.Remote)
	d.Remote = known
	return nil
}

// Intent commits the bytes that are about to be sent; only then may the first
// one leave. The bytes of a delivery are fixed once and for all: later intents
// must bring the same ones. remote is the ids at the record system that the
// bytes rest on. poct.ErrFenced: the claim is gone, nothing may be sent.
func (s *Store) Intent(ctx context.Context, d poct.Delivery, body []byte, remote map[string]string) error {
	now := s.now()
	lease := s.sending.hold(d, true, now)
	if lease == nil {
		return fmt.Errorf("intent of delivery %d: %w", d.ID, poct.ErrFenced)
	}
	defer s.sending.settle(d.ID, lease, false)
	sum := sha256.Sum256(body)
	var packed any // nil leaves what is there
	if !bytes.Equal(d.Body, body) || d.Body == nil {
		packed = s.packer.in.EncodeAll(body, make([]byte, 0, len(body)/3))
	}
	ids, err := remoteText(remote)
	if err != nil {
		return err
	}
	payload := &ledger.Payload{SHA256: hex.EncodeToString(sum[:]), Bytes: len(body), Action: d.Action, More: deliveryMore(d.ID)}
	return s.do(ctx, func(t *tx) error {
		n, err := t.exec(`UPDATE deliveries SET intent = ?1, sent_by = ?2, sha256 = ?3, body = coalesce(body, ?4), remote = ?5, event = ?6
			WHERE id = ?7 AND state = 'ready' AND (sha256 IS NULL OR sha256 = ?3)`,
			micros(t.at), micros(d.Lease), sum[:], packed, ids, t.nextEvent(), d.ID)
		if err != nil {
			return fmt.Errorf("commit intent: %w", err)
		}
		if n != 1 {
			return t.whyNoIntent(d)
		}
		t.point("store.intent")
		_, err = t.event(poct.Event{Kind: poct.EventIntent, Result: d.Result.ID, Version: d.Result.Version, Outlet: d.Outlet}, payload)
		return err
	})
}

// whyNoIntent tells a delivery that was cancelled or ended from one whose
// bytes are other ones.
func (t *tx) whyNoIntent(d poct.Delivery) error {
	var state string
	err := t.row(`SELECT state FROM deliveries WHERE id = ?`, d.ID).Scan(&state)
	if err == nil && state == string(poct.DeliveryReady) {
		return fmt.Errorf("intent of delivery %d: its bytes are fixed already, and these are others", d.ID)
	}
	if err != nil && !isNone(err) {
		return fmt.Errorf("read delivery: %w", err)
	}
	return fmt.Errorf("intent of delivery %d: %w", d.ID, poct.ErrFenced)
}

func remoteText(remote map[string]string) (string, error) {
	if len(remote) == 0 {
		return "", nil
	}
	b, err := json.Marshal(remote)
	if err != nil {
		return "", fmt.Errorf("write remote ids: %w", err)
	}
	return string(b), nil
}

// standsForMany is the record system's types of which one stands for many
// results: no result is found by them.
var standsForMany = []string{"Patient/", "Practitioner/", "PractitionerRole/", "Device/", "Location/", "Organization/", "Encounter/"}

// refs are the ids by which a result can be found.
func refs(remote map[string]string, result int64) []remoteRef {
	var out []remoteRef
	for name, id := range remote {
		if id == "" || strings.HasPrefix(name, "etag/") || strings.HasPrefix(id, `W/"`) {
			continue
		}
		many := false
		for _, p := range standsForMany {
			many = many || strings.HasPrefix(id, p) || strings.Contains(id, "/"+p)
		}
		if !many {
			out = append(out, remoteRef{id, result})
		}
	}
	return out
}
