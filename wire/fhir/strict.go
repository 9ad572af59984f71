package fhir

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
)

// maxDepth bounds the nesting of an answer; FHIR resources stay far below.
const maxDepth = 64

// CheckJSON refuses what a lenient reader would take in two ways: anything but
// one JSON value, a key given twice in an object (also if only its case
// differs), and nesting beyond reason. Errors name the key, never a value.
func CheckJSON(data []byte) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber()
	if err := checkValue(d, 0); err != nil {
		return err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("more than one JSON value")
	}
	return nil
}

func checkValue(d *json.Decoder, depth int) error {
	t, err := d.Token()
	if err != nil {
		return errors.New("not JSON") // the decoder's own words may quote the body
	}
	delim, ok := t.(json.Delim)
	if !ok {
		return nil
	}
	if depth == maxDepth {
		return fmt.Errorf("nested deeper than %d", maxDepth)
	}
	seen := map[string]bool{}
	for d.More() {
		if delim == '{' {
			key, err := d.Token()
			if err != nil {
				return errors.New("not JSON")
			}
			name := strings.ToLower(key.(string))
			if seen[name] {
				return fmt.Errorf("key %q given twice", key)
			}
			seen[name] = true
		}
		if err := checkValue(d, depth+1); err != nil {
			return err
		}
	}
	if _, err := d.Token(); err != nil {
		return errors.New("not JSON")
	}
	return nil
}
