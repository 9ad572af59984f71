package web

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
)

// queue keeps the last list of open holds for the band's count, so that every
// page need not read the whole queue. The pages about holds always read anew.
type queue struct {
	mu    sync.Mutex
	holds []poct.HoldRecord
	at    time.Time
}

const countAge = 5 * time.Second

func (q *queue) recent(ctx context.Context, w *Server) ([]poct.HoldRecord, error) {
	q.mu.Lock()
	holds, at := q.holds, q.at
	q.mu.Unlock()
	if age := w.s.Now().Sub(at); !at.IsZero() && age >= 0 && age < countAge {
		return holds, nil
	}
	return q.read(ctx, w)
}

func (q *queue) read(ctx context.Context, w *Server) ([]poct.HoldRecord, error) {
	holds, err := w.s.Reader.Holds(ctx, HoldFilter{})
	if err != nil {
		return nil, err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	q.holds, q.at = holds, w.s.Now()
	return holds, nil
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
