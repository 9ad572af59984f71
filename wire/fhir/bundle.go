package fhir

import (
	"bytes"
	"encoding/json"
)

// MediaType is sent and accepted on every request.
const MediaType = "application/fhir+json"

// Write is one entry of a transaction. Resource is marshalled JSON; an empty
// condition is left out.
type Write struct {
	FullURL     string // urn:uuid:..., by which other entries may refer to it
	Method      string // POST or PUT
	URL         string // "Observation" or "Observation/12"
	IfNoneExist string // query of a conditional create: identifier=system%7Cvalue
	IfMatch     string // W/"3": only onto this version
	IfNoneMatch string // "*": only if there is none yet
	Resource    []byte
}

// Transaction is a transaction Bundle of the entries, in their order. The
// envelope is written by hand around resources that are already marshalled,
// so that none of them is encoded twice.
func Transaction(entries []Write) []byte {
	size := 64
	for _, e := range entries {
		size += 256 + len(e.Resource)
	}
	b := make([]byte, 0, size)
	b = append(b, `{"resourceType":"Bundle","type":"transaction","entry":[`...)
	for i, e := range entries {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, `{"fullUrl":`...)
		b = appendText(b, e.FullURL)
		b = append(b, `,"resource":`...)
		b = append(b, e.Resource...)
		b = append(b, `,"request":{"method":`...)
		b = appendText(b, e.Method)
		b = append(b, `,"url":`...)
		b = appendText(b, e.URL)
		for _, c := range []struct{ key, value string }{
			{`,"ifNoneMatch":`, e.IfNoneMatch}, {`,"ifMatch":`, e.IfMatch}, {`,"ifNoneExist":`, e.IfNoneExist},
		} {
			if c.value != "" {
				b = append(b, c.key...)
				b = appendText(b, c.value)
			}
		}
		b = append(b, "}}"...)
	}
	return append(b, "]}"...)
}

func appendText(b []byte, s string) []byte {
	q, err := json.Marshal(s)
	if err != nil {
		panic(err) // a string always marshals
	}
	return append(b, q...)
}

// Marshal is json.Marshal without escaping of <, > and &, which FHIR texts and
// comparators hold.
func Marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}
