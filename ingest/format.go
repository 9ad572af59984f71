package ingest

import (
	"bytes"
	"regexp"

	"tidegate/wire/astm"
)

// Formats of an arrival.
const (
	HL7v2 = "hl7v2"
	CSV   = "csv"
	JSON  = "json"
	XML   = "xml"
	// POCT1A is XML whose root is a message of POCT1-A, or several of them.
	POCT1A = "poct1a"
	LIS02  = "lis02"
)

// poct1aRoot begins a message of POCT1-A: its root is named by the type of
// message and the revision of that.
var poct1aRoot = regexp.MustCompile(`^(?:<\?[^>]*\?>\s*|<!--.*?-->\s*)*<[A-Z]{3}\.R[0-9]{2}[\s/>]`)

// Format tells by its first bytes whether a message is HL7 v2, LIS02, JSON, XML,
// POCT1-A or a table, for inlets that are not told. A segment id counts only with a separator behind
// it: a table's first column may well begin with the same three letters.
func Format(raw []byte) string {
	start := bytes.TrimLeft(bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf")), " \t\r\n")
	for _, id := range []string{"MSH", "FHS", "BHS"} {
		rest, ok := bytes.CutPrefix(start, []byte(id))
		if ok && (len(rest) == 0 || separates(rest[0])) {
			return HL7v2
		}
	}
	if len(start) > 1 && separates(start[1]) {
		if _, err := astm.Parse(start[:min(len(start), 5)]); err == nil { // H and four different signs
			return LIS02
		}
	}
	// In UTF-16 every other byte of what these begin with is zero.
	text := bytes.TrimLeft(bytes.TrimPrefix(bytes.TrimPrefix(start, []byte("\xfe\xff")), []byte("\xff\xfe")), "\x00 \t\r\n")
	switch {
	case bytes.HasPrefix(text, []byte("{")), bytes.HasPrefix(text, []byte("[")):
		return JSON
	case bytes.HasPrefix(text, []byte("<")):
		if poct1aRoot.Match(text[:min(len(text), 1024)]) {
			return POCT1A
		}
		return XML
	}
	return CSV
}

// separates tells whether a byte can be the field separator of a message that
// a table would not have there: a printable sign other than the delimiters and
// quotes of tables.
func separates(c byte) bool {
	switch {
	case c <= ' ' || c > '~', c >= '0' && c <= '9', c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z':
		return false
	}
	return c != ',' && c != ';' && c != '"' && c != '_'
}
