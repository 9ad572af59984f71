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

// filed is what the record system calls the parts of a result filed before,
// but for some.
func filed(not ...string) map[string]string {
	m := map[string]string{
		"observation/inr": "Observation/12", "etag/observation/inr": `W/"1"`,
		"observation/pt": "Observation/13", "etag/observation/pt": `W/"4"`,
		"diagnosticreport": "DiagnosticReport/14", "etag/diagnosticreport": `W/"1"`,
		"specimen": "Specimen/11",
	}
	for _, key := range not {
		delete(m, key)
		delete(m, "etag/"+key)
	}
	return m
}

// measured leaves a result with its INR alone, of another value.
func measured(inr string) func(*poct.Result) {
	return func(r *poct.Result) {
		r.Reading.Measurements = r.Reading.Measurements[:1]
		r.Reading.Measurements[0].Value = poct.MustNumber(inr)
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

// forOutlet is everything, for an outlet.
func forOutlet(outlet string) Options {
	o := everything
	o.Outlet = outlet
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
	{name: "inr-only", o: everything, change: measured("2.40")},
	{name: "trailing-zeros", o: everything, change: measured("2.500")},
	{name: "above-range", o: everything, change: measured(">8.0")},
	{name: "below-range", o: everything, change: measured("<0.8")},
	{name: "at-least", o: everything, change: measured(">=8")},
	{name: "no-value", o: everything, change: func(r *poct.Result) { r.Reading.Measurements[1].Value = poct.Number{} }},
	{name: "no-operator", o: everything, change: func(r *poct.Result) { r.OperatorOK = false }},
	{name: "no-site", o: everything, change: func(r *poct.Result) { r.Site, r.SiteName = "", "" }},
	{name: "no-lot", o: everything, change: func(r *poct.Result) { r.Reading.StripLot = "" }},
	{name: "bare", o: everything, change: func(r *poct.Result) {
		r.Reading.Operator, r.Reading.StripLot, r.Reading.Model, r.Reading.Specimen = "", "", "", ""
		r.Site, r.SiteName, r.LotExpires, r.OperatorOK, r.LotOK = "", "", "", false, false
	}},
	{name: "lot-not-registered", o: everything, change: func(r *poct.Result) { r.LotOK, r.LotExpires = false, "" }},
	{name: "site-without-name", o: everything, change: func(r *poct.Result) { r.SiteName = "" }},
	{name: "expiry-in-words", o: everything, change: func(r *poct.Result) { r.LotExpires = "soon" }},
	{name: "contained-lot", o: without("Substance")},
	{name: "bare-record-system", o: Options{}},
	{name: "own-ids", o: Options{Caps: everything.Caps, OwnIDs: true}},
	{name: "unit-one", o: Options{Caps: everything.Caps, INRUnit: "1"}},
	{name: "venous", o: everything, change: func(r *poct.Result) { r.Reading.Specimen = "venous" }},
	{name: "encounter", o: everything, ids: IDs{Patient: "Patient/12", Encounter: "Encounter/5"}},
	{name: "order-with-range", o: forOutlet("record"), change: func(r *poct.Result) {
		r.Visit, r.Encounter, r.Record = "V-1", "Encounter/9", "record"
		r.Ordered = poct.Order{ID: "O-1", Placer: "O-1", Request: "ServiceRequest/4", TargetLow: poct.MustNumber("2.0"), TargetHigh: poct.MustNumber("3.0")}
	}},
	{name: "order-of-another-record", o: forOutlet("other"), change: func(r *poct.Result) {
		r.Visit, r.Encounter, r.Record = "V-1", "Encounter/9", "record"
		r.Ordered = poct.Order{ID: "O-1", Placer: "O-1", Request: "ServiceRequest/4"}
	}},
	{name: "order-by-number", o: everything, change: func(r *poct.Result) { r.Ordered = poct.Order{ID: "O-1", Placer: "O-1"} }},
	{name: "visit-and-order", o: everything, change: func(r *poct.Result) { r.Visit, r.Reading.Order = "V-1", "O-1" }},
	{name: "marks", o: everything, change: func(r *poct.Result) {
		r.Marks = []string{"INR 5.6 is above the critical limit.", " ", "Released by a person in spite of: clock-offset."}
	}},
	{name: "odd-texts", o: everything, change: func(r *poct.Result) {
		r.Reading.Meter, r.Reading.StripLot, r.SiteName = "SN 0042|b,c$d", `L"7\`, "Harbour Street & Söhne <3>\a"
	}},
	{name: "west-of-utc", o: everything, change: func(r *poct.Result) { // and a reviewer's correction of the clock, with a fraction cut off
		r.Reading.TestedAt.At = time.Date(2026, 3, 5, 4, 12, 0, 250e6, time.FixedZone("", -3*3600-1800))
		r.Reading.TimeOffset = 90
	}},
	{name: "corrected", o: everything, action: poct.Correct, ids: IDs{Patient: "Patient/12", Remote: filed()}, change: func(r *poct.Result) {
		r.Version, r.Replaces = 2, "was INR 2.90; the meter sent a correction"
	}},
	{name: "corrected-with-pt-added", o: everything, action: poct.Correct, ids: IDs{Patient: "Patient/12", Remote: filed("observation/pt", "specimen")}, change: func(r *poct.Result) {
		r.Version = 2
	}},
	{name: "corrected-inr-alone", o: without("Substance"), action: poct.Correct, ids: IDs{Patient: "Patient/12", Remote: filed()}, change: func(r *poct.Result) {
		measured("2.40")(r)
		r.Version = 2
	}},
	{name: "marked", o: everything, action: poct.Correct, ids: IDs{Patient: "Patient/12", Remote: filed()}, change: func(r *poct.Result) {
		r.Version, r.Noted, r.Marks = 2, true, []string{"A control of this meter failed; a repeat of this test was asked for."}
	}},
	{name: "marked-after-a-correction", o: everything, action: poct.Correct, ids: IDs{Patient: "Patient/12", Remote: filed()}, change: func(r *poct.Result) {
		r.Version, r.Noted, r.Replaces = 3, true, "was INR 2.90; the meter sent a correction"
		r.Marks = []string{"A control of this meter failed; a repeat of this test was asked for."}
	}},
	{name: "correction-of-nothing", o: everything, change: func(r *poct.Result) { r.Reading.Status = poct.StatusCorrected }},
	{name: "withdrawn", o: everything, action: poct.Withdraw, ids: IDs{Patient: "Patient/12", Remote: filed()}, change: func(r *poct.Result) {
		r.Version, r.Reading.Status, r.Replaces = 2, poct.StatusWithdrawn, "filed on the wrong patient"
	}},
	{name: "withdrawn-without-value", o: everything, action: poct.Withdraw, ids: IDs{Patient: "Patient/12", Remote: filed()}, change: func(r *poct.Result) {
		r.Reading.Measurements[1].Value = poct.Number{}
	}},
	{name: "unanswered", o: Options{Unanswered: true}},
	{name: "unanswered-corrected", o: Options{Unanswered: true}, action: poct.Correct, ids: IDs{Patient: "Patient/12", Remote: map[string]string{
		"observation/inr": "Observation/12", "specimen": "Specimen/11"}}, change: func(r *poct.Result) { r.Version = 2 }},
	{name: "unanswered-withdrawn", o: Options{Unanswered: true}, action: poct.Withdraw, ids: IDs{Patient: "Patient/12", Remote: map[string]string{
		"observation/inr": "Observation/12", "observation/pt": "Observation/13"}}, change: func(r *poct.Result) { r.Version = 3 }},
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
