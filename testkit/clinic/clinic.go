// Package clinic is an invented clinic group in memory, for tests of what
// people see: sites, meters, patients, a queue as it looks at ten in the
// morning, and the life of each result. It stands in for the store where a
// test is about a page and not about what is durable.
//
// It promises the store's manners where a page can tell them apart: unknown
// ids are poct.ErrNotFound, an act at an old version is poct.ErrOvertaken, and
// every look and act is written down. Nothing here is a real person or place.
package clinic

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/web"
)

// Look is a look as it was written down.
type Look struct {
	Actor       string
	IDs, Fields []string
}

// Clinic holds everything in memory. Safe for concurrent use through its methods.
type Clinic struct {
	Time time.Time // what the clinic's clock shows

	mu        sync.Mutex
	sites     map[string]poct.Site
	meters    []poct.Meter
	operators map[string]poct.Operator
	lots      map[string]poct.StripLot
	patients  []poct.Patient
	visits    []poct.Visit
	arrivals  map[string]poct.Arrival
	traces    map[string]*poct.Trace // by result id, or arrival id where there is none
	holds     []poct.HoldRecord
	criticals []poct.Critical
	lookbacks []poct.LookBack
	events    []poct.Event
	history   map[poct.PatientRef][]poct.Past
	controls  map[string][]poct.Past
	account   poct.Account
	looks     []Look
	shelf     shelf

	// BookDown makes the registry answer with an error.
	BookDown bool
}

var _ web.Reader = (*Clinic)(nil)

// Now is the clinic's clock.
func (c *Clinic) Now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.Time }

// Pass lets time go by.
func (c *Clinic) Pass(d time.Duration) { c.mu.Lock(); defer c.mu.Unlock(); c.Time = c.Time.Add(d) }

// Looks lists every look so far.
func (c *Clinic) Looks() []Look { c.mu.Lock(); defer c.mu.Unlock(); return slices.Clone(c.looks) }

// Account implements web.Reader.
func (c *Clinic) Account(context.Context) (poct.Account, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.account, nil
}

// SetAccount replaces the sum.
func (c *Clinic) SetAccount(a poct.Account) { c.mu.Lock(); defer c.mu.Unlock(); c.account = a }

// Holds implements web.Reader.
func (c *Clinic) Holds(_ context.Context, f web.HoldFilter) ([]poct.HoldRecord, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []poct.HoldRecord
	for _, h := range c.holds {
		if h.Open == f.Settled || f.Result != "" && h.Result != f.Result {
			continue
		}
		out = append(out, h)
	}
	slices.SortStableFunc(out, func(a, b poct.HoldRecord) int { return a.Opened.Compare(b.Opened) })
	if i := slices.IndexFunc(out, func(h poct.HoldRecord) bool { return h.ID == f.After }); f.After != "" {
		out = out[i+1:]
	}
	if f.Limit > 0 && len(out) > f.Limit {
		out = out[:f.Limit]
	}
	return out, nil
}

// Hold implements web.Reader and review.Store.
func (c *Clinic) Hold(_ context.Context, id string) (poct.HoldRecord, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if i := c.find(id); i >= 0 {
		return c.holds[i], nil
	}
	return poct.HoldRecord{}, poct.ErrNotFound
}

func (c *Clinic) find(id string) int {
	return slices.IndexFunc(c.holds, func(h poct.HoldRecord) bool { return h.ID == id })
}

// Arrival implements web.Reader.
func (c *Clinic) Arrival(_ context.Context, id string) (poct.Arrival, poct.State, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	a, ok := c.arrivals[id]
	if !ok {
		return a, "", poct.ErrNotFound
	}
	state := poct.Waiting
	for _, t := range c.traces {
		if slices.Contains(t.Arrivals, id) {
			state = t.State
		}
	}
	return a, state, nil
}

// Trace implements web.Reader and review.Store; an arrival's id finds its result.
func (c *Clinic) Trace(_ context.Context, id string) (poct.Trace, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if t, ok := c.traces[id]; ok {
		return c.whole(t), nil
	}
	for _, t := range c.traces {
		if slices.Contains(t.Arrivals, id) {
			return c.whole(t), nil
		}
	}
	return poct.Trace{}, poct.ErrNotFound
}

// whole adds a trace's events and holds as they are now.
func (c *Clinic) whole(t *poct.Trace) poct.Trace {
	out := *t
	out.Versions = slices.Clone(t.Versions)
	for _, e := range c.events {
		if e.Result == t.ID || e.Result == "" && slices.Contains(t.Arrivals, e.Arrival) {
			out.Events = append(out.Events, e)
		}
	}
	for _, h := range c.holds {
		if h.Result == t.ID || h.Result == "" && slices.Contains(t.Arrivals, h.Arrival) {
			out.Holds = append(out.Holds, h)
		}
	}
	return out
}

// Find implements web.Reader.
func (c *Clinic) Find(_ context.Context, q web.Query) ([]string, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []string
	for id, t := range c.traces {
		hit := id == q.Text || slices.Contains(t.Arrivals, q.Text)
		for _, v := range t.Versions {
			r := v.Result.Reading
			hit = hit || q.Text != "" && (r.Meter == q.Text || r.StripLot == q.Text || r.ControlLot == q.Text)
			hit = hit || q.Patient != "" && r.Patient.ID == q.Patient && v.Result.Patient.BirthDate == q.BirthDate
		}
		if hit {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	return out, nil
}

// Criticals implements web.Reader.
func (c *Clinic) Criticals(_ context.Context, open bool) ([]poct.Critical, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []poct.Critical
	for _, x := range c.criticals {
		if !open || x.Told == "" {
			out = append(out, x)
		}
	}
	return out, nil
}

// Meters implements web.Reader.
func (c *Clinic) Meters(context.Context) ([]poct.Meter, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.meters), nil
}

// Events implements web.Reader.
func (c *Clinic) Events(_ context.Context, from int64, n int) ([]poct.Event, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	from = min(from, int64(len(c.events)))
	return slices.Clone(c.events[from:min(from+int64(n), int64(len(c.events)))]), nil
}

// Size implements web.Reader.
func (c *Clinic) Size(context.Context) (int64, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return int64(len(c.events)), nil
}

// Book implements web.Reader.
func (c *Clinic) Book() poct.Book { return book{c} }

// Look implements review.Store.
func (c *Clinic) Look(_ context.Context, actor string, ids, fields []string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.looks = append(c.looks, Look{Actor: actor, IDs: ids, Fields: fields})
	for _, id := range ids {
		e := poct.Event{Kind: poct.EventLooked, Actor: actor, Payload: []byte(`{"fields":["` + strings.Join(fields, `","`) + `"]}`)}
		if _, ok := c.traces[id]; ok {
			e.Result = id
		} else {
			e.Arrival = id
		}
		c.step(c.Time, e)
	}
	return nil
}

// Call implements review.Store.
func (c *Clinic) Call(_ context.Context, call poct.CallTry) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	i := slices.IndexFunc(c.criticals, func(x poct.Critical) bool { return x.Result == call.Result })
	if i < 0 {
		return poct.ErrNotFound
	}
	x := &c.criticals[i]
	if x.Told != "" {
		return poct.ErrOvertaken
	}
	call.At = c.Time
	x.Tries = append(slices.Clone(x.Tries), call)
	if !call.Reached {
		c.step(c.Time, poct.Event{Kind: poct.EventCallTried, Actor: call.By, Result: call.Result})
		return nil
	}
	x.Told, x.ToldAt, x.Comment = call.By, c.Time, call.Comment
	for k := range c.holds {
		if c.holds[k].Result == call.Result {
			c.holds[k].Called = true
		}
	}
	c.step(c.Time, poct.Event{Kind: poct.EventCalled, Actor: call.By, Result: call.Result})
	return nil
}

// Settle implements review.Store.
func (c *Clinic) Settle(_ context.Context, id string, st poct.Settlement,
	decide func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error)) (poct.HoldRecord, error) {
	c.mu.Lock()
	i := c.find(id)
	if i < 0 {
		c.mu.Unlock()
		return poct.HoldRecord{}, poct.ErrNotFound
	}
	h := c.holds[i]
	a := c.arrivals[h.Arrival]
	c.mu.Unlock()
	if !h.Open || h.Version != st.Version {
		return h, poct.ErrOvertaken
	}
	var d poct.Decision
	if st.Act != poct.ActDiscard && h.Delivery == 0 {
		var err error
		if d, err = decide(c.Book(), h, a); err != nil {
			return h, err
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	h.Open, h.Settled, h.Version = false, &st, h.Version+1
	c.holds[i] = h
	kind := map[poct.Act]poct.EventKind{poct.ActCorrect: poct.EventCorrected, poct.ActRelease: poct.EventOverridden,
		poct.ActDiscard: poct.EventDiscarded, poct.ActRetry: poct.EventRetried}[st.Act]
	t := c.traces[h.Result]
	if t == nil {
		t = c.traces[h.Arrival]
	}
	c.step(st.At, poct.Event{Kind: kind, Actor: st.Actor, Result: h.Result, Arrival: h.Arrival, Hold: h.ID, Version: len(t.Versions) + 1})
	c.account.Held--
	if st.Act == poct.ActDiscard {
		t.State = poct.Discarded
		c.account.Discarded++
		return h, nil
	}
	for _, o := range d.Outcomes {
		v := poct.VersionRecord{Version: len(t.Versions) + 1, Arrival: h.Arrival, Result: o.Result, Verdict: o.Verdict, Problems: o.Problems, Checks: o.Checks, Actor: st.Actor, Reason: st.Reason, At: st.At}
		v.Result.Version = v.Version
		t.Versions = append(t.Versions, v)
		if o.Verdict == poct.HoldIt {
			again := h
			again.ID, again.Open, again.Settled, again.Version = fmt.Sprintf("%s-%d", h.ID, v.Version), true, nil, 1
			again.Problems, again.Opened, again.Reading, again.Cause = o.Problems, st.At, o.Result.Reading, o.Cause
			c.holds = append(c.holds, again)
			c.account.Held++
			c.step(st.At, poct.Event{Kind: poct.EventHeld, Actor: poct.System, Result: t.ID, Version: v.Version, Hold: again.ID})
			continue
		}
		t.State = poct.Delivering
		c.account.Delivering++
		c.step(st.At, poct.Event{Kind: poct.EventReleased, Actor: poct.System, Result: t.ID, Version: v.Version})
	}
	return h, nil
}

// step writes an event; the caller holds the lock.
func (c *Clinic) step(at time.Time, e poct.Event) {
	e.Index, e.Time = int64(len(c.events)), at
	if len(e.Payload) > 0 {
		e.Salt = make([]byte, ledger.SaltSize)
	}
	c.events = append(c.events, e)
}

// Prove proves an event of the fixture's own ledger.
func (c *Clinic) Prove(_ context.Context, index int64) (web.Proof, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if index < 0 || index >= int64(len(c.events)) {
		return web.Proof{}, poct.ErrNotFound
	}
	e := c.events[index]
	if c.Time.Sub(e.Time) < time.Second {
		return web.Proof{}, web.ErrUnsigned
	}
	hash := ledger.LeafHash(e)
	root := sha256.Sum256(hash[:])
	p := web.Proof{Index: index, Leaf: ledger.Leaf(e), LeafHash: fmt.Sprintf("%x", hash[:]), Size: int64(len(c.events)), Root: fmt.Sprintf("%x", root[:]),
		Key: "millrace.example/1+3c1e07aa", Checkpoint: "millrace.example/1\n" + fmt.Sprint(len(c.events)) + "\n", SignedAt: c.Time.Add(-4 * time.Minute)}
	for i := range 6 {
		h := sha256.Sum256([]byte{byte(i)})
		p.Path = append(p.Path, fmt.Sprintf("%x", h[:]))
	}
	return p, nil
}

var errDown = errors.New("the registry does not answer")

// Facts looks a reading up in the clinic, as far as pages show it.
func Facts(b poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error) {
	f := poct.Facts{Now: now, Received: received, PatientSource: "registry"}
	m, ok, err := b.Meter(r.Meter)
	if err != nil {
		return f, err
	}
	if ok {
		f.Meter = &m
		if s, ok, _ := b.Site(m.Site); ok {
			f.Site = &s
		}
	}
	if o, ok, _ := b.Operator(r.Operator); ok {
		f.Operator = &o
	}
	if l, ok, _ := b.StripLot(r.StripLot); ok {
		f.StripLot = &l
	} else {
		known, _ := b.StripLotNumbers()
		for _, k := range known {
			if len(k) == len(r.StripLot) && apart(k, r.StripLot) == 1 {
				f.NearestLot = k
			}
		}
	}
	f.Patients, _ = b.Patients(r.Patient.Authority, r.Patient.ID)
	if len(f.Patients) == 1 {
		f.Patient = &f.Patients[0]
	}
	f.History, _ = b.PatientResults(r.Patient, r.Tested().AddDate(0, -3, 0), r.Tested(), 0)
	f.Controls, _ = b.Controls(r.Meter, r.Tested().Add(-24*time.Hour), r.Tested())
	return f, nil
}

func apart(a, b string) int {
	n := 0
	for i := range len(a) {
		if a[i] != b[i] {
			n++
		}
	}
	return n
}

// Again is a judge for this clinic: a reading passes once its lot, operator
// and patient are registered; a release passes as it is.
func (c *Clinic) Again(b poct.Book, h poct.HoldRecord, _ poct.Arrival, st poct.Settlement) (poct.Decision, error) {
	r := h.Reading
	for field, to := range st.Changes {
		switch field {
		case poct.FieldStripLot:
			r.StripLot = to
		case poct.FieldOperator:
			r.Operator = to
		case poct.FieldPatient:
			r.Patient.ID = to
		case poct.FieldBirthDate:
			r.BirthDate = to
		}
	}
	o := poct.Outcome{Result: poct.Result{ID: h.Result, Site: h.Site, Reading: r}, Verdict: poct.Release}
	if rows, _ := b.Patients(r.Patient.Authority, r.Patient.ID); len(rows) == 1 {
		o.Result.Patient = rows[0]
	}
	if _, ok, _ := b.StripLot(r.StripLot); !ok && st.Act != poct.ActRelease {
		o.Verdict, o.Cause = poct.HoldIt, "lot-unknown|"+r.StripLot
		o.Problems = []poct.Problem{LotUnknown(r.StripLot)}
	}
	return poct.Decision{Arrival: h.Arrival, Outcomes: []poct.Outcome{o}}, nil
}
