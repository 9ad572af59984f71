package pipeline_test

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/mapping"
	"tidegate/pipeline"
	"tidegate/poct"
	"tidegate/validate"
)

var (
	noon = time.Date(2026, 3, 5, 12, 0, 0, 0, time.UTC)
	site = poct.Site{ID: "millrace", Name: "Millrace Surgery", TimeZone: "Europe/Dublin", QCInterval: 8 * time.Hour}
)

// judge is one inlet, one profile, one outlet; facts are what the test says.
func judge(t *testing.T, facts pipeline.FactsFunc) *pipeline.Judge {
	t.Helper()
	p, faults := mapping.Compile(mapping.ProfileConfig{
		ID: "quill-hl7", Format: "hl7v2", Model: "Quill 3", Specimen: "capillary",
		Fields: mapping.FieldsConfig{
			Meter: mapping.FieldConfig{At: "OBX-18.1"}, Sequence: mapping.FieldConfig{At: "OBR-3.1"},
			TestedAt: mapping.FieldConfig{At: "OBR-7"}, Operator: mapping.FieldConfig{At: "OBX-16.1"},
			Patient:  mapping.FieldConfig{At: "PID-3", Authority: "MILLRACE"},
			StripLot: mapping.FieldConfig{At: "OBX-5", Where: map[string]mapping.Values{"OBX-3.1": {"STRIPLOT"}}},
		},
		Control: mapping.ControlConfig{When: map[string]mapping.Values{"SPM-11.1": {"Q"}},
			Lot: mapping.FieldConfig{At: "SPM-2.1"}, Level: mapping.FieldConfig{At: "SPM-14"}},
		Results: []mapping.ResultConfig{{Analyte: "inr", Where: map[string]mapping.Values{"OBX-3.1": {"INR"}}, LOINC: "46418-0", Units: map[string]string{"": "{INR}"}}},
		NotSent: []string{"birth_date", "pt"},
	})
	require.Empty(t, faults)
	rules, faults := validate.Compile(validate.Config{})
	require.Empty(t, faults)
	return &pipeline.Judge{
		Inlets:   map[string]pipeline.InletRule{"wired": {Profiles: []*mapping.Profile{p}}},
		Outlets:  []pipeline.OutletRule{{ID: "record", Sites: []string{"millrace"}}},
		Rules:    rules,
		Facts:    facts,
		Zones:    func(poct.Book) mapping.Zones { return nil },
		Now:      func() time.Time { return noon },
		Patience: 15 * time.Minute,
	}
}

// good is everything that lets a result pass.
func good(_ poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error) {
	patient := poct.Patient{Authority: "MILLRACE", ID: r.Patient.ID}
	control := func(level string, inr string) poct.Past {
		return poct.Past{Result: "c" + level, State: poct.Filed, QCPassed: true, Tested: noon.Add(-time.Hour), Reading: poct.Reading{
			Kind: poct.KindControl, Meter: r.Meter, StripLot: r.StripLot, ControlLot: "C-881", ControlLevel: level,
			TestedAt:     poct.Stamp{At: noon.Add(-time.Hour), Precision: "second"},
			Measurements: []poct.Measurement{{Analyte: "inr", Value: poct.MustNumber(inr), RawValue: inr, Unit: "{INR}"}},
		}}
	}
	return poct.Facts{
		Now: now, Received: received, Site: &site,
		Meter:    &poct.Meter{Serial: r.Meter, Model: "Quill 3", Site: "millrace", State: "in-use"},
		Operator: &poct.Operator{ID: r.Operator, Sites: []string{"*"}, CertifiedUntil: "2027-01-01"},
		StripLot: &poct.StripLot{Lot: r.StripLot, Model: "Quill 3", Expires: "2027-01-01"},
		Patients: []poct.Patient{patient}, Patient: &patient,
		Controls: []poct.Past{control("1", "1.1"), control("2", "3.0")},
	}, nil
}

func order(seq int, patient, inr string) string {
	return fmt.Sprintf("OBR|1||%d|INR|||20260305115500+0000\rOBX|1|NM|INR||%s||||||F|||||118||M-2041\rOBX|2|ST|STRIPLOT||7K40231||||||F\r", seq, inr)
}

func message(orders ...string) poct.Arrival {
	raw := "MSH|^~\\&|QUILL3|MILL|T|X|20260305115900+0000||ORU^R01^ORU_R01|1|P|2.5.1\rPID|1||4711^^^MILLRACE\r"
	for _, o := range orders {
		raw += o
	}
	return poct.Arrival{ID: "a-1", Inlet: "wired", Received: noon, Raw: []byte(raw), Digest: sha256.Sum256([]byte(raw)), Format: "hl7v2"}
}

func codes(o poct.Outcome) (out []string) {
	for _, p := range o.Problems {
		if p.Severity == poct.Hold && p.Because == "" {
			out = append(out, p.Code)
		}
	}
	return out
}

func TestReleaseGoesToTheOutletsOfItsSite(t *testing.T) {
	d, err := judge(t, good).Decide(nil, message(order(1, "4711", "2.4")))
	require.NoError(t, err)
	require.Len(t, d.Outcomes, 1)
	o := d.Outcomes[0]
	require.Equal(t, poct.Release, o.Verdict, "%v", o.Problems)
	require.Equal(t, []string{"record"}, o.Outlets)
	require.Equal(t, poct.Create, o.Action)
	require.Equal(t, "M-2041|1|20260305115500+0000", o.Result.Key)
}

func TestSiteWithoutAnOutletHolds(t *testing.T) {
	j := judge(t, good)
	j.Outlets[0].Sites = []string{"harbour"}
	d, err := j.Decide(nil, message(order(1, "4711", "2.4")))
	require.NoError(t, err)
	require.Equal(t, poct.HoldIt, d.Outcomes[0].Verdict)
	require.Equal(t, []string{"no-outlet"}, codes(d.Outcomes[0]))
}

func TestTwoResultsUnderOneKeyInOneMessage(t *testing.T) {
	d, err := judge(t, good).Decide(nil, message(order(1, "4711", "2.4"), order(1, "4711", "3.9")))
	require.NoError(t, err)
	require.Len(t, d.Outcomes, 2)
	require.Equal(t, poct.HoldIt, d.Outcomes[1].Verdict)
	require.Empty(t, d.Outcomes[1].Result.Key, "the key stays with the first")
	require.Contains(t, codes(d.Outcomes[1]), "conflicting-resend")
}

func TestLookUpThatFailsWaitsThenHolds(t *testing.T) {
	broken := func(poct.Book, poct.Reading, time.Time, time.Time) (poct.Facts, error) {
		return poct.Facts{}, errors.New("no answer")
	}
	told := 0
	j := judge(t, broken)
	j.Failed = func(error) { told++ }
	d, err := j.Decide(nil, message(order(1, "4711", "2.4")))
	require.NoError(t, err)
	require.Empty(t, d.Outcomes)
	require.True(t, d.Wait.After(noon))
	j.Now = func() time.Time { return noon.Add(16 * time.Minute) }
	d, err = j.Decide(nil, message(order(1, "4711", "2.4")))
	require.NoError(t, err)
	require.Equal(t, poct.HoldIt, d.Outcomes[0].Verdict)
	require.Contains(t, codes(d.Outcomes[0]), "look-up-failed")
	require.Equal(t, 2, told)
}

func TestControlIsFiledHoweverItIsReleased(t *testing.T) {
	control := "OBR|1||7|INR|||20260305115500+0000\rOBX|1|NM|INR||1.1||||||F|||||118||M-2041\r" +
		"OBX|2|ST|STRIPLOT||7K40231||||||F\rSPM|1|C-404||BLD|||||||Q|||1\r"
	j := judge(t, good)
	a := message(control)
	d, err := j.Decide(nil, a)
	require.NoError(t, err)
	held := d.Outcomes[0]
	require.Equal(t, poct.HoldIt, held.Verdict, "its control lot is not registered")
	again, err := j.Again(nil, poct.HoldRecord{ID: "h", Result: "r", Reading: held.Result.Reading, Problems: held.Problems},
		a, poct.Settlement{Act: poct.ActRelease, Reason: "range read from the box"})
	require.NoError(t, err)
	require.Equal(t, poct.File, again.Outcomes[0].Verdict)
	require.Empty(t, again.Outcomes[0].Outlets)
}

func TestReleaseDoesNotCoverWhatNobodySaw(t *testing.T) {
	expired := func(b poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error) {
		f, err := good(b, r, received, now)
		f.Operator = nil
		return f, err
	}
	j := judge(t, expired)
	a := message(order(1, "4711", "2.4"))
	d, err := j.Decide(nil, a)
	require.NoError(t, err)
	held := d.Outcomes[0]
	require.Equal(t, []string{"operator-unknown"}, codes(held))
	hold := poct.HoldRecord{ID: "h", Result: "r", Reading: held.Result.Reading, Problems: held.Problems}
	st := poct.Settlement{Act: poct.ActRelease, Reason: "known to the charge nurse"}
	again, err := j.Again(nil, hold, a, st)
	require.NoError(t, err)
	require.Equal(t, poct.Release, again.Outcomes[0].Verdict)
	require.Contains(t, again.Outcomes[0].Result.Marks, "Released by a person in spite of: operator-unknown.")

	j.Facts = func(b poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error) {
		f, err := expired(b, r, received, now)
		f.StripLot.Recalled = true // meanwhile
		return f, err
	}
	again, err = j.Again(nil, hold, a, st)
	require.NoError(t, err)
	require.Equal(t, poct.HoldIt, again.Outcomes[0].Verdict)
}

func TestNewPatientMeansANewFiling(t *testing.T) {
	owned := func(b poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error) {
		f, err := good(b, r, received, now)
		was := r
		was.Patient.ID, was.Status = "4712", poct.StatusFinal
		f.Owner = &poct.Past{Result: "r-1", Version: 1, Key: r.Key(), State: poct.Delivered, Reading: was, Digest: poct.Content(was), Tested: r.Tested()}
		return f, err
	}
	a := message(order(1, "4711", "2.4"))
	a.Raw = []byte(replaceStatus(string(a.Raw)))
	d, err := judge(t, owned).Decide(nil, a)
	require.NoError(t, err)
	o := d.Outcomes[0]
	require.Equal(t, poct.Release, o.Verdict, "%v", o.Problems)
	require.Equal(t, "r-1", o.Owner)
	require.Equal(t, poct.Correct, o.Action)
	require.True(t, o.Refile)
}

// replaceStatus makes a final result a corrected one (HL7 table 0085).
func replaceStatus(s string) string {
	out := ""
	for _, seg := range splitSegments(s) {
		if len(seg) > 5 && seg[:5] == "OBX|1" {
			seg = seg[:len(seg)-len("F|||||118||M-2041")] + "C|||||118||M-2041"
		}
		out += seg + "\r"
	}
	return out
}

func splitSegments(s string) (out []string) {
	for len(s) > 0 {
		i := 0
		for i < len(s) && s[i] != '\r' {
			i++
		}
		out = append(out, s[:i])
		s = s[min(i+1, len(s)):]
	}
	return out
}
