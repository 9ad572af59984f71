package probe

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// The meter, clinic, operator and strip lot of a probe. They exist nowhere
// else, and a record system that keeps such things keeps each once, however
// often it is probed.
const (
	probeMeter    = "tidegate-probe"
	probeSite     = "tidegate-probe"
	probeSiteName = "Connection test, no clinic"
	probeOperator = "tidegate-probe"
	probeLot      = "PROBE-LOT"
	probeMark     = "Test of a connection with invented values. Not a measurement; do not use."
)

// uriSystem is the system of identifiers that are URIs, R4 "identifier-registry".
const uriSystem = "urn:ietf:rfc:3986"

// name of a synthetic result: what is tried on it.
type name string

const (
	whole     name = "whole"      // its whole life, by the daemon's own code
	offScale  name = "off-scale"  // with a comparator
	onlyOnce  name = "once"       // conditional creation
	together  name = "together"   // two conditional creations at once
	ourID     name = "our-id"     // creation under an id of ours
	allOrNone name = "all-or-non" // in a transaction that has to fail
)

// result is an invented result of this run. Its key holds the run's UUID, so
// it can meet no other. Off scale it is a low value, never a high one: a high
// one might call somebody out of bed.
func (p *probe) result(n name) poct.Result {
	at := p.began.Add(-time.Minute).Truncate(time.Second)
	r := poct.Result{
		ID: "probe-" + string(n), Version: 1, Site: probeSite, SiteName: probeSiteName, Patient: p.s.Patient,
		OperatorOK: true, LotOK: true, LotExpires: at.AddDate(1, 0, 0).Format(time.DateOnly), Issued: p.began,
		Marks: []string{probeMark},
		Reading: poct.Reading{
			Arrival: p.rep.Run, Kind: poct.KindPatient, Status: poct.StatusFinal, Model: "Connection test", Meter: probeMeter,
			Sequence: p.rep.Run + "/" + string(n), Specimen: "capillary", Operator: probeOperator, StripLot: probeLot,
			TestedAt: poct.Stamp{Raw: at.Format(time.RFC3339), At: at, Precision: "second"},
			Patient:  poct.PatientRef{Authority: p.s.Patient.Authority, ID: p.s.Patient.ID},
			Measurements: []poct.Measurement{
				{Analyte: "inr", Value: poct.MustNumber("2.50"), RawValue: "2.50", Unit: "{INR}", LOINC: "46418-0"},
			},
		},
	}
	m := &r.Reading.Measurements[0]
	switch n {
	case whole:
		r.Reading.Measurements = append(r.Reading.Measurements,
			poct.Measurement{Analyte: "pt", Value: poct.MustNumber("30.10"), RawValue: "30.10", Unit: "s", LOINC: "46417-2"})
	case offScale:
		m.Value, m.RawValue = poct.MustNumber("<0.8"), "<0.8"
	}
	r.Key = r.Reading.Key()
	return r
}

// next is the following version of a result, INR changed.
func next(r poct.Result, inr, replaces string) poct.Result {
	r.Version++
	r.Issued = r.Issued.Add(time.Duration(r.Version) * time.Second)
	r.Replaces = replaces
	r.Reading.Measurements = append([]poct.Measurement(nil), r.Reading.Measurements...)
	if inr != "" {
		m := &r.Reading.Measurements[0]
		m.Value, m.RawValue = poct.MustNumber(inr), inr
	}
	return r
}

// parts of a result that carry an identifier, and what a receipt calls them.
func parts(r poct.Result) []part {
	var out []part
	for _, m := range r.Reading.Measurements {
		out = append(out, part{"Observation " + strings.ToUpper(m.Analyte), "Observation", "observation/" + m.Analyte, mapping.StableID(r, m.Analyte).URN()})
	}
	return append(out,
		part{"DiagnosticReport", "DiagnosticReport", "diagnosticreport", mapping.StableID(r, "report").URN()},
		part{"Specimen", "Specimen", "specimen", mapping.StableID(r, "specimen").URN()})
}

type part struct {
	title string // for people
	typ   string
	key   string // in poct.Receipt.Remote
	urn   string
}

// ownRef is where the part stands if the record system takes ids of ours.
func (p part) ownRef() string { return p.typ + "/" + p.id() }

func (p part) id() string { return strings.TrimPrefix(p.urn, "urn:uuid:") }

func (p part) identifier() fhir.Identifier { return fhir.Identifier{System: uriSystem, Value: p.urn} }

// testLabel is the security label of test data, v3-ActReason.
const testLabel = "HTEST"

// observation is an Observation by itself, as the daemon would write it but
// without specimen, and marked as test data (v3-ActReason HTEST) so that it
// shows what becomes of a label. The answer's part says how to find it.
func (p *probe) observation(n name, unit string) ([]byte, part, error) {
	r := p.result(n)
	bundle, err := mapping.Bundle(r, poct.Create, mapping.IDs{Patient: p.patient}, mapping.Options{INRUnit: unit})
	if err != nil {
		return nil, part{}, err
	}
	entries, err := entriesOf(bundle)
	if err != nil {
		return nil, part{}, err
	}
	for _, e := range entries {
		var members map[string]json.RawMessage
		if err := json.Unmarshal(e.Resource, &members); err != nil {
			return nil, part{}, fmt.Errorf("observation: %w", err)
		}
		if string(members["resourceType"]) != `"Observation"` {
			continue
		}
		delete(members, "specimen")
		members["meta"] = json.RawMessage(`{"security":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ActReason","code":"` + testLabel + `"}]}`)
		body, err := fhir.Marshal(members)
		return body, parts(r)[0], err
	}
	return nil, part{}, errors.New("probe: a bundle without Observation")
}

// entry of a bundle that was sent.
type entry struct {
	FullURL  string          `json:"fullUrl"`
	Resource json.RawMessage `json:"resource"`
}

func entriesOf(bundle []byte) ([]entry, error) {
	var b struct {
		Entry []entry `json:"entry"`
	}
	if err := json.Unmarshal(bundle, &b); err != nil {
		return nil, fmt.Errorf("bundle: %w", err)
	}
	return b.Entry, nil
}

// masked is a patient's number with all but its end hidden.
func masked(pt poct.Patient) string {
	hidden := "***"
	if r := []rune(pt.ID); len(r) > 4 {
		hidden += string(r[len(r)-2:])
	}
	return pt.Authority + " " + hidden
}
