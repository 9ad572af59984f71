package fhir

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// RFC 9110 10.2.3: delay-seconds or an HTTP date; the date is its own example.
func TestWait(t *testing.T) {
	now := time.Date(1999, 12, 31, 23, 59, 0, 0, time.UTC)
	tests := []struct {
		header string
		want   time.Duration
		ok     bool
	}{
		{"120", 2 * time.Minute, true},
		{"0", 0, true},
		{"Fri, 31 Dec 1999 23:59:59 GMT", 59 * time.Second, true},
		{"Fri, 31 Dec 1999 23:00:00 GMT", 0, true},
		{"", 0, false},
		{"-1", 0, false},
		{"soon", 0, false},
	}
	for _, tc := range tests {
		got, ok := Answer{RetryAfter: tc.header}.Wait(now)
		assert.Equal(t, tc.ok, ok, tc.header)
		assert.Equal(t, tc.want, got, tc.header)
	}
}

func TestPlace(t *testing.T) {
	tests := []struct{ location, ref, version string }{
		{"Observation/12/_history/3", "Observation/12", "3"},
		{"https://h.example/fhir/Observation/12/_history/3", "Observation/12", "3"},
		{"https://h.example/fhir/Observation/12", "Observation/12", ""},
		{"/fhir/Observation/a-b.c/", "Observation/a-b.c", ""},
		{"", "", ""},
		{"Observation", "", ""},
		{"https://h.example/fhir/Observation?x=1", "", ""},
	}
	for _, tc := range tests {
		ref, version := Place(tc.location)
		assert.Equal(t, tc.ref, ref, tc.location)
		assert.Equal(t, tc.version, version, tc.location)
	}
}

func TestCheckJSON(t *testing.T) {
	deep := func(n int) string {
		s := ""
		for range n {
			s += "["
		}
		for range n {
			s += "]"
		}
		return s
	}
	tests := []struct {
		name, in string
		ok       bool
	}{
		{"resource", `{"a":{"b":[1,2.50,{"c":null}]}}`, true},
		{"same key in different objects", `[{"a":1},{"a":1}]`, true},
		{"repeated key", `{"a":1,"b":2,"a":1}`, false},
		{"repeated in another case", `{"id":1,"ID":1}`, false},
		{"repeated deep", `{"x":[{"a":1,"a":2}]}`, false},
		{"two values", `{} {}`, false},
		{"cut off", `{"a":`, false},
		{"no JSON", `<html>`, false},
		{"empty", ``, false},
		{"at the depth limit", deep(maxDepth), true},
		{"deeper", deep(maxDepth + 1), false},
	}
	for _, tc := range tests {
		assert.Equal(t, tc.ok, CheckJSON([]byte(tc.in)) == nil, tc.name)
	}
}

func TestTransactionEnvelope(t *testing.T) {
	got := Transaction([]Write{
		{FullURL: "urn:uuid:1", Method: "POST", URL: "Observation", IfNoneExist: `identifier=a%7C"b`, Resource: []byte(`{"x":2.50}`)},
		{FullURL: "urn:uuid:2", Method: "PUT", URL: "Observation/2", IfMatch: `W/"1"`, Resource: []byte(`{}`)},
	})
	want := `{"resourceType":"Bundle","type":"transaction","entry":[` +
		`{"fullUrl":"urn:uuid:1","resource":{"x":2.50},"request":{"method":"POST","url":"Observation","ifNoneExist":"identifier=a%7C\"b"}},` +
		`{"fullUrl":"urn:uuid:2","resource":{},"request":{"method":"PUT","url":"Observation/2","ifMatch":"W/\"1\""}}]}`
	assert.Equal(t, want, string(got))
	require.NoError(t, CheckJSON(got))
}

func FuzzAnswer(f *testing.F) {
	f.Add([]byte(`{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"x","details":{"text":"y"}}]}`))
	f.Add([]byte(`{"resourceType":"Bundle","entry":[{"response":{"status":"201 Created"}}],"link":[{"relation":"next","url":"u"}]}`))
	f.Add([]byte(`{"resourceType":"Observation","issue":"text where a list would be"}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		var a Answer
		if a.read(body) != nil {
			return
		}
		if !json.Valid(body) || a.Type == "" {
			t.Errorf("read as %q what is no resource", a.Type)
		}
	})
}
