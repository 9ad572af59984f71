package store

import (
	"context"

	"tidegate/ledger"
	"tidegate/poct"
)

// Probed records that a person had an outlet probed, and what came of it in a
// few words without patient data.
func (s *Store) Probed(ctx context.Context, actor, outlet, text string) error {
	return s.do(ctx, func(t *tx) error {
		_, err := t.event(poct.Event{Kind: poct.EventProbed, Actor: actor, Outlet: outlet}, &ledger.Payload{Reason: text})
		return err
	})
}
