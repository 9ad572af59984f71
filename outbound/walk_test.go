package outbound

import (
	"bytes"
	"encoding/json"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// What encoding/json finds in an object, walking it finds too.
func FuzzMembers(f *testing.F) {
	for _, s := range []string{
		`{}`, `{"a":1}`, `{ "a" : [1, {"b":"}"}] , "c":"\"" }`, `{"a":"\\","b":{"c":[]}}`, `{"a":tru`, `{"a"}`, `[`, `{"a":1,}`, `{"x":"a\\\"b,}"}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		got := map[string]string{}
		err := members(b, func(key string, value []byte) error {
			got[key] = string(value)
			return nil
		})
		var want map[string]json.RawMessage
		if json.Unmarshal(b, &want) != nil || want == nil {
			return // only that it ends
		}
		require.NoError(t, err)
		if !utf8.Valid(b) || bytes.Contains(b, []byte(`\`)) {
			return // encoding/json names such members otherwise than they are written
		}
		for key, value := range want {
			require.JSONEq(t, string(value), got[key])
		}
	})
}

func TestReadSentWantsABundleOfWrites(t *testing.T) {
	for _, body := range []string{
		``, `{}`, `{"type":"transaction"}`, `{"type":"transaction","entry":[]}`, `{"type":"collection","entry":[{"resource":{},"request":{"method":"POST","url":"X"}}]}`,
		`{"type":"transaction","entry":[{"resource":{}}]}`, `{"type":"transaction","entry":[{"resource":{},"request":{"method":"POST","url":"X"}}`, `[]`,
	} {
		_, err := readSent([]byte(body))
		require.Error(t, err, body)
	}
}
