package probe

import (
	"context"
	"strings"

	"tidegate/wire/fhir"
)

// What is read of the statement, by the word that compareWithPromises knows.
const (
	saysOwnIDs      = "creates under ids of ours (updateCreate)"
	saysConditional = "creates unless the identifier is there (conditionalCreate)"
	saysTransaction = "transactions"
	saysJSON        = "application/fhir+json"
	saysPatient     = "Patient: read, search by identifier"
	saysObservation = "Observation: create, read, update, search by identifier"
	saysReport      = "DiagnosticReport: create, read, update, search by identifier"
	saysSpecimen    = "Specimen: create"
	saysProvenance  = "Provenance: create"
)

// askPromises reads the CapabilityStatement (hl7.org/fhir/R4/capabilitystatement.html).
// What it leaves out is not promised. False: nothing else can be tried.
func (p *probe) askPromises(ctx context.Context) bool {
	p.at("promises", "reading what the record system says of itself")
	var caps fhir.Caps
	a := p.ask(ctx, "GET metadata", nil, func(ctx context.Context, request string) (fhir.Answer, error) {
		var got fhir.Answer
		var err error
		caps, got, err = p.client.Capabilities(ctx, request)
		return got, err
	})
	if !a.done() {
		p.lacks(Needed, "The CapabilityStatement was not given: "+a.said()+".",
			"Check base_url, the sign-in and the network, then probe again.")
		return false
	}
	p.caps, p.rep.FHIRVersion = caps, caps.FHIRVersion
	if !strings.HasPrefix(caps.FHIRVersion, "4.0") {
		p.lacks(Needed, "It speaks FHIR version "+told(caps.FHIRVersion, "that it does not name")+", and the outlet speaks 4.0.",
			"Ask for an R4 address of the record system.")
		return false
	}
	p.good(Needed, "It speaks FHIR version %s.", caps.FHIRVersion)
	say := func(what string, need Need, promised bool) {
		p.rep.Promises = append(p.rep.Promises, Promise{What: what, Need: need, Promised: promised})
	}
	say(saysJSON, Needed, caps.JSON)
	of := caps.Resources
	say(saysPatient, Needed, of["Patient"].Read && of["Patient"].Search && of["Patient"].SearchIdentifier)
	obs, report := of["Observation"], of["DiagnosticReport"]
	say(saysObservation, Needed, kept(obs))
	say(saysReport, Needed, kept(report))
	say(saysSpecimen, Needed, of["Specimen"].Create)
	say(saysProvenance, Wanted, of["Provenance"].Create)
	for _, typ := range []string{"Device", "Organization", "Substance"} {
		say(typ+": create unless the identifier is there", Wanted, of[typ].Create && of[typ].ConditionalCreate)
	}
	say(saysOwnIDs, Wanted, obs.UpdateCreate && report.UpdateCreate)
	say(saysConditional, Wanted, obs.ConditionalCreate && report.ConditionalCreate)
	say(saysTransaction, Wanted, caps.Transaction)
	return true
}

func kept(c fhir.ResourceCaps) bool {
	return c.Create && c.Read && c.Update && c.Search && c.SearchIdentifier
}

// compareWithPromises puts what was found beside what was promised.
func (p *probe) compareWithPromises() {
	p.at("promises", "comparing with what was promised")
	found := map[string]Found{
		saysJSON:   Works, // it was read
		saysOwnIDs: p.ways.ownIDs, saysConditional: p.ways.conditional, saysTransaction: p.ways.transaction,
		saysPatient: p.ways.patient, saysObservation: p.ways.lived, saysReport: p.ways.lived, saysSpecimen: p.ways.lived,
		saysProvenance: p.ways.provenance,
	}
	for i := range p.rep.Promises {
		row := &p.rep.Promises[i]
		row.Found = found[row.What]
		switch {
		case row.Found == NotTried:
		case row.Promised && row.Found != Works:
			p.lacks(Wanted, "The CapabilityStatement promises what was not found: "+row.What+" ("+string(row.Found)+").",
				"Tell those who run the record system. The settings below do without.")
		case !row.Promised && row.Found == Works:
			p.lacks(Told, "The CapabilityStatement does not promise what was found: "+row.What+".", "")
		}
	}
}

func told(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// askPatient finds the test patient: exactly one, or nothing else is tried.
// Asked by POST first, so that a number stands in no access log unless the
// record system cannot do without.
func (p *probe) askPatient(ctx context.Context) bool {
	p.at("patient", "finding the test patient")
	id := fhir.Identifier{System: p.s.Systems[p.s.Patient.Authority], Value: p.s.Patient.ID}
	a := p.ask(ctx, "search Patient by identifier, by POST", nil, func(ctx context.Context, request string) (fhir.Answer, error) {
		return p.byPost.Search(ctx, request, "Patient", id)
	})
	p.ways.byPost = Works
	if !a.done() {
		p.ways.byPost = Refused
		a = p.search(ctx, "Patient", id)
	}
	switch {
	case !a.done():
		p.lacks(Needed, "Patients cannot be searched by identifier: "+a.said()+".", "Have the search parameter identifier of Patient switched on, and allowed to us.")
		return false
	case len(a.Entries) == 0:
		p.lacks(Needed, "No patient with this identifier is there.",
			"Have the test patient registered there; compare the identifier system in registry.identifier_systems, and authority and number given here.")
		return false
	case len(a.Entries) > 1:
		p.lacks(Needed, "Several patients with this identifier are there.", "Have the identifier made unique there.")
		return false
	}
	h := headOf(a.Entries[0].Resource)
	if h.Type != "Patient" || h.ref() == "" {
		p.lacks(Needed, "The patient found cannot be read.", "Have the answer of the search compared with R4.")
		return false
	}
	p.patient, p.ways.patient = h.ref(), Works
	p.good(Needed, "The patient was found by identifier, once.")
	for _, s := range h.Meta.Security {
		if s.Code == testLabel {
			p.good(Told, "The record system marks this patient as test data.")
			return true
		}
	}
	p.lacks(Told, "The record system does not mark this patient as test data.", "Make sure once more that it is nobody's record.")
	return true
}
