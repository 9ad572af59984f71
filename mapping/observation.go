package mapping

import (
	"slices"
	"strings"

	"tidegate/poct"
)

// reagentURL is the extension of FHIR R4 that names the reagent of an
// observation: here the strip lot.
const reagentURL = "http://hl7.org/fhir/StructureDefinition/observation-reagent"

// analyteText is what is shown beside the code.
var analyteText = map[string]string{"inr": "INR", "pt": "Prothrombin time"}

// observation adds one analyte. What the meter itself flags (high, low) is not
// passed on as an interpretation: it compares with a range of the meter's, not
// with what is aimed at for this patient.
func (b *builder) observation(m *poct.Measurement) {
	p := b.part("Observation", "observation/"+m.Analyte, m.Analyte)
	b.open(p)
	if b.strip.to == "#"+containedStrip {
		b.w.List("contained").Resource("Substance").Text("id", containedStrip)
		b.substance()
		b.w.Close().End()
	}
	if b.strip.set() {
		b.w.List("extension").Open("").Text("url", reagentURL)
		b.refer("valueReference", b.strip)
		b.w.Close().End()
	}
	b.identified(systemURI, p.urn)
	b.refers("basedOn", b.order())
	b.w.Text("status", b.status())
	b.concepts("category", "http://terminology.hl7.org/CodeSystem/observation-category", "laboratory", "Laboratory")
	b.concept("code", "http://loinc.org", m.LOINC, "", analyteText[m.Analyte])
	b.refer("subject", reference{to: b.ids.Patient})
	b.refer("encounter", b.encounter())
	b.w.Text("effectiveDateTime", b.effective).Text("issued", b.issued)
	b.refers("performer", b.operator, b.clinic)
	b.value(m)
	b.notes()
	b.refer("specimen", b.sample)
	b.refer("device", b.meter)
	b.target(m)
	b.observations = append(b.observations, b.done(p))
}

// value writes the quantity, with its digits as sent and its comparator, or
// why there is none.
func (b *builder) value(m *poct.Measurement) {
	if m.Value.IsZero() {
		b.concept("dataAbsentReason", "http://terminology.hl7.org/CodeSystem/data-absent-reason", "unknown", "Unknown", "")
		return
	}
	if m.Unit != ucum[m.Analyte] {
		b.fail("%s is not known to be in %s: no unit is made up", m.Analyte, ucum[m.Analyte])
	}
	unit, code := "s", "s"
	if m.Analyte == "inr" {
		if unit, code = "INR", b.o.INRUnit; code == "" {
			code = ucum[m.Analyte]
		}
	}
	b.w.Open("valueQuantity").Number("value", m.Value.Text).Text("comparator", m.Value.Comparator)
	b.w.Text("unit", unit).Text("system", "http://unitsofmeasure.org").Text("code", code).Close()
	if c := m.Value.Comparator; c != "" {
		// Marked off scale as well, for a reader who overlooks the comparator.
		display := "Off scale high"
		if strings.HasPrefix(c, "<") {
			display = "Off scale low"
		}
		b.concepts("interpretation", "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", c[:1], display)
	}
}

// notes say in words what a person should not have to look up: the lot, what
// was flagged, what a correction changed.
func (b *builder) notes() {
	var texts []string
	if lot := b.lotNote(); lot != "" {
		texts = append(texts, lot)
	}
	texts = append(texts, b.remarks()...)
	open := false
	for _, t := range texts {
		if strings.TrimSpace(t) == "" {
			continue
		}
		if !open {
			b.w.List("note")
			open = true
		}
		b.w.Open("").Text("text", t).Close()
	}
	if open {
		b.w.End()
	}
}

// lotNote names the strip lot, "" if there is none.
func (b *builder) lotNote() string {
	lot := b.r.Reading.StripLot
	if lot == "" {
		return ""
	}
	text := "Strip lot " + lot
	if e := dateOnly(b.r.LotExpires); e != "" {
		text += ", expires " + e
	}
	if !b.r.LotOK {
		text += ", not in the registry"
	}
	return text + "."
}

// remarks are what was flagged, and what this version changes and why.
func (b *builder) remarks() []string {
	texts := slices.Clone(b.r.Marks)
	switch {
	case b.action == poct.Withdraw:
		texts = append(texts, "Withdrawn: this result must not be used. The value is kept for the record.")
		if b.r.Replaces != "" {
			texts = append(texts, "Why: "+b.r.Replaces+".")
		}
	case b.action == poct.Correct && b.marksOnly():
	case b.action == poct.Correct && b.r.Replaces != "":
		texts = append(texts, "Corrected: "+b.r.Replaces+".")
	case b.action == poct.Correct:
		texts = append(texts, "Corrected by the meter or a reviewer.")
	case b.status() == "corrected":
		texts = append(texts, "The meter calls this a correction; no earlier version of it was filed from here.")
	}
	return texts
}
