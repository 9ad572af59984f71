package mapping

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// Segments end with CR (HL7 2.5.1 chapter 2.8). Files and scripts that end them
// otherwise say the same, and the fields stand where they stand; a line feed
// inside a field is no end where CR is used.
func TestLineEnds(t *testing.T) {
	tests := []struct{ name, raw string }{
		{"CR", worked},
		{"LF", strings.ReplaceAll(worked, "\r", "\n")},
		{"CR LF", strings.ReplaceAll(worked, "\r", "\r\n")},
		{"none after the last", strings.TrimSuffix(worked, "\r")},
		{"empty lines", strings.ReplaceAll(worked, "\r", "\r\r")},
		{"byte order mark", "\xef\xbb\xbf" + worked},
		{"LF inside a text", strings.Replace(worked, "Testperson^Ada", "Testperson^A\nda", 1)},
	}
	want := Decode(arrival(worked), []*Profile{quill}, dublin)[0].Reading
	want.Where = nil
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			list := Decode(poct.Arrival{ID: "a", Raw: []byte(tc.raw)}, []*Profile{quill}, dublin)
			require.Len(t, list, 1)
			require.Empty(t, list[0].Problems)
			got := list[0].Reading
			standsThere(t, []byte(tc.raw), got)
			got.Where = nil
			assert.Equal(t, want, got)
		})
	}
}
