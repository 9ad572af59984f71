package poct

import "time"

// LookBackKind tells why results are looked at again.
type LookBackKind string

// Kinds of look-back.
const (
	LookBackFailed   LookBackKind = "failed-control" // a control failed: everything since the last pass
	LookBackRecalled LookBackKind = "recalled-lot"   // everything measured with the lot
)

// LookBack is the list of patient results that a failed control or a recalled
// strip lot casts doubt on. It is open while one of them waits for a person to
// judge it, and open once more when a result joins that arrived late.
type LookBack struct {
	ID       string       `json:"id"`
	Kind     LookBackKind `json:"kind"`
	Site     string       `json:"site"`            // "" for a recall, which may touch several
	Meter    string       `json:"meter,omitempty"` // "" for a recall
	StripLot string       `json:"strip_lot"`
	Control  string       `json:"control,omitempty"` // the result that failed
	// ControlNow is what became of that control since: "passed" after a
	// correction, "withdrawn" by the meter, "held". "" while it stands as failed.
	// Whatever it is, the list stays: a person judges it.
	ControlNow string         `json:"control_now,omitempty"`
	Late       bool           `json:"late,omitempty"` // it came after results that it casts doubt on were released
	From       time.Time      `json:"from,omitzero"`  // the last pass before; zero if none is known
	To         time.Time      `json:"to,omitzero"`    // when both levels had passed again; zero while they have not
	Why        string         `json:"why"`
	Opened     time.Time      `json:"opened"`
	Closed     time.Time      `json:"closed,omitzero"` // when the last one was judged; zero while open
	Total      int            `json:"total"`           // results on the list
	Left       int            `json:"left"`            // of them not yet judged
	Items      []LookBackItem `json:"items"`           // one page of them
}

// LookBackItem is one patient result in a look-back.
type LookBackItem struct {
	Result  string    `json:"result"`
	Version int       `json:"version"` // of the result now, to be named in the judgement
	State   State     `json:"state"`   // where the result is now
	Stands  bool      `json:"stands"`  // some record has it, or is about to
	Tested  time.Time `json:"tested"`
	Value   string    `json:"value"` // INR as sent
	Site    string    `json:"site"`
	Meter   string    `json:"meter"`
	Judged  Judged    `json:"judged,omitempty"` // "" while open
	By      string    `json:"by,omitempty"`
	Reason  string    `json:"reason,omitempty"`
	At      time.Time `json:"at,omitzero"`
}

// Judgement is what a person says of one result: in a look-back, or of their
// own accord, where it can only be taken back.
type Judgement struct {
	Result  string `json:"result"`
	Version int    `json:"version"` // of the result that the person saw
	Judged  Judged `json:"judged"`
	Reason  string `json:"reason"`
	Actor   string `json:"actor"`
}

// Judged is what a person says of a result in a look-back.
type Judged string

// What may be said.
const (
	Stands      Judged = "stands"       // the result is kept as it is
	RepeatAsked Judged = "repeat-asked" // kept, marked in the record: a repeat was asked for
	TakenBack   Judged = "withdraw"     // withdrawn from every record it went to
)

// CallTry is one attempt to tell a person of a critical result.
type CallTry struct {
	Result   string    `json:"result"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`                  // who called
	To       string    `json:"to"`                  // whom: name or function
	Reached  bool      `json:"reached"`             // false: nobody was reached, the call stays open
	ReadBack string    `json:"read_back,omitempty"` // the value that the other side read back, as typed
	Comment  string    `json:"comment,omitempty"`
}

// Notification tells another system that a person is needed: codes and ids,
// nothing about a patient.
type Notification struct {
	ID   string    `json:"id"`
	Kind string    `json:"kind"` // see the constants
	Site string    `json:"site,omitempty"`
	Hold string    `json:"hold,omitempty"`
	Code string    `json:"code,omitempty"` // the problem's code, the outlet's or inlet's id
	Step int       `json:"step"`           // 0 at first, then raised by each reminder
	At   time.Time `json:"at"`
	// About tells one notification from another that says the same in all
	// else: the result, look-back or meter behind it. It is not sent on.
	About string `json:"-"`
}

// Kinds of notification.
const (
	NotifyCritical  = "critical"
	NotifyEscalated = "critical-escalated" // nobody was told in time
	NotifyAgeing    = "ageing-hold"
	NotifyOutlet    = "outlet-down"
	NotifyInlet     = "silent-inlet"
	NotifyMeter     = "silent-meter"
	NotifyLookBack  = "look-back"
	NotifyLotRecall = "lot-recalled"
)

// Notification of a critical result: at once with step 0, and with each
// reminder. Once the call was opened anew they are others.
func (c Critical) Notification(kind string, step int) Notification {
	return Notification{Kind: kind, Site: c.Site, Hold: c.Hold, Code: "critical", Step: step,
		About: c.Result + "@" + c.Opened.UTC().Format(time.RFC3339Nano)}
}

// Contact is what the latest conversation with a meter told of its clock.
type Contact struct {
	Meter  string        `json:"meter"`
	Inlet  string        `json:"inlet"`
	At     time.Time     `json:"at"`     // by this machine's clock
	Device time.Time     `json:"device"` // what the meter's clock said then; zero if it did not say
	Offset time.Duration `json:"offset"` // device minus ours
}

// TestCount is how many patient tests gave a value and how many ended in a
// device error, for one operator, site, meter or strip lot.
type TestCount struct {
	Key    string         `json:"key"`
	Tests  int            `json:"tests"`
	Events int            `json:"events"`
	Codes  map[string]int `json:"codes"` // the events by device error code
}

// Readiness answers whether a meter may be used now.
type Readiness struct {
	Meter    string               `json:"meter"`
	Model    string               `json:"model,omitempty"`
	Site     string               `json:"site,omitempty"`
	StripLot string               `json:"strip_lot,omitempty"` // the lot that the answer holds for: the last one used
	Ready    bool                 `json:"ready"`
	AsOf     time.Time            `json:"as_of"`
	Until    time.Time            `json:"until,omitzero"` // when a yes ends by itself
	Why      []Problem            `json:"why"`            // what stands against it, with what to do
	LastHear time.Time            `json:"last_heard,omitzero"`
	LastPass map[string]time.Time `json:"last_pass,omitempty"` // by control level
}
