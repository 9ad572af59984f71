package poct

import "time"

// Claim is a leased arrival. Epoch fences a late worker: a decision commits
// only while the arrival still carries this epoch.
type Claim struct {
	Arrival Arrival
	Epoch   int64
}

// Outcome is the decision on one reading, everything that its one commit needs.
type Outcome struct {
	Result   Result // ID "" and Version 0 let the store give a new id and the next version
	Verdict  Verdict
	Rule     string // the named rule, for ignore and duplicate
	Problems []Problem
	Checks   []CheckAnswer
	Cause    string // what holds are grouped by; "" unless held
	Critical bool
	QCPassed bool     // for controls: within its range
	Owner    string   // for duplicate: the result it repeats; for a new version: the result it replaces
	Outlets  []string // where a release goes
	Action   Action   // what the deliveries do
	// Refile withdraws the filing before and creates anew under the next
	// filing revision: a correction that names another patient.
	Refile bool
	// Registry is what a message about patients or orders changes, in the same
	// commit; Touched is whom it tells of, so that their holds are judged again.
	Registry RegistryRows
	Touched  []PatientRef
}

// Decision ends one arrival: an outcome for each of its readings, at least one.
type Decision struct {
	Arrival  string
	Epoch    int64
	Outcomes []Outcome
	// Wait leaves the arrival waiting until this time, for a look-up that
	// failed in transit; Outcomes are then empty.
	Wait time.Time
}

// Action of a delivery.
type Action string

// Actions.
const (
	Create   Action = "create"
	Correct  Action = "correct"
	Withdraw Action = "withdraw"
)

// DeliveryState of one delivery.
type DeliveryState string

// Delivery states. Ready deliveries are claimable once every earlier version
// of the same result at the same outlet is final.
const (
	DeliveryReady     DeliveryState = "ready"
	DeliveryLeased    DeliveryState = "leased"
	DeliveryDone      DeliveryState = "delivered"
	DeliveryHeld      DeliveryState = "held"
	DeliveryCancelled DeliveryState = "cancelled"
)

// Delivery is one result version bound for one outlet.
type Delivery struct {
	ID       int64
	Result   Result
	Outlet   string
	Action   Action
	State    DeliveryState
	Epoch    int64
	Attempts int
	First    time.Time // when it became due first
	Lease    time.Time // until when this claim holds
	// Intent is set once bytes were committed for sending: a claim that finds
	// it must look up before it sends. SentBy is the end of the last possible
	// send: when the lease ran out under which the intent was committed.
	Intent   bool
	IntentAt time.Time
	SentBy   time.Time
	// Unsure tells that an earlier delivery of the same filing was set aside
	// without anyone knowing whether it landed: look up before sending, as
	// with Intent, but there are no bytes of this delivery yet.
	Unsure    bool
	Body      []byte            // the rendered bytes, once and for all; nil before the intent
	Remote    map[string]string // ids and ETags at the record system: "observation/inr" -> "Observation/12", "etag/observation/inr" -> `W/"1"`
	LastError string            // class and status of the last failure, without patient data
}

// Receipt is what an outlet answered for a delivery.
type Receipt struct {
	Delivery int64             `json:"delivery"`
	Outlet   string            `json:"outlet"`
	Action   Action            `json:"action"`
	At       time.Time         `json:"at"`
	Status   int               `json:"status"`           // HTTP status or 0
	Class    string            `json:"class"`            // delivered, transient, throttled, unknown, permanent ...
	Answer   string            `json:"answer,omitempty"` // short, without patient data
	Request  string            `json:"request,omitempty"`
	Remote   map[string]string `json:"remote,omitempty"`
}

// SendOutcome is what becomes of a delivery after an attempt.
type SendOutcome struct {
	Receipt  Receipt
	Done     bool      // delivered
	RetryAt  time.Time // when to try again, if neither done nor held
	Hold     *Problem  // set aside for a person
	Reset    bool      // give the lease back, intent withdrawn: nothing left this machine
	KeepSent bool      // unknown outcome: intent stays, look up first
	Audit    [][]byte  // what an audit repository is to be told of it, each an AuditEvent
}

// AuditRecord is what an audit repository has not been told yet.
type AuditRecord struct {
	Seq  int64
	Body []byte // an AuditEvent; names a patient, holds no value
}

// AuditBacklog is how much an outlet's audit repository has not been told.
type AuditBacklog struct {
	Outlet  string
	Waiting int
	Refused int       // of these, set aside since it was refused
	Oldest  time.Time // when the oldest was written
}

// HoldRecord is a row of the review queue.
type HoldRecord struct {
	ID       string      `json:"id"`
	Version  int         `json:"version"` // compare-and-swap: raised by every act
	Open     bool        `json:"open"`
	Arrival  string      `json:"arrival"`
	Result   string      `json:"result"`
	Delivery int64       `json:"delivery,omitempty"` // a delivery that was refused, else 0
	Opened   time.Time   `json:"opened"`
	Cause    string      `json:"cause"`
	Critical bool        `json:"critical"`
	Called   bool        `json:"called"` // the critical result was acknowledged by a person
	Site     string      `json:"site"`
	Problems []Problem   `json:"problems"`
	Reading  Reading     `json:"reading"`
	Settled  *Settlement `json:"settled,omitempty"`
}

// Act of a reviewer on a hold.
type Act string

// Acts.
const (
	ActCorrect Act = "correct"
	ActRelease Act = "release"
	ActDiscard Act = "discard"
	ActRetry   Act = "retry"
	// ActReplaced is no person's act: a newer version of the result took the
	// hold's place.
	ActReplaced Act = "replaced"
	// ActRejudged is no person's act either: a control that came late had the
	// held reading judged again.
	ActRejudged Act = "judged-again"
)

// Settlement is a reviewer's act, as asked for and as kept.
type Settlement struct {
	Act     Act               `json:"act"`
	Version int               `json:"version"` // the hold version the person saw
	Changes map[string]string `json:"changes,omitempty"`
	Reason  string            `json:"reason"`
	Actor   string            `json:"actor"`
	At      time.Time         `json:"at"`
}

// Actor is the person or program behind an act or a look.
type Actor struct {
	Name     string   `json:"name"`
	Role     string   `json:"role"` // nurse clinician reviewer coordinator engineer auditor admin
	Sites    []string `json:"sites"`
	Operator string   `json:"operator,omitempty"` // own operator numbers with commas between, "" if none
}

// System is the actor of what the daemon does by itself.
const System = "tidegate"

// Event is one step in a result's life, a leaf of the ledger. What it tells
// of a patient stands in Payload alone, which the leaf holds as a salted
// digest: deleting payload and salt erases it, and the proofs stay.
type Event struct {
	Index   int64
	Time    time.Time
	Kind    EventKind
	Actor   string
	Arrival string
	Result  string
	Version int
	Hold    string
	Outlet  string
	Payload []byte // JSON, may be about a patient; nil where there is none
	Salt    []byte
	Digest  string // hex SHA-256 of salt and payload: what stays when both are erased
}

// EventKind names a step.
type EventKind string

// Kinds of event.
const (
	EventReceived   EventKind = "received"
	EventResent     EventKind = "resent"
	EventRead       EventKind = "read"
	EventReleased   EventKind = "released"
	EventFiled      EventKind = "filed"
	EventHeld       EventKind = "held"
	EventDuplicate  EventKind = "duplicate"
	EventIgnored    EventKind = "ignored"
	EventLooked     EventKind = "looked"
	EventCorrected  EventKind = "corrected"
	EventOverridden EventKind = "released-by-person"
	EventDiscarded  EventKind = "discarded"
	EventRetried    EventKind = "send-again"
	EventCalled     EventKind = "critical-acknowledged"
	EventIntent     EventKind = "sending"
	EventUnknown    EventKind = "no-answer"
	EventRetry      EventKind = "retry-later"
	EventDelivered  EventKind = "delivered"
	EventRefused    EventKind = "refused"
	EventCancelled  EventKind = "cancelled-unsent"
	EventWaiting    EventKind = "waiting-for-look-up"
	EventRegistry   EventKind = "registry-changed"
	EventStarted    EventKind = "started"
	EventStopped    EventKind = "stopped"
	EventInlet      EventKind = "inlet-noticed"
	EventExported   EventKind = "exported"
	EventCallTried  EventKind = "call-tried" // nobody was reached
	EventLookBack   EventKind = "look-back-opened"
	EventDoubted    EventKind = "looked-back-on" // a result joined a look-back
	EventJudged     EventKind = "look-back-judged"
	EventWidened    EventKind = "look-back-widened"
	EventTakenBack  EventKind = "withdrawn-by-person"
	EventProbed     EventKind = "outlet-probed" // on a test patient, before go-live
	EventRejudged   EventKind = "judged-again"  // by itself, for a control that came late
)
