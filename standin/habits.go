package standin

import (
	"net/http"
	"strings"
	"time"
)

// Switches are the habits in which real servers differ. The zero value is the
// friendliest R4 server.
type Switches struct {
	NoClientIDs         bool          // PUT to a new id is 405; updateCreate is false
	IgnoreIfNoneMatch   bool          // If-None-Match: * on PUT has no effect
	StaleIs409          bool          // a stale If-Match is 409, as in STU3, not 412
	NoConditionalCreate bool          // If-None-Exist is refused with 412
	NoTransaction       bool          // POST to the base is refused
	NoSubstance         bool          // no Substance of its own; contained ones only
	NoVersions          bool          // no ETag, no versionId; If-Match has no effect
	Boasts              bool          // its CapabilityStatement offers what the switches take away
	Wordless            bool          // refusals have no OperationOutcome
	IndexLag            time.Duration // searches miss what is younger
	IndexLagRequests    int64         // searches miss what fewer later requests have passed
	// BlindConditions lets conditional creates miss what is younger: two at
	// once both insert.
	BlindConditions time.Duration
	DropExtensions  bool // extensions and contained resources are not kept
	DropNotes       bool // notes are not kept
	TrimZeros       bool // 2.50 is kept as 2.5
}

// SetSwitches changes the record's habits.
func (r *Record) SetSwitches(s Switches) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.switches = s
}

// kept is a tree as this record keeps it; the caller holds the lock.
func (r *Record) kept(n *node) *node {
	s := r.switches
	if !s.DropExtensions && !s.DropNotes && !s.TrimZeros {
		return n
	}
	out := &node{kind: n.kind, text: n.text}
	if n.kind == isNumber && s.TrimZeros && strings.Contains(n.text, ".") && !strings.ContainsAny(n.text, "eE") {
		out.text = strings.TrimSuffix(strings.TrimRight(n.text, "0"), ".")
	}
	for _, item := range n.items {
		out.items = append(out.items, r.kept(item))
	}
	for _, m := range n.members {
		if s.DropExtensions && (m.key == "extension" || m.key == "modifierExtension" || m.key == "contained") || s.DropNotes && m.key == "note" {
			continue
		}
		out.members = append(out.members, member{m.key, r.kept(m.value)})
	}
	return out
}

// mannered is an answer as this record gives it.
func (r *Record) mannered(p reply) reply {
	r.mu.RLock()
	s := r.switches
	r.mu.RUnlock()
	if s.Wordless && p.status >= http.StatusBadRequest {
		p.body = nil
	}
	if s.NoVersions {
		delete(p.header, "ETag")
		if at, ok := p.header["Location"]; ok {
			p.header["Location"], _, _ = strings.Cut(at, "/_history/")
		}
	}
	return p
}

// entryResponse is what a transaction answers for one entry; the caller holds
// the lock.
func (r *Record) entryResponse(p plan, v *version) *node {
	status := "200 OK"
	if p.create {
		status = "201 Created"
	}
	n := object("status", status, "location", versionURL(p.typ, p.id, v.number), "etag", etag(v.number))
	if r.switches.NoVersions {
		n = object("status", status, "location", p.typ+"/"+p.id)
	}
	n.set("lastModified", text(v.at.UTC().Format(time.RFC3339)))
	return object("response", n)
}
