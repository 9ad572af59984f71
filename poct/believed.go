package poct

import (
	"encoding/json"
	"time"
)

// Believed is a registry row as it was from one event on.
type Believed struct {
	Kind  RegistryKind    `json:"kind"`
	Key   string          `json:"key"` // its identity; names the row to History, and means nothing else
	Row   json.RawMessage `json:"row"` // members as in the row's type
	Since time.Time       `json:"since"`
	By    string          `json:"by"`
	Event int64           `json:"event"`
	Times int             `json:"times"` // how often the row was written; more than once: it has a history
}

// Came is an arrival in a list: nothing of what it says.
type Came struct {
	ID       string    `json:"arrival"`
	Received time.Time `json:"received"`
	Bytes    int       `json:"bytes"`
	Format   string    `json:"format"`
	State    State     `json:"state"`
}
