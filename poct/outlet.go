package poct

import (
	"errors"
	"time"
)

// Pause of an outlet by a person: nothing is sent there until it is resumed;
// what is released meanwhile waits in order.
type Pause struct {
	By     string    `json:"by"`
	Reason string    `json:"reason"`
	At     time.Time `json:"at"`
}

// OutletState is how one outlet does.
type OutletState struct {
	ID    string   `json:"outlet"`
	Kind  string   `json:"kind"`
	Sites []string `json:"sites"` // "*" for all
	// State is open, paused by a person, failing (left alone until it answers),
	// or idle while no daemon runs.
	State     string    `json:"state"`
	Since     time.Time `json:"since,omitzero"`      // of this state, where it is known
	Why       string    `json:"why,omitempty"`       // what is not well, without patient data
	NextTry   time.Time `json:"next_try,omitzero"`   // while it is left alone
	Pause     *Pause    `json:"pause,omitempty"`     // while it is paused
	Backlog   int64     `json:"backlog"`             // results that wait to be sent, those under way among them
	OldestDue time.Time `json:"oldest_due,omitzero"` // since when the oldest of them waits
	InFlight  int       `json:"in_flight"`
}

// States of an outlet.
const (
	OutletOpen    = "open"
	OutletPaused  = "paused"
	OutletFailing = "failing"
	OutletIdle    = "idle"
)

// Events about an outlet as a whole.
const (
	EventPaused  EventKind = "outlet-paused"
	EventResumed EventKind = "outlet-resumed"
)

// ErrSoAlready: what was asked for is how things stand.
var ErrSoAlready = errors.New("it is so already")
