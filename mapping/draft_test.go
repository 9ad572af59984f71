package mapping

import (
	"bytes"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/standin"
)

// drafts proposes profiles, reads them back from their YAML and compiles them.
func drafts(t *testing.T, samples ...[]byte) ([]Proposal, []*Profile) {
	t.Helper()
	list, refused := Draft(samples)
	require.Empty(t, refused)
	var out []*Profile
	for _, p := range list {
		var back []ProfileConfig
		require.NoError(t, yaml.UnmarshalWithOptions([]byte(p.YAML()), &back, yaml.Strict()), p.YAML())
		require.Len(t, back, 1)
		compiledBack, faults := Compile(back[0])
		require.Empty(t, faults, p.YAML())
		out = append(out, compiledBack)
	}
	return list, out
}

func doubts(p Proposal) string {
	var b strings.Builder
	for _, d := range p.Unsure {
		b.WriteString(d.Key + ": " + d.What + "\n")
	}
	return b.String()
}

// The invented day, drafted from its own messages: what a proposal is not
// unsure of, it reads as the profile written by hand does.
func TestDraftsReadTheInventedDay(t *testing.T) {
	day, err := standin.NewDay(7, time.Date(2026, 3, 5, 18, 0, 0, 0, time.UTC))
	require.NoError(t, err)
	setup, err := day.WriteSetup(t.TempDir(), standin.Ports{Web: "127.0.0.1:0", MLLP: "127.0.0.1:0", HTTP: "127.0.0.1:0", Record: "http://127.0.0.1:1"})
	require.NoError(t, err)
	byHand := profilesIn(t, setup.Config)
	var samples [][]byte
	for _, it := range day.Items {
		for _, raw := range messagesOf(it) {
			if !bytes.HasPrefix(raw, []byte("MSH")) && !bytes.HasPrefix(raw, []byte("Serial;")) {
				continue // other formats have drafts of their own above
			}
			good := !slices.ContainsFunc(Decode(poct.Arrival{Raw: raw}, byHand, dublin), func(d Decoded) bool {
				return d.Reading.Kind == poct.KindUnread || len(d.Problems) > 0
			})
			if good {
				samples = append(samples, raw)
			}
		}
	}
	require.Greater(t, len(samples), 250)
	list, drafted := drafts(t, samples...)
	require.Len(t, list, 3, "Quill 3, Sedge 5, Reed 2")
	compared := 0
	for _, raw := range samples {
		want, got := Decode(poct.Arrival{ID: "a", Raw: raw}, byHand, dublin), Decode(poct.Arrival{ID: "a", Raw: raw}, drafted, dublin)
		require.Len(t, got, len(want))
		for i := range want {
			compared++
			require.Equal(t, essence(want[i].Reading), essence(got[i].Reading))
			require.Empty(t, got[i].Problems)
		}
	}
	assert.Greater(t, compared, 250)
	// What cannot be known is said.
	for i, asked := range [][]string{
		{"results[0]: the meter sends 34714-6", "measuring_range"},
		{"fields.patient: no assigning authority is sent", "fields.strip_lot: it is cut out of the text in OBX-17.2", "match: MSH-3.2 differs", "control.when: controls are told by the code of their order", "results[0]: S-INR is no LOINC code"},
		{"csv: a file is not UTF-8", "fields.patient: write the authority", "results[0]: no unit is sent", "csv: column Name is read by no field", "not_sent: no sample holds birth_date, pt"},
	} {
		at := slices.IndexFunc(list, func(p Proposal) bool { return strings.Contains(doubts(p), asked[0]) })
		require.GreaterOrEqual(t, at, 0, "%d %s", i, asked[0])
		for _, text := range asked {
			assert.Contains(t, doubts(list[at]), text)
		}
	}
	// And nothing is shown of the patients.
	patients := map[string]bool{}
	for _, raw := range samples {
		for _, d := range Decode(poct.Arrival{ID: "a", Raw: raw}, byHand, dublin) {
			for _, text := range []string{d.Reading.Patient.ID, d.Reading.Family, d.Reading.Given, d.Reading.BirthDate} {
				if len(text) > 3 {
					patients[text] = true
				}
			}
		}
	}
	require.Greater(t, len(patients), 200)
	for _, p := range list {
		for text := range maps.Keys(patients) {
			assert.False(t, strings.Contains(p.YAML(), text), "the proposal %s tells a patient's text", p.Config.ID)
		}
	}
}

// essence is what a draft has to read alike: all but what it is unsure of (the
// authority, codes to file under, words of errors) and fields that a person
// chose not to read.
func essence(r poct.Reading) poct.Reading {
	out := poct.Reading{
		Kind: r.Kind, Status: r.Status, Meter: r.Meter, Sequence: r.Sequence, TestedAt: r.TestedAt, Operator: r.Operator, StripLot: r.StripLot,
		ControlLot: r.ControlLot, ControlLevel: r.ControlLevel, Onboard: r.Onboard, DeviceError: r.DeviceError, Processing: r.Processing,
		Patient: poct.PatientRef{ID: r.Patient.ID},
	}
	for _, m := range r.Measurements {
		m.LOINC = ""
		out.Measurements = append(out.Measurements, m)
	}
	return out
}

func TestDraftOfFiles(t *testing.T) {
	list, profiles := drafts(t, []byte(jsonFile))
	require.Len(t, list, 1)
	assert.Equal(t, "/results", list[0].Config.Rows)
	got := Decode(poct.Arrival{ID: "a", Raw: []byte(jsonFile)}, profiles, dublin)
	want := Decode(poct.Arrival{ID: "a", Raw: []byte(jsonFile)}, []*Profile{compiled(jsonConfig())}, dublin)
	require.Len(t, got, 3)
	for i := range want {
		assert.Equal(t, essence(want[i].Reading), essence(got[i].Reading))
	}
	assert.Contains(t, list[0].YAML(), `E4: "Error E4 of the meter."`)

	plain := strings.ReplaceAll(strings.ReplaceAll(xmlFile, "<obs><code>HCT</code><value>41</value></obs>", ""), "<obs><code>INR</code><value>2,40</value></obs>", "<inr>2,40</inr>")
	plain = strings.ReplaceAll(plain, "<obs><code>INR</code><value>2,6</value></obs>", "<inr>2,6</inr>")
	list, profiles = drafts(t, []byte(plain))
	assert.Equal(t, "/export/test", list[0].Config.Rows)
	assert.Equal(t, ",", list[0].Config.Decimal)
	got = Decode(poct.Arrival{ID: "a", Raw: []byte(plain)}, profiles, dublin)
	require.Len(t, got, 2)
	assert.Equal(t, "2.40", got[0].Reading.Measurements[0].Value.String())
	assert.Equal(t, poct.KindControl, got[1].Reading.Kind)
	assert.Equal(t, "C-881 2", got[1].Reading.ControlLot+" "+got[1].Reading.ControlLevel)
}

// The records of a LIS02 message, read as a profile written by hand reads them.
func TestDraftOfLIS02(t *testing.T) {
	patient := message(lisH, lisP, lisO, lisR, "C|1|I|strip lot L2403A|G", "R|2|^^^PT|28.8|s||N||F||118||20260305091310|S5-0107", lisL)
	control := message(lisH, "P|1", `O|1|0204||^^^INR|||||||Q`, `R|1|^^^INR|1.1|{INR}||N||F||118||20260305080010|S5-0107`, lisL)
	failed := message(lisH, lisP, `O|1|0205||^^^INR`, `R|1|^^^INR|E-4|||||X||118||20260305092010|S5-0107`, lisL)
	list, profiles := drafts(t, []byte(patient), []byte(control), []byte(failed))
	require.Len(t, list, 1)
	assert.Equal(t, "sedge5-lis02", list[0].Config.ID)
	hand := sedge(func(c *ProfileConfig) {
		c.Fields.StripLot = FieldConfig{At: "C.4", Pattern: `lot (\w+)`}
		c.Fields.Patient.At = list[0].Config.Fields.Patient.At
		c.Errors = map[string]string{"E-4": "Not enough blood on the strip."}
	})
	for _, raw := range []string{patient, control, failed} {
		a := poct.Arrival{ID: "a", Raw: []byte(raw)}
		assert.Equal(t, essence(Decode(a, []*Profile{hand}, dublin)[0].Reading), essence(Decode(a, profiles, dublin)[0].Reading))
	}
	for _, want := range []string{"fields.patient: write the authority", "fields.strip_lot: it is cut out of the text in C.4", "control: no result names the control lot", "results[0]: INR is no LOINC code; that it is INR in a fingerstick"} {
		assert.Contains(t, doubts(list[0]), want)
	}
	_, refused := Draft([][]byte{[]byte(message(lisH, lisP, lisO, lisR))})
	assert.Contains(t, refused[0], "no L record")
}

// A captured conversation of POCT1-A: the standard has a place for nearly all.
func TestDraftOfPOCT1A(t *testing.T) {
	raw := poctHello + poctSample(t, "patient") + poctSample(t, "control")
	list, profiles := drafts(t, []byte(raw))
	require.Len(t, list, 1)
	assert.Equal(t, "sedge5-poct1a", list[0].Config.ID)
	a := poct.Arrival{ID: "a", Raw: []byte(raw)}
	want, got := Decode(a, []*Profile{compiled(sedgePOCT())}, dublin), Decode(a, profiles, dublin)
	require.Len(t, got, 2)
	for i := range want {
		assert.Equal(t, essence(want[i].Reading), essence(got[i].Reading))
	}
	for _, text := range []string{"fields.patient: write the authority", "results[0]: the meter sends 34714-6", "control: the message's type"} {
		assert.Contains(t, doubts(list[0]), text)
	}
	list, _ = drafts(t, []byte(poctSample(t, "patient")))
	assert.Contains(t, doubts(list[0]), "fields.meter: no hello is among the samples")
}

func TestDraftIsUnsure(t *testing.T) {
	for _, tc := range []struct {
		name, raw string
		want      []string
	}{
		{"day and month", "Serial,Time,Patient,INR\nR1,05/03/2026 09:12,MRN0007,2.4\nR1,06/03/2026 09:12,MRN0008,2.4\n",
			[]string{"fields.tested_at: day and month cannot be told apart in these samples: dd/MM/yyyy HH:mm, or MM/dd/yyyy HH:mm?", "fields.strip_lot: no strip lot was found", "control: nothing in the samples marks"}},
		{"two patients' numbers", "Serial,Time,PatientId,MRN,INR,Lot\nR1,2026-03-05 09:12,77,AB-0007,2.4,L1\n", []string{"fields.patient: MRN could be meant instead of PatientId (texts look like AA-9999 and 99)"}},
		{"date and time apart", "Serial,Date,Time,Patient,INR\nR1,23.03.2026,09:12,MRN0007,2.4\n", []string{"fields.tested_at: the date stands in Date and the time of day in Time"}},
		{"no names", "R1;2026-03-05 09:12;77;2,4\n", []string{"csv: the files have no line of names"}},
		{"unit unknown", "Serial,Time,Patient,INR,INR unit\nR1,2026-03-05 09:12,77,2.4,%\n", []string{`results[0]: the unit "%" was seen and is none that is known for INR`}},
		{"two kinds of numbers", message(msh, `PID|1||7^^^A^MR~8^^^B^PI`, obr, `OBX|1|NM|X^INR^L||2.4||||||F`), []string{
			"fields.patient: 2 identifiers stand side by side in PID-3, of types MR, PI", "results[0]: X is no LOINC code", "results[0]: some samples send no unit for INR", "fields.meter: OBX-18 is empty", "fields.strip_lot: no strip lot was found",
		}},
		{"no result", message(msh, pid, obr, `OBX|1|NM|X^Glucose^L||2.4||||||F`), []string{"results: no code for INR was found"}},
		{"nothing to go by", "a,b\nc,d\n", []string{"results: nothing that is called INR was found", "fields.meter: nothing like a serial number"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			list, _ := drafts(t, []byte(tc.raw))
			require.Len(t, list, 1)
			for _, want := range tc.want {
				assert.Contains(t, doubts(list[0]), want)
				assert.Contains(t, list[0].YAML(), "# unsure: "+want)
			}
			assert.NotContains(t, list[0].YAML(), "AB-0007")
		})
	}
	_, refused := Draft([][]byte{[]byte("MSH|broken"), []byte("<a>"), []byte(`MSH|^~\&|A|B|||20260305||ADT^A08|1|P|2.5` + "\r")})
	assert.Len(t, refused, 3)
}

// Different kinds of messages get a proposal each, several in one file count
// one by one.
func TestDraftsOfSeveralKinds(t *testing.T) {
	other := strings.Replace(message(msh, pid, obr, inr, pt), "QUILL3", "OTHER", 1)
	batch := "BHS|^~\\&|A\r" + worked + other + "BTS|2\r"
	run := message(lisH, lisP, lisO, lisR, lisL) + message(lisH, lisP, lisO, lisR, lisL)
	list, _ := drafts(t, []byte(batch), []byte(run), []byte("Serial,Time,Patient,INR\nR1,2026-03-05 09:12,7,2.4\n"), []byte("Sn;When;Mrn;Inr\nR1;2026-03-05 09:12;7;2.4\n"),
		[]byte("<a><meter>1</meter></a>"), []byte("<b><meter>1</meter></b>"), []byte(jsonFile))
	var ids []string
	for _, p := range list {
		ids = append(ids, p.Config.ID)
	}
	assert.Equal(t, []string{"quill3-hl7", "other-hl7", "sedge5-lis02", "drafted-csv", "drafted-csv-2", "drafted-xml", "drafted-xml-2", "drafted-json"}, ids)
	assert.Equal(t, []int{0}, list[1].From)
}

// The two columns of a date and a time of day are put together by a formula.
func TestDraftOfDateAndTime(t *testing.T) {
	raw := "Serial,Date,Time,Patient,INR\nR1,23.03.2026,09:12,MRN0007,2.4\nR1,24.03.2026,09:15,MRN0008,2.5\n"
	_, profiles := drafts(t, []byte(raw))
	r := Decode(file(raw), profiles, dublin)[0].Reading
	assert.Equal(t, "23.03.2026 09:12", r.TestedAt.Raw)
	assert.Equal(t, "2026-03-23T09:12:00Z", r.TestedAt.At.Format(time.RFC3339))
}

// Whatever the samples hold, a proposal compiles, from its YAML too.
func FuzzDraft(f *testing.F) {
	f.Add([]byte(worked), []byte(jsonFile))
	f.Add([]byte(xmlFile), []byte(reedHeader+"\nR2;12;05.03.2026 09:12;118;MRN0007;L77;PAT;;;2,40\n"))
	f.Add([]byte(poctHello+poctSample(f, "patient")), []byte(poctSample(f, "control")))
	f.Add([]byte(message(lisH, lisP, lisO, lisR, lisL)), []byte(worked))
	f.Add([]byte("a\tb\n1\t2"), []byte("{\"in r\": {\"#x\": \"E4\"}, \"\": [1]}"))
	f.Fuzz(func(t *testing.T, one, two []byte) {
		list, _ := Draft([][]byte{one, two})
		for _, p := range list {
			var back []ProfileConfig
			if err := yaml.UnmarshalWithOptions([]byte(p.YAML()), &back, yaml.Strict()); err != nil || len(back) != 1 {
				t.Fatalf("the proposal is no YAML: %v\n%s", err, p.YAML())
			}
			if _, faults := Compile(back[0]); len(faults) > 0 {
				t.Fatalf("the proposal does not compile: %+v\n%s", faults, p.YAML())
			}
		}
	})
}
