package clinic

import (
	"context"
	"slices"
	"time"

	"tidegate/poct"
)

// Doubt puts a look-back with its results into the clinic.
func (c *Clinic) Doubt(b poct.LookBack) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.lookbacks = append(c.lookbacks, b)
}

// LookBacks lists look-backs, those with a result to be judged or the others.
func (c *Clinic) LookBacks(_ context.Context, open bool, after string, limit int) ([]poct.LookBack, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []poct.LookBack
	for _, b := range c.lookbacks {
		if b = counted(b); (b.Left > 0) == open && b.ID > after {
			b.Items = nil
			out = append(out, b)
		}
	}
	if limit > 0 && len(out) > limit {
		out = out[:limit]
	}
	return out, nil
}

func counted(b poct.LookBack) poct.LookBack {
	b.Total, b.Left = len(b.Items), 0
	for _, i := range b.Items {
		if i.Judged == "" {
			b.Left++
		}
	}
	return b
}

// LookBack implements review.Store.
func (c *Clinic) LookBack(_ context.Context, id, after string, limit int) (poct.LookBack, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, b := range c.lookbacks {
		if b.ID != id {
			continue
		}
		b = counted(b)
		b.Items = slices.DeleteFunc(slices.Clone(b.Items), func(i poct.LookBackItem) bool { return i.Result <= after })
		if limit > 0 && len(b.Items) > limit {
			b.Items = b.Items[:limit]
		}
		return b, nil
	}
	return poct.LookBack{}, poct.ErrNotFound
}

// LookBackItem implements review.Store.
func (c *Clinic) LookBackItem(_ context.Context, id, result string) (poct.LookBackItem, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if i := c.item(id, result); i != nil {
		return *i, nil
	}
	return poct.LookBackItem{}, poct.ErrNotFound
}

func (c *Clinic) item(id, result string) *poct.LookBackItem {
	for b := range c.lookbacks {
		for i := range c.lookbacks[b].Items {
			if item := &c.lookbacks[b].Items[i]; c.lookbacks[b].ID == id && item.Result == result {
				return item
			}
		}
	}
	return nil
}

// LastReason implements review.Store.
func (c *Clinic) LastReason(_ context.Context, id, actor string) (string, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	reason, at := "", time.Time{}
	for _, b := range c.lookbacks {
		for _, i := range b.Items {
			if b.ID == id && i.By == actor && !i.At.Before(at) {
				reason, at = i.Reason, i.At
			}
		}
	}
	return reason, nil
}

// JudgeItem implements review.Store. The result's versions stay as they are.
func (c *Clinic) JudgeItem(_ context.Context, id string, j poct.Judgement, _ func(*poct.Result)) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	i := c.item(id, j.Result)
	switch {
	case i == nil:
		return poct.ErrNotFound
	case i.Judged != "" || i.Version != j.Version:
		return poct.ErrOvertaken
	}
	i.Judged, i.By, i.Reason, i.At = j.Judged, j.Actor, j.Reason, c.Time
	c.step(c.Time, poct.Event{Kind: poct.EventJudged, Actor: j.Actor, Result: j.Result})
	return nil
}

// Withdraw implements review.Store: a new version that says the same, withdrawn.
func (c *Clinic) Withdraw(_ context.Context, j poct.Judgement, note func(*poct.Result)) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := c.traces[j.Result]
	switch {
	case t == nil || len(t.Versions) == 0:
		return poct.ErrNotFound
	case len(t.Versions) != j.Version:
		return poct.ErrOvertaken
	}
	v := t.Versions[len(t.Versions)-1]
	v.Version, v.Actor, v.Reason, v.At = j.Version+1, j.Actor, j.Reason, c.Time
	v.Result.Version, v.Result.Marks = v.Version, slices.Clone(v.Result.Marks)
	if note != nil {
		note(&v.Result)
	}
	t.Versions = append(t.Versions, v)
	c.step(c.Time, poct.Event{Kind: poct.EventTakenBack, Actor: j.Actor, Result: j.Result, Version: j.Version})
	return nil
}

// WidenLookBack implements review.Store; nothing joins.
func (c *Clinic) WidenLookBack(_ context.Context, id string, from time.Time, actor, _ string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i := range c.lookbacks {
		b := &c.lookbacks[i]
		if b.ID != id {
			continue
		}
		if b.Kind != poct.LookBackFailed || !from.Before(b.From) {
			return poct.ErrNotAllowed
		}
		b.From = from
		c.step(c.Time, poct.Event{Kind: poct.EventWidened, Actor: actor, Result: b.Control})
		return nil
	}
	return poct.ErrNotFound
}
