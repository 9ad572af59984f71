package mapping

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// accepts asks a validator that is not ours: the R4 reader of google/fhir,
// which checks elements, types, cardinalities, required codes and dates.
func accepts(t *testing.T, resource []byte) error {
	t.Helper()
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	_, err = u.Unmarshal(resource)
	return err
}

// resourcesOf splits a transaction.
func resourcesOf(t *testing.T, bundle []byte) []json.RawMessage {
	t.Helper()
	var b struct {
		Entry []struct {
			Resource json.RawMessage `json:"resource"`
		} `json:"entry"`
	}
	require.NoError(t, json.Unmarshal(bundle, &b))
	require.NotEmpty(t, b.Entry)
	var out []json.RawMessage
	for _, e := range b.Entry {
		out = append(out, e.Resource)
	}
	return out
}

// Every transaction and each resource in it is accepted by another's reader,
// and keeps the rules that no reader knows.
func TestWhatIsSentIsValid(t *testing.T) {
	for _, tc := range bundles {
		t.Run(tc.name, func(t *testing.T) {
			bundle := render(t, tc.name)
			assert.NoError(t, accepts(t, bundle))
			assert.Empty(t, oddities(bundle))
			for _, r := range resourcesOf(t, bundle) {
				assert.NoError(t, accepts(t, r), "%s", r)
				assert.Empty(t, broken(t, r))
			}
		})
	}
}

// The judges would notice: one change each to the Observation of a good
// transaction. Invariant keys are those of hl7.org/fhir/R4.
func TestJudgesNotice(t *testing.T) {
	good := string(resourcesOf(t, render(t, "contained-lot"))[3])
	require.Contains(t, good, `"resourceType":"Observation"`)
	require.NoError(t, accepts(t, []byte(good)))
	require.Empty(t, broken(t, []byte(good)))
	tests := []struct{ name, old, new string }{
		{"status outside the required set", `"status":"final"`, `"status":"verified"`},
		{"no status", `"status":"final",`, ``},
		{"value as a text", `"value":2.40`, `"value":"2.40"`},
		{"comparator", `"unit":"INR"`, `"comparator":"~","unit":"INR"`},
		{"two values", `"valueQuantity"`, `"valueString":"x","valueQuantity"`},
		{"time without offset", `09:12:00+01:00`, `09:12:00`},
		{"time without seconds", `09:12:00+01:00`, `09:12+01:00`},
		{"30 February", `2026-03-05T09`, `2026-02-30T09`},
		{"subject of another type", `Patient/12`, `Medication/12`},
		{"unknown element", `"status"`, `"stripLot":"L1","status"`},
		{"obs-6", `"valueQuantity"`, `"dataAbsentReason":{"text":"x"},"valueQuantity"`},
		{"obs-7", `"valueQuantity"`, `"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"46418-0"}]}}],"valueQuantity"`},
		{"obs-3", `"valueQuantity"`, `"referenceRange":[{"type":{"text":"normal"}}],"valueQuantity"`},
		{"qty-3", `"system":"http://unitsofmeasure.org",`, ``},
		{"empty array", `"status"`, `"referenceRange":[],"status"`},
		{"empty object", `"status"`, `"method":{},"status"`},
		{"key twice", `"status":"final"`, `"status":"final","status":"amended"`},
		{"contained resource that nothing names", `"reference":"#strip"`, `"display":"strip"`},
		{"reference to nothing contained", `"#strip"`, `"#lot"`},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			bad := []byte(strings.Replace(good, tc.old, tc.new, 1))
			require.NotEqual(t, good, string(bad))
			assert.True(t, accepts(t, bad) != nil || len(broken(t, bad)) > 0, "%s", bad)
		})
	}
}

// broken lists what a resource breaks of the rules that google/fhir does not
// check: obs-3, obs-6, obs-7 and qty-3 of R4, contained resources (dom-3,
// ref-1), and what JSON itself lets pass.
func broken(t *testing.T, resource []byte) []string {
	t.Helper()
	out := oddities(resource)
	var tree map[string]any
	require.NoError(t, json.Unmarshal(resource, &tree))
	var names, contained []string
	visit(tree, func(key string, m map[string]any) {
		if m["code"] != nil && m["value"] != nil && m["unit"] != nil && m["system"] == nil {
			out = append(out, "qty-3")
		}
		if ref, ok := m["reference"].(string); ok && strings.HasPrefix(ref, "#") {
			names = append(names, ref[1:])
		}
		if key == "contained" {
			contained = append(contained, fmt.Sprint(m["id"]))
		}
		if key == "referenceRange" && m["low"] == nil && m["high"] == nil && m["text"] == nil {
			out = append(out, "obs-3")
		}
	})
	if strings.Join(names, " ") != strings.Join(contained, " ") {
		out = append(out, "dom-3 or ref-1")
	}
	if tree["resourceType"] == "Observation" {
		value := tree["valueQuantity"] != nil
		if value == (tree["dataAbsentReason"] != nil) {
			out = append(out, "obs-6, or neither value nor reason")
		}
		if value && tree["component"] != nil {
			out = append(out, "obs-7: no component is ever sent beside a value")
		}
	}
	return out
}

// visit shows every object with the key that it stands under.
func visit(v any, see func(key string, m map[string]any)) {
	var walk func(key string, v any)
	walk = func(key string, v any) {
		switch v := v.(type) {
		case map[string]any:
			see(key, v)
			for k, x := range v {
				walk(k, x)
			}
		case []any:
			for _, x := range v {
				walk(key, x)
			}
		}
	}
	walk("", v)
}

// oddities lists empty arrays, objects and texts, nulls, and keys that an
// object has twice: none of them is FHIR, and most readers let them pass.
func oddities(raw []byte) []string {
	var out []string
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var value func(at string)
	value = func(at string) {
		tok, err := d.Token()
		if err != nil {
			out = append(out, at+": "+err.Error())
			return
		}
		n := 0
		switch tok {
		case json.Delim('{'):
			seen := map[string]bool{}
			for ; d.More(); n++ {
				k, err := d.Token()
				key, ok := k.(string)
				if err != nil || !ok {
					out = append(out, at+": no key")
					return
				}
				if seen[key] {
					out = append(out, at+": "+key+" twice")
				}
				seen[key] = true
				value(at + "." + key)
			}
		case json.Delim('['):
			for ; d.More(); n++ {
				value(at)
			}
		case nil, "":
			out = append(out, at+": empty")
			return
		default:
			return
		}
		if n == 0 {
			out = append(out, at+": empty")
		}
		if _, err := d.Token(); err != nil {
			out = append(out, at+": not closed")
		}
	}
	value("")
	return out
}
