package app

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// asCSV writes a JSON list of registry rows as the table that a file would
// hold, so that one reader judges both. Numbers come as text: limits keep
// their digits.
func asCSV(list []map[string]any) (string, error) {
	names := map[string]bool{}
	for _, row := range list {
		for name := range row {
			names[name] = true
		}
	}
	header := slices.Sorted(maps.Keys(names))
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	if err := w.Write(header); err != nil {
		return "", err
	}
	for i, row := range list {
		record := make([]string, len(header))
		for k, name := range header {
			text, err := cell(row[name])
			if err != nil {
				return "", fmt.Errorf("row %d, %s: %w", i+1, name, err)
			}
			record[k] = text
		}
		if err := w.Write(record); err != nil {
			return "", err
		}
	}
	w.Flush()
	return b.String(), w.Error()
}

func cell(v any) (string, error) {
	switch v := v.(type) {
	case nil:
		return "", nil
	case string:
		return v, nil
	case bool:
		if v {
			return "yes", nil
		}
		return "no", nil
	case json.Number:
		return v.String(), nil
	case []any:
		var parts []string
		for _, x := range v {
			text, err := cell(x)
			if err != nil {
				return "", err
			}
			parts = append(parts, text)
		}
		return strings.Join(parts, " "), nil
	}
	return "", fmt.Errorf("write a text, a number, true, false or a list of texts")
}
