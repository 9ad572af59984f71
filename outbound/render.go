package outbound

import (
	"context"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// render makes the transaction of a delivery. What is put onto an earlier
// filing needs the record system's ids; where an answer was lost and they
// never came back, they are looked up by identifier.
func (r *recordSystem) render(ctx context.Context, d poct.Delivery, patient string) ([]byte, Answered) {
	ids := mapping.IDs{Patient: patient, Remote: map[string]string{}}
	for key, value := range d.Remote {
		ids.Remote[key] = value
	}
	if d.Action != poct.Create {
		if a := r.identify(ctx, d, ids.Remote); a.Class != Done {
			return nil, a
		}
	}
	body, err := mapping.Bundle(d.Result, d.Action, ids, mapping.Options{Caps: r.capabilities(), INRUnit: r.cfg.INRUnit})
	if err != nil {
		return nil, r.unrendered(d, err)
	}
	return body, Answered{Class: Done}
}

// identify fills in ids that no receipt of this filing has told.
func (r *recordSystem) identify(ctx context.Context, d poct.Delivery, remote map[string]string) Answered {
	parts := map[string]string{"diagnosticreport": "report"}
	for _, m := range d.Result.Reading.Measurements {
		parts["observation/"+m.Analyte] = m.Analyte
	}
	for key, part := range parts {
		if remote[key] != "" {
			continue
		}
		typ := "Observation"
		if part == "report" {
			typ = "DiagnosticReport"
		}
		id := fhir.Identifier{System: "urn:ietf:rfc:3986", Value: mapping.StableID(d.Result, part).URN()}
		matches, a := r.search(ctx, typ, id)
		switch {
		case a.Class != Done:
			return a
		case len(matches) > 1:
			return r.stop(Ambiguous, problemAmbiguous(r.cfg.ID))
		case len(matches) == 0:
			continue // never landed: a correction then creates, a withdrawal is for a person
		}
		stored, err := readResource(matches[0].Resource)
		if err != nil {
			return Answered{Class: Transient, Note: "match not readable"}
		}
		remote[key] = typ + "/" + stored.ID
		remote["etag/"+key] = matches[0].ETag
	}
	return Answered{Class: Done}
}

func (r *recordSystem) capabilities() fhir.Caps {
	if c := r.caps.Load(); c != nil {
		return *c
	}
	return fhir.Caps{}
}
