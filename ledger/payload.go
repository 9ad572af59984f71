package ledger

import (
	"encoding/hex"
	"encoding/json"
	"strings"

	"tidegate/poct"
)

// Payload is the form of an event's payload: what the step says beyond its
// leaf. All members are optional; what does not fit a step is left out.
type Payload struct {
	// SHA256 is the hex digest of the bytes that the event vouches for: of
	// the raw bytes for received, of the body for sending. A pack shows the
	// bytes beside the event, and verification compares.
	SHA256   string         `json:"sha256,omitempty"`
	Bytes    int            `json:"bytes,omitempty"` // their number
	Inlet    string         `json:"inlet,omitempty"`
	Profile  string         `json:"profile,omitempty"`
	Readings int            `json:"readings,omitempty"` // found in the arrival
	Rule     string         `json:"rule,omitempty"`     // that filed, ignored or took it for a duplicate
	Problems []poct.Problem `json:"problems,omitempty"`
	Fields   []string       `json:"fields,omitempty"` // looked at, or changed
	Reason   string         `json:"reason,omitempty"` // a person's words
	Action   poct.Action    `json:"action,omitempty"`
	Status   int            `json:"status,omitempty"` // HTTP status of an outlet's answer
	Class    string         `json:"class,omitempty"`  // and what it counts as
	Remote   []string       `json:"remote,omitempty"` // ids at the record system
	// More is what only the writer of the event needs.
	More json.RawMessage `json:"more,omitempty"`
}

// ReadPayload reads an event's payload as far as it has this form; members
// of other types and names are left out.
func ReadPayload(e poct.Event) Payload {
	var members map[string]json.RawMessage
	if json.Unmarshal(e.Payload, &members) != nil {
		return Payload{}
	}
	var p Payload
	for name, into := range map[string]any{
		"sha256": &p.SHA256, "bytes": &p.Bytes, "inlet": &p.Inlet, "profile": &p.Profile,
		"readings": &p.Readings, "rule": &p.Rule, "problems": &p.Problems, "fields": &p.Fields,
		"reason": &p.Reason, "action": &p.Action, "status": &p.Status, "class": &p.Class,
		"remote": &p.Remote, "more": &p.More,
	} {
		if raw, ok := members[name]; ok {
			_ = json.Unmarshal(raw, into) // another type under this name: not ours to show
		}
	}
	return p
}

// vouches tells whether the payload names a SHA-256, under whatever member.
func vouches(payload []byte, digest [32]byte) bool {
	return strings.Contains(string(payload), `"`+hex.EncodeToString(digest[:])+`"`)
}
