package probe

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"tidegate/wire/fhir"
)

// clear marks whatever the probe wrote as entered-in-error: each place that it
// knows, and each that a search for its identifiers shows.
func (p *probe) clear(ctx context.Context) {
	p.at("clearing", "marking everything as entered in error")
	p.pause(ctx, p.ways.lag)
	left := 0
	for _, ref := range p.places(ctx) {
		status := p.clearOne(ctx, ref)
		if status == "" { // nothing came to stand there
			continue
		}
		p.rep.Remains = append(p.rep.Remains, Remain{ref, status})
		if status != enteredInError {
			left++
		}
	}
	switch {
	case left > 0:
		p.lacks(Needed, fmt.Sprintf("%d of what the probe filed could not be marked as entered in error.", left),
			"Have them withdrawn at the record system by hand, now; they are listed below.")
	case len(p.rep.Remains) > 0:
		p.good(Needed, "Everything that the probe filed is marked as entered in error.")
	}
}

const enteredInError = "entered-in-error"

// places lists where something of the probe stands or may stand.
func (p *probe) places(ctx context.Context) []string {
	var refs []string
	for _, u := range p.used {
		if u.ref != "" {
			refs = append(refs, u.ref)
		}
	}
	for i, u := range p.used {
		if slices.ContainsFunc(p.used[:i], func(o used) bool { return o.urn == u.urn }) {
			continue
		}
		for _, e := range p.search(ctx, u.typ, u.identifier()).Entries {
			if ref := headOf(e.Resource).ref(); ref != "" {
				refs = append(refs, ref)
			}
		}
	}
	slices.Sort(refs)
	return slices.Compact(refs)
}

// clearOne gives the status in which a resource remains, "" if there is none.
func (p *probe) clearOne(ctx context.Context, ref string) string {
	status := "unknown"
	for range 3 { // a late answer may have moved the version on
		got := p.read(ctx, ref)
		if got.Status == 404 || got.Status == 410 {
			return ""
		}
		if !got.done() {
			continue
		}
		if status = headOf(got.Body).Status; status == enteredInError {
			return status
		}
		body, err := withMember(got.Body, "status", enteredInError)
		if err != nil {
			return status
		}
		if p.put(ctx, ref, body, fhir.Match{IfMatch: got.ETag}).done() {
			status = enteredInError
			return status
		}
	}
	return status
}

// withMember is a resource with one text member set and everything else as it
// was, digits included.
func withMember(resource []byte, key, value string) ([]byte, error) {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(resource, &members); err != nil {
		return nil, fmt.Errorf("resource: %w", err)
	}
	text, err := fhir.Marshal(value)
	if err != nil {
		return nil, err
	}
	members[key] = text
	return fhir.Marshal(members)
}
