package validate_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/validate"
)

// All patients, meters, lots and people here are invented.

var (
	cet    = time.FixedZone("+01:00", 3600)
	tested = time.Date(2024, 3, 5, 9, 12, 0, 0, cet)
)

// situation is a reading in its context, as a test changes it.
type situation struct {
	res     poct.Result
	f       poct.Facts
	decoded []poct.Problem
}

func (s *situation) r() *poct.Reading { return &s.res.Reading }

func (s *situation) inr(value string) { s.measure(0, value) }
func (s *situation) pt(value string)  { s.measure(1, value) }

func (s *situation) measure(i int, value string) {
	if i >= len(s.r().Measurements) {
		return
	}
	m := &s.r().Measurements[i]
	m.RawValue = value
	m.Value, _ = poct.ParseNumber(value)
}

// good is a patient result that passes every check: INR 2.5 from 30.0 s with
// MNPT 12.0 s and ISI 1.00, both controls passed at eight.
func good() *situation {
	control := func(level, inr string, at time.Time) poct.Past {
		return poct.Past{
			Result: "c" + level, State: poct.Filed, Tested: at, QCPassed: true,
			Reading: poct.Reading{
				Kind: poct.KindControl, Meter: "Q3-1007", StripLot: "7K40231", ControlLot: "QC77", ControlLevel: level,
				Sequence: "8820" + level, Measurements: []poct.Measurement{{Analyte: "inr", Value: poct.MustNumber(inr)}},
			},
		}
	}
	patient := poct.Patient{Authority: "MILLRACE", ID: "MRN0007", Family: "Testperson", Given: "Ada", BirthDate: "1950-01-01"}
	s := &situation{
		res: poct.Result{
			Site: "millrace",
			Reading: poct.Reading{
				Arrival: "a-1", Profile: "quill-hl7", Model: "Quill 3", Kind: poct.KindPatient, Status: poct.StatusFinal,
				Meter: "Q3-1007", Sequence: "88231", Operator: "118", Processing: "P", Specimen: "capillary",
				TestedAt: poct.Stamp{Raw: "20240305091200+0100", At: tested, Precision: "second"},
				SentAt:   poct.Stamp{Raw: "20240305091330+0100", At: tested.Add(90 * time.Second), Precision: "second"},
				Patient:  poct.PatientRef{Authority: "MILLRACE", ID: "MRN0007"}, BirthDate: "1950-01-01", Family: "Testperson", Given: "Ada",
				StripLot: "7K40231",
				Range:    poct.MeasuringRange{Low: poct.MustNumber("0.7"), High: poct.MustNumber("9.0")},
				Measurements: []poct.Measurement{
					{Analyte: "inr", Value: poct.MustNumber("2.5"), RawValue: "2.5", Unit: "{INR}", RawUnit: "{INR}", LOINC: "46418-0"},
					{Analyte: "pt", Value: poct.MustNumber("30.0"), RawValue: "30.0", Unit: "s", RawUnit: "s", LOINC: "46417-2"},
				},
			},
		},
		f: poct.Facts{
			Now: tested.Add(100 * time.Second), Received: tested.Add(100 * time.Second),
			Site:     &poct.Site{ID: "millrace", TimeZone: "Europe/Berlin"},
			Meter:    &poct.Meter{Serial: "Q3-1007", Model: "Quill 3", Site: "millrace", State: "in-use"},
			Operator: &poct.Operator{ID: "118", Sites: []string{"*"}, CertifiedUntil: "2024-12-31"},
			StripLot: &poct.StripLot{Lot: "7K40231", Model: "Quill 3", Expires: "2025-03-31", ISI: poct.MustNumber("1.00"), MNPT: poct.MustNumber("12.0")},
			Patients: []poct.Patient{patient}, Patient: &patient,
			Controls: []poct.Past{
				control("1", "1.1", time.Date(2024, 3, 5, 8, 0, 0, 0, cet)),
				control("2", "2.6", time.Date(2024, 3, 5, 8, 4, 0, 0, cet)),
			},
		},
	}
	return s
}

// control is a control run within its range.
func controlRun() *situation {
	s := good()
	s.f.Patients, s.f.Patient, s.f.Operator = nil, nil, nil
	r := s.r()
	r.Kind, r.Patient, r.BirthDate, r.Family, r.Given = poct.KindControl, poct.PatientRef{}, "", "", ""
	r.ControlLot, r.ControlLevel = "QC77", "2"
	r.Measurements = r.Measurements[:1]
	s.f.ControlLots = []poct.ControlLot{
		{Lot: "QC77", Level: "1", Low: poct.MustNumber("0.9"), High: poct.MustNumber("1.3"), Expires: "2024-12-31"},
		{Lot: "QC77", Level: "2", Low: poct.MustNumber("2.1"), High: poct.MustNumber("3.1"), Expires: "2024-12-31"},
	}
	return s
}

func rules(t testing.TB, cfg validate.Config) *validate.Rules {
	t.Helper()
	ru, faults := validate.Compile(cfg)
	require.Empty(t, faults)
	return ru
}

func (s *situation) check(t testing.TB, cfg validate.Config) validate.Findings {
	t.Helper()
	return rules(t, cfg).Check(s.res, s.f, s.decoded)
}

// answerOf is what one check answered, "" if it was not even listed.
func answerOf(f validate.Findings, code string) poct.CheckAnswer {
	for _, a := range f.Answers {
		if a.Code == code {
			return a
		}
	}
	return poct.CheckAnswer{}
}

func problemsOf(f validate.Findings, code string) []poct.Problem {
	var out []poct.Problem
	for _, p := range f.Problems {
		if p.Code == code {
			out = append(out, p)
		}
	}
	return out
}
