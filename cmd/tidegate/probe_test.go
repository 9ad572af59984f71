package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/probe"
	"tidegate/standin"
)

// probeSetup is a configuration whose outlet leads to a stand-in with one
// test patient, all invented, and the file that names that patient.
func probeSetup(t *testing.T, s standin.Switches) (config, patient string) {
	t.Helper()
	dir := t.TempDir()
	record := standin.NewRecord(standin.Options{Switches: s, Patients: []standin.Patient{
		{ID: "p-test", System: "https://millrace.example/mrn", Value: "9990025", Family: "Testperson", BirthDate: "1900-01-01"},
	}})
	srv := httptest.NewServer(http.StripPrefix("/fhir", record))
	t.Cleanup(srv.Close)
	config, patient = filepath.Join(dir, "tidegate.yaml"), filepath.Join(dir, "patient")
	text := fmt.Sprintf(`version: 1
data_dir: ./data
ledger: {origin: millrace.example/1}
registry:
  identifier_systems: {MILLRACE: "https://millrace.example/mrn"}
profiles:
  - id: reed-csv
    format: csv
    model: Reed 2
    specimen: capillary
    measuring_range: {low: "0.8", high: "8.0"}
    csv: {delimiter: ";"}
    fields: {meter: Serial, sequence: Seq, tested_at: {at: Time, layout: "dd.MM.yyyy HH:mm", zone: site}, operator: User, patient: {at: PatId, authority: MILLRACE}, strip_lot: Strip}
    results: [{analyte: inr, value: INR, unit: "{INR}", loinc: 46418-0}]
    not_sent: [birth_date, pt]
inlets:
  - {id: drop, kind: folder, path: ./drop, profiles: [reed-csv]}
outlets:
  - {id: record, kind: fhir, base_url: "%s/fhir", sites: ["*"], lookup_wait: 50ms, retry: {first: 20ms, max: 100ms}}
`, srv.URL)
	require.NoError(t, os.WriteFile(config, []byte(text), 0o600))
	require.NoError(t, os.WriteFile(patient, []byte("MILLRACE 9990025 1900-01-01\n"), 0o600))
	return config, patient
}

func TestProbe(t *testing.T) {
	config, patient := probeSetup(t, standin.Switches{})
	require.NoError(t, os.Mkdir(filepath.Join(filepath.Dir(config), "data"), 0o700))
	report := filepath.Join(filepath.Dir(config), "report.txt")
	var out, errOut bytes.Buffer
	args := []string{"probe", "--config", config, "--outlet", "record", "--patient-file", patient, "--report", report, "--json", "--this-is-a-test-patient"}
	require.Equal(t, 0, run(args, strings.NewReader(""), &out, &errOut), "%s%s", &out, &errOut)
	var r probe.Report
	require.NoError(t, json.Unmarshal(out.Bytes(), &r))
	assert.True(t, r.Good)
	assert.NotEmpty(t, r.Transcript)
	assert.Contains(t, errOut.String(), "filing a result as the daemon does\n")

	// The digest covers what stands above it, also when it is computed by hand.
	text, err := os.ReadFile(report)
	require.NoError(t, err)
	above, _, found := bytes.Cut(text, []byte("SHA-256 of everything above this line:\n"))
	require.True(t, found)
	sum := sha256.Sum256(above)
	assert.Equal(t, r.SHA256, hex.EncodeToString(sum[:]))
	assert.Contains(t, string(text), "Integration engineer")

	// No number, name or birth date anywhere.
	for _, canary := range []string{"9990025", "Testperson", "1900-01-01", "p-test"} {
		assert.NotContains(t, string(text)+out.String()+errOut.String(), canary)
	}

	// The ledger tells of it, and verifies.
	var verified bytes.Buffer
	require.Equal(t, 0, run([]string{"verify", "--config", config, "--json"}, strings.NewReader(""), &verified, &errOut), "%s", &errOut)
	assert.Contains(t, verified.String(), `"verified": true`)

	// A report that may be signed is not written over.
	require.Equal(t, 2, run(args, strings.NewReader(""), &out, &errOut))
	assert.Contains(t, errOut.String(), "name a new file")
}

func TestProbeFindsWhatIsMissing(t *testing.T) {
	config, _ := probeSetup(t, standin.Switches{NoClientIDs: true, NoConditionalCreate: true})
	var out, errOut bytes.Buffer
	args := []string{"probe", "--config", config, "--outlet", "record", "--patient", "-", "--this-is-a-test-patient"}
	require.Equal(t, 1, run(args, strings.NewReader("MILLRACE 9990025"), &out, &errOut), "%s%s", &out, &errOut)
	assert.Contains(t, out.String(), "NOT GOOD")
	assert.Contains(t, out.String(), "There is no way to create a result just once.")
	assert.Contains(t, errOut.String(), "no ledger tells of this probe")
}

func TestProbeRefusals(t *testing.T) {
	config, patient := probeSetup(t, standin.Switches{})
	tests := []struct{ name, args, in, want string }{
		{"nobody vouches for the patient", "--outlet record --patient-file " + patient, "", "--this-is-a-test-patient"},
		{"no patient", "--outlet record --this-is-a-test-patient", "", "name the test patient in one way"},
		{"a number on the command line", "--outlet record --this-is-a-test-patient --patient 9990025", "", "can be seen by others"},
		{"nothing on standard input", "--outlet record --this-is-a-test-patient --patient -", "\n", "needs a line with authority and number"},
		{"authority alone", "--outlet record --this-is-a-test-patient --patient -", "MILLRACE\n", "needs a line with authority and number"},
		{"authority that is not known", "--outlet record --this-is-a-test-patient --patient -", "HARBOUR 9990025\n", "registry.identifier_systems"},
		{"no such outlet", "--outlet other --this-is-a-test-patient --patient-file " + patient, "", `no outlet "other"`},
		{"no patience", "--outlet record --patience 1ms --this-is-a-test-patient --patient-file " + patient, "", "too short"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			var out, errOut bytes.Buffer
			code := run(append([]string{"probe", "--config", config}, strings.Fields(tc.args)...), strings.NewReader(tc.in), &out, &errOut)
			assert.Equal(t, 2, code)
			assert.Contains(t, errOut.String(), tc.want)
			assert.NotContains(t, errOut.String(), "9990025")
		})
	}
}
