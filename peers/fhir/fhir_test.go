//go:build peers

// Package fhir has the transactions that mapping renders judged by readers
// that nobody here wrote: github.com/google/fhir in Go, and in Node the npm
// packages fhir, fhirpath, @lhncbc/ucum-lhc, the published R4 JSON schema and
// the published R4 definitions (hl7.fhir.r4.examples). It promises that a
// judge which finds nothing would have found something: every fault planted
// here is refused by the judges named beside it.
package fhir

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// finding is what one judge says of one file.
type finding struct {
	File, Judge, At, Text string
	Done                  bool
}

// judged has every JSON file of a folder judged, and gives the findings by file.
func judged(t *testing.T, folder string) map[string][]finding {
	t.Helper()
	if _, err := os.Stat("node_modules/.package-lock.json"); err != nil {
		t.Fatal("the judges are not installed: run ./test.sh in the root once, or npm ci here")
	}
	cmd := exec.CommandContext(t.Context(), "node", "judge.js", folder)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	require.NoError(t, cmd.Run(), "%s", &errs)
	found := map[string][]finding{}
	done := false
	for lines := bufio.NewScanner(&out); lines.Scan(); {
		var f finding
		require.NoError(t, json.Unmarshal(lines.Bytes(), &f))
		if done = f.Done; !done {
			found[f.File] = append(found[f.File], f)
		}
	}
	require.True(t, done, "the judges went through all files")

	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	paths, err := filepath.Glob(filepath.Join(folder, "*.json"))
	require.NoError(t, err)
	for _, path := range paths {
		raw, err := os.ReadFile(path)
		require.NoError(t, err)
		if _, err := u.Unmarshal(raw); err != nil {
			name := filepath.Base(path)
			found[name] = append(found[name], finding{File: name, Judge: "google", Text: err.Error()})
		}
	}
	return found
}

// The golden resources of these packages are what they render; their own tests
// see to that.
func TestEveryResourceIsAccepted(t *testing.T) {
	for _, golden := range []struct {
		folder string
		least  int
	}{
		{"../../mapping/testdata/bundle", 15}, // transactions
		{"../../audit/testdata", 3},           // AuditEvents
	} {
		files, err := filepath.Glob(golden.folder + "/*.json")
		require.NoError(t, err)
		require.GreaterOrEqual(t, len(files), golden.least)
		for name, list := range judged(t, golden.folder) {
			for _, f := range list {
				t.Errorf("%s: %s says at %s: %s", name, f.Judge, f.At, f.Text)
			}
		}
	}
}

// good is a complete capillary INR that all judges accept.
const good = `{"resourceType":"Observation","identifier":[{"system":"urn:ietf:rfc:3986","value":"urn:uuid:2f1c9a10-7f5b-5d5e-8b1c-3f7f5f0f9a01"}],"status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"laboratory"}]}],"code":{"coding":[{"system":"http://loinc.org","code":"46418-0"}],"text":"INR"},"subject":{"reference":"Patient/p-104"},"effectiveDateTime":"2026-03-04T09:12:30-05:00","issued":"2026-03-04T14:12:41.250Z","valueQuantity":{"value":2.5,"unit":"INR","system":"http://unitsofmeasure.org","code":"{INR}"}}`

const provenance = `{"resourceType":"Provenance","target":[{"reference":"Observation/1"}],"recorded":"2026-03-04T14:12:41.250Z","agent":[{"who":{"display":"tidegate"}}]}`

const bundle = `{"resourceType":"Bundle","type":"transaction","entry":[{"fullUrl":"urn:uuid:2f1c9a10-7f5b-5d5e-8b1c-3f7f5f0f9a01","resource":` + good + `,"request":{"method":"POST","url":"Observation"}}]}`

// with replaces a part of a resource that has to be there.
func with(in, old, replacement string) string {
	if !strings.Contains(in, old) {
		panic("nothing to replace: " + old)
	}
	return strings.Replace(in, old, replacement, 1)
}

// member adds members to the end of a resource.
func member(in, members string) string { return strings.TrimSuffix(in, "}") + "," + members + "}" }

// Faults planted in otherwise good resources, each with the judges that must
// refuse it. Which judge sees which fault was found by trying.
var faults = []struct {
	name   string
	broken string
	by     []string
}{
	// Structure.
	{"code missing", with(good, `"code":{"coding":[{"system":"http://loinc.org","code":"46418-0"}],"text":"INR"},`, ``), []string{"google", "fhir", "schema"}},
	{"status missing", with(good, `"status":"final",`, ``), []string{"google", "fhir"}},
	{"status of another kind", with(good, `"final"`, `"verified"`), []string{"google", "fhir", "schema", "bindings"}},
	{"value as text", with(good, `"value":2.5`, `"value":"2.5"`), []string{"google", "fhir", "schema"}},
	{"comparator of no kind", with(good, `"value":2.5`, `"value":2.5,"comparator":"~"`), []string{"google", "fhir", "schema", "bindings"}},
	{"comparator doubled", with(good, `"value":2.5`, `"value":2.5,"comparator":">>"`), []string{"google", "fhir", "schema", "bindings"}},
	{"element unknown", member(good, `"stripLot":"L1"`), []string{"google", "fhir", "schema"}},
	{"identifier no list", with(with(good, `"identifier":[{`, `"identifier":{`), `9a01"}],`, `9a01"},`), []string{"google", "fhir", "schema"}},
	{"extension without url", member(good, `"extension":[{"valueString":"x"}]`), []string{"google", "fhir"}},
	{"two values", member(good, `"valueString":"2.5"`), []string{"google"}},
	{"id with a blank", member(good, `"id":"a b"`), []string{"google", "schema"}},
	{"subject a text", with(good, `{"reference":"Patient/p-104"}`, `"Patient/p-104"`), []string{"google", "fhir"}},
	{"subject a medication", with(good, `Patient/p-104`, `Medication/1`), []string{"google", "fhir", "bindings"}},
	{"device a patient", member(good, `"device":{"reference":"Patient/1"}`), []string{"google", "fhir", "bindings"}},
	{"performed by a device", member(good, `"performer":[{"reference":"Device/1"}]`), []string{"google", "fhir", "bindings"}},
	// Times.
	{"time without offset", with(good, `09:12:30-05:00`, `09:12:30`), []string{"google", "schema"}},
	{"time without seconds", with(good, `09:12:30-05:00`, `09:12-05:00`), []string{"google", "schema"}},
	{"issued without zone", with(good, `41.250Z`, `41.250`), []string{"google", "schema"}},
	{"30 February", with(good, `2026-03-04T09`, `2026-02-30T09`), []string{"google"}},
	{"month 13", with(good, `2026-03-04T09`, `2026-13-04T09`), []string{"google", "schema"}},
	// Invariants.
	{"obs-3", member(good, `"referenceRange":[{"type":{"text":"normal"}}]`), []string{"fhirpath"}},
	{"obs-6", member(good, `"dataAbsentReason":{"text":"none"}`), []string{"fhirpath"}},
	{"obs-7", member(good, `"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"46418-0"}]},"valueString":"x"}]`), []string{"fhirpath"}},
	{"qty-3", with(good, `"system":"http://unitsofmeasure.org",`, ``), []string{"fhirpath"}},
	{"per-1", with(good, `"effectiveDateTime":"2026-03-04T09:12:30-05:00"`, `"effectivePeriod":{"start":"2026-03-05","end":"2026-03-04"}`), []string{"fhirpath"}},
	{"us-core-1", with(good, `"2026-03-04T09:12:30-05:00"`, `"2026-03"`), []string{"fhirpath"}},
	{"us-core-2", with(good, `,"valueQuantity":{"value":2.5,"unit":"INR","system":"http://unitsofmeasure.org","code":"{INR}"}`, ``), []string{"fhirpath"}},
	{"us-core-3", with(good, `http://unitsofmeasure.org`, `http://units.example`), []string{"fhirpath"}},
	{"category", with(good, `"code":"laboratory"`, `"code":"exam"`), []string{"fhirpath"}},
	// Units and codes.
	{"unit no UCUM", with(good, `"code":"{INR}"`, `"code":"INRatio"`), []string{"ucum"}},
	{"seconds in words", with(with(good, `46418-0`, `46417-2`), `"code":"{INR}"`, `"code":"sec"`), []string{"ucum"}},
	{"siemens for seconds", with(with(good, `46418-0`, `46417-2`), `"code":"{INR}"`, `"code":"S"`), []string{"ucum"}},
	{"INR in seconds", with(good, `"code":"{INR}"`, `"code":"s"`), []string{"ucum"}},
	{"interpretation unknown", member(good, `"interpretation":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation","code":"HIGHER"}]}]`), []string{"bindings"}},
	{"absent for no known reason", member(with(good, `,"valueQuantity":{"value":2.5,"unit":"INR","system":"http://unitsofmeasure.org","code":"{INR}"}`, ``),
		`"dataAbsentReason":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/data-absent-reason","code":"broken"}]}`), []string{"bindings"}},
	{"code under a wrong name", with(good, `"code":"laboratory"`, `"code":"laboratory","display":"Vital Signs"`), []string{"bindings"}},
	// What JSON readers do not tell.
	{"array empty", member(good, `"note":[]`), []string{"raw"}},
	{"object empty", member(good, `"specimen":{}`), []string{"raw"}},
	{"text empty", with(good, `"text":"INR"`, `"text":" "`), []string{"raw"}},
	{"null", member(good, `"encounter":null`), []string{"raw"}},
	{"key twice", member(good, `"status":"final"`), []string{"raw"}},
	{"key twice, deep", with(good, `"unit":"INR"`, `"unit":"INR","unit":"INR"`), []string{"raw"}},
	{"contained and not referred to", member(good, `"contained":[{"resourceType":"Substance","id":"strip","code":{"text":"strip"}}]`), []string{"raw"}},
	{"referred to and not contained", member(good, `"specimen":{"reference":"#drop"}`), []string{"raw"}},
	// Other resources.
	{"provenance without agent", with(provenance, `,"agent":[{"who":{"display":"tidegate"}}]`, ``), []string{"google", "fhir", "schema"}},
	{"transaction by UPSERT", with(bundle, `"POST"`, `"UPSERT"`), []string{"google", "fhir", "schema", "bindings"}},
	{"entry without url", with(bundle, `,"url":"Observation"`, ``), []string{"google", "fhir"}},
	{"fault inside a transaction", with(bundle, `"value":2.5`, `"value":2.5,"comparator":"~"`), []string{"google", "fhir", "schema", "bindings"}},
}

func TestEveryFaultIsRefused(t *testing.T) {
	folder := t.TempDir()
	write := func(name, resource string) string {
		file := strings.ReplaceAll(name, " ", "-") + ".json"
		require.NoError(t, os.WriteFile(filepath.Join(folder, file), []byte(resource), 0o600))
		return file
	}
	whole := []string{write("good", good), write("good provenance", provenance), write("good bundle", bundle)}
	var files []string
	for _, f := range faults {
		files = append(files, write(f.name, f.broken))
	}
	found := judged(t, folder)
	for _, name := range whole {
		assert.Empty(t, found[name], "what is whole is accepted")
	}
	for i, f := range faults {
		t.Run(f.name, func(t *testing.T) {
			var by []string
			for _, x := range found[files[i]] {
				if !slices.Contains(by, x.Judge) {
					by = append(by, x.Judge)
				}
			}
			for _, judge := range f.by {
				assert.Contains(t, by, judge, "found: %v", found[files[i]])
			}
		})
	}
}
