package fhir

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWriterLeavesOutWhatIsEmpty(t *testing.T) {
	var w Writer
	w.Resource("Observation").Text("id", "").Open("valueQuantity").Number("value", "2.50").Text("comparator", ">").Number("none", "").Close()
	w.List("note").Open("").Text("text", "a").Close().Open("").Text("text", "b").Close().End().Close()
	assert.Equal(t, `{"resourceType":"Observation","valueQuantity":{"value":2.50,"comparator":">"},"note":[{"text":"a"},{"text":"b"}]}`, string(w.Bytes()))
}

// A bundle written in one pass is the bundle made of finished resources.
func TestBundleIsWrittenInOnePass(t *testing.T) {
	entry := Write{FullURL: "urn:uuid:1", Method: "PUT", URL: "Device/1", IfNoneMatch: "*"}
	b := NewBundle(0)
	b.Entry(entry.FullURL)
	b.Resource("Device").Text("id", "1").Close()
	b.Request(entry)
	entry.Resource = []byte(`{"resourceType":"Device","id":"1"}`)
	assert.Equal(t, string(Transaction([]Write{entry})), string(b.Done()))
}

// Whatever the text, it is a JSON string that says the same, but for control
// characters, which a FHIR string does not have, and bytes that are no UTF-8.
func FuzzText(f *testing.F) {
	for _, s := range []string{"", "INR", `a "quoted" \ one`, "<3 & more", "Söhne 血", "tab\tline\r\nbell\a\x7f", "\xff\xfe", "\u2028"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var got string
		require.NoError(t, json.Unmarshal(appendText(nil, s), &got))
		want := strings.Map(func(r rune) rune {
			if r < 0x20 && r != '\t' && r != '\n' && r != '\r' || r == 0x7f {
				return ' '
			}
			return r
		}, strings.ToValidUTF8(s, "\uFFFD"))
		if strings.ToValidUTF8(s, "") == s && got != want {
			t.Errorf("%q comes back as %q", s, got)
		}
	})
}

func FuzzQuery(f *testing.F) {
	f.Add("urn:ietf:rfc:3986", "urn:uuid:2f1c9a10-7f5b-5d5e-8b1c-3f7f5f0f9a01")
	f.Add("https://millrace.example/mrn", `a|b,c$d\e &=+%`)
	f.Fuzz(func(t *testing.T, system, value string) {
		q := Identifier{System: system, Value: value}.Query()
		if strings.Trim(q, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~%=") != "" {
			t.Errorf("%q is no URL query", q)
		}
		if strings.Count(q, "=") != 1 {
			t.Errorf("%q has another parameter", q)
		}
	})
}
