package mapping

import (
	"errors"
	"fmt"
	"time"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// IDs are what the record system itself calls things.
type IDs struct {
	Patient   string // reference to the patient: "Patient/12"
	Encounter string // reference to the visit's encounter, "" if not known
	// Remote names what was filed before, as in poct.Delivery:
	// "observation/inr" -> "Observation/12", "etag/observation/inr" -> W/"1".
	Remote map[string]string
}

// Options of rendering, per outlet.
type Options struct {
	Caps fhir.Caps
	// INRUnit is the UCUM code sent for INR: "{INR}", or "1" where the receiver
	// knows no annotations; "" is "{INR}".
	INRUnit string
	// Systems gives the identifier system of an assigning authority.
	Systems map[string]string
}

var errNoPatient = errors.New("mapping: a bundle needs the record system's patient")

// Bundle renders one action on one result as a FHIR R4 transaction.
//
//	create    Observations, report and specimen, each created unless its
//	          identifier is there already; meter, clinic, operator and strip lot
//	          likewise; provenance
//	correct   the same content onto the ids that were filed, each only onto the
//	          version that was there
//	withdraw  the same with status entered-in-error; values stay
//
// The same arguments give the same bytes.
func Bundle(r poct.Result, action poct.Action, ids IDs, o Options) ([]byte, error) {
	if ids.Patient == "" {
		return nil, errNoPatient
	}
	if r.Key == "" || r.Reading.Kind != poct.KindPatient {
		return nil, fmt.Errorf("mapping: a %s reading without a key is never sent", r.Reading.Kind)
	}
	b := &builder{r: &r, action: action, ids: ids, o: o}
	if action == poct.Create && len(r.Reading.Measurements) == 0 {
		return nil, errors.New("mapping: nothing was measured")
	}
	b.shared()
	b.specimen()
	for i := range r.Reading.Measurements {
		b.observation(&r.Reading.Measurements[i])
	}
	b.report()
	b.provenance()
	if b.err != nil {
		return nil, b.err
	}
	return fhir.Transaction(b.entries), nil
}

// builder collects the entries of one transaction.
type builder struct {
	r       *poct.Result
	action  poct.Action
	ids     IDs
	o       Options
	entries []fhir.Write
	err     error

	meter, clinic, operator, strip, sample *models.Reference
	contained                              []byte // the strip lot, where it cannot be a resource of its own
	observations                           []models.Reference
}

// add marshals a resource and appends its entry.
func (b *builder) add(w fhir.Write, resource any) {
	if b.err != nil {
		return
	}
	w.Resource, b.err = fhir.Marshal(resource)
	b.entries = append(b.entries, w)
}

// addOnce creates a resource unless its identifier is there already.
func (b *builder) addOnce(typ, system, value, urn string, resource any) *models.Reference {
	b.add(fhir.Write{
		FullURL: urn, Method: "POST", URL: typ, IfNoneExist: fhir.Identifier{System: system, Value: value}.Query(),
	}, resource)
	return &models.Reference{Reference: &urn}
}

// addVersion creates a part of the result, or puts it onto what was filed.
func (b *builder) addVersion(typ, key, urn string, id **string, resource any) models.Reference {
	if ref := b.ids.Remote[key]; b.action != poct.Create && ref != "" {
		own := ref[len(typ)+1:]
		*id = &own
		b.add(fhir.Write{FullURL: urn, Method: "PUT", URL: ref, IfMatch: b.ids.Remote["etag/"+key]}, resource)
		return models.Reference{Reference: &ref}
	}
	if b.action == poct.Withdraw {
		b.err = errors.Join(b.err, fmt.Errorf("mapping: what is withdrawn has no id at the record system: %s", key))
	}
	b.add(fhir.Write{FullURL: urn, Method: "POST", URL: typ, IfNoneExist: fhir.Identifier{System: systemURI, Value: urn}.Query()}, resource)
	return models.Reference{Reference: &urn}
}

// shared adds what many results have in common.
func (b *builder) shared() {
	rd := &b.r.Reading
	urn := named(serialSystem, rd.Meter).URN()
	b.meter = b.addOnce("Device", serialSystem, rd.Meter, urn, models.Device{
		Identifier:   []models.Identifier{{System: ptr(serialSystem), Value: ptr(rd.Meter)}},
		SerialNumber: ptr(rd.Meter),
		ModelNumber:  optional(rd.Model),
		Status:       ptr(models.FHIRDeviceStatusActive),
		Type:         &models.CodeableConcept{Text: ptr("Point-of-care coagulation meter")},
	})
	if b.r.Site != "" {
		name := b.r.SiteName
		if name == "" {
			name = b.r.Site
		}
		b.clinic = b.addOnce("Organization", siteSystem, b.r.Site, named(siteSystem, b.r.Site).URN(), models.Organization{
			Identifier: []models.Identifier{{System: ptr(siteSystem), Value: ptr(b.r.Site)}},
			Name:       ptr(name),
		})
	}
	if b.r.OperatorOK && rd.Operator != "" {
		// Who it is stands in the clinic's own directory: the number alone goes along.
		b.operator = &models.Reference{
			Type:       ptr("Practitioner"),
			Identifier: &models.Identifier{System: ptr(operatorSystem), Value: ptr(rd.Operator)},
			Display:    ptr("Operator " + rd.Operator),
		}
	}
	if rd.StripLot != "" {
		b.stripLot()
	}
}

func (b *builder) stripLot() {
	lot := b.r.Reading.StripLot
	s := models.Substance{
		Identifier: []models.Identifier{{System: ptr(lotSystem), Value: ptr(lot)}},
		Code:       models.CodeableConcept{Text: ptr("Prothrombin time test strip")},
		Instance: []models.SubstanceInstance{{
			Identifier: &models.Identifier{System: ptr(lotSystem), Value: ptr(lot)},
			Expiry:     optional(dateOnly(b.r.LotExpires)),
		}},
	}
	if c := b.o.Caps.Resources["Substance"]; c.Create && c.ConditionalCreate {
		b.strip = b.addOnce("Substance", lotSystem, lot, named(lotSystem, lot).URN(), s)
		return
	}
	s.Id = ptr("strip")
	b.contained, b.err = fhir.Marshal(s)
	b.strip = &models.Reference{Reference: ptr("#strip")}
}

// specimenCodes: SNOMED CT types; capillary has no code in HL7 table 0487, but
// a collection method in 0488.
var specimenCodes = map[string]struct{ snomed, display, method, methodText string }{
	"capillary": {"122554006", "Capillary blood specimen", "CAP", "Capillary Specimen"},
	"venous":    {"122555007", "Venous blood specimen", "", ""},
}

func (b *builder) specimen() {
	urn := StableID(*b.r, "specimen").URN()
	s := models.Specimen{
		Identifier: []models.Identifier{{System: ptr(systemURI), Value: ptr(urn)}},
		Status:     ptr(models.SpecimenStatusAvailable),
		Subject:    &models.Reference{Reference: ptr(b.ids.Patient)},
		Collection: &models.SpecimenCollection{CollectedDateTime: ptr(b.effective())},
	}
	if c, ok := specimenCodes[b.r.Reading.Specimen]; ok {
		s.Type = concept("http://snomed.info/sct", c.snomed, c.display, "")
		if c.method != "" {
			s.Collection.Method = concept("http://terminology.hl7.org/CodeSystem/v2-0488", c.method, c.methodText, "")
		}
	}
	b.sample = b.addOnce("Specimen", systemURI, urn, urn, s)
}

// report groups the observations of one strip. There is no capillary panel
// code, so it is named by text.
func (b *builder) report() {
	urn := StableID(*b.r, "report").URN()
	r := models.DiagnosticReport{
		Identifier:        []models.Identifier{{System: ptr(systemURI), Value: ptr(urn)}},
		Status:            b.reportStatus(),
		Category:          []models.CodeableConcept{*concept("http://terminology.hl7.org/CodeSystem/v2-0074", "LAB", "Laboratory", "")},
		Code:              models.CodeableConcept{Text: ptr("Prothrombin time, point of care")},
		Subject:           &models.Reference{Reference: ptr(b.ids.Patient)},
		Encounter:         b.encounter(),
		EffectiveDateTime: ptr(b.effective()),
		Issued:            ptr(b.issued()),
		Performer:         b.performers(),
		Specimen:          []models.Reference{*b.sample},
		Result:            b.observations,
	}
	b.addVersion("DiagnosticReport", "diagnosticreport", urn, &r.Id, &r)
}

func (b *builder) reportStatus() models.DiagnosticReportStatus {
	switch b.action {
	case poct.Correct:
		return models.DiagnosticReportStatusCorrected
	case poct.Withdraw:
		return models.DiagnosticReportStatusEnteredInError
	default:
		return models.DiagnosticReportStatusFinal
	}
}

// provenance says which message this came from and who put it together. It is
// put under an id of ours where the record system takes one, since it has no
// identifier that a second copy could be told by.
func (b *builder) provenance() {
	name := fmt.Sprintf("provenance/%d/%s", b.r.Version, b.action)
	id := StableID(*b.r, name)
	p := models.Provenance{
		Target:   b.observations,
		Recorded: b.issued(),
		Activity: concept("http://terminology.hl7.org/CodeSystem/v3-DataOperation", activities[b.action], "", ""),
		Agent: []models.ProvenanceAgent{{
			Type: concept("http://terminology.hl7.org/CodeSystem/provenance-participant-type", "assembler", "Assembler", ""),
			Who:  models.Reference{Display: ptr("tidegate")},
		}},
		Entity: []models.ProvenanceEntity{{
			Role: models.ProvenanceEntityRoleSource,
			What: models.Reference{
				Identifier: &models.Identifier{System: ptr(systemURI), Value: ptr("urn:uuid:" + b.r.Reading.Arrival)},
				Display:    ptr("Message from the meter, kept by tidegate"),
			},
		}},
	}
	if b.operator != nil {
		p.Agent = append(p.Agent, models.ProvenanceAgent{
			Type: concept("http://terminology.hl7.org/CodeSystem/provenance-participant-type", "performer", "Performer", ""), Who: *b.operator,
		})
	}
	if b.action == poct.Correct {
		for _, m := range b.r.Reading.Measurements {
			ref, tag := b.ids.Remote["observation/"+m.Analyte], version(b.ids.Remote["etag/observation/"+m.Analyte])
			if ref != "" && tag != "" {
				p.Entity = append(p.Entity, models.ProvenanceEntity{
					Role: models.ProvenanceEntityRoleRevision, What: models.Reference{Reference: ptr(ref + "/_history/" + tag)},
				})
			}
		}
	}
	if b.o.Caps.Resources["Provenance"].UpdateCreate {
		p.Id = ptr(id.String())
		b.add(fhir.Write{FullURL: id.URN(), Method: "PUT", URL: "Provenance/" + id.String()}, &p)
		return
	}
	b.add(fhir.Write{FullURL: id.URN(), Method: "POST", URL: "Provenance"}, &p)
}

// activities in the terms of v3-DataOperation.
var activities = map[poct.Action]string{poct.Create: "CREATE", poct.Correct: "UPDATE", poct.Withdraw: "NULLIFY"}

func (b *builder) effective() string { return b.r.Reading.Tested().Format("2006-01-02T15:04:05Z07:00") }

func (b *builder) issued() string { return b.r.Issued.UTC().Format("2006-01-02T15:04:05.000Z") }

func (b *builder) encounter() *models.Reference {
	if b.ids.Encounter == "" {
		return nil
	}
	return &models.Reference{Reference: ptr(b.ids.Encounter)}
}

func (b *builder) performers() []models.Reference {
	var out []models.Reference
	for _, r := range []*models.Reference{b.operator, b.clinic} {
		if r != nil {
			out = append(out, *r)
		}
	}
	return out
}

// version is the version id within a weak ETag, W/"3".
func version(etag string) string {
	if len(etag) < 5 || etag[:3] != `W/"` || etag[len(etag)-1] != '"' {
		return ""
	}
	return etag[3 : len(etag)-1]
}

// dateOnly keeps a date and drops what is none: FHIR would refuse it.
func dateOnly(s string) string {
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		return ""
	}
	return s
}

func concept(system, code, display, text string) *models.CodeableConcept {
	return &models.CodeableConcept{
		Coding: []models.Coding{{System: ptr(system), Code: ptr(code), Display: optional(display)}}, Text: optional(text),
	}
}

func ptr[T any](v T) *T { return &v }

func optional(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}
