package standin

import "strings"

// definitions is what FHIR R4 (4.0.1) says of the resources kept here: element,
// cardinality, type. "!" is 1..1, "+" 1..*, "*" 0..*, nothing 0..1; code=set is
// bound to a required set, Reference(...) names the allowed targets, [x] a
// choice of types. Transcribed from the resource definitions of hl7.org/fhir/R4.
const definitions = `
Element: id string, extension* Extension
BackboneElement: modifierExtension* Extension
DomainResource: meta Meta, implicitRules uri, language code, text Narrative, contained* Resource, extension* Extension, modifierExtension* Extension

Observation: identifier* Identifier, basedOn* Reference(CarePlan|DeviceRequest|ImmunizationRecommendation|MedicationRequest|NutritionOrder|ServiceRequest), partOf* Reference(MedicationAdministration|MedicationDispense|MedicationStatement|Procedure|Immunization|ImagingStudy), status! code=observation-status, category* CodeableConcept, code! CodeableConcept, subject Reference(Patient|Group|Device|Location), focus* Reference, encounter Reference(Encounter), effective[x] dateTime|Period|Timing|instant, issued instant, performer* Reference(Practitioner|PractitionerRole|Organization|CareTeam|Patient|RelatedPerson), value[x] Quantity|CodeableConcept|string|boolean|integer|Range|Ratio|SampledData|time|dateTime|Period, dataAbsentReason CodeableConcept, interpretation* CodeableConcept, note* Annotation, bodySite CodeableConcept, method CodeableConcept, specimen Reference(Specimen), device Reference(Device|DeviceMetric), referenceRange* Observation.referenceRange, hasMember* Reference(Observation|QuestionnaireResponse|MolecularSequence), derivedFrom* Reference(DocumentReference|ImagingStudy|Media|QuestionnaireResponse|Observation|MolecularSequence), component* Observation.component
Observation.referenceRange: low Quantity, high Quantity, type CodeableConcept, appliesTo* CodeableConcept, age Range, text string
Observation.component: code! CodeableConcept, value[x] Quantity|CodeableConcept|string|boolean|integer|Range|Ratio|SampledData|time|dateTime|Period, dataAbsentReason CodeableConcept, interpretation* CodeableConcept, referenceRange* Observation.referenceRange
DiagnosticReport: identifier* Identifier, basedOn* Reference(CarePlan|ImmunizationRecommendation|MedicationRequest|NutritionOrder|ServiceRequest), status! code=diagnostic-report-status, category* CodeableConcept, code! CodeableConcept, subject Reference(Patient|Group|Device|Location), encounter Reference(Encounter), effective[x] dateTime|Period, issued instant, performer* Reference(Practitioner|PractitionerRole|Organization|CareTeam), resultsInterpreter* Reference(Practitioner|PractitionerRole|Organization|CareTeam), specimen* Reference(Specimen), result* Reference(Observation), imagingStudy* Reference(ImagingStudy), media* DiagnosticReport.media, conclusion string, conclusionCode* CodeableConcept, presentedForm* Attachment
DiagnosticReport.media: comment string, link! Reference(Media)
Specimen: identifier* Identifier, accessionIdentifier Identifier, status code=specimen-status, type CodeableConcept, subject Reference(Patient|Group|Device|Substance|Location), receivedTime dateTime, parent* Reference(Specimen), request* Reference(ServiceRequest), collection Specimen.collection, processing* Specimen.processing, container* Specimen.container, condition* CodeableConcept, note* Annotation
Specimen.collection: collector Reference(Practitioner|PractitionerRole), collected[x] dateTime|Period, duration Duration, quantity Quantity, method CodeableConcept, bodySite CodeableConcept, fastingStatus[x] CodeableConcept|Duration
Specimen.processing: description string, procedure CodeableConcept, additive* Reference(Substance), time[x] dateTime|Period
Specimen.container: identifier* Identifier, description string, type CodeableConcept, capacity Quantity, specimenQuantity Quantity, additive[x] CodeableConcept|Reference(Substance)
Substance: identifier* Identifier, status code=substance-status, category* CodeableConcept, code! CodeableConcept, description string, instance* Substance.instance, ingredient* Substance.ingredient
Substance.instance: identifier Identifier, expiry dateTime, quantity Quantity
Substance.ingredient: quantity Ratio, substance[x]! CodeableConcept|Reference(Substance)
Device: identifier* Identifier, definition Reference(DeviceDefinition), udiCarrier* Device.udiCarrier, status code=device-status, statusReason* CodeableConcept, distinctIdentifier string, manufacturer string, manufactureDate dateTime, expirationDate dateTime, lotNumber string, serialNumber string, deviceName* Device.deviceName, modelNumber string, partNumber string, type CodeableConcept, specialization* Device.specialization, version* Device.version, property* Device.property, patient Reference(Patient), owner Reference(Organization), contact* ContactPoint, location Reference(Location), url uri, note* Annotation, safety* CodeableConcept, parent Reference(Device)
Device.udiCarrier: deviceIdentifier string, issuer uri, jurisdiction uri, carrierAIDC base64Binary, carrierHRF string, entryType code=udi-entry-type
Device.deviceName: name! string, type! code=device-nametype
Device.specialization: systemType! CodeableConcept, version string
Device.version: type CodeableConcept, component Identifier, value! string
Device.property: type! CodeableConcept, valueQuantity* Quantity, valueCode* CodeableConcept
Practitioner: identifier* Identifier, active boolean, name* HumanName, telecom* ContactPoint, address* Address, gender code=administrative-gender, birthDate date, photo* Attachment, qualification* Practitioner.qualification, communication* CodeableConcept
Practitioner.qualification: identifier* Identifier, code! CodeableConcept, period Period, issuer Reference(Organization)
Organization: identifier* Identifier, active boolean, type* CodeableConcept, name string, alias* string, telecom* ContactPoint, address* Address, partOf Reference(Organization), contact* Organization.contact, endpoint* Reference(Endpoint)
Organization.contact: purpose CodeableConcept, name HumanName, telecom* ContactPoint, address Address
Provenance: target+ Reference, occurred[x] Period|dateTime, recorded! instant, policy* uri, location Reference(Location), reason* CodeableConcept, activity CodeableConcept, agent+ Provenance.agent, entity* Provenance.entity, signature* Any
Provenance.agent: type CodeableConcept, role* CodeableConcept, who! Reference(Practitioner|PractitionerRole|RelatedPerson|Patient|Device|Organization), onBehalfOf Reference(Practitioner|PractitionerRole|RelatedPerson|Patient|Device|Organization)
Provenance.entity: role! code=provenance-entity-role, what! Reference, agent* Provenance.agent
Patient: identifier* Identifier, active boolean, name* HumanName, telecom* ContactPoint, gender code=administrative-gender, birthDate date, deceased[x] boolean|dateTime, address* Address, maritalStatus CodeableConcept, multipleBirth[x] boolean|integer, photo* Attachment, contact* Patient.contact, communication* Patient.communication, generalPractitioner* Reference(Organization|Practitioner|PractitionerRole), managingOrganization Reference(Organization), link* Patient.link
Patient.contact: relationship* CodeableConcept, name HumanName, telecom* ContactPoint, address Address, gender code=administrative-gender, organization Reference(Organization), period Period
Patient.communication: language! CodeableConcept, preferred boolean
Patient.link: other! Reference(Patient|RelatedPerson), type! code=link-type

Identifier: use code=identifier-use, type CodeableConcept, system uri, value string, period Period, assigner Reference(Organization)
CodeableConcept: coding* Coding, text string
Coding: system uri, version string, code code, display string, userSelected boolean
Quantity: value decimal, comparator code=quantity-comparator, unit string, system uri, code code
Duration: value decimal, comparator code=quantity-comparator, unit string, system uri, code code
Range: low Quantity, high Quantity
Ratio: numerator Quantity, denominator Quantity
Period: start dateTime, end dateTime
Annotation: author[x] Reference(Practitioner|Patient|RelatedPerson|Organization)|string, time dateTime, text! markdown
Reference: reference string, type uri, identifier Identifier, display string
Meta: versionId id, lastUpdated instant, source uri, profile* canonical, security* Coding, tag* Coding
Narrative: status! code=narrative-status, div! xhtml
Extension: url! uri, value[x] boolean|canonical|code|date|dateTime|decimal|id|instant|integer|markdown|positiveInt|string|time|unsignedInt|uri|url|uuid|Address|Annotation|Attachment|CodeableConcept|Coding|ContactPoint|Duration|HumanName|Identifier|Period|Quantity|Range|Ratio|Reference
HumanName: use code=name-use, text string, family string, given* string, prefix* string, suffix* string, period Period
ContactPoint: system code, value string, use code, rank positiveInt, period Period
Address: use code, type code, text string, line* string, city string, district string, state string, postalCode string, country string, period Period
Attachment: contentType code, language code, data base64Binary, url url, size unsignedInt, hash base64Binary, title string, creation dateTime
`

// requiredSets are the value sets with required binding, hl7.org/fhir/R4/valuesets.
const requiredSets = `
observation-status: registered preliminary final amended corrected cancelled entered-in-error unknown
diagnostic-report-status: registered partial preliminary final amended corrected appended cancelled entered-in-error unknown
specimen-status: available unavailable unsatisfactory entered-in-error
substance-status: active inactive entered-in-error
device-status: active inactive entered-in-error unknown
udi-entry-type: barcode rfid manual card self-reported unknown
device-nametype: udi-label-name user-friendly-name patient-reported-name manufacturer-name model-name other
administrative-gender: male female other unknown
provenance-entity-role: derivation revision quotation source removal
link-type: replaced-by replaces refer seealso
identifier-use: usual official temp secondary old
quantity-comparator: < <= >= >
narrative-status: generated extensions additional empty
name-use: usual official temp nickname anonymous old maiden
`

// element is one allowed member of a type.
type element struct {
	typ     string // type name, or primitive
	set     string // required set of a code
	targets map[string]bool
	many    bool
	group   string // element name before [x], for choices: one of a group at most
}

type definition struct {
	elements map[string]*element
	required []string // element names or choice groups
}

var (
	types = map[string]*definition{}
	sets  = map[string]map[string]bool{}
)

// resourceTypes are the resources that the record keeps.
var resourceTypes = []string{
	"Device", "DiagnosticReport", "Observation", "Organization", "Patient",
	"Practitioner", "Provenance", "Specimen", "Substance",
}

func keeps(typ string) bool {
	for _, t := range resourceTypes {
		if t == typ {
			return true
		}
	}
	return false
}

func init() {
	for _, line := range strings.Split(strings.TrimSpace(requiredSets), "\n") {
		name, codes, _ := strings.Cut(line, ": ")
		sets[name] = map[string]bool{}
		for _, c := range strings.Fields(codes) {
			sets[name][c] = true
		}
	}
	for _, line := range strings.Split(definitions, "\n") {
		name, body, ok := strings.Cut(line, ": ")
		if !ok {
			continue
		}
		d := &definition{elements: map[string]*element{}}
		for _, part := range strings.Split(body, ", ") {
			d.add(part)
		}
		types[name] = d
	}
	for name, d := range types {
		for _, base := range basesOf(name) {
			for k, e := range types[base].elements {
				d.elements[k] = e
			}
		}
	}
}

func basesOf(name string) []string {
	switch {
	case name == "Element" || name == "BackboneElement" || name == "DomainResource":
		return nil
	case keeps(name):
		return []string{"DomainResource"}
	case strings.Contains(name, "."):
		return []string{"Element", "BackboneElement"}
	}
	return []string{"Element"}
}

// add reads "name[x]! Type|Type" and the like.
func (d *definition) add(part string) {
	name, kinds, _ := strings.Cut(part, " ")
	card := ""
	if i := strings.IndexAny(name, "!+*"); i >= 0 {
		name, card = name[:i], name[i:]
	}
	many := card == "*" || card == "+"
	base, choice := strings.CutSuffix(name, "[x]")
	if card == "!" || card == "+" {
		d.required = append(d.required, base)
	}
	if !choice {
		d.elements[base] = parseElement(kinds, many)
		return
	}
	for _, k := range splitChoices(kinds) {
		e := parseElement(k, false)
		e.group = base
		d.elements[base+strings.ToUpper(e.typ[:1])+e.typ[1:]] = e
	}
}

func parseElement(s string, many bool) *element {
	e := &element{typ: s, many: many}
	if t, set, ok := strings.Cut(s, "="); ok {
		e.typ, e.set = t, set
	}
	if t, targets, ok := strings.Cut(s, "("); ok {
		e.typ, e.targets = t, map[string]bool{}
		for _, x := range strings.Split(strings.TrimSuffix(targets, ")"), "|") {
			e.targets[x] = true
		}
	}
	return e
}

// splitChoices splits at "|" outside brackets.
func splitChoices(s string) []string {
	var out []string
	depth, from := 0, 0
	for i, c := range s {
		switch c {
		case '(':
			depth++
		case ')':
			depth--
		case '|':
			if depth == 0 {
				out = append(out, s[from:i])
				from = i + 1
			}
		}
	}
	return append(out, s[from:])
}
