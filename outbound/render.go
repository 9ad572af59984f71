package outbound

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"

	"github.com/google/uuid"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// rendered is a transaction before it is committed, and the ids it rests on.
type rendered struct {
	sent   sent
	more   []fhir.Write
	remote map[string]string
}

// bundler renders an action with the ids known so far.
type bundler func(action poct.Action, remote map[string]string) (sent, Answered)

// render writes the transaction of a delivery. Where ids have to come from a
// look-up (an earlier attempt whose end nobody knows) they are looked up first;
// a withdrawal takes in every copy that a search finds. Nil: nothing to send.
func (r *recordSystem) render(ctx context.Context, d poct.Delivery, patient string, p plan) (*rendered, Answered) {
	bundle := func(action poct.Action, remote map[string]string) (sent, Answered) {
		body, err := mapping.Bundle(d.Result, action, mapping.IDs{Patient: patient, Remote: remote},
			mapping.Options{Outlet: r.cfg.ID, Caps: p.caps, INRUnit: r.cfg.FHIR.INRUnit, OwnIDs: p.own})
		if err != nil {
			return sent{}, r.unrendered(d, err)
		}
		s, err := readSent(body)
		if err != nil {
			return sent{}, r.unrendered(d, err)
		}
		s.steps = p.steps
		return s, Answered{Class: Done}
	}
	if d.Action != poct.Withdraw && !d.Unsure {
		if versionless(d) {
			return nil, r.stop(Refused, problemNoVersions(r.cfg.ID))
		}
		s, a := bundle(d.Action, d.Remote)
		return &rendered{sent: s, remote: d.Remote}, a
	}
	copies, a := r.copies(ctx, d.Result)
	if a.Class != Done {
		return nil, a
	}
	if d.Action != poct.Withdraw {
		if many(copies) {
			return nil, r.stop(Ambiguous, problemAmbiguous(r.cfg.ID))
		}
		return r.renderUnsure(d, copies, bundle)
	}
	remote := d.Remote
	if d.Unsure {
		remote = adopt(d.Remote, copies)
	}
	if len(copies) == 0 && !anyObservation(remote) {
		return nil, Answered{Class: Done, Note: "nothing there to withdraw"}
	}
	if versionless(poct.Delivery{Action: poct.Withdraw, Remote: remote}) {
		return nil, r.stop(Refused, problemNoVersions(r.cfg.ID))
	}
	s, a := bundle(poct.Withdraw, remote)
	if a.Class != Done {
		return nil, a
	}
	more, err := twins(copies, remote)
	if err != nil {
		return nil, r.unrendered(d, err)
	}
	return &rendered{sent: s, more: more, remote: remote}, a
}

// renderUnsure chooses between creating and correcting where an earlier
// delivery of this filing ended unknown: what stands there already, and says
// the same, is left as it is; anything else is corrected onto that version.
func (r *recordSystem) renderUnsure(d poct.Delivery, copies []storedCopy, bundle bundler) (*rendered, Answered) {
	remote := adopt(d.Remote, copies)
	s, a := bundle(poct.Create, nil)
	if a.Class != Done || len(copies) == 0 || sayTheSame(s, copies) {
		return &rendered{sent: s}, a
	}
	s, a = bundle(poct.Correct, remote)
	return &rendered{sent: s, remote: remote}, a
}

// versionless tells that something is to be changed of which the record system
// named no version: nothing would keep the change off somebody else's.
func versionless(d poct.Delivery) bool {
	if d.Action == poct.Create {
		return false
	}
	for key, ref := range d.Remote {
		if (strings.HasPrefix(key, "observation/") || key == "diagnosticreport") && ref != "" && d.Remote["etag/"+key] == "" {
			return true
		}
	}
	return false
}

// storedCopy is a resource found under one of a result's identifiers.
type storedCopy struct {
	key string // as in Remote
	ref string
	tag string
	raw json.RawMessage
	res resource
}

// copies finds everything that stands under the identifiers of a result.
func (r *recordSystem) copies(ctx context.Context, res poct.Result) ([]storedCopy, Answered) {
	var out []storedCopy
	find := func(typ, part, key string) Answered {
		found, a := r.search(ctx, typ, fhir.Identifier{System: "urn:ietf:rfc:3986", Value: "urn:uuid:" + mapping.StableID(res, part).String()})
		if a.Class != Done {
			return a
		}
		for _, m := range found {
			stored, err := readResource(m.Resource)
			if err != nil || stored.ID == "" {
				return Answered{Class: Transient, Status: http.StatusOK, Note: "match not readable"}
			}
			out = append(out, storedCopy{key, typ + "/" + stored.ID, m.ETag, m.Resource, stored})
		}
		return a
	}
	for _, m := range res.Reading.Measurements {
		if a := find("Observation", m.Analyte, "observation/"+m.Analyte); a.Class != Done {
			return nil, a
		}
	}
	if a := find("DiagnosticReport", "report", "diagnosticreport"); a.Class != Done {
		return nil, a
	}
	if a := find("Specimen", "specimen", "specimen"); a.Class != Done {
		return nil, a
	}
	return out, Answered{Class: Done}
}

func many(copies []storedCopy) bool {
	seen := map[string]bool{}
	for _, c := range copies {
		if seen[c.key] {
			return true
		}
		seen[c.key] = true
	}
	return false
}

// adopt takes over the ids of copies that no receipt tells of.
func adopt(remote map[string]string, copies []storedCopy) map[string]string {
	out := merged(remote, nil)
	for _, c := range copies {
		if out[c.key] == "" || out[c.key] == c.ref {
			out[c.key], out["etag/"+c.key] = c.ref, c.tag
		}
	}
	return out
}

func anyObservation(remote map[string]string) bool {
	for key := range remote {
		if len(key) > 12 && key[:12] == "observation/" {
			return true
		}
	}
	return false
}

func sayTheSame(s sent, copies []storedCopy) bool {
	for _, e := range s.entries {
		if e.typ() != "Observation" {
			continue
		}
		mine, err := readResource(e.Resource)
		same := false
		for _, c := range copies {
			same = same || (err == nil && c.res.Type == "Observation" && c.res.sharesIdentifier(mine) && mine.sameContent(c.res))
		}
		if !same {
			return false
		}
	}
	return true
}

// twins withdraws every copy beside the one that we know by its receipt: a
// lost create may have left it.
func twins(copies []storedCopy, remote map[string]string) ([]fhir.Write, error) {
	var more []fhir.Write
	for _, c := range copies {
		if c.res.Status == "entered-in-error" || remote[c.key] == c.ref {
			continue
		}
		raw, err := withStatus(c.raw, "entered-in-error")
		if err != nil {
			return nil, err
		}
		more = append(more, fhir.Write{
			FullURL: "urn:uuid:" + uuid.NewSHA1(uuid.NameSpaceURL, []byte("twin "+c.ref)).String(),
			Method:  http.MethodPut, URL: c.ref, IfMatch: c.tag, Resource: raw,
		})
	}
	return more, nil
}

// withStatus is a resource with another status and everything else as it was.
func withStatus(raw json.RawMessage, status string) ([]byte, error) {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(raw, &members); err != nil {
		return nil, fmt.Errorf("stored copy: %w", err)
	}
	members["status"] = json.RawMessage(`"` + status + `"`)
	delete(members, "meta") // version and time are the server's to write
	return fhir.Marshal(members)
}
