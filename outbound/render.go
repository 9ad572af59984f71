package outbound

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"github.com/google/uuid"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// render writes the transaction of a delivery. Where ids have to come from a
// look-up (an earlier attempt whose end nobody knows) they are looked up first;
// a withdrawal takes in every copy that a search finds.
func (r *recordSystem) render(ctx context.Context, d poct.Delivery, patient string, caps fhir.Caps) ([]byte, map[string]string, Answered) {
	ids := mapping.IDs{Patient: patient, Remote: d.Remote}
	bundle := func(action poct.Action) ([]byte, Answered) {
		body, err := mapping.Bundle(d.Result, action, ids, mapping.Options{Caps: caps, INRUnit: r.cfg.INRUnit, Systems: r.s.Systems})
		if err != nil {
			return nil, r.unrendered(d, err)
		}
		return body, Answered{Class: Done}
	}
	if d.Action != poct.Withdraw && !d.Unsure {
		body, a := bundle(d.Action)
		return body, nil, a
	}
	copies, a := r.copies(ctx, d.Result)
	if a.Class != Done {
		return nil, nil, a
	}
	if d.Unsure {
		if many(copies) && d.Action != poct.Withdraw {
			return nil, nil, r.stop(Ambiguous, problemAmbiguous(r.cfg.ID))
		}
		ids.Remote = adopt(d.Remote, copies)
	}
	if d.Action == poct.Withdraw {
		if len(copies) == 0 && !anyObservation(ids.Remote) {
			return nil, nil, Answered{Class: Done, Note: "nothing there to withdraw"}
		}
		body, a := bundle(poct.Withdraw)
		if a.Class != Done {
			return nil, nil, a
		}
		body, err := withTwins(body, copies, ids.Remote)
		if err != nil {
			return nil, nil, r.unrendered(d, err)
		}
		return body, ids.Remote, a
	}
	return r.renderUnsure(d, copies, ids.Remote, bundle)
}

// renderUnsure chooses between creating and correcting where an earlier
// delivery of this filing ended unknown: what stands there already, and says
// the same, is left as it is; anything else is corrected onto that version.
func (r *recordSystem) renderUnsure(d poct.Delivery, copies []storedCopy, remote map[string]string, bundle func(poct.Action) ([]byte, Answered)) ([]byte, map[string]string, Answered) {
	if len(copies) == 0 {
		body, a := bundle(poct.Create)
		return body, nil, a
	}
	body, a := bundle(poct.Create)
	if a.Class != Done {
		return nil, nil, a
	}
	s, err := readSent(body)
	if err != nil {
		return nil, nil, r.unrendered(d, err)
	}
	if sayTheSame(s, copies) {
		return body, nil, a
	}
	body, a = bundle(poct.Correct)
	return body, remote, a
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
		if e.resource.Type != "Observation" {
			continue
		}
		same := false
		for _, c := range copies {
			same = same || (c.res.Type == "Observation" && c.res.sharesIdentifier(e.resource) && e.resource.sameContent(c.res))
		}
		if !same {
			return false
		}
	}
	return true
}

// withTwins adds the withdrawal of every copy beside the one that we know by
// its receipt: a lost create may have left it.
func withTwins(body []byte, copies []storedCopy, remote map[string]string) ([]byte, error) {
	var extra []fhir.Write
	for _, c := range copies {
		if c.res.Status == "entered-in-error" || remote[c.key] == c.ref {
			continue
		}
		raw, err := withStatus(c.raw, "entered-in-error")
		if err != nil {
			return nil, err
		}
		extra = append(extra, fhir.Write{
			FullURL: "urn:uuid:" + uuid.NewSHA1(uuid.NameSpaceURL, []byte("twin "+c.ref)).String(),
			Method:  http.MethodPut, URL: c.ref, IfMatch: c.tag, Resource: raw,
		})
	}
	if len(extra) == 0 {
		return body, nil
	}
	more := fhir.Transaction(extra)
	at := bytes.IndexByte(more, '[')
	if at < 0 || !bytes.HasSuffix(body, []byte("]}")) {
		return nil, errors.New("a transaction of an unexpected shape")
	}
	out := append(bytes.Clone(body[:len(body)-2]), ',')
	return append(out, more[at+1:]...), nil
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
