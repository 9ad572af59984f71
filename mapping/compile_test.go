package mapping

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"tidegate/poct"
)

func TestCompileFaults(t *testing.T) {
	type edit = func(*ProfileConfig)
	hl7 := []struct {
		key  string
		edit edit
	}{
		{"id", func(c *ProfileConfig) { c.ID = "" }},
		{"format", func(c *ProfileConfig) { c.Format = "" }},
		{"format", func(c *ProfileConfig) { c.Format = "morse" }},
		{"model", func(c *ProfileConfig) { c.Model = "" }},
		{"specimen", func(c *ProfileConfig) { c.Specimen = "" }},
		{"specimen", func(c *ProfileConfig) { c.Specimen = "blood" }},
		{"measuring_range.low", func(c *ProfileConfig) { c.MeasuringRange.Low = "0,7" }},
		{"measuring_range.low", func(c *ProfileConfig) { c.MeasuringRange.Low = "<0.7" }},
		{"measuring_range.high", func(c *ProfileConfig) { c.MeasuringRange.High = "0.7" }},
		{"match.MSH", func(c *ProfileConfig) { c.Match = map[string]Values{"MSH": {"X"}} }},
		{"match.MSH-3", func(c *ProfileConfig) { c.Match = map[string]Values{"MSH-3": {}} }},
		{"fields.meter", func(c *ProfileConfig) { c.Fields.Meter = FieldConfig{} }},
		{"fields.meter", func(c *ProfileConfig) { c.Fields.Meter.At = "OBX18.1" }},
		{"fields.meter.zone", func(c *ProfileConfig) { c.Fields.Meter.Zone = "site" }},
		{"fields.meter.layout", func(c *ProfileConfig) { c.Fields.Meter.Layout = "yyyy-MM" }},
		{"fields.tested_at", func(c *ProfileConfig) { c.Fields.TestedAt = FieldConfig{} }},
		{"fields.tested_at.at", func(c *ProfileConfig) { c.Fields.TestedAt.At = "" }},
		{"fields.tested_at.zone", func(c *ProfileConfig) { c.Fields.TestedAt.Zone = "Europe/Millrace" }},
		{"fields.tested_at.zone", func(c *ProfileConfig) { c.Fields.TestedAt.Zone = "Local" }},
		{"fields.tested_at.layout", func(c *ProfileConfig) { c.Fields.TestedAt.Layout = "dd.MM.yyyy" }},
		{"fields.tested_at.layout", func(c *ProfileConfig) { c.Fields.TestedAt.Layout = "dd MMMM yyyy HH:mm" }},
		{"fields.patient", func(c *ProfileConfig) { c.Fields.Patient = FieldConfig{} }},
		{"fields.operator.type", func(c *ProfileConfig) { c.Fields.Operator.Type = "MR" }},
		{"fields.operator.authority", func(c *ProfileConfig) { c.Fields.Operator.Authority = "MILLRACE" }},
		{"fields.patient.pattern", func(c *ProfileConfig) { c.Fields.Patient.Pattern = "(.*)" }},
		{"fields.patient.values", func(c *ProfileConfig) { c.Fields.Patient.Values = map[string]string{"0": ""} }},
		{"fields.patient.where", func(c *ProfileConfig) { c.Fields.Patient.Where = map[string]Values{"PID-1": {"1"}} }},
		{"fields.patient.type", func(c *ProfileConfig) { c.Fields.Patient.At = "PID-3.1" }},
		{"fields.status.pattern", func(c *ProfileConfig) { c.Fields.Status = FieldConfig{At: "OBX-11", Pattern: "(.)"} }},
		{"results[0].value.pattern", func(c *ProfileConfig) { c.Results[0].Value.Pattern = "([0-9.]+)" }},
		{"results[1].unit.values", func(c *ProfileConfig) { c.Results[1].Unit.Values = map[string]string{"sec": "s"} }},
		{"fields.strip_lot.where.OBX", func(c *ProfileConfig) { c.Fields.StripLot.Where = map[string]Values{"OBX": {"X"}} }},
		{"fields.strip_lot.pattern", func(c *ProfileConfig) { c.Fields.StripLot.Pattern = "lot (" }},
		{"fields.strip_lot.pattern", func(c *ProfileConfig) { c.Fields.StripLot.Pattern = "lot" }},
		{"fields.onboard.values.OK", func(c *ProfileConfig) {
			c.Fields.Onboard = FieldConfig{At: "OBX-17", Values: map[string]string{"OK": "good"}}
		}},
		{"fields.status.values.Z", func(c *ProfileConfig) {
			c.Fields.Status = FieldConfig{At: "OBX-11", Values: map[string]string{"Z": "done"}}
		}},
		{"control.lot", func(c *ProfileConfig) { c.Control.Lot = FieldConfig{} }},
		{"control.level", func(c *ProfileConfig) { c.Control.Level = FieldConfig{} }},
		{"control.when.SPM", func(c *ProfileConfig) { c.Control.When = map[string]Values{"SPM": {"Q"}} }},
		{"results", func(c *ProfileConfig) { c.Results = nil }},
		{"results[0].analyte", func(c *ProfileConfig) { c.Results[0].Analyte = "glucose" }},
		{"results[0].where", func(c *ProfileConfig) { c.Results[0].Where = nil }},
		{"results[0].units", func(c *ProfileConfig) { c.Results[0].Units = nil }},
		{"results[1].units.sec", func(c *ProfileConfig) { c.Results[1].Units["sec"] = "S" }},
		{"results[0].loinc", func(c *ProfileConfig) { c.Results[0].LOINC = "" }},
		{"results[0].loinc", func(c *ProfileConfig) { c.Results[0].LOINC = "46418-1" }},
		{"results[0].loinc", func(c *ProfileConfig) { c.Results[0].LOINC = "5895-7" }},
		{"results[0].loinc", func(c *ProfileConfig) { c.Results[0].LOINC = "92891-1" }},
		{"not_sent[0]", func(c *ProfileConfig) { c.NotSent = []string{"patient"} }},
		{"not_sent[0]", func(c *ProfileConfig) { c.NotSent = []string{"pt"} }},
		{"not_sent[1]", func(c *ProfileConfig) { c.NotSent = []string{"sex", "birth_date"} }},
		{"charset", func(c *ProfileConfig) { c.Charset = "ebcdic" }},
		{"csv", func(c *ProfileConfig) { c.CSV.Delimiter = ";" }},
	}
	csv := []struct {
		key  string
		edit edit
	}{
		{"csv.delimiter", func(c *ProfileConfig) { c.CSV.Delimiter = ";;" }},
		{"csv.delimiter", func(c *ProfileConfig) { c.CSV.Delimiter = `"` }},
		{"csv.decimal", func(c *ProfileConfig) { c.CSV.Decimal = "'" }},
		{"csv.decimal", func(c *ProfileConfig) { c.CSV.Delimiter = "," }},
		{"csv.encoding", func(c *ProfileConfig) { c.CSV.Encoding = "utf-16" }},
		{"charset", func(c *ProfileConfig) { c.Charset = "windows-1252" }},
		{"fields.tested_at.zone", func(c *ProfileConfig) { c.Fields.TestedAt.Zone = "" }},
		{"fields.patient.authority", func(c *ProfileConfig) { c.Fields.Patient.Authority = "" }},
		{"fields.patient.type", func(c *ProfileConfig) { c.Fields.Patient.Type = "MR" }},
		{"results[0].value", func(c *ProfileConfig) { c.Results[0].Value = FieldConfig{} }},
		{"results[0].unit", func(c *ProfileConfig) { c.Results[0].Unit = FieldConfig{} }},
		{"results[0].unit", func(c *ProfileConfig) { c.Results[0].Unit = FieldConfig{At: "INR"} }},
	}
	check := func(t *testing.T, c ProfileConfig, key string, edit edit) {
		t.Helper()
		edit(&c)
		p, faults := Compile(c)
		assert.Nil(t, p, key)
		var keys []string
		for _, f := range faults {
			keys = append(keys, f.Key)
			assert.NotEmpty(t, f.What, key)
			assert.NotEmpty(t, f.Instead, "what to write instead: %s", key)
		}
		assert.Contains(t, keys, key)
	}
	for _, tc := range hl7 {
		check(t, quillConfig(), tc.key, tc.edit)
	}
	for _, tc := range csv {
		check(t, reedConfig(), tc.key, tc.edit)
	}
}

// Check digits as LOINC prints them with the codes of PT and INR.
func TestLOINCCheckDigit(t *testing.T) {
	for _, code := range []string{
		"46418-0", "34714-6", "6301-6", "38875-1", "52129-4", "46417-2", "5964-2", "5902-2", "5901-4", "5894-1", "6302-4",
		"92891-1", "34528-0", "43156-9", "72281-9", "2823-3", "15074-8", "24321-2",
	} {
		assert.True(t, isLOINC(code), code)
	}
	for _, code := range []string{"46418-1", "46481-0", "46418", "46418-00", "-0", "", "x-1"} {
		assert.False(t, isLOINC(code), code)
	}
}

func TestAllFaultsAreReportedAtOnce(t *testing.T) {
	_, faults := Compile(ProfileConfig{Format: "hl7v2"})
	assert.GreaterOrEqual(t, len(faults), 6)
}

func TestResolve(t *testing.T) {
	r := poct.Reading{Meter: "SN1", TestedAt: poct.Stamp{Raw: "x"}, Operator: "17", StripLot: "L", StripExpires: "2026-10-31"}
	bare := Resolve(r, poct.Facts{})
	assert.Equal(t, poct.Result{Key: "SN1||x", Reading: r, LotExpires: "2026-10-31"}, bare, "nothing is made up")
	full := Resolve(r, poct.Facts{
		Site: &poct.Site{ID: "millrace", Name: "Millrace Surgery"}, Meter: &poct.Meter{Site: "millrace"},
		Operator: &poct.Operator{ID: "17"}, StripLot: &poct.StripLot{Lot: "L", Expires: "2026-09-30"},
		Patient: &poct.Patient{Authority: "MILLRACE", ID: "7"}, Visit: &poct.Visit{ID: "V1"},
	})
	assert.Equal(t, "2026-09-30", full.LotExpires, "the earlier of both")
	assert.Equal(t, "millrace Millrace Surgery V1 7", full.Site+" "+full.SiteName+" "+full.Visit+" "+full.Patient.ID)
	assert.True(t, full.OperatorOK && full.LotOK)
	r.StripExpires = "2026-01-31"
	assert.Equal(t, "2026-01-31", Resolve(r, poct.Facts{StripLot: &poct.StripLot{Expires: "2026-09-30"}}).LotExpires)
}

// A withdrawal takes back every value as it was filed, however it repeats them.
func TestResolveKeepsWithdrawnValues(t *testing.T) {
	inr := poct.Measurement{Analyte: "inr", RawValue: "2.4", Value: poct.MustNumber("2.4"), Unit: "{INR}"}
	pt := poct.Measurement{Analyte: "pt", RawValue: "28.8", Value: poct.MustNumber("28.8"), Unit: "s"}
	owner := &poct.Past{Reading: poct.Reading{Measurements: []poct.Measurement{inr, pt}}}
	for _, sent := range [][]poct.Measurement{
		nil, {inr}, {{Analyte: "inr", RawValue: `""`}}, {{Analyte: "pt"}, {Analyte: "inr"}},
		{{Analyte: "inr", RawValue: "2.4", Value: poct.MustNumber("2.4"), RawUnit: "?"}},
	} {
		got := Resolve(poct.Reading{Status: poct.StatusWithdrawn, Measurements: sent}, poct.Facts{Owner: owner})
		assert.Equal(t, []poct.Measurement{inr, pt}, got.Reading.Measurements)
	}
	nothing := Resolve(poct.Reading{Status: poct.StatusWithdrawn, Measurements: []poct.Measurement{inr}}, poct.Facts{Owner: &poct.Past{}})
	assert.Equal(t, []poct.Measurement{inr}, nothing.Reading.Measurements, "nothing was filed")
	got := Resolve(poct.Reading{Status: poct.StatusCorrected}, poct.Facts{Owner: owner})
	assert.Empty(t, got.Reading.Measurements)
}
