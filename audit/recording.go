package audit

import (
	"context"

	"tidegate/outbound"
	"tidegate/poct"
)

// Recording is a store that keeps AuditEvents with each receipt.
type Recording struct {
	outbound.Store
	Where Where
}

// Finish adds what the audit repository is to be told, for the same commit.
func (r Recording) Finish(ctx context.Context, d poct.Delivery, o poct.SendOutcome) error {
	o.Audit = Events(d, o, r.Where)
	return r.Store.Finish(ctx, d, o)
}
