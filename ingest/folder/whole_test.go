package folder

import (
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/assert"
)

// wide writes a text as UTF-16, the low byte first, with its mark.
func wide(s string) []byte {
	out := []byte("\xff\xfe")
	for _, u := range utf16.Encode([]rune(s)) {
		out = append(out, byte(u), byte(u>>8))
	}
	return out
}

// A file is whole if its format's own end is there, and no piece of its
// beginning is.
func TestWholeOfEachFormat(t *testing.T) {
	for _, tt := range []struct {
		name, raw string
	}{
		{"json object", `{"results": [{"note": "a \"}\" and a \\", "inr": 2.4}]}`},
		{"json list", `[{"inr": "2.4"}]`},
		{"xml", `<?xml version="1.0"?><!-- export --><export><test inr="2.4"/></export>`},
		{"xml with a namespace", `<x:export xmlns:x="urn:a"><x:test/></x:export>`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for _, whole := range [][]byte{[]byte(tt.raw), []byte(tt.raw + "\r\n"), wide(tt.raw)} {
				kind := format("a.txt", whole)
				assert.Empty(t, cutOff(kind, whole))
				assert.Equal(t, strings.Fields(tt.name)[0], kind)
				for n := 4; n < len(whole)-4; n++ {
					assert.NotEmpty(t, cutOff(kind, whole[:n]), "%q", whole[:n])
				}
			}
		})
	}
	records := "H|\\^&|1\rP|1\rL|1|N\r"
	assert.Equal(t, "lis02", format("a.txt", []byte(records)))
	assert.Empty(t, cutOff("lis02", []byte(records+records)))
	assert.NotEmpty(t, cutOff("lis02", []byte(records+records[:12])))
	table := "Serial;INR\nR-1;2,4\n"
	assert.Empty(t, cutOff("csv", wide(table)))
	assert.NotEmpty(t, cutOff("csv", wide(table+"R-1")))
	assert.Empty(t, cutOff("xml", []byte(`<test inr="2.4"/>`)), "a root that is empty")
}
