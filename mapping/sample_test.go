package mapping

import (
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// worked is a whole point-of-care result message (HL7 2.5.1 ORU^R30, structure
// ORU_R30); names, numbers and clinic are invented.
var worked = strings.ReplaceAll(`MSH|^~\&|QUILL3|MILLRACE|TIDEGATE|MILLRACE|20260305091330.25+0100||ORU^R30^ORU_R30|000123|P|2.5.1|||AL|NE||UNICODE UTF-8
PID|1||MRN0007^^^MILLRACE^MR||Testperson^Ada||19500101|F
PV1|1|O|ANTICOAG^^^MILLRACE
ORC|NW||F-88231^QUILL3
OBR|1||F-88231^QUILL3|34714-6^INR^LN|||20260305091200+0100||||O|||||||||||20260305091310+0100|||F
OBX|1|NM|34714-6^INR^LN||2.40|{INR}^^UCUM|2.0-3.0|N|||F|||20260305091200+0100||op17|STRIP|SN0042^QUILL3|20260305091310+0100
OBX|2|SN|5964-2^PT^LN||>^120|s^^UCUM|||||F|||20260305091200+0100
OBX|3|ST|STRIPLOT^strip lot^L||L2403A||||||F
`, "\n", "\r")

// quill reads worked.
var quill = compiled(quillConfig())

func quillConfig() ProfileConfig {
	return ProfileConfig{
		ID: "quill-hl7", Format: "hl7v2", Model: "Quill 3", Match: map[string]Values{"MSH-3.1": {"QUILL3"}}, Specimen: "capillary",
		MeasuringRange: RangeConfig{Low: "0.7", High: "9.0"},
		Fields: FieldsConfig{
			Meter: FieldConfig{At: "OBX-18.1"}, Sequence: FieldConfig{At: "OBR-3.1"},
			TestedAt: FieldConfig{At: "OBR-7", Zone: "site"}, Operator: FieldConfig{At: "OBX-16.1"},
			Patient: FieldConfig{At: "PID-3", Type: "MR", Authority: "MILLRACE"}, BirthDate: FieldConfig{At: "PID-7"},
			StripLot: FieldConfig{At: "OBX-5", Where: map[string]Values{"OBX-3.1": {"STRIPLOT"}}},
		},
		Control: ControlConfig{When: map[string]Values{"SPM-11.1": {"Q"}}, Lot: FieldConfig{At: "SPM-2.1"}, Level: FieldConfig{At: "SPM-14"}},
		Results: []ResultConfig{
			{Analyte: "inr", Where: map[string]Values{"OBX-3.1": {"34714-6", "INR"}}, LOINC: "46418-0", Units: map[string]string{"{INR}": "{INR}", "": "{INR}"}},
			{Analyte: "pt", Where: map[string]Values{"OBX-3.1": {"5964-2", "PT"}}, LOINC: "46417-2", Units: map[string]string{"s": "s", "sec": "s"}},
		},
		Errors: map[string]string{"E-4": "not enough blood"},
	}
}

func compiled(c ProfileConfig) *Profile {
	p, faults := Compile(c)
	if len(faults) > 0 {
		panic(faults[0].Key + " " + faults[0].What)
	}
	return p
}

// everything is a record system that can do all that is asked of one.
var everything = Options{Caps: fhir.Caps{FHIRVersion: "4.0.1", JSON: true, Transaction: true, Resources: func() map[string]fhir.ResourceCaps {
	m := map[string]fhir.ResourceCaps{}
	for _, t := range []string{"Observation", "DiagnosticReport", "Specimen", "Device", "Substance", "Organization", "Provenance", "Practitioner"} {
		m[t] = fhir.ResourceCaps{Create: true, Read: true, Update: true, Search: true, ConditionalCreate: true, UpdateCreate: true, SearchIdentifier: true}
	}
	return m
}()}}

func sampleResult() poct.Result {
	at := time.Date(2026, 3, 5, 9, 12, 0, 0, time.FixedZone("", 3600))
	r := poct.Reading{
		Arrival: "01957a4e-0000-7000-8000-000000000001", Kind: poct.KindPatient, Status: poct.StatusFinal, Profile: "quill-hl7", Model: "Quill 3",
		Meter: "SN0042", Sequence: "F-88231", TestedAt: poct.Stamp{Raw: "20260305091200+0100", At: at, Precision: "second"},
		Operator: "op17", Patient: poct.PatientRef{Authority: "MILLRACE", ID: "MRN0007"}, StripLot: "L2403A", Specimen: "capillary",
		Measurements: []poct.Measurement{
			{Analyte: "inr", Value: poct.MustNumber("2.40"), RawValue: "2.40", Unit: "{INR}", LOINC: "46418-0"},
			{Analyte: "pt", Value: poct.MustNumber("28.8"), RawValue: "28.8", Unit: "s", LOINC: "46417-2"},
		},
	}
	return poct.Result{
		ID: "r1", Version: 1, Key: r.Key(), Site: "millrace", SiteName: "Millrace Surgery", Reading: r,
		Patient: poct.Patient{Authority: "MILLRACE", ID: "MRN0007"}, OperatorOK: true, LotOK: true, LotExpires: "2026-11-30",
		Issued: time.Date(2026, 3, 5, 8, 13, 31, 250e6, time.UTC),
	}
}
