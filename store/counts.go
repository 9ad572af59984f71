package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
)

// counter is a sum and the last time it changed, in microseconds.
type counter struct{ n, at int64 }

type named struct {
	name string
	counter
}

// delta changes a counter when the transaction commits.
type delta struct {
	name string
	n    int64
	set  bool // n is the new value
	at   int64
}

// Names of counters; a slash and a name follow where they end in one.
const (
	countArrivals  = "arrivals/"   // state
	countReadings  = "readings/"   // ending
	countResends   = "resends"     //
	countHour      = "hour/"       // unix hour, inlet: arrivals then
	countDelivered = "delivered/"  // unix hour: deliveries then
	countInlet     = "inlet/"      // inlet: arrivals ever
	countMeter     = "meter/"      // serial: readings ever
	countPending   = "pending/"    // outlet: deliveries not yet final
	countProblem   = "problem/"    // code: found in how many versions
	judgedThrough  = "judged-upto" // all arrivals up to this row were judged
)

// arrivalsIn and readingsIn are the counters of a state. There are few, and
// every step changes some: their names are put together once.
func arrivalsIn(s poct.State) string { return stateNames[s][0] }
func readingsIn(s poct.State) string { return stateNames[s][1] }

var stateNames = func() map[poct.State][2]string {
	m := map[poct.State][2]string{}
	for _, s := range []poct.State{poct.Held, poct.Delivered, poct.Filed, poct.Discarded, poct.Duplicated, poct.Ignored, poct.Waiting, poct.Delivering} {
		m[s] = [2]string{countArrivals + string(s), countReadings + string(s)}
	}
	return m
}()

// keptHours is for how long sums by the hour are kept in memory.
const keptHours = 8 * 24

// tally is the counters as committed.
type tally struct {
	mu sync.RWMutex
	m  map[string]counter
}

func (y *tally) load(q querier, now time.Time) error {
	y.m = map[string]counter{}
	rows, err := q.rows(`SELECT name, n, at FROM counters
		WHERE at >= ? OR NOT (name >= 'hour/' AND name < 'hour0' OR name >= 'delivered/' AND name < 'delivered0')`,
		micros(now.Add(-keptHours*time.Hour)))
	if err != nil {
		return fmt.Errorf("read counters: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var c named
		if err := rows.Scan(&c.name, &c.n, &c.at); err != nil {
			return fmt.Errorf("read counters: %w", err)
		}
		y.m[c.name] = c.counter
	}
	return rows.Err()
}

func (y *tally) get(name string) counter {
	y.mu.RLock()
	defer y.mu.RUnlock()
	return y.m[name]
}

// each calls f for the counters whose names begin with a prefix, in the order
// of their names, with the rest of the name.
func (y *tally) each(prefix string, f func(rest string, c counter)) {
	y.mu.RLock()
	found := map[string]counter{}
	for name, c := range y.m {
		if rest, ok := strings.CutPrefix(name, prefix); ok {
			found[rest] = c
		}
	}
	y.mu.RUnlock()
	for _, rest := range slices.Sorted(maps.Keys(found)) {
		f(rest, found[rest])
	}
}

// after is the values of the counters that the deltas change.
func (y *tally) after(deltas []delta) []named {
	if len(deltas) == 0 {
		return nil
	}
	y.mu.RLock()
	defer y.mu.RUnlock()
	changed := make(map[string]counter, 8)
	names := make([]string, 0, 8)
	for _, d := range deltas {
		c, ok := changed[d.name]
		if !ok {
			c = y.m[d.name]
			names = append(names, d.name)
		}
		changed[d.name] = d.apply(c)
	}
	out := make([]named, len(names))
	for i, name := range names {
		out[i] = named{name, changed[name]}
	}
	return out
}

func (y *tally) add(deltas []delta) {
	y.mu.Lock()
	defer y.mu.Unlock()
	for _, d := range deltas {
		y.m[d.name] = d.apply(y.m[d.name])
	}
}

func (d delta) apply(c counter) counter {
	if d.set {
		return counter{d.n, d.at}
	}
	return counter{c.n + d.n, max(c.at, d.at)}
}

// count changes a counter with this transaction.
func (t *tx) count(name string, n int64) {
	if t.deltas == nil {
		t.deltas = make([]delta, 0, 256)
	}
	t.deltas = append(t.deltas, delta{name: name, n: n, at: micros(t.at)})
}

func hourOf(at time.Time) string { return strconv.FormatInt(at.Unix()/3600, 10) }

// Account adds up where everything is that came in. It counts nothing: the
// sums are kept with what they sum. Verify counts again and compares.
func (s *Store) Account(context.Context) (poct.Account, error) {
	var a poct.Account
	s.tally.each("", func(name string, c counter) { // in one look: sums of one commit
		kind, rest, _ := strings.Cut(name, "/")
		switch kind + "/" {
		case countArrivals:
			put(&a.Ends, rest, c.n)
		case countReadings:
			put(&a.Readings, rest, c.n)
		case countInlet:
			a.Arrivals += c.n
		case countResends + "/":
			a.Resends = c.n
		}
	})
	a.Readings.Waiting = a.Waiting // one that was not read yet counts as one reading
	a.Lost = a.Arrivals - (a.Delivered + a.Filed + a.Held + a.Duplicate + a.Ignored + a.Discarded + a.Waiting + a.Delivering)
	return a, nil
}

func put(e *poct.Ends, state string, n int64) {
	switch poct.State(state) {
	case poct.Delivered:
		e.Delivered = n
	case poct.Filed:
		e.Filed = n
	case poct.Held:
		e.Held = n
	case poct.Duplicated:
		e.Duplicate = n
	case poct.Ignored:
		e.Ignored = n
	case poct.Discarded:
		e.Discarded = n
	case poct.Waiting:
		e.Waiting = n
	case poct.Delivering:
		e.Delivering = n
	}
}

// Counts is what the screens and metrics show of the work at one moment.
type Counts struct {
	// Hours lists arrivals by the hour they came in and by inlet, for the last
	// eight days, oldest first; hours without any are left out.
	Hours []HourCount `json:"hours"`
	// Delivered lists deliveries by the hour they were accepted in.
	Delivered []HourCount          `json:"delivered"`
	Inlets    map[string]time.Time `json:"inlets"`   // when each was last heard
	Meters    map[string]time.Time `json:"meters"`   // when each meter's last reading came
	Backlog   map[string]int64     `json:"backlog"`  // deliveries not yet final, by outlet
	Problems  map[string]int64     `json:"problems"` // by code, ever found
	Waiting   int64                `json:"waiting"`  // arrivals not yet judged
	OpenHolds int64                `json:"open_holds"`
	// OldestHold is when the oldest open hold was opened; zero if none is.
	OldestHold time.Time `json:"oldest_hold,omitzero"`
	// OldestDue is when the oldest delivery not yet final became due, by outlet.
	OldestDue map[string]time.Time `json:"oldest_due"`
}

// HourCount is a number of things in one hour.
type HourCount struct {
	Hour  time.Time `json:"hour"` // its beginning, UTC
	Inlet string    `json:"inlet,omitempty"`
	N     int64     `json:"n"`
}

// Counts reads the sums of now.
func (s *Store) Counts(ctx context.Context) (Counts, error) {
	c := Counts{
		Inlets: map[string]time.Time{}, Meters: map[string]time.Time{}, Backlog: map[string]int64{},
		Problems: map[string]int64{}, OldestDue: map[string]time.Time{},
		Waiting: s.tally.get(arrivalsIn(poct.Waiting)).n,
	}
	s.tally.each(countHour, func(rest string, n counter) {
		hour, inlet, _ := strings.Cut(rest, "/")
		c.Hours = append(c.Hours, HourCount{parseHour(hour), inlet, n.n})
	})
	s.tally.each(countDelivered, func(rest string, n counter) {
		c.Delivered = append(c.Delivered, HourCount{parseHour(rest), "", n.n})
	})
	s.tally.each(countInlet, func(rest string, n counter) { c.Inlets[rest] = fromMicros(n.at) })
	s.tally.each(countMeter, func(rest string, n counter) { c.Meters[rest] = fromMicros(n.at) })
	s.tally.each(countPending, func(rest string, n counter) { c.Backlog[rest] = n.n })
	s.tally.each(countProblem, func(rest string, n counter) { c.Problems[rest] = n.n })

	q := s.read.with(ctx)
	var oldest int64
	if err := q.row(`SELECT count(*), coalesce(min(opened), 0) FROM holds WHERE open = 1`).Scan(&c.OpenHolds, &oldest); err != nil {
		return c, fmt.Errorf("count open holds: %w", err)
	}
	c.OldestHold = fromMicros(oldest)
	for outlet, n := range c.Backlog {
		if n == 0 {
			continue
		}
		var due int64
		if err := q.row(`SELECT coalesce(min(due), 0) FROM deliveries WHERE outlet = ? AND state = 'ready'`, outlet).Scan(&due); err != nil {
			return c, fmt.Errorf("read oldest delivery: %w", err)
		}
		if due != 0 {
			c.OldestDue[outlet] = fromMicros(due)
		}
	}
	return c, nil
}

func parseHour(text string) time.Time {
	n, _ := strconv.ParseInt(text, 10, 64) // our own names: digits
	return time.Unix(n*3600, 0).UTC()
}
