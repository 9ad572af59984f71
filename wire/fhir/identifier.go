package fhir

import (
	"net/url"
	"strings"
)

// Identifier is a business identifier: a system URI and a value.
type Identifier struct {
	System string
	Value  string
}

// Query is the search for this identifier as a URL query, for a search and for
// If-None-Exist: identifier=system%7Cvalue. What has a meaning in FHIR search
// values (, $ | \) is escaped with a backslash first.
func (i Identifier) Query() string {
	return "identifier=" + url.QueryEscape(escapeSearch(i.System)) + "%7C" + url.QueryEscape(escapeSearch(i.Value))
}

var searchEscapes = strings.NewReplacer(`\`, `\\`, `,`, `\,`, `$`, `\$`, `|`, `\|`)

func escapeSearch(s string) string { return searchEscapes.Replace(s) }
