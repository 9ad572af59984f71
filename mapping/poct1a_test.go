package mapping

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

func sedgePOCT() ProfileConfig {
	return ProfileConfig{
		ID: "sedge-poct1a", Format: "poct1a", Model: "Sedge 5", Specimen: "capillary",
		Match: map[string]Values{"DEV.model_id": {"SEDGE5"}},
		Fields: FieldsConfig{
			Meter: FieldConfig{At: "DEV.serial_id"}, Sequence: FieldConfig{At: "SVC.sequence_nbr"},
			TestedAt: FieldConfig{At: "SVC.observation_dttm"}, Operator: FieldConfig{At: "OPR.operator_id"},
			Patient: FieldConfig{At: "PT.patient_id", Authority: "MILLRACE"}, Family: FieldConfig{At: "PT.name/FAM"},
			StripLot:     FieldConfig{At: "RGT.lot_number", Where: map[string]Values{"RGT.name": {"PT strip"}}},
			StripExpires: FieldConfig{At: "RGT.expiration_date", Where: map[string]Values{"RGT.name": {"PT strip"}}},
			Order:        FieldConfig{At: "ORD.order_id"},
		},
		Results: []ResultConfig{
			{Analyte: "inr", Where: map[string]Values{"OBS.observation_id": {"34714-6", "INR"}}, LOINC: "46418-0", Units: map[string]string{"{INR}": "{INR}"}},
		},
		NotSent: []string{"pt"},
		Errors:  map[string]string{"E-7": "Strip drawer open"},
	}
}

const poctHello = `<HEL.R01><HDR><HDR.control_id V="1"/></HDR><DEV><DEV.model_id V="SEDGE5"/><DEV.serial_id V="SD-0042"/></DEV></HEL.R01>`

// The skeletons of an OBS.R01 and an OBS.R02 as public software reads them; the
// content is invented.
func poctSample(t testing.TB, name string) string {
	t.Helper()
	b, err := os.ReadFile("../wire/poct1a/testdata/" + name + ".xml")
	require.NoError(t, err)
	return string(b)
}

func readPOCT(t *testing.T, raw string) []Decoded {
	t.Helper()
	p, faults := Compile(sedgePOCT())
	require.Empty(t, faults)
	got := Decode(poct.Arrival{ID: "a", Format: "poct1a", Raw: []byte(raw), Batch: []byte(poctHello)}, []*Profile{p}, nil)
	sane(t, []byte(raw), got)
	return got
}

func TestPOCT1APatient(t *testing.T) {
	raw := poctSample(t, "patient")
	got := readPOCT(t, raw)
	require.Len(t, got, 1)
	require.Empty(t, got[0].Problems)
	r := got[0].Reading
	assert.Equal(t, poct.KindPatient, r.Kind)
	assert.Equal(t, poct.StatusFinal, r.Status)
	assert.Equal(t, "SD-0042", r.Meter)
	assert.Equal(t, poct.PatientRef{Authority: "MILLRACE", ID: "MRN0007"}, r.Patient)
	assert.Equal(t, "op17", r.Operator)
	assert.Equal(t, "L2403A", r.StripLot)
	assert.Equal(t, "2025-03-31", r.StripExpires)
	assert.Equal(t, "2024-03-05T08:12:00Z", r.TestedAt.At.UTC().Format(time.RFC3339))
	assert.Equal(t, "2024-03-05T08:13:30Z", r.SentAt.At.UTC().Format(time.RFC3339))
	require.Len(t, r.Measurements, 1)
	assert.Equal(t, poct.Measurement{Analyte: "inr", Value: poct.MustNumber("2.4"), RawValue: "2.4", Unit: "{INR}", RawUnit: "{INR}", Code: "34714-6", LOINC: "46418-0"}, r.Measurements[0])
	at := r.Where["inr"]
	assert.Equal(t, "2.4", raw[at.From:at.To])
	at = r.Where[poct.FieldStripLot]
	assert.Equal(t, "L2403A", raw[at.From:at.To])
	assert.NotContains(t, r.Where, poct.FieldMeter, "it stands in the hello, not in these bytes")
}

func TestPOCT1AControl(t *testing.T) {
	got := readPOCT(t, poctSample(t, "control"))
	require.Len(t, got, 1)
	require.Empty(t, got[0].Problems)
	r := got[0].Reading
	assert.Equal(t, poct.KindControl, r.Kind)
	assert.Equal(t, "QC77", r.ControlLot)
	assert.Equal(t, "1", r.ControlLevel)
	assert.Equal(t, "1.1", r.Measurements[0].RawValue)
}

func TestPOCT1AEvents(t *testing.T) {
	got := readPOCT(t, poctSample(t, "events"))
	require.Len(t, got, 1)
	require.Empty(t, got[0].Problems)
	r := got[0].Reading
	assert.Equal(t, poct.KindEvent, r.Kind)
	assert.Equal(t, "E-7", r.DeviceError)
	assert.Equal(t, "Strip drawer open", r.ErrorText)
	assert.Equal(t, "op17", r.Operator)
	assert.False(t, r.TestedAt.At.IsZero())
}

// A captured conversation reads as its results and events do one by one.
func TestPOCT1ACapture(t *testing.T) {
	raw := poctSample(t, "hello") + poctSample(t, "patient") + poctSample(t, "control") + poctSample(t, "events")
	p := compiled(sedgePOCT())
	got := Decode(poct.Arrival{ID: "a", Raw: []byte(raw)}, []*Profile{p}, nil) // told by its first bytes
	sane(t, []byte(raw), got)
	require.Len(t, got, 3)
	for i, kind := range []poct.ReadingKind{poct.KindPatient, poct.KindControl, poct.KindEvent} {
		assert.Equal(t, kind, got[i].Reading.Kind)
		assert.Equal(t, "SD-0042", got[i].Reading.Meter)
		at := got[i].Reading.Where[poct.FieldMeter]
		assert.Equal(t, "SD-0042", raw[at.From:at.To])
	}
	at := got[1].Reading.Where["inr"]
	assert.Equal(t, "1.1", raw[at.From:at.To])
}

// Type, container and role must agree: a control in a patient's place would
// reach a record, a patient's result in a control's place would be lost.
func TestPOCT1AAgreement(t *testing.T) {
	patient, control := poctSample(t, "patient"), poctSample(t, "control")
	for _, tt := range []struct {
		name, raw string
		kind      poct.ReadingKind
		hint      string
		says      string // of a problem; "" for none
	}{
		{"role of a control under a patient", strings.Replace(patient, `role_cd V="OBS"`, `role_cd V="LQC"`, 1), poct.KindPatient, "its role is LQC", "does not agree"},
		{"role of a patient under a control", strings.Replace(control, `role_cd V="LQC"`, `role_cd V="OBS"`, 1), poct.KindControl, "", "does not agree"},
		{"type of other results, patient's container", strings.ReplaceAll(patient, "OBS.R01", "OBS.R02"), poct.KindControl, "", "does not agree"},
		{"type of patients, control's container", strings.ReplaceAll(control, "OBS.R02", "OBS.R01"), poct.KindControl, "", "does not agree"},
		{"a patient and a control", strings.Replace(patient, "<OPR>", "<CTC><CTC.lot_number V=\"QC77\"/></CTC><OPR>", 1), poct.KindPatient, "it stands under a patient (PT) and a control (CTC)", "does not agree"},
		{"no role", strings.Replace(patient, `<SVC.role_cd V="OBS"/>`, "", 1), poct.KindPatient, "its role is missing", "does not agree"},
		{"proficiency", strings.Replace(control, `role_cd V="LQC"`, `role_cd V="PRF"`, 1), poct.KindPatient, "its role is PRF, a proficiency sample", ""},
		{"calibration", strings.Replace(control, `role_cd V="LQC"`, `role_cd V="CAL"`, 1), poct.KindPatient, "its role is CAL, a calibration", ""},
		{"a role nobody knows", strings.Replace(control, `role_cd V="LQC"`, `role_cd V="XYZ"`, 1), poct.KindPatient, "its role is XYZ", ""},
		{"electronic control", strings.Replace(control, `role_cd V="LQC"`, `role_cd V="EQC"`, 1), poct.KindControl, "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := readPOCT(t, tt.raw)
			require.Len(t, got, 1)
			assert.Equal(t, tt.kind, got[0].Reading.Kind)
			assert.Equal(t, tt.hint, got[0].Reading.ControlHint)
			texts := ""
			for _, p := range got[0].Problems {
				assert.Equal(t, poct.Hold, p.Severity)
				texts += p.Text
			}
			if tt.says == "" {
				assert.Empty(t, texts)
			}
			assert.Contains(t, texts, tt.says)
		})
	}
}

// What a meter marks as out of the ordinary is never released without a look.
func TestPOCT1ADoubts(t *testing.T) {
	patient := poctSample(t, "patient")
	for _, tt := range []struct{ name, from, to, field, says string }{
		{"override", `<SVC.reason_cd V="NEW"/>`, `<SVC.reason_cd V="NEW"/><SVC.status_cd V="OVR"/>`, "message", "OVR"},
		{"entered by hand", `OBS.method_cd V="M"`, `OBS.method_cd V="I"`, "inr", "neither measured nor calculated"},
		{"not accepted", `<OBS.method_cd`, `<OBS.status_cd V="R"/><OBS.method_cd`, "inr", "accepted"},
		{"a reason nobody knows", `reason_cd V="NEW"`, `reason_cd V="ZZZ"`, "status", "SVC.reason_cd"},
		{"numbers and words", `<OBS.method_cd`, `<OBS.qualitative_value V="HIGH"/><OBS.method_cd`, "inr", "in words"},
		{"not base 64", `<OBS.value V="2.4" U="{INR}"/>`, `<OBS.value V="%%" U="{INR}" ENC="B64"/>`, "inr", "cannot be read"},
		{"two strip lots", `</RGT>`, `</RGT><RGT><RGT.name V="PT strip"/><RGT.lot_number V="OTHER"/></RGT>`, "strip_lot", "different"},
		{"INR twice", `</PT>`, `<OBS><OBS.observation_id V="INR"/><OBS.value V="2.5" U="{INR}"/></OBS></PT>`, "inr", "twice"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			raw := strings.Replace(patient, tt.from, tt.to, 1)
			require.NotEqual(t, patient, raw)
			got := readPOCT(t, raw)
			require.Len(t, got, 1)
			require.NotEmpty(t, got[0].Problems)
			assert.Equal(t, poct.Hold, got[0].Problems[0].Severity)
			assert.Equal(t, tt.field, got[0].Problems[0].Field)
			assert.Contains(t, got[0].Problems[0].Text, tt.says)
		})
	}
}

func TestPOCT1AValues(t *testing.T) {
	patient := poctSample(t, "patient")
	for _, tt := range []struct {
		name, to   string
		value, raw string
		status     poct.Status
	}{
		{"in words", `<OBS.qualitative_value V="HIGH"/>`, "", "HIGH", poct.StatusFinal},
		{"above the range", `<OBS.value V="&gt;8.0" U="{INR}"/>`, ">8.0", ">8.0", poct.StatusFinal},
		{"said to be none", `<OBS.value NULL="NAV" U="{INR}"/>`, "", "NAV", poct.StatusFinal},
		{"base 64", `<OBS.value V="Mi40" ENC="B64" U="{INR}"/>`, "2.4", "2.4", poct.StatusFinal},
		{"as text", `<OBS.value U="{INR}"> 2.4 </OBS.value>`, "2.4", "2.4", poct.StatusFinal},
		{"private text beside it", `<OBS.value V="2.4" U="{INR}">raw 2.43</OBS.value>`, "2.4", "2.4", poct.StatusFinal},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := readPOCT(t, strings.Replace(patient, `<OBS.value V="2.4" U="{INR}"/>`, tt.to, 1))
			m := got[0].Reading.Measurements[0]
			assert.Equal(t, tt.value, m.Value.String())
			assert.Equal(t, tt.raw, m.RawValue)
			assert.Equal(t, tt.status, got[0].Reading.Status)
		})
	}
	got := readPOCT(t, strings.Replace(patient, `reason_cd V="NEW"`, `reason_cd V="EDI"`, 1))
	assert.Equal(t, poct.StatusCorrected, got[0].Reading.Status)
}

func TestPOCT1AUnread(t *testing.T) {
	patient := poctSample(t, "patient")
	for _, tt := range []struct{ name, raw, says string }{
		{"nothing", "", "no document"},
		{"talk alone", poctHello, "no document with a result"},
		{"a type nobody knows", "<VND.R07/>", "a type that is not known"},
		{"cut off", patient[:200], "not finished"},
		{"not well-formed", strings.Replace(patient, "</PT>", "</XX>", 1), "cannot be read"},
		{"a document type", "<!DOCTYPE a>" + patient, "cannot be divided"},
		{"no result", "<OBS.R01><HDR/></OBS.R01>", "no result"},
		{"no profile", patient, "No profile"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			hello := poctHello
			if tt.name == "no profile" {
				hello = strings.Replace(hello, "SEDGE5", "OTHER", 1)
			}
			p := compiled(sedgePOCT())
			got := Decode(poct.Arrival{ID: "a", Format: "poct1a", Raw: []byte(tt.raw), Batch: []byte(hello)}, []*Profile{p}, nil)
			require.Len(t, got, 1)
			assert.Equal(t, poct.KindUnread, got[0].Reading.Kind)
			assert.Contains(t, got[0].Problems[0].Text, tt.says)
		})
	}
}

func TestPOCT1APlaces(t *testing.T) {
	for at, ok := range map[string]bool{
		"OBS.value": true, "OBS.value@U": true, "OBS.normal_lo-hi_limit": true, "PT.name/FAM": true, "PT.name/FAM@V": true, "HDR.control_id": true,
		"": false, "OBS": false, "OBS.": false, ".value": false, "OBS.value@": false, "OBS.value@u": false, "OBS.value/": false, "obs.value": false, "PID-3.1": false,
	} {
		_, got := poctPlace(at)
		assert.Equal(t, ok, got, at)
	}
	cfg := sedgePOCT()
	cfg.POCT1A.ControlRoles = Values{"OBS"}
	_, faults := Compile(cfg)
	require.Len(t, faults, 1)
	assert.Equal(t, "poct1a.control_roles", faults[0].Key)
	other := quillConfig()
	other.POCT1A.Methods = Values{"M"}
	_, faults = Compile(other)
	require.Len(t, faults, 1)
	assert.Equal(t, "poct1a", faults[0].Key)
}

func FuzzDecodePOCT1A(f *testing.F) {
	for _, n := range []string{"hello", "patient", "control", "events"} {
		f.Add([]byte(poctSample(f, n)))
	}
	f.Add([]byte(poctSample(f, "hello") + poctSample(f, "patient") + "<OBS.R02/>"))
	f.Add([]byte(`<OBS.R01><SVC><PT><OBS><OBS.value V="1" ENC="B64">x</OBS.value></OBS></PT></SVC><SVC/></OBS.R01>`))
	cfg := sedgePOCT()
	cfg.Match = nil
	profiles := []*Profile{compiled(cfg)}
	f.Fuzz(func(t *testing.T, raw []byte) {
		a := poct.Arrival{ID: "a", Format: "poct1a", Raw: raw, Batch: []byte(poctHello)}
		sane(t, raw, Decode(a, profiles, dublin))
		Explain(a, profiles, dublin)
	})
}
