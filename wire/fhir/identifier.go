package fhir

import "strings"

// Identifier is a business identifier: a system URI and a value.
type Identifier struct {
	System string
	Value  string
}

// Query is the search for this identifier as a URL query, for a search and for
// If-None-Exist: identifier=system%7Cvalue. What has a meaning in FHIR search
// values (, $ | \) is escaped with a backslash first.
func (i Identifier) Query() string {
	var b strings.Builder
	b.Grow(len("identifier=%7C") + len(i.System) + len(i.Value) + 32)
	b.WriteString("identifier=")
	escapeSearch(&b, i.System)
	b.WriteString("%7C")
	escapeSearch(&b, i.Value)
	return b.String()
}

const hexDigits = "0123456789ABCDEF"

// escapeSearch writes a search value as a part of a URL query: letters, digits
// and -._~ as they are (RFC 3986 2.3), everything else in percent form.
func escapeSearch(b *strings.Builder, s string) {
	for _, c := range []byte(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '-', c == '.', c == '_', c == '~':
			b.WriteByte(c)
			continue
		case c == '\\', c == ',', c == '$', c == '|':
			b.WriteString("%5C")
		}
		b.WriteByte('%')
		b.WriteByte(hexDigits[c>>4])
		b.WriteByte(hexDigits[c&15])
	}
}
