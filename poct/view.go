package poct

import (
	"errors"
	"time"
)

// Errors that callers of the store and the desk test for.
var (
	ErrNotFound   = errors.New("not found")
	ErrOvertaken  = errors.New("settled by somebody else meanwhile") // compare-and-swap on a hold failed
	ErrNotAllowed = errors.New("not allowed for this check")         // no rank may do this act
	ErrForbidden  = errors.New("not yours to settle")                // this person may not
	ErrFenced     = errors.New("lease lost to another worker")
	ErrStoreDown  = errors.New("store cannot take arrivals now")
)

// Notice is what an inlet saw that is no arrival: a frame cut off, bytes
// outside a frame, a refused peer. Bytes is at most the last 64 KiB.
type Notice struct {
	Inlet string
	Peer  string
	At    time.Time
	What  string // without patient data
	Bytes []byte
}

// VersionRecord is one version of a result as decided.
type VersionRecord struct {
	Version  int           `json:"version"`
	Arrival  string        `json:"arrival"`
	Result   Result        `json:"result"`
	Verdict  Verdict       `json:"verdict"`
	Rule     string        `json:"rule,omitempty"`
	Problems []Problem     `json:"problems"`
	Checks   []CheckAnswer `json:"checks"`
	Actor    string        `json:"actor"`
	Reason   string        `json:"reason,omitempty"`
	At       time.Time     `json:"at"`
	Sent     []SentBody    `json:"sent,omitempty"`
}

// SentBody is the exact bytes rendered for one outlet.
type SentBody struct {
	Delivery int64         `json:"delivery"`
	Outlet   string        `json:"outlet"`
	Action   Action        `json:"action"`
	State    DeliveryState `json:"state"`
	NextTry  time.Time     `json:"next_try,omitzero"`
	Body     []byte        `json:"-"`
}

// Trace is everything kept about one result, or about one arrival that never
// became one. Events are in ledger order.
type Trace struct {
	ID       string          `json:"id"` // result id, or arrival id where there is no result
	Key      string          `json:"key,omitempty"`
	State    State           `json:"state"`
	Site     string          `json:"site,omitempty"`
	Arrivals []string        `json:"arrivals"`
	Versions []VersionRecord `json:"versions"`
	Events   []Event         `json:"events"`
	Receipts []Receipt       `json:"receipts"`
	Holds    []HoldRecord    `json:"holds"`
}

// Ends counts readings or arrivals by where they are. At rest Waiting and
// Delivering are 0 and the six others add up to what came in.
type Ends struct {
	Delivered  int64 `json:"delivered"`
	Filed      int64 `json:"filed"`
	Held       int64 `json:"held"`
	Duplicate  int64 `json:"duplicate"`
	Ignored    int64 `json:"ignored"`
	Discarded  int64 `json:"discarded"`
	Waiting    int64 `json:"waiting"`
	Delivering int64 `json:"delivering"`
}

// Account is the sum that must add up.
type Account struct {
	Arrivals int64 `json:"arrivals"`
	Ends
	Lost     int64 `json:"lost"` // arrivals in no state at all: always 0
	Resends  int64 `json:"resends"`
	Readings Ends  `json:"readings"`
}

// Critical is a result above the critical limit that a person must be told of.
type Critical struct {
	Result  string    `json:"result"`
	Hold    string    `json:"hold,omitempty"` // open hold, if it is held
	Site    string    `json:"site"`
	Value   string    `json:"value"` // as sent, "6.1"
	Meter   string    `json:"meter"`
	Tested  time.Time `json:"tested"`
	Opened  time.Time `json:"opened"`
	Told    string    `json:"told,omitempty"` // who acknowledged it
	ToldAt  time.Time `json:"told_at,omitzero"`
	Comment string    `json:"comment,omitempty"`
	Tries   []CallTry `json:"tries,omitempty"` // oldest first, those before the value changed too
}

// KeyFault is what is wrong with one configuration key. Key is a path such as
// "profiles[0].fields.meter"; config turns it into file, line and column.
type KeyFault struct {
	Key     string
	What    string
	Instead string
}
