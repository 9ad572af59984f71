package outbound

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"time"

	"tidegate/fault"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// landed marks in a delivery's Remote what of it stands at the record system
// already: "landed/urn:uuid:..." -> "Observation/12".
const landed = "landed/"

func landedIn(remote map[string]string) map[string]string {
	there := map[string]string{}
	for key, ref := range remote {
		if url, ok := strings.CutPrefix(key, landed); ok {
			there[url] = ref
		}
	}
	return there
}

// settledRemote is what a receipt keeps: places and versions.
func settledRemote(remote map[string]string) map[string]string {
	for key := range remote {
		if strings.HasPrefix(key, landed) {
			delete(remote, key)
		}
	}
	return remote
}

// sendSteps sends the entries one by one. What has landed before is left out;
// where one does not land the others wait, and the next attempt goes on there.
func (r *recordSystem) sendSteps(ctx context.Context, d poct.Delivery, s sent) Answered {
	there := landedIn(d.Remote)
	out := Answered{Class: Done, Remote: map[string]string{}}
	for i := 0; i < len(s.entries); i++ {
		e := s.entries[i]
		if there[e.FullURL] != "" {
			continue
		}
		got, a := r.step(ctx, d, e, there)
		if a.Class == Configuration && len(there) == 0 && r.turned(got, s) {
			s = r.shaped(s)
			i--
			continue
		}
		if a.Class != Done {
			a.Landed = a.Landed || len(there) > 0
			a.Remote = merged(out.Remote, a.Remote)
			return r.explained(a, got, d)
		}
		for key, value := range a.Remote {
			out.Remote[key] = value
		}
		out.Confirm = out.Confirm || a.Confirm
		out.Status, out.Request = a.Status, a.Request
		there[e.FullURL] = a.Remote[landed+e.FullURL]
	}
	r.findOut(ctx, s, there)
	return out
}

// step sends one entry.
func (r *recordSystem) step(ctx context.Context, d poct.Delivery, e sentEntry, there map[string]string) (fhir.Answer, Answered) {
	body := pointed(e.Resource, there)
	if bytes.Contains(body, []byte(`"reference":"urn:uuid:`)) {
		return fhir.Answer{}, r.unrendered(d, errors.New("a reference leads to something that did not land"))
	}
	if e.bare() && d.Intent { // it may be there, and could not be told from a second one
		if a := r.findBare(ctx, e, there); a.Class != Absent {
			return fhir.Answer{}, a
		}
	}
	if a := r.unseen(ctx, d, e); a.Class != Done {
		return fhir.Answer{}, a
	}
	if by, ok := ctx.Deadline(); ok && time.Until(by) < r.cfg.Timeout {
		return fhir.Answer{}, Answered{Class: Waiting, Note: "lease too short to send", Landed: true}
	}
	step, cancel := context.WithTimeout(ctx, r.cfg.Timeout)
	defer cancel()
	var got fhir.Answer
	var err error
	if e.Method == http.MethodPut {
		got, err = r.client.Put(step, requestID(d), e.ref(), body, fhir.Match{IfMatch: e.IfMatch, IfNoneMatch: e.IfNoneMatch})
	} else {
		got, err = r.client.Create(step, requestID(d), e.typ(), body, e.IfNoneExist)
	}
	fault.Point("outbound.sent")
	a := r.answered(Classify(got, err), got)
	switch {
	case a.Class == Done:
		return got, r.placed(ctx, d, e, got, a)
	case a.Class == Compare && e.IfNoneExist != "" && got.Status == http.StatusPreconditionFailed:
		return got, r.whyNot(ctx, e, &got, a)
	}
	return got, a
}

// bare tells an entry that is created without any condition.
func (e sentEntry) bare() bool { return e.Method == http.MethodPost && e.IfNoneExist == "" }

// placed learns from an answer where an entry went and at which version, and
// compares what a conditional create met.
func (r *recordSystem) placed(ctx context.Context, d poct.Delivery, e sentEntry, got fhir.Answer, a Answered) Answered {
	ref, version := fhir.Place(got.Location)
	if e.Method == http.MethodPut {
		ref = e.ref()
	}
	if ref == "" {
		a.Class, a.Note = Unknown, "answered without an id"
		return a
	}
	a.Remote = map[string]string{}
	if e.result() && e.Method == http.MethodPost {
		a.Confirm = d.Intent || d.Unsure
		if got.Status == http.StatusOK { // it was there before: is it ours?
			if stop, ok := r.compare(ctx, e, ref, a.Remote, d); !ok {
				return stop
			}
		}
	}
	if d.Action == poct.Withdraw && e.result() && !e.ownID() {
		a.Confirm = true
	}
	tag := got.ETag
	if tag == "" && version == "" && e.result() { // a later version has to name this one
		_, stored, look := r.stored(ctx, ref)
		if look.Class != Done {
			look.Class, look.Problem = Unknown, nil
			return look
		}
		tag = stored
	}
	r.learn(a.Remote, e, d.Result, ref, tag, version)
	a.Remote[landed+e.FullURL] = ref
	return a
}

// whyNot tells the three meanings of 412 after a conditional create apart where
// the answer does not: several are there, ours is there, or the record system
// takes no conditions at all (hl7.org/fhir/R4/http.html#ccreate).
func (r *recordSystem) whyNot(ctx context.Context, e sentEntry, got *fhir.Answer, a Answered) Answered {
	found, look := r.search(ctx, e.typ(), e.identifier())
	switch {
	case look.Class != Done:
		look.Status = a.Status
		return look
	case len(found) > 1:
		return r.stop(Ambiguous, problemAmbiguous(r.cfg.ID))
	case len(found) == 0 && len(got.Outcome) == 0:
		got.Outcome = []fhir.Issue{{Severity: "error", Code: "not-supported"}}
		a.Class = Configuration
	}
	return a
}

// findSteps looks up what of the steps has landed.
func (r *recordSystem) findSteps(ctx context.Context, d poct.Delivery, s sent) Answered {
	there := map[string]string{}
	remote := map[string]string{}
	for _, e := range s.entries {
		a := r.findStep(ctx, d, e, there, remote)
		switch a.Class {
		case Done:
			there[e.FullURL] = remote[landed+e.FullURL]
		case Absent:
		default:
			a.Landed = a.Landed || len(there) > 0
			return a
		}
	}
	switch {
	case len(there) < len(s.entries):
		return Answered{Class: Absent, Status: http.StatusOK, Remote: remote, Landed: len(there) > 0}
	case d.Action == poct.Withdraw:
		if a := r.noneLeft(ctx, s); a.Class != Done {
			return a
		}
	}
	return Answered{Class: Done, Status: http.StatusOK, Remote: remote, Note: "found"}
}

func (r *recordSystem) findStep(ctx context.Context, d poct.Delivery, e sentEntry, there, remote map[string]string) Answered {
	mark := func(ref string) { remote[landed+e.FullURL] = ref }
	if e.result() {
		at := map[string]string{}
		a := r.findEntry(ctx, d, e, at)
		if a.Class == Done {
			for key, value := range at {
				if _, taken := remote[key]; !taken {
					remote[key] = value
				}
				if strings.HasPrefix(key, landed) || strings.HasPrefix(key, "etag/") {
					continue
				}
				mark(value)
			}
		}
		return a
	}
	if e.bare() {
		a := r.findBare(ctx, e, there)
		if a.Class == Done {
			for key, value := range a.Remote {
				remote[key] = value
			}
		}
		return a
	}
	if ref := e.ref(); ref != "" {
		_, tag, a := r.stored(ctx, ref)
		switch {
		case a.Status == http.StatusNotFound:
			return Answered{Class: Absent}
		case a.Class != Done:
			return a
		}
		r.learn(remote, e, d.Result, ref, tag, "")
		mark(ref)
		return a
	}
	found, a := r.search(ctx, e.typ(), e.identifier())
	switch {
	case a.Class != Done:
		return a
	case len(found) == 0:
		return Answered{Class: Absent}
	case len(found) > 1:
		return r.stop(Ambiguous, problemAmbiguous(r.cfg.ID))
	}
	stored, err := readResource(found[0].Resource)
	if err != nil || stored.ID == "" {
		return Answered{Class: Unknown, Note: "match not readable"}
	}
	r.learn(remote, e, d.Result, e.typ()+"/"+stored.ID, found[0].ETag, "")
	mark(e.typ() + "/" + stored.ID)
	return a
}

// provenance is what tells one provenance from another: it has no identifier.
type provenance struct {
	ID       string `json:"id"`
	Recorded string `json:"recorded"`
	Target   []struct {
		Reference string `json:"reference"`
	} `json:"target"`
	Activity json.RawMessage `json:"activity"`
}

// findBare looks a provenance up by what it speaks of. Where the record system
// cannot be asked so, it counts as there: one too few harms less than a second.
func (r *recordSystem) findBare(ctx context.Context, e sentEntry, there map[string]string) Answered {
	var mine provenance
	if err := json.Unmarshal(pointed(e.Resource, there), &mine); err != nil || len(mine.Target) == 0 {
		return r.stop(Refused, problemUnrendered(r.cfg.ID))
	}
	target := mine.Target[0].Reference
	if strings.HasPrefix(target, "urn:") {
		return Answered{Class: Absent} // what it speaks of is not there
	}
	step, cancel := context.WithTimeout(ctx, r.cfg.Timeout)
	defer cancel()
	got, err := r.client.Pointing(step, "", e.typ(), "target", target)
	a := r.question(Classify(got, err), got)
	if a.Class == Configuration {
		return Answered{Class: Done, Remote: map[string]string{landed + e.FullURL: e.typ() + "/unknown"}, Note: "provenance cannot be looked up"}
	}
	if a.Class != Done {
		return a
	}
	for _, m := range got.Entries {
		var its provenance
		if json.Unmarshal(m.Resource, &its) == nil && its.ID != "" && sameInstant(mine.Recorded, its.Recorded) && bytes.Equal(code(mine.Activity), code(its.Activity)) {
			return Answered{Class: Done, Status: a.Status, Remote: map[string]string{landed + e.FullURL: e.typ() + "/" + its.ID}}
		}
	}
	return Answered{Class: Absent}
}

// code is the first code of a CodeableConcept.
func code(concept json.RawMessage) []byte {
	var c struct {
		Coding []struct {
			Code string `json:"code"`
		} `json:"coding"`
	}
	if json.Unmarshal(concept, &c) != nil || len(c.Coding) == 0 {
		return nil
	}
	return []byte(c.Coding[0].Code)
}
