package mapping

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// filed is what the record system calls the parts of a result filed before.
func filed() map[string]string {
	return map[string]string{
		"observation/inr": "Observation/12", "etag/observation/inr": `W/"1"`,
		"observation/pt": "Observation/13", "etag/observation/pt": `W/"1"`,
		"diagnosticreport": "DiagnosticReport/14", "etag/diagnosticreport": `W/"1"`,
		"specimen": "Specimen/15",
	}
}

// without is a record system that keeps no resources of some types.
func without(types ...string) Options {
	o := Options{Caps: everything.Caps}
	o.Caps.Resources = map[string]fhir.ResourceCaps{}
	for typ, c := range everything.Caps.Resources {
		o.Caps.Resources[typ] = c
	}
	for _, typ := range types {
		delete(o.Caps.Resources, typ)
	}
	return o
}

// bundles are transactions of every kind that leaves the house.
var bundles = []struct {
	name   string
	change func(*poct.Result)
	action poct.Action // create, if left out
	ids    IDs         // the patient alone, if left out
	o      Options
}{
	{name: "inr-and-pt", o: everything},
	{name: "inr-alone", o: everything, change: func(r *poct.Result) { r.Reading.Measurements = r.Reading.Measurements[:1] }},
	{name: "off-scale", o: everything, change: func(r *poct.Result) {
		r.Reading.Measurements[0].Value = poct.MustNumber(">8.0")
		r.Reading.Measurements[1].Value = poct.MustNumber("<=9.50")
	}},
	{name: "no-value", o: everything, change: func(r *poct.Result) { r.Reading.Measurements[1].Value = poct.Number{} }},
	{name: "bare", o: everything, change: func(r *poct.Result) {
		r.Reading.Operator, r.Reading.StripLot, r.Reading.Model, r.Reading.Specimen = "", "", "", ""
		r.Site, r.SiteName, r.LotExpires, r.OperatorOK, r.LotOK = "", "", "", false, false
	}},
	{name: "unregistered", o: everything, change: func(r *poct.Result) {
		r.OperatorOK, r.LotOK, r.LotExpires, r.SiteName = false, false, "unknown", ""
	}},
	{name: "contained-strip", o: without("Substance")},
	{name: "nothing-but-transactions", o: Options{}},
	{name: "own-ids", o: Options{Caps: everything.Caps, OwnIDs: true}},
	{name: "unit-one", o: Options{Caps: everything.Caps, INRUnit: "1"}, change: func(r *poct.Result) { r.Reading.Specimen = "venous" }},
	{name: "visit-and-order", o: everything, ids: IDs{Patient: "Patient/12", Encounter: "Encounter/7"}, change: func(r *poct.Result) {
		r.Visit, r.Reading.Order = "V-1", "O-1"
	}},
	{name: "visit-by-number", o: everything, change: func(r *poct.Result) { r.Visit = "V-1" }},
	{name: "marked", o: everything, change: func(r *poct.Result) {
		r.Marks = []string{"Released by r.ito: control <2 h & \"in range\".", " ", "Tab\tand bell\a, Österlund – 血."}
	}},
	{name: "west-of-greenwich", o: everything, change: func(r *poct.Result) {
		r.Reading.TestedAt.At = time.Date(2026, 3, 5, 23, 59, 7, 250e6, time.FixedZone("", -4*3600-1800))
		r.Reading.TimeOffset = 60
	}},
	{name: "corrected", o: everything, action: poct.Correct, ids: IDs{Patient: "Patient/12", Remote: filed()}, change: func(r *poct.Result) {
		r.Version, r.Replaces = 2, "was INR 2.90; the meter sent a correction"
	}},
	{name: "corrected-with-more", o: everything, action: poct.Correct, ids: IDs{Patient: "Patient/12", Remote: func() map[string]string {
		m := filed()
		delete(m, "observation/pt")
		delete(m, "etag/observation/pt")
		return m
	}()}},
	{name: "corrected-with-less", o: everything, action: poct.Correct, ids: IDs{Patient: "Patient/12", Remote: filed()}, change: func(r *poct.Result) {
		r.Reading.Measurements = r.Reading.Measurements[:1]
	}},
	{name: "first-is-a-correction", o: everything, change: func(r *poct.Result) { r.Reading.Status = poct.StatusCorrected }},
	{name: "withdrawn", o: everything, action: poct.Withdraw, ids: IDs{Patient: "Patient/12", Remote: filed()}, change: func(r *poct.Result) {
		r.Version, r.Reading.Status, r.Replaces = 2, poct.StatusWithdrawn, "filed on the wrong patient"
	}},
	{name: "filed-anew", o: everything, ids: IDs{Patient: "Patient/31"}, change: func(r *poct.Result) { r.Version, r.Filing = 3, 1 }},
}

func TestBundleGolden(t *testing.T) {
	for _, tc := range bundles {
		t.Run(tc.name, func(t *testing.T) {
			got := render(t, tc.name)
			var indented bytes.Buffer
			require.NoError(t, json.Indent(&indented, got, "", "  "))
			indented.WriteByte('\n')
			path := filepath.Join("testdata", "bundle", tc.name+".json")
			if *update {
				require.NoError(t, os.WriteFile(path, indented.Bytes(), 0o644))
			}
			want, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, string(want), indented.String(), "-update writes it anew")
			assert.Equal(t, string(got), string(render(t, tc.name)), "the same arguments give the same bytes")
		})
	}
	files, err := filepath.Glob("testdata/bundle/*.json")
	require.NoError(t, err)
	assert.Len(t, files, len(bundles), "a golden file without its case")
}

// render renders one of bundles.
func render(t *testing.T, name string) []byte {
	t.Helper()
	for _, tc := range bundles {
		if tc.name != name {
			continue
		}
		r := sampleResult()
		if tc.change != nil {
			tc.change(&r)
		}
		if tc.action == "" {
			tc.action = poct.Create
		}
		if tc.ids.Patient == "" {
			tc.ids.Patient = "Patient/12"
		}
		got, err := Bundle(r, tc.action, tc.ids, tc.o)
		require.NoError(t, err)
		return got
	}
	t.Fatalf("no bundle is called %q", name)
	return nil
}

func TestBundleRefuses(t *testing.T) {
	tests := []struct {
		name   string
		change func(*poct.Result, *IDs)
		action poct.Action
		want   string
	}{
		{name: "no patient", action: poct.Create, change: func(_ *poct.Result, ids *IDs) { ids.Patient = "" }, want: "patient"},
		{name: "no key", action: poct.Create, change: func(r *poct.Result, _ *IDs) { r.Key = "" }, want: "never sent"},
		{name: "a control", action: poct.Create, change: func(r *poct.Result, _ *IDs) { r.Reading.Kind = poct.KindControl }, want: "control reading"},
		{name: "a control as a correction", action: poct.Correct, change: func(r *poct.Result, _ *IDs) { r.Reading.Kind = poct.KindControl }, want: "control reading"},
		{name: "a device event", action: poct.Create, change: func(r *poct.Result, _ *IDs) { r.Reading.Kind = poct.KindEvent }, want: "event reading"},
		{name: "nothing measured", action: poct.Create, change: func(r *poct.Result, _ *IDs) { r.Reading.Measurements = nil }, want: "nothing was measured"},
		{name: "time of the test unknown", action: poct.Create, change: func(r *poct.Result, _ *IDs) { r.Reading.TestedAt.At = time.Time{} }, want: "time of its test"},
		{name: "never issued", action: poct.Create, change: func(r *poct.Result, _ *IDs) { r.Issued = time.Time{} }, want: "of its issue"},
		{name: "a preliminary result", action: poct.Create, change: func(r *poct.Result, _ *IDs) { r.Reading.Status = poct.StatusPreliminary }, want: "preliminary"},
		{name: "a cancelled test", action: poct.Create, change: func(r *poct.Result, _ *IDs) { r.Reading.Status = poct.StatusCancelled }, want: "cancelled"},
		{name: "a unit that the profile does not know", action: poct.Create, change: func(r *poct.Result, _ *IDs) { r.Reading.Measurements[1].Unit = "" }, want: "unit"},
		{name: "an update without a version", action: poct.Correct, change: func(_ *poct.Result, ids *IDs) { delete(ids.Remote, "etag/observation/inr") }, want: "no version"},
		{name: "an update of something else", action: poct.Correct, change: func(_ *poct.Result, ids *IDs) { ids.Remote["observation/inr"] = "Specimen/15" }, want: "no version"},
		{name: "a withdrawal of what was never filed", action: poct.Withdraw, change: func(_ *poct.Result, ids *IDs) { ids.Remote = nil }, want: "no id at the record system"},
		{name: "a withdrawal that leaves a value standing", action: poct.Withdraw, change: func(r *poct.Result, _ *IDs) { r.Reading.Measurements = r.Reading.Measurements[:1] }, want: "every value"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			r, ids := sampleResult(), IDs{Patient: "Patient/12", Remote: filed()}
			tc.change(&r, &ids)
			_, err := Bundle(r, tc.action, ids, everything)
			require.Error(t, err)
			assert.Contains(t, err.Error(), tc.want)
			assert.NotContains(t, err.Error(), "MRN0007", "nothing of a patient")
		})
	}
}

// A control of which an old version was filed wrongly can still be withdrawn.
func TestWhatShouldNeverHaveBeenFiledCanBeWithdrawn(t *testing.T) {
	r := sampleResult()
	r.Reading.Kind = poct.KindControl
	_, err := Bundle(r, poct.Withdraw, IDs{Patient: "Patient/12", Remote: filed()}, everything)
	assert.NoError(t, err)
}
