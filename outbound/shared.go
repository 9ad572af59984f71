package outbound

import (
	"context"
	"sync"
	"time"
)

// shared remembers which resources that many results share are known to stand
// at the record system: meter, operator, clinic, strip lot. Two results of a
// new meter sent at once could each create it while the search index lags; so
// such a resource is made alone, and the results wait until a search shows it.
type shared struct {
	age time.Duration

	mu    sync.Mutex
	shown map[string]known     // condition -> where it stands
	made  map[string]time.Time // condition -> created by this process, not yet shown
}

func newShared(age time.Duration) *shared {
	return &shared{age: age, shown: map[string]known{}, made: map[string]time.Time{}}
}

func (c *shared) get(condition string, now time.Time) string {
	c.mu.Lock()
	defer c.mu.Unlock()
	if k := c.shown[condition]; now.Before(k.until) {
		return k.ref
	}
	return ""
}

func (c *shared) show(condition, ref string, now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.shown) >= 10000 { // rather ask again than grow
		c.shown = map[string]known{}
	}
	c.shown[condition] = known{ref, now.Add(c.age)}
	delete(c.made, condition)
}

// make claims the making of a resource; false while somebody else has just
// made it and no search shows it yet.
func (c *shared) make(condition string, now time.Time, patience time.Duration) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if at, ok := c.made[condition]; ok && now.Sub(at) < patience {
		return false
	}
	c.made[condition] = now
	return true
}

// unmake gives a claim back: surely nothing was made.
func (c *shared) unmake(condition string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.made, condition)
}

// forgetAll drops what is known: one of the references may lead nowhere.
func (c *shared) forgetAll() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.shown = map[string]known{}
}

// ensure makes sure that every shared resource of a transaction stands at the
// record system and is shown by a search, and gives its reference by full URL.
// Class Waiting means that one was just made.
func (r *recordSystem) ensure(ctx context.Context, s sent) (map[string]string, Answered) {
	there := map[string]string{}
	waiting := false
	for _, e := range s.entries {
		if !e.shared() {
			continue
		}
		condition := e.URL + "?" + e.IfNoneExist
		if ref := r.shared.get(condition, r.s.Now()); ref != "" {
			there[e.FullURL] = ref
			continue
		}
		found, a := r.search(ctx, e.typ(), e.identifier())
		switch {
		case a.Class != Done:
			return nil, a
		case len(found) > 1:
			return nil, r.stop(Ambiguous, problemSharedTwice(r.cfg.ID, e.typ()))
		case len(found) == 1:
			stored, err := readResource(found[0].Resource)
			if err != nil || stored.ID == "" {
				return nil, Answered{Class: Transient, Note: "match not readable"}
			}
			there[e.FullURL] = e.typ() + "/" + stored.ID
			r.shared.show(condition, there[e.FullURL], r.s.Now())
			continue
		}
		waiting = true
		// A lost create may still arrive, so the next try keeps well away.
		if !r.shared.make(condition, r.s.Now(), r.cfg.Timeout+10*r.cfg.LookupWait) {
			continue
		}
		if a := r.makeShared(ctx, e, condition); a.Class != Done {
			return nil, a
		}
	}
	if waiting {
		return nil, Answered{Class: Waiting, Pause: r.cfg.LookupWait, Note: "meter, clinic or lot newly made there"}
	}
	return there, Answered{Class: Done}
}

func (r *recordSystem) makeShared(ctx context.Context, e sentEntry, condition string) Answered {
	step, cancel := context.WithTimeout(ctx, r.cfg.Timeout)
	defer cancel()
	got, err := r.client.Create(step, "", e.typ(), e.Resource, e.IfNoneExist)
	a := r.answered(Classify(got, err), got)
	if a.Class != Done && a.Class != Unknown {
		r.shared.unmake(condition)
	}
	switch a.Class {
	case Unknown:
		a.Class = Transient // the search will tell
	case Refused, Ambiguous, Compare:
		a.Class, a.Problem = Refused, problemRefused(r.cfg.ID, a.Note)
	case Configuration:
		a.Problem = problemConfiguration(r.cfg.ID, got.Status)
	}
	return a
}
