package probe

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

const sentObservation = `{"resourceType":"Observation","id":"a","contained":[{"resourceType":"Substance","id":"strip","code":{"text":"x"}}],` +
	`"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/observation-reagent","valueReference":{"reference":"#strip"}}],` +
	`"identifier":[{"system":"urn:ietf:rfc:3986","value":"urn:uuid:1"}],"status":"final","subject":{"reference":"Patient/1"},` +
	`"effectiveDateTime":"2026-03-04T09:12:00+01:00","valueQuantity":{"value":2.50,"comparator":"<","unit":"INR","system":"http://unitsofmeasure.org","code":"{INR}"},` +
	`"note":[{"text":"one"},{"text":"two"}],"specimen":{"reference":"urn:uuid:9"}}`

// Each change to what comes back is told as what it is.
func TestCompare(t *testing.T) {
	links := map[string]string{"urn:uuid:9": "Specimen/12"}
	tests := []struct {
		name, old, replacement string
		want                   string // "element fate need sent stored", "" for nothing but survival
	}{
		{"as sent, with the reference that it got", `"urn:uuid:9"`, `"Specimen/12"`, ""},
		{"a full address", `"Patient/1"`, `"http://h.example/fhir/Patient/1"`, ""},
		{"contained under another id", `"id":"strip"`, `"id":"c1"`, ""},
		{"members in another order", `"value":2.50,"comparator":"<"`, `"comparator":"<","value":2.50`, ""},
		{"list in another order", `{"text":"one"},{"text":"two"}`, `{"text":"two"},{"text":"one"}`, ""},
		{"list with more", `{"text":"one"}`, `{"text":"zero"},{"text":"one"}`, ""},
		{"zeros cut", `2.50`, `2.5`, "valueQuantity.value changed wanted 2.50 2.5"},
		{"exponent", `2.50`, `25e-1`, "valueQuantity.value changed wanted 2.50 25e-1"},
		{"another value", `2.50`, `2.51`, "valueQuantity.value changed needed 2.50 2.51"},
		{"value as a text", `2.50`, `"2.50"`, "valueQuantity.value changed needed 2.50 2.50"},
		{"comparator lost", `"comparator":"<",`, ``, "valueQuantity.comparator lost needed < "},
		{"comparator turned", `"<"`, `">"`, "valueQuantity.comparator changed needed < >"},
		{"unit's words changed", `"unit":"INR"`, `"unit":"{INR}"`, "valueQuantity.unit changed wanted INR {INR}"},
		{"unit's code changed", `"code":"{INR}"`, `"code":"1"`, "valueQuantity.code changed needed {INR} 1"},
		{"extension lost", `"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/observation-reagent","valueReference":{"reference":"#strip"}}],`, ``,
			"extension observation-reagent lost wanted http://hl7.org/fhir/StructureDefinition/observation-reagent "},
		{"the same instant elsewhere", `09:12:00+01:00`, `08:12:00Z`, "effectiveDateTime changed wanted 2026-03-04T09:12:00+01:00 2026-03-04T08:12:00Z"},
		{"another instant", `09:12:00+01:00`, `09:12:00Z`, "effectiveDateTime changed needed 2026-03-04T09:12:00+01:00 2026-03-04T09:12:00Z"},
		{"another patient, not named", `"Patient/1"`, `"Patient/2"`, "subject changed needed the test patient another reference"},
		{"a note lost", `,{"text":"two"}`, ``, "note changed wanted [1].text two [1].text nothing"},
		{"added", `"status":"final"`, `"status":"final","language":"en"`, "language added told  "},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			stored := strings.Replace(sentObservation, tc.old, tc.replacement, 1)
			stored = strings.Replace(stored, `"urn:uuid:9"`, `"Specimen/12"`, 1)
			var got []string
			for _, e := range compare("Observation", []byte(sentObservation), []byte(stored), links) {
				if e.Fate != Survived {
					got = append(got, fmt.Sprint(e.Element, " ", e.Fate, " ", e.Need, " ", e.Sent, " ", e.Stored))
				}
			}
			assert.Equal(t, tc.want, strings.Join(got, "; "))
		})
	}
}

// Whatever comes back is compared without a fall, and a resource survives
// itself.
func FuzzCompare(f *testing.F) {
	f.Add([]byte(sentObservation))
	f.Add([]byte(`{"note":[[[]],null,{}],"valueQuantity":7,"extension":{"url":1},"contained":[5]}`))
	f.Add([]byte(`[]`))
	f.Fuzz(func(t *testing.T, b []byte) {
		compare("x", []byte(sentObservation), b, nil)
		compare("x", b, []byte(sentObservation), nil)
		for _, e := range compare("x", b, b, nil) {
			if e.Fate != Survived {
				t.Errorf("%s was %s: %q and %q", e.Element, e.Fate, e.Sent, e.Stored)
			}
		}
	})
}
