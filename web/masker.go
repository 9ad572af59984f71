package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"tidegate/poct"
)

// masker hides, in what was made of a message, whatever that message says of
// its patient.
type masker struct{ words []string } // longest first, so that a part never leaves the rest readable

// newMasker learns what the fields about a patient hold.
func newMasker(fields []ReadField) masker {
	var m masker
	for _, f := range fields {
		if !slices.Contains(about, f.Field) {
			continue
		}
		for _, text := range []string{f.Raw, f.Became} {
			for _, part := range append(strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune("^&|~, ", r) }), text) {
				if len(part) > 1 && !slices.Contains(m.words, part) {
					m.words = append(m.words, part)
				}
			}
			if digits := strings.ReplaceAll(text, "-", ""); len(digits) == 8 && digits != text {
				m.words = append(m.words, digits) // a date in its other form
			}
		}
	}
	slices.SortFunc(m.words, func(a, b string) int { return len(b) - len(a) })
	return m
}

// text masks a text that may quote the patient.
func (m masker) text(s string) string {
	for _, word := range m.words {
		s = strings.ReplaceAll(s, word, shaped(word))
	}
	return s
}

func shaped(s string) string {
	b := []byte(s)
	shape(b)
	return string(b)
}

// rows lists fields, those about a patient masked.
func (m masker) rows(fields []ReadField) []fieldRow {
	out := make([]fieldRow, 0, len(fields))
	for _, f := range fields {
		row := fieldRow{Field: strings.ReplaceAll(f.Field, "_", " "), Place: f.Place, Raw: f.Raw, Became: f.Became, Note: m.text(f.Note)}
		if f.To > f.From {
			row.Bytes = fmt.Sprintf("%d–%d", f.From, f.To-1)
		}
		switch {
		case slices.Contains(about, f.Field), f.Field == "": // what nobody reads may be about anybody
			row.Raw, row.Became = shaped(f.Raw), shaped(f.Became)
		default:
			row.Raw, row.Became = m.text(f.Raw), m.text(f.Became)
		}
		row.Raw = printable([]byte(row.Raw))
		out = append(out, row)
	}
	return out
}

// sought is a patient in what is sent to a record system, as a search: the
// number may be the registry's own, and stand nowhere in the message.
var sought = regexp.MustCompile(`Patient\?[^"\s]*`)

// body masks what would be sent: of HL7 the segments about a patient whole, of
// JSON the search for the patient and whatever the message said of them.
func (m masker) body(b []byte) string {
	var text string
	if json.Unmarshal(b, &text) == nil { // an HL7 message stands as a text
		b = []byte(text)
	}
	if bytes.HasPrefix(b, []byte("MSH")) && len(b) > 3 {
		b = bytes.Clone(b)
		maskHL7(b, b[3])
		return m.text(printableLines(b))
	}
	return sought.ReplaceAllStringFunc(m.text(indented(b)), func(s string) string { return "Patient?" + shaped(s[len("Patient?"):]) })
}

func printableLines(b []byte) string {
	lines := strings.Split(strings.TrimRight(string(b), "\r"), "\r")
	for i, l := range lines {
		lines[i] = printable([]byte(l))
	}
	return strings.Join(lines, "\n")
}

// boxesOf marks the bytes that fields were read from.
func boxesOf(fields []ReadField) []box {
	var out []box
	for _, f := range fields {
		if f.To > f.From && f.Field != poct.FieldMessage {
			out = append(out, box{Span: poct.Span{From: f.From, To: f.To}})
		}
	}
	slices.SortFunc(out, func(a, b box) int { return a.From - b.From })
	return out
}
