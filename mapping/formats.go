package mapping

import (
	"bytes"
	"strings"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// Formats of a profile, and of an arrival whose inlet knows it.
const (
	formatHL7  = "hl7v2"
	formatCSV  = "csv"
	formatJSON = "json"
	formatXML  = "xml"
	formatLIS  = "lis02"
)

// form is one of the ways in which meters write: how a profile writes its
// places, and how its arrivals are read. Everything else is the same for all.
type form struct {
	name string
	// begins reports whether bytes of no stated format are of this one.
	begins func(raw []byte) bool
	// place reads a place as a profile writes it; the caller keeps its text.
	place  func(at string) (place, bool)
	places string // how to write one, for whoever wrote something else
	// settle checks the settings that this format alone has, after all others.
	settle func(c *compiler, cfg ProfileConfig, p *Profile)
	// decode reads an arrival with the profiles of this format, at least one
	// reading. Time zones of sites are known by the meter.
	decode func(a poct.Arrival, profiles []*Profile, zones Zones) []Decoded

	// contents lists what a message holds and the profile does not read, as far
	// as places tell; nil where nobody has written it.
	contents func(raw []byte, p *Profile) []leaf

	// draft proposes a profile from messages of one key; draftKey says which
	// messages belong together, or why one cannot be used. nil: not written yet.
	draft    func(g *drafted)
	draftKey func(raw []byte) (key, problem string)

	// perValue: each analyte has a segment or record of its own, which
	// results[].where picks out and in which value and unit stand; status stands
	// there too. Else a record holds all analytes, each at a place of its own.
	perValue           bool
	where, value, unit string
	// rows reads where records stand, and rowsForm says how to write that; nil
	// where the format itself tells records apart.
	rows     func(at string) (any, bool)
	rowsForm string
	// offsets: times have an offset, or the message has one, so that a profile
	// need not name a zone.
	offsets bool
}

// forms in the order in which bytes of no stated format are tried; the last
// one takes what is left. Their functions must not refer to this table.
var forms = []*form{
	{
		name: formatHL7, begins: isHL7, decode: decodeHL7, contents: contentsOfHL7, offsets: true,
		draft: draftHL7, draftKey: draftKeyHL7,
		place:    hl7Place,
		places:   "write it like PID-3.1 or OBX[2]-5(1).1",
		perValue: true, value: "OBX-5", unit: "OBX-6.1",
		where: "write which OBX holds it, such as {OBX-3.1: [46418-0]}",
	},
	{
		name: formatLIS, begins: isLIS02, decode: decodeLIS02, contents: contentsOfLIS02,
		draft: draftLIS02, draftKey: draftKeyLIS02,
		place:    lisPlace,
		places:   "write it like R.4, P.6.1 or C[2].4",
		perValue: true, value: "R.4", unit: "R.5",
		where:  "write which R record holds it, such as {R.3.4: [INR]}",
		settle: (*compiler).lis02,
	},
	{
		name: formatJSON, begins: func(raw []byte) bool { return beginsWith(raw, "{[") }, decode: decodeTree(parseJSON), contents: contentsOfTree(parseJSON),
		draft: draftTree(parseJSON), draftKey: draftKeyTree(parseJSON),
		place:    jsonPlace,
		places:   "write a JSON Pointer (RFC 6901) such as /sent/at, or without the first slash from the record, such as inr/value",
		rows:     jsonRows,
		rowsForm: "write a JSON Pointer from the top of the file, such as /results",
	},
	{
		name: formatPOCT1A, begins: isPOCT1A, decode: decodePOCT1A, contents: contentsOfPOCT1A, offsets: true,
		draft: draftPOCT1A, draftKey: draftKeyPOCT1A,
		place:    poctPlace,
		places:   "write it like OBS.value, OBS.value@U or PT.name/FAM",
		perValue: true, value: "OBS.value", unit: "OBS.value@U",
		where:  "write which OBS holds it, such as {OBS.observation_id: [46418-0]}",
		settle: (*compiler).poct1a,
	},
	{
		name: formatXML, begins: func(raw []byte) bool { return beginsWith(raw, "<") }, decode: decodeTree(parseXML), contents: contentsOfTree(parseXML),
		draft: draftTree(parseXML), draftKey: draftKeyTree(parseXML),
		place:    xmlPlace,
		places:   "write a path such as /export/@sent, or from the record inr/@value, obs[@code='INR']/value",
		rows:     xmlRows,
		rowsForm: "write the path of the elements that are records from the top of the file, such as /export/test",
	},
	{
		name: formatCSV, begins: func([]byte) bool { return true }, decode: decodeCSV, contents: contentsOfCSV,
		draft: draftCSV, draftKey: draftKeyCSV,
		place:  func(at string) (place, bool) { return place{}, strings.TrimSpace(at) != "" },
		places: "write the column's name as the header has it",
		settle: (*compiler).csv,
	},
}

// formOf is the format of this name, nil if there is none.
func formOf(name string) *form {
	for _, f := range forms {
		if f.name == name {
			return f
		}
	}
	return nil
}

func formNames() []string {
	var out []string
	for _, f := range forms {
		out = append(out, f.name)
	}
	return out
}

// formFor is the format of an arrival: the one its inlet states, else the first
// that its bytes begin like.
func formFor(a poct.Arrival) *form {
	if f := formOf(a.Format); f != nil {
		return f
	}
	for _, f := range forms {
		if f.begins(a.Raw) {
			return f
		}
	}
	return forms[len(forms)-1]
}

// isHL7 reports whether a message, or a batch of them, begins: its segment's id
// and a sign that separates fields.
func isHL7(raw []byte) bool {
	raw = bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf"))
	if bytes.HasPrefix(raw, []byte("MSH")) {
		return true
	}
	return len(raw) > 3 && (bytes.HasPrefix(raw, []byte("FHS")) || bytes.HasPrefix(raw, []byte("BHS"))) && raw[3] == '|'
}

func hl7Place(at string) (place, bool) {
	path, err := hl7.ParsePath(at)
	return place{path: path}, err == nil
}

// beginsWith reports whether the first character of a text, in any encoding
// that is read, is one of these.
func beginsWith(raw []byte, first string) bool {
	for _, mark := range []string{"\xef\xbb\xbf", "\xfe\xff", "\xff\xfe"} {
		raw = bytes.TrimPrefix(raw, []byte(mark))
	}
	raw = bytes.TrimLeft(raw, " \t\r\n\x00")
	return len(raw) > 0 && strings.IndexByte(first, raw[0]) >= 0
}
