package config_test

import (
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/require"

	"tidegate/config"
)

// The example keeps to the schema, and a broken file does not.
func TestSchema(t *testing.T) {
	schema := readSchema(t)
	require.Equal(t, "https://json-schema.org/draft/2020-12/schema", schema["$schema"])
	require.Empty(t, against(schema, readYAML(t, "../deploy/example/tidegate.yaml"), ""))

	keys := against(schema, readYAML(t, "testdata/broken/unquoted.yaml"), "")
	require.Contains(t, keys, "checks.critical.limit: is no string")
	require.Contains(t, keys, "web.port: is not known")
	require.Contains(t, keys, "profiles[0].measuring_range.low: is no string")
	require.Contains(t, keys, "inlets[0]: fits none of 6")
	require.Contains(t, keys, "lookup_patience: is not of the pattern")
}

func readSchema(t *testing.T) map[string]any {
	b, err := config.Schema()
	require.NoError(t, err)
	var schema map[string]any
	require.NoError(t, json.Unmarshal(b, &schema))
	return schema
}

func readYAML(t *testing.T, file string) any {
	data, err := os.ReadFile(file)
	require.NoError(t, err)
	var value any
	require.NoError(t, yaml.Unmarshal(data, &value))
	return value
}

// against checks a value against the parts of JSON Schema that ours uses, and
// fails on any other, so that nothing in it goes unchecked.
func against(schema map[string]any, value any, at string) (wrong []string) {
	say := func(format string, args ...any) { wrong = append(wrong, at+": "+fmt.Sprintf(format, args...)) }
	for keyword, rule := range schema {
		switch keyword {
		case "$schema", "title", "description":
		case "type":
			if !isType(rule.(string), value) {
				say("is no %s", rule)
			}
		case "const":
			if value != rule {
				say("is not %v", rule)
			}
		case "enum":
			if !slices.Contains(rule.([]any), value) {
				say("is none of %v", rule)
			}
		case "pattern":
			if text, ok := value.(string); !ok || !regexp.MustCompile(rule.(string)).MatchString(text) {
				say("is not of the pattern")
			}
		case "oneOf":
			fits := 0
			for _, one := range rule.([]any) {
				if len(against(one.(map[string]any), value, at)) == 0 {
					fits++
				}
			}
			if fits != 1 {
				say("fits %s of %d", map[int]string{0: "none"}[fits], len(rule.([]any)))
			}
		case "items":
			list, _ := value.([]any)
			for i, item := range list {
				wrong = append(wrong, against(rule.(map[string]any), item, fmt.Sprintf("%s[%d]", at, i))...)
			}
		case "required":
			object, _ := value.(map[string]any)
			for _, key := range rule.([]any) {
				if _, ok := object[key.(string)]; !ok {
					say("has no %s", key)
				}
			}
		case "properties", "additionalProperties":
		default:
			say("the schema uses %s, which this test does not know", keyword)
		}
	}
	return append(wrong, properties(schema, value, at)...)
}

func properties(schema map[string]any, value any, at string) (wrong []string) {
	object, ok := value.(map[string]any)
	known, _ := schema["properties"].(map[string]any)
	if !ok {
		return nil
	}
	for key, v := range object {
		below := strings.TrimPrefix(at+"."+key, ".")
		if property, ok := known[key].(map[string]any); ok {
			wrong = append(wrong, against(property, v, below)...)
			continue
		}
		switch other := schema["additionalProperties"].(type) {
		case map[string]any:
			wrong = append(wrong, against(other, v, below)...)
		case bool:
			if _, open := known[key].(bool); !other && !open {
				wrong = append(wrong, below+": is not known")
			}
		}
	}
	return wrong
}

func isType(name string, value any) bool {
	switch value.(type) {
	case string:
		return name == "string"
	case bool:
		return name == "boolean"
	case uint64, int64, int:
		return name == "integer" || name == "number"
	case float64:
		return name == "number"
	case []any:
		return name == "array"
	case map[string]any:
		return name == "object"
	}
	return false
}
