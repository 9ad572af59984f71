package mapping

import (
	"encoding/json"
	"strings"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidegate/poct"
)

// reagentURL is the extension of FHIR R4 that names the reagent of an
// observation: here the strip lot.
const reagentURL = "http://hl7.org/fhir/StructureDefinition/observation-reagent"

// analyteText is what is shown beside the code.
var analyteText = map[string]string{"inr": "INR", "pt": "Prothrombin time"}

var comparators = map[string]models.QuantityComparator{
	"<": models.QuantityComparatorLessThan, "<=": models.QuantityComparatorLessOrEquals,
	">=": models.QuantityComparatorGreaterOrEquals, ">": models.QuantityComparatorGreaterThan,
}

// observation adds one analyte.
func (b *builder) observation(m *poct.Measurement) {
	urn := StableID(*b.r, m.Analyte).URN()
	o := models.Observation{
		Identifier:        []models.Identifier{{System: ptr(systemURI), Value: ptr(urn)}},
		Status:            b.observationStatus(),
		Category:          []models.CodeableConcept{*concept("http://terminology.hl7.org/CodeSystem/observation-category", "laboratory", "Laboratory", "")},
		Code:              *concept("http://loinc.org", m.LOINC, "", analyteText[m.Analyte]),
		Subject:           &models.Reference{Reference: ptr(b.ids.Patient)},
		Encounter:         b.encounter(),
		EffectiveDateTime: ptr(b.effective()),
		Issued:            ptr(b.issued()),
		Performer:         b.performers(),
		ValueQuantity:     b.quantity(m),
		Interpretation:    offScale(m.Value),
		Specimen:          b.sample,
		Device:            b.meter,
		Note:              b.notes(),
	}
	if o.ValueQuantity == nil {
		o.DataAbsentReason = concept("http://terminology.hl7.org/CodeSystem/data-absent-reason", "error", "Error", "")
	}
	if b.strip != nil {
		o.Extension = []models.Extension{{Url: reagentURL, ValueReference: b.strip}}
	}
	doc := &document{Observation: &o, contained: b.contained}
	b.observations = append(b.observations, b.addVersion("Observation", "observation/"+m.Analyte, urn, &o.Id, doc))
}

// document is an Observation that may carry its strip lot inside it, which
// the type library has no field for.
type document struct {
	*models.Observation
	contained []byte
}

// MarshalJSON writes the contained resource behind the resource type.
func (d *document) MarshalJSON() ([]byte, error) {
	b, err := d.Observation.MarshalJSON()
	if err != nil || d.contained == nil {
		return b, err
	}
	out := make([]byte, 0, len(b)+len(d.contained)+16)
	out = append(out, `{"contained":[`...)
	out = append(out, d.contained...)
	out = append(out, `],`...)
	return append(out, b[1:]...), nil
}

func (b *builder) observationStatus() models.ObservationStatus {
	switch b.action {
	case poct.Correct:
		return models.ObservationStatusCorrected
	case poct.Withdraw:
		return models.ObservationStatusEnteredInError
	default:
		return models.ObservationStatusFinal
	}
}

func (b *builder) quantity(m *poct.Measurement) *models.Quantity {
	if m.Value.IsZero() {
		return nil
	}
	unit, code := "s", m.Unit
	if m.Analyte == "inr" {
		unit, code = "INR", "{INR}"
		if b.o.INRUnit != "" {
			code = b.o.INRUnit
		}
	}
	q := &models.Quantity{
		Value: ptr(json.Number(m.Value.Text)), Unit: ptr(unit), System: ptr("http://unitsofmeasure.org"), Code: ptr(code),
	}
	if c, ok := comparators[m.Value.Comparator]; ok {
		q.Comparator = &c
	}
	return q
}

// offScale marks a value beyond the meter's range, as a reader who overlooks
// the comparator would need it.
func offScale(n poct.Number) []models.CodeableConcept {
	code, display := "", ""
	switch {
	case strings.HasPrefix(n.Comparator, ">"):
		code, display = ">", "Off scale high"
	case strings.HasPrefix(n.Comparator, "<"):
		code, display = "<", "Off scale low"
	default:
		return nil
	}
	return []models.CodeableConcept{*concept("http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", code, display, "")}
}

// notes say in words what a person should not have to look up: the lot, what
// was flagged, what a correction changed.
func (b *builder) notes() []models.Annotation {
	var out []models.Annotation
	add := func(text string) { out = append(out, models.Annotation{Text: text}) }
	if lot := b.r.Reading.StripLot; lot != "" {
		text := "Strip lot " + lot
		if e := dateOnly(b.r.LotExpires); e != "" {
			text += ", expires " + e
		}
		if !b.r.LotOK {
			text += ", not in the registry"
		}
		add(text + ".")
	}
	for _, mark := range b.r.Marks {
		add(mark)
	}
	switch b.action {
	case poct.Correct:
		text := "Corrected by the meter or a reviewer."
		if b.r.Replaces != "" {
			text = "Corrected: " + b.r.Replaces + "."
		}
		add(text)
	case poct.Withdraw:
		add("Withdrawn: this result must not be used. The value is kept for the record.")
	default:
	}
	return out
}
