package store

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"tidegate/poct"
)

// How a meter's clock is kept in the history: a row when the offset moved by
// more than contactMoved, and else one for contactEvery; rows older than
// contactKept go when a new one of the meter comes.
const (
	contactMoved = 30 * time.Second
	contactEvery = time.Hour
	contactKept  = 100 * 24 * time.Hour
)

// contacts is the newest contact with each meter as committed, with the newest
// row of its history.
type contacts struct {
	mu sync.RWMutex
	m  map[string]contact
}

type contact struct {
	poct.Contact
	keptAt time.Time // of the newest row of the history; zero if there is none
	kept   time.Duration
}

// next is what follows from a newer contact, and whether the history gets a
// row. A contact in which the meter did not tell its time gets none.
func (c contact) next(n poct.Contact) (contact, bool) {
	c.Contact = n
	since, moved := n.At.Sub(c.keptAt), max(n.Offset-c.kept, c.kept-n.Offset)
	recent := !c.keptAt.IsZero() && since >= 0 && since < contactEvery
	if n.Device.IsZero() || recent && moved <= contactMoved {
		return c, false
	}
	c.keptAt, c.kept = n.At, n.Offset
	return c, true
}

func (c *contacts) load(q querier) error {
	found, err := collect(q, func(rows rowSet) (contact, error) {
		var n contact
		var at, device, offset, keptAt, kept int64
		err := rows.Scan(&n.Meter, &n.Inlet, &at, &device, &offset, &keptAt, &kept)
		n.At, n.Device, n.Offset = fromMicros(at), fromMicros(device), time.Duration(offset)*time.Microsecond
		n.keptAt, n.kept = fromMicros(keptAt), time.Duration(kept)*time.Microsecond
		return n, err
	}, `SELECT c.meter, c.inlet, c.at, c.device, c.offset, coalesce(h.at, 0), coalesce(h.offset, 0) FROM contacts c
		LEFT JOIN contact_history h ON h.meter = c.meter AND h.at = (SELECT max(at) FROM contact_history WHERE meter = c.meter)`)
	if err != nil {
		return fmt.Errorf("read contacts: %w", err)
	}
	c.m = make(map[string]contact, len(found))
	for _, n := range found {
		c.m[n.Meter] = n
	}
	return nil
}

func (c *contacts) get(meter string) (poct.Contact, bool) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	n, ok := c.m[meter]
	return n.Contact, ok
}

func (c *contacts) add(told []poct.Contact) {
	if len(told) == 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, n := range told {
		c.m[n.Meter], _ = c.m[n.Meter].next(n)
	}
}

// contact notes a contact with this transaction, unless a later one is known;
// one more than a minute in the future tells that our own clock was set back,
// and counts no more. It reckons the offset.
func (t *tx) contact(n poct.Contact) {
	n.At, n.Device = fromMicros(micros(n.At)), fromMicros(micros(n.Device))
	was, ok, _ := t.book().Contact(n.Meter)
	if n.Meter == "" || ok && n.At.Before(was.At) && was.At.Before(t.at.Add(time.Minute)) {
		return
	}
	if n.Offset = 0; !n.Device.IsZero() {
		n.Offset = n.Device.Sub(n.At)
	}
	t.contacts = append(t.contacts, n)
}

// writeContacts writes the newest contact of each meter, and the history.
func (t *tx) writeContacts() error {
	if len(t.contacts) == 0 {
		return nil
	}
	newest := map[string]contact{}
	var history []poct.Contact
	t.Store.contacts.mu.RLock()
	for _, n := range t.contacts {
		was, ok := newest[n.Meter]
		if !ok {
			was = t.Store.contacts.m[n.Meter]
		}
		next, keep := was.next(n)
		if newest[n.Meter] = next; keep {
			history = append(history, n)
		}
	}
	t.Store.contacts.mu.RUnlock()
	bind := func(args []any, n poct.Contact) []any {
		return append(args, n.Meter, n.Inlet, micros(n.At), micros(n.Device), n.Offset.Microseconds())
	}
	err := insertMany(t, `INSERT INTO contacts (meter, inlet, at, device, offset) VALUES `, ` ON CONFLICT (meter) DO UPDATE SET
		inlet = excluded.inlet, at = excluded.at, device = excluded.device, offset = excluded.offset`, 5, slices.Collect(maps.Values(newest)),
		func(args []any, n contact) []any { return bind(args, n.Contact) })
	for i := 0; i < len(history) && err == nil; i++ {
		_, err = t.exec(`DELETE FROM contact_history WHERE meter = ? AND at < ?`, history[i].Meter, micros(history[i].At.Add(-contactKept)))
	}
	if err == nil {
		err = insertMany(t, `INSERT INTO contact_history (meter, inlet, at, device, offset) VALUES `, ` ON CONFLICT DO NOTHING`, 5, history, bind)
	}
	if err != nil {
		return fmt.Errorf("write contacts: %w", err)
	}
	return nil
}

// readContact is what the message of a reading tells of its meter's clock. A
// time that says no minutes tells nothing.
func readContact(a poct.Arrival, r *poct.Reading) (poct.Contact, bool) {
	sent := r.SentAt
	switch sent.Precision {
	case "year", "month", "day", "hour":
		return poct.Contact{}, false
	}
	if r.Meter == "" || sent.At.IsZero() {
		return poct.Contact{}, false
	}
	return poct.Contact{Meter: r.Meter, Inlet: a.Inlet, At: a.Received, Device: sent.At}, true
}

// Contact notes what a conversation with a meter told of its clock, for those
// that bring no reading; each reading that tells when its message was built
// does so by itself. A contact earlier than the latest is left out. The offset
// is reckoned from the two times.
func (s *Store) Contact(ctx context.Context, c poct.Contact) error {
	if c.At.IsZero() {
		c.At = s.now()
	}
	return s.do(ctx, func(t *tx) error {
		t.contact(c)
		if c.Inlet != "" {
			t.count(countInlet+c.Inlet, 0) // heard, and nothing accepted
		}
		return nil
	})
}

// Contacts lists the latest contact of each meter, by serial.
func (s *Store) Contacts(context.Context) ([]poct.Contact, error) {
	s.contacts.mu.RLock()
	defer s.contacts.mu.RUnlock()
	out := make([]poct.Contact, 0, len(s.contacts.m))
	for _, c := range s.contacts.m {
		out = append(out, c.Contact)
	}
	slices.SortFunc(out, func(a, b poct.Contact) int { return cmp.Compare(a.Meter, b.Meter) })
	return out, nil
}

// ContactHistory lists how a meter's clock went, newest first, at most n rows:
// one whenever the offset moved by more than 30 s, and else one for each hour
// with a contact, for 100 days.
func (s *Store) ContactHistory(ctx context.Context, meter string, n int) ([]poct.Contact, error) {
	out, err := collect(s.read.with(ctx), func(rows rowSet) (poct.Contact, error) {
		var c poct.Contact
		var at, device, offset int64
		err := rows.Scan(&c.Meter, &c.Inlet, &at, &device, &offset)
		c.At, c.Device, c.Offset = fromMicros(at), fromMicros(device), time.Duration(offset)*time.Microsecond
		return c, err
	}, `SELECT meter, inlet, at, device, offset FROM contact_history WHERE meter = ? ORDER BY at DESC LIMIT ?`, meter, n)
	if err != nil {
		return nil, fmt.Errorf("read contacts: %w", err)
	}
	return out, nil
}

// InletsHeard is when a meter was last heard at each inlet, by its id: what it
// sent was accepted, a resend too, or a conversation told of its clock. Inlets
// never heard are left out.
func (s *Store) InletsHeard(context.Context) (map[string]time.Time, error) {
	heard := map[string]time.Time{}
	s.tally.each(countInlet, func(rest string, n counter) { heard[rest] = fromMicros(n.at) })
	return heard, nil
}

// MeterHeard is when a meter's last reading came; zero if none ever did.
func (s *Store) MeterHeard(serial string) time.Time {
	return fromMicros(s.tally.get(countMeter + serial).at)
}
