package ingest

import (
	"context"

	"tidegate/poct"
)

// Inbox is where an inlet puts what it took in. It is safe for concurrent use.
type Inbox interface {
	// Accept stores an arrival. It returns nil only when the arrival would
	// survive a power cut; after any error the sender gets a negative answer and
	// keeps its message. The same bytes from the same source are answered with
	// the first arrival's id.
	Accept(ctx context.Context, a poct.Arrival) (poct.Accepted, error)
	// Notice records something that became no arrival.
	Notice(ctx context.Context, n poct.Notice) error
}
