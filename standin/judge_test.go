package standin

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"
)

// Each broken resource is refused, with the status and the place named. The
// invariant keys are those of hl7.org/fhir/R4/observation.html and
// datatypes.html.
func TestJudgeRefuses(t *testing.T) {
	tests := []struct {
		name string
		body string
		want int
		says string
	}{
		{"syntax", `{"resourceType":"Observation"`, 400, "JSON"},
		{"duplicate key", inr("a", `"status":"final"`, `"status":"final","status":"amended"`), 400, "twice"},
		{"text after the value", inr("a") + "{}", 400, "text after"},
		{"wrong type", `{"resourceType":"Patient"}`, 400, "belongs at this address"},
		{"status outside the required set", inr("a", `"final"`, `"verified"`), 422, "observation-status"},
		{"status missing", inr("a", `"status":"final",`, ``), 422, "Observation.status"},
		{"code missing", inr("a", `"code":{"coding":[{"system":"http://loinc.org","code":"46418-0"}],"text":"INR"},`, ``), 422, "Observation.code"},
		{"unknown element", inr("a", `"status"`, `"stripLot":"L1","status"`), 422, "stripLot"},
		{"value as text", inr("a", `2.50`, `"2.50"`), 422, "JSON number"},
		{"comparator", inr("a", `"value":2.50`, `"value":2.50,"comparator":"~"`), 422, "quantity-comparator"},
		{"two values", inr("a", `"valueQuantity"`, `"valueString":"x","valueQuantity"`), 422, "value[x]"},
		{"identifier not an array", inr("a", `[{"system":"urn:ietf:rfc:3986","value":"urn:uuid:a"}]`, `{"system":"urn:ietf:rfc:3986","value":"urn:uuid:a"}`), 422, "an array belongs here"},
		{"empty array", inr("a", `"status"`, `"note":[],"status"`), 422, "not empty"},
		{"empty object", inr("a", `"status"`, `"method":{},"status"`), 422, "ele-1"},
		{"null", inr("a", `"status"`, `"method":null,"status"`), 422, "null"},
		{"time without offset", inr("a", `01-05:00"`, `01"`), 422, "dateTime"},
		{"time without seconds", inr("a", `09:12:01-05:00`, `09:12-05:00`), 422, "dateTime"},
		{"30 February", inr("a", `2026-03-04T09`, `2026-02-30T09`), 422, "dateTime"},
		{"issued without zone", inr("a", `41.250Z`, `41.250`), 422, "instant"},
		{"subject of another type", inr("a", `Patient/p-104`, `Practitioner/p-104`), 422, "does not belong here"},
		{"subject not there", inr("a", `Patient/p-104`, `Patient/p-999`), 422, "nothing is there"},
		{"subject a plain text", inr("a", `{"reference":"Patient/p-104"}`, `"Patient/p-104"`), 422, "an object belongs here"},
		{"obs-6", inr("a", `"valueQuantity"`, `"dataAbsentReason":{"text":"x"},"valueQuantity"`), 422, "obs-6"},
		{"obs-7", inr("a", `"valueQuantity"`, `"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"46418-0"}]}}],"valueQuantity"`), 422, "obs-7"},
		{"obs-3", inr("a", `"valueQuantity"`, `"referenceRange":[{"type":{"text":"normal"}}],"valueQuantity"`), 422, "obs-3"},
		{"qty-3", inr("a", `"system":"http://unitsofmeasure.org",`, ``), 422, "qty-3"},
		{"per-1", inr("a", `"effectiveDateTime":"2026-03-04T09:12:01-05:00"`, `"effectivePeriod":{"start":"2026-03-04T09:12:01Z","end":"2026-03-04T09:11:01Z"}`), 422, "per-1"},
		{"dom-3", inr("a", `"status"`, `"contained":[{"resourceType":"Substance","id":"strip","code":{"text":"strip"}}],"status"`), 422, "dom-3"},
		{"ref-1", inr("a", `"status"`, `"device":{"reference":"#meter"},"status"`), 422, "ref-1"},
		{"ext-1", inr("a", `"status"`, `"extension":[{"url":"http://x"}],"status"`), 422, "ext-1"},
		{"extension without url", inr("a", `"status"`, `"extension":[{"valueString":"x"}],"status"`), 422, "url"},
		{"reagent is no text", inr("a", `"status"`, `"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/observation-reagent","valueString":"L1"}],"status"`), 422, "observation-reagent"},
		{"unit of another quantity", inr("a", `"{INR}"`, `"s"`), 422, "not measured in this unit"},
		{"deprecated INR", inr("a", `46418-0`, `5895-7`), 422, "no measured result"},
		{"no value, no reason", inr("a", `,"valueQuantity":{"value":2.50,"unit":"INR","system":"http://unitsofmeasure.org","code":"{INR}"}`, ``), 422, "neither"},
		{"id with a blank", inr("a", `"status"`, `"id":"a b","status"`), 422, "not an id"},
	}
	_, c := serve(t, Options{})
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := c.do("POST", "/Observation", tt.body)
			require.Equal(t, tt.want, got.status, got.body)
			require.Contains(t, got.body, `"resourceType":"OperationOutcome"`)
			require.Contains(t, strings.ReplaceAll(got.body, `\"`, `"`), tt.says)
		})
	}
}

// The official examples that need no resource outside this record are judged
// right: a good one accepted, and by the independent validator too.
func TestJudgeAcceptsWhatTheValidatorAccepts(t *testing.T) {
	um, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	files, err := filepath.Glob("testdata/good/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			b, err := os.ReadFile(f)
			require.NoError(t, err)
			_, err = um.UnmarshalR4(b)
			require.NoError(t, err, "google/fhir")
			tree, err := parseJSON(b)
			require.NoError(t, err)
			require.Empty(t, examine(tree).issues)
		})
	}
}

func FuzzParseJSON(f *testing.F) {
	for _, s := range []string{`{}`, `[1,2.50,-0e1]`, `{"a":{"b":[null,true,false]}}`, `"\u00e4\ud83d\ude00\n"`, `{"a":1,"a":2}`, `01`, `"\ud800"`, "\"\x01\"", `1.`, `[1,]`, "\"\xff\""} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		n, err := parseJSON(b)
		if err != nil {
			return // stricter than encoding/json in keys, depth and half characters
		}
		if !json.Valid(b) {
			t.Fatalf("taken, but encoding/json refuses it: %q", b)
		}
		again, err := parseJSON(n.render(nil))
		if err != nil {
			t.Fatalf("own writing refused: %v", err)
		}
		if got, want := string(again.render(nil)), string(n.render(nil)); got != want {
			t.Fatalf("not stable: %q, %q", got, want)
		}
	})
}

func TestNumbersKeepTheirText(t *testing.T) {
	n, err := parseJSON([]byte(`{"a":2.50,"b":1e1,"c":-0.0}`))
	require.NoError(t, err)
	require.Equal(t, `{"a":2.50,"b":1e1,"c":-0.0}`, string(n.render(nil)))
}
