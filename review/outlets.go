package review

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"tidegate/poct"
)

// turners are those who may pause and resume an outlet.
var turners = []string{"engineer", "coordinator"}

// OutletStore keeps which outlets are paused, with an event for each change.
// Both return poct.ErrSoAlready where nothing is to be changed.
type OutletStore interface {
	PauseOutlet(ctx context.Context, outlet, actor, reason string) error
	ResumeOutlet(ctx context.Context, outlet, actor, reason string) error
}

// Outlets lets people pause and resume outlets.
type Outlets struct {
	store OutletStore
	sites map[string][]string
}

// NewOutlets takes the outlets that there are, each with the sites it serves.
func NewOutlets(s OutletStore, sites map[string][]string) *Outlets {
	return &Outlets{store: s, sites: sites}
}

// Pause keeps what is released for an outlet back until it is resumed. An
// engineer or coordinator of every site that the outlet serves does so. Errors:
// *FormError, poct.ErrNotFound, poct.ErrForbidden, poct.ErrSoAlready.
func (o *Outlets) Pause(ctx context.Context, actor poct.Actor, outlet, reason string) error {
	return o.turn(ctx, actor, outlet, reason, "paused", o.store.PauseOutlet)
}

// Resume lets go, in order, what was kept back. Who may, and errors, as of Pause.
func (o *Outlets) Resume(ctx context.Context, actor poct.Actor, outlet, reason string) error {
	return o.turn(ctx, actor, outlet, reason, "resumed", o.store.ResumeOutlet)
}

func (o *Outlets) turn(ctx context.Context, actor poct.Actor, outlet, reason, how string, do func(context.Context, string, string, string) error) error {
	reason = strings.TrimSpace(reason)
	sites, known := o.sites[outlet]
	if !known {
		return fmt.Errorf("outlet %s: %w", outlet, poct.ErrNotFound)
	}
	if !has(actor, turners) || slices.ContainsFunc(sites, func(site string) bool { return !serves(actor, site) }) {
		return fmt.Errorf("%w: an outlet is %s by an engineer or coordinator of every site that it serves", poct.ErrForbidden, how)
	}
	if faults := reasonForm(reason); len(faults) > 0 {
		return &FormError{Faults: []Fault{{Field: "reason", Text: fmt.Sprintf("Write why it is %s: %d characters or more.", how, MinReason)}}}
	}
	if err := do(ctx, outlet, actor.Name, reason); err != nil {
		return fmt.Errorf("outlet %s is %s: %w", outlet, how, err)
	}
	return nil
}

// serves tells whether a person answers for a site, or with "*" for all.
func serves(actor poct.Actor, site string) bool {
	return slices.Contains(actor.Sites, "*") || site != "*" && slices.Contains(actor.Sites, site)
}
