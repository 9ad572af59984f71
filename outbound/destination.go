package outbound

import (
	"context"
	"time"

	"tidegate/poct"
)

// Answered is what one step at a destination came to.
type Answered struct {
	Class   Class
	Status  int               // HTTP status, 0 without an answer
	Pause   time.Duration     // what the destination asked for, 0 if nothing
	Remote  map[string]string // ids and version tags learned
	Problem *poct.Problem     // set where only a person can go on
	Request string            // id of the request, for the other side's log
	Note    string            // short, without patient data
	// Confirm: carried out, but not final before a later look-up finds
	// exactly what was sent.
	Confirm bool
	// Landed: a part of what was sent surely stands there, whatever became of
	// the rest.
	Landed bool
}

// Destination is one kind of outlet. Its methods are called from several
// goroutines, one at a time for a delivery. They hold no delivery state: what
// they need comes with the delivery.
type Destination interface {
	// Prepare resolves the destination's ids and renders the bytes. Class Done
	// means that they are ready to be committed.
	Prepare(ctx context.Context, d poct.Delivery) (body []byte, remote map[string]string, a Answered)
	// Send sends committed bytes, unchanged.
	Send(ctx context.Context, d poct.Delivery) Answered
	// Find looks up what became of the bytes of a delivery: Done it stands
	// there as sent, Absent it does not, and may be sent again. Where a part of
	// it stands there, Remote of an Absent says so to the Send that follows.
	Find(ctx context.Context, d poct.Delivery) Answered
	// Refresh reads what the destination can do; called at start and daily.
	Refresh(ctx context.Context) error
	// SignInAgain reads the credentials once more and tells whether they changed.
	SignInAgain() (bool, error)
}

// Store is what a worker needs of the store. Finish and Intent commit only
// while the delivery still carries its lease epoch, else poct.ErrFenced.
type Store interface {
	// ClaimDeliveries leases deliveries that are due. Version n+1 of a result
	// is not among them before version n is final.
	ClaimDeliveries(ctx context.Context, outlet, owner string, most int, lease time.Duration) ([]poct.Delivery, error)
	// Intent commits that these bytes are about to be sent. It returns only
	// when that would survive a power cut.
	Intent(ctx context.Context, d poct.Delivery, body []byte, remote map[string]string) error
	Finish(ctx context.Context, d poct.Delivery, o poct.SendOutcome) error
}
