package web

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
)

// queue keeps the open holds in memory. Reading ten thousand of them anew for
// each page takes a store most of a second; asking the ledger what happened
// since takes next to nothing. Every change of a hold is an event, so nothing
// is missed, and applying one twice changes nothing.
type queue struct {
	mu    sync.Mutex
	next  int64                      // index of the first event not applied
	open  map[string]poct.HoldRecord // by hold id
	of    map[string][]string        // result -> its open holds
	list  []poct.HoldRecord          // oldest first; never changed once handed out
	known bool
}

// behind is how many events may have come since before all is read anew.
const behind = 4000

// read returns the open holds as they are now, oldest first. The slice is shared.
func (q *queue) read(ctx context.Context, r Reader) ([]poct.HoldRecord, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	size, err := r.Size(ctx)
	if err != nil {
		return nil, err
	}
	if !q.known || size < q.next || size-q.next > behind {
		holds, err := r.Holds(ctx, HoldFilter{})
		if err != nil {
			return nil, err
		}
		q.open, q.of = make(map[string]poct.HoldRecord, len(holds)), make(map[string][]string, len(holds))
		for _, h := range holds {
			q.put(h)
		}
		q.next, q.known = size, true
		q.sort()
		return q.list, nil
	}
	if size == q.next {
		return q.list, nil
	}
	events, err := r.Events(ctx, q.next, int(size-q.next))
	if err != nil {
		return nil, err
	}
	changed, err := q.apply(ctx, r, events)
	if err != nil {
		q.known = false // half applied: read all the next time
		return nil, err
	}
	q.next += int64(len(events))
	if changed {
		q.sort()
	}
	return q.list, nil
}

// apply reads again the holds of every result that an event may have moved.
func (q *queue) apply(ctx context.Context, r Reader, events []poct.Event) (bool, error) {
	results, alone := map[string]bool{}, map[string]bool{}
	for _, e := range events {
		switch e.Kind {
		case poct.EventLooked, poct.EventReceived, poct.EventResent, poct.EventIntent, poct.EventUnknown, poct.EventRetry, poct.EventExported:
			continue // moves no hold
		case poct.EventHeld, poct.EventRefused:
			results[e.Result] = true
		default:
			if len(q.of[e.Result]) > 0 {
				results[e.Result] = true
			}
		}
		if e.Hold != "" && e.Result == "" {
			alone[e.Hold] = true
		}
	}
	delete(results, "")
	for id := range results {
		now, err := r.Holds(ctx, HoldFilter{Result: id})
		if err != nil {
			return false, err
		}
		for _, old := range q.of[id] {
			delete(q.open, old)
		}
		delete(q.of, id)
		for _, h := range now {
			q.put(h)
		}
	}
	for id := range alone {
		h, err := r.Hold(ctx, id)
		if err != nil {
			return false, err
		}
		if delete(q.open, id); h.Open {
			q.put(h)
		}
	}
	return len(results)+len(alone) > 0, nil
}

func (q *queue) put(h poct.HoldRecord) {
	q.open[h.ID] = h
	if h.Result != "" {
		q.of[h.Result] = append(q.of[h.Result], h.ID)
	}
}

func (q *queue) sort() {
	q.list = slices.SortedFunc(maps.Values(q.open), func(a, b poct.HoldRecord) int {
		return cmp.Or(a.Opened.Compare(b.Opened), cmp.Compare(a.ID, b.ID))
	})
}

// lead is the problem that a hold is about: the first that holds and is not
// the consequence of another.
func lead(h poct.HoldRecord) poct.Problem {
	for _, p := range h.Problems {
		if p.Severity == poct.Hold && p.Because == "" {
			return p
		}
	}
	if len(h.Problems) > 0 {
		return h.Problems[0]
	}
	return poct.Problem{Code: "held", Text: "It is held."}
}

// own are the holding problems that are nobody's consequence.
func own(h poct.HoldRecord) []poct.Problem {
	var out []poct.Problem
	for _, p := range h.Problems {
		if p.Severity == poct.Hold && p.Because == "" {
			out = append(out, p)
		}
	}
	return out
}

// group is the holds of one cause, oldest first.
type group struct {
	cause    string
	holds    []poct.HoldRecord
	critical bool // at least one is critical and nobody was told
	here     bool // at least one patient is still here
}

// grouped groups holds by cause in the order in which they want a person:
// critical and not called, patient still here, oldest. byAge orders by age alone.
func grouped(holds []poct.HoldRecord, here func(poct.HoldRecord) bool, byAge bool) []group {
	place := map[string]int{}
	var groups []group
	for _, h := range holds {
		key := causeOf(h)
		i, ok := place[key]
		if !ok {
			i = len(groups)
			place[key] = i
			groups = append(groups, group{cause: key})
		}
		g := &groups[i]
		g.holds = append(g.holds, h)
		g.critical = g.critical || urgent(h)
		g.here = g.here || here(h)
	}
	for _, g := range groups {
		slices.SortStableFunc(g.holds, func(a, b poct.HoldRecord) int {
			if byAge {
				return a.Opened.Compare(b.Opened)
			}
			return cmp.Or(first(urgent(a), urgent(b)), first(here(a), here(b)), a.Opened.Compare(b.Opened))
		})
	}
	slices.SortStableFunc(groups, func(a, b group) int {
		age := a.oldest().Compare(b.oldest())
		if byAge {
			return age
		}
		return cmp.Or(first(a.critical, b.critical), first(a.here, b.here), age)
	})
	return groups
}

func (g group) oldest() time.Time {
	t := g.holds[0].Opened
	for _, h := range g.holds {
		if h.Opened.Before(t) {
			t = h.Opened
		}
	}
	return t
}

// urgent: critical, and nobody was told yet.
func urgent(h poct.HoldRecord) bool { return h.Critical && !h.Called }

func first(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// causeOf is the cause; a hold without one stands alone.
func causeOf(h poct.HoldRecord) string {
	if h.Cause != "" {
		return h.Cause
	}
	return "hold|" + h.ID
}

// title says what the holds of a cause have in common.
func (w *Server) title(holds []poct.HoldRecord) string {
	p := lead(holds[0])
	text := clause(p.Text)
	for _, h := range holds[1:] {
		if clause(lead(h).Text) != text {
			if c, ok := w.checks[p.Code]; ok && c.Title != "" {
				return sharedTitle(c.Title, holds)
			}
			return upperFirst(strings.ReplaceAll(p.Code, "-", " "))
		}
	}
	return text
}

// sharedTitle adds to a check's title what all its holds share.
func sharedTitle(title string, holds []poct.HoldRecord) string {
	shared := func(of func(poct.HoldRecord) string) string {
		v := of(holds[0])
		for _, h := range holds {
			if of(h) != v {
				return ""
			}
		}
		return v
	}
	if cause := holds[0].Cause; strings.Contains(cause, "|") {
		switch _, fact, _ := strings.Cut(cause, "|"); fact {
		case "":
		case shared(func(h poct.HoldRecord) string { return h.Reading.StripLot }):
			return title + ", strip lot " + fact
		case shared(func(h poct.HoldRecord) string { return h.Reading.Meter }):
			return title + ", meter " + fact
		case shared(func(h poct.HoldRecord) string { return h.Reading.Operator }):
			return title + ", operator " + fact
		}
	}
	return title
}

// desks lists who settles what holds these, in words.
func (w *Server) desks(holds []poct.HoldRecord) string {
	var names []string
	for _, h := range holds {
		for _, p := range own(h) {
			name := map[string]string{reviewer: "the reviewer", coordinator: "the coordinator", clinician: "a clinician"}[w.checks[p.Code].Desk]
			if name != "" && !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "for " + list(names, "and")
}
