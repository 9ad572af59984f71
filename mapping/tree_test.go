package mapping

import (
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// wide writes a text as UTF-16, the low byte first, with its mark.
func wide(s string) []byte {
	out := []byte("\xff\xfe")
	for _, u := range utf16.Encode([]rune(s)) {
		out = append(out, byte(u), byte(u>>8))
	}
	return out
}

func jsonConfig() ProfileConfig {
	return ProfileConfig{
		ID: "sedge-json", Format: "json", Model: "Sedge 5", Specimen: "capillary", Rows: "/results",
		Fields: FieldsConfig{
			Meter: FieldConfig{At: "/meter/serial"}, Sequence: FieldConfig{At: "no"}, TestedAt: FieldConfig{At: "time", Zone: "site"},
			Operator: FieldConfig{At: "operator"}, Patient: FieldConfig{At: "patient/id", Authority: "MILLRACE"}, StripLot: FieldConfig{At: "strip/lot"},
			Interference: FieldConfig{At: "notes"}, Haematocrit: FieldConfig{At: "hct"}, RunTime: FieldConfig{At: "run"},
		},
		Control: ControlConfig{When: map[string]Values{"kind": {"control"}}, Lot: FieldConfig{At: "control/lot"}, Level: FieldConfig{At: "control/level"}},
		Results: []ResultConfig{
			{Analyte: "inr", Value: FieldConfig{At: "inr/value"}, Unit: FieldConfig{At: "inr/unit"}, LOINC: "46418-0", Units: map[string]string{"INR": "{INR}"}},
			{Analyte: "pt", Value: FieldConfig{At: "pt"}, Unit: FieldConfig{At: "s"}, LOINC: "46417-2"},
		},
		Errors: map[string]string{"E4": "Not enough blood on the strip."},
	}
}

const jsonFile = `{"meter": {"serial": "S5-701"}, "results": [
  {"no": 12, "time": "2026-03-05T09:12:00+01:00", "kind": "patient", "operator": "118", "patient": {"id": "0040012"}, "strip": {"lot": "L\u00fc77"},
   "inr": {"value": 2.40, "unit": "INR"}, "pt": "28.8", "hct": 41, "run": 31.5, "notes": ["icteric", "icteric", "clotted"]},
  {"no": 13, "time": "2026-03-05T09:20:00+01:00", "kind": "control", "operator": "118", "patient": null, "strip": {"lot": "L77"},
   "control": {"lot": "C-881", "level": 2}, "inr": {"value": 2.6, "unit": "INR"}},
  {"no": 14, "time": "2026-03-05T09:30:00+01:00", "kind": "patient", "operator": "118", "patient": {"id": "7"}, "inr": {"value": "E4"}}
]}`

func xmlConfig() ProfileConfig {
	return ProfileConfig{
		ID: "reed-xml", Format: "xml", Model: "Reed 2", Specimen: "capillary", Rows: "/export/test", Decimal: ",",
		Fields: FieldsConfig{
			Meter: FieldConfig{At: "/export/meter/@serial"}, Sequence: FieldConfig{At: "@no"}, TestedAt: FieldConfig{At: "@time", Zone: "site"},
			Operator: FieldConfig{At: "by/text()"}, Patient: FieldConfig{At: "patient/id[@kind='mrn']", Authority: "MILLRACE"}, StripLot: FieldConfig{At: "strip"},
			Interference: FieldConfig{At: "note"},
		},
		Control: ControlConfig{When: map[string]Values{"@kind": {"control"}}, Lot: FieldConfig{At: "control/@lot"}, Level: FieldConfig{At: "control/@level"}},
		Results: []ResultConfig{{Analyte: "inr", Value: FieldConfig{At: "obs[code=\"INR\"]/value"}, Unit: FieldConfig{At: "{INR}"}, LOINC: "46418-0"}},
		NotSent: []string{"pt", "birth_date"},
	}
}

const xmlFile = `<?xml version="1.0" encoding="iso-8859-1"?>
<e:export xmlns:e="urn:millrace"><meter serial="R2-0007"/>
 <test no="12" time = '2026-03-05T09:12:00' kind="patient"><by>118</by><patient><id kind="visit">V9</id><id kind="mrn">MRN0007</id></patient>
  <strip> L` + "\xfc" + `77 &amp; 8 </strip><obs><code>HCT</code><value>41</value></obs><obs><code>INR</code><value>2,40</value></obs><note>icteric</note><note><![CDATA[a <clot>]]></note></test>
 <test no="13" time="2026-03-05T09:20:00" kind="control"><by>118</by><control lot="C-881" level="2"/><strip>L77</strip><obs><code>INR</code><value>2,6</value></obs></test>
</e:export>`

func TestJSONFile(t *testing.T) {
	p := compiled(jsonConfig())
	list := Decode(poct.Arrival{ID: "a", Raw: []byte(jsonFile)}, []*Profile{quill, p}, dublin)
	require.Len(t, list, 3)
	r := list[0].Reading
	assert.Empty(t, list[0].Problems)
	assert.Equal(t, "S5-701|12|2026-03-05T09:12:00+01:00", r.Key())
	assert.Equal(t, "Lü77", r.StripLot)
	assert.Equal(t, []string{"icteric", "clotted"}, r.Interference)
	assert.Equal(t, poct.MustNumber("41"), r.Haematocrit)
	assert.Equal(t, poct.MustNumber("31.5"), r.RunTime)
	inr, _ := r.Measured("inr")
	assert.Equal(t, poct.Measurement{Analyte: "inr", Value: poct.MustNumber("2.40"), RawValue: "2.40", Unit: "{INR}", RawUnit: "INR", Code: "inr/value", LOINC: "46418-0"}, inr)
	pt, _ := r.Measured("pt")
	assert.Equal(t, "28.8 s", pt.Value.String()+" "+pt.Unit)
	assert.Equal(t, "2.40", jsonFile[r.Where["inr"].From:r.Where["inr"].To])
	assert.Equal(t, `"L\u00fc77"`, jsonFile[r.Where["strip_lot"].From:r.Where["strip_lot"].To])
	assert.Equal(t, "C-881 2", list[1].Reading.ControlLot+" "+list[1].Reading.ControlLevel)
	assert.Equal(t, poct.KindControl, list[1].Reading.Kind)
	assert.Equal(t, poct.KindEvent, list[2].Reading.Kind)
	assert.Equal(t, "Not enough blood on the strip.", list[2].Reading.ErrorText)
}

// The same file in UTF-16, as some exports write it: the same readings, and
// places in its own bytes.
func TestJSONInUTF16(t *testing.T) {
	raw := wide(jsonFile)
	r := Decode(poct.Arrival{ID: "a", Raw: raw}, []*Profile{compiled(jsonConfig())}, dublin)[0].Reading
	assert.Equal(t, "Lü77", r.StripLot)
	assert.Equal(t, string(wide("2.40")[2:]), string(raw[r.Where["inr"].From:r.Where["inr"].To]))
}

func TestXMLFile(t *testing.T) {
	p := compiled(xmlConfig())
	list := Decode(poct.Arrival{ID: "a", Raw: []byte(xmlFile)}, []*Profile{p}, dublin)
	require.Len(t, list, 2)
	r := list[0].Reading
	assert.Empty(t, list[0].Problems)
	assert.Equal(t, "R2-0007|12|2026-03-05T09:12:00", r.Key())
	assert.Equal(t, "Lü77 & 8", r.StripLot)
	assert.Equal(t, poct.PatientRef{Authority: "MILLRACE", ID: "MRN0007"}, r.Patient)
	assert.Equal(t, []string{"icteric", "a <clot>"}, r.Interference)
	inr, _ := r.Measured("inr")
	assert.Equal(t, "2,40 -> 2.40", inr.RawValue+" -> "+inr.Value.String())
	at := func(name string) string { return xmlFile[r.Where[name].From:r.Where[name].To] }
	assert.Equal(t, "L\xfc77 &amp; 8", at("strip_lot"))
	assert.Equal(t, "2026-03-05T09:12:00", at("tested_at"))
	assert.Equal(t, "2,40", at("inr"))
	assert.True(t, strings.HasPrefix(at("message"), `<test no="12"`) && strings.HasSuffix(at("message"), "</test>"))
	assert.Equal(t, "2.6", list[1].Reading.Measurements[0].Value.String())
	assert.Equal(t, poct.KindControl, list[1].Reading.Kind)
}

// A word that marks a control marks it beside others too, in XML and in a list
// of JSON; a word of nothing stands for a place that is not there.
func TestMarksBesideOthers(t *testing.T) {
	x, j := xmlConfig(), jsonConfig()
	x.Control.When, j.Control.When = map[string]Values{"mark": {"control"}}, map[string]Values{"marks": {"control"}}
	j.Match = map[string]Values{"never": {""}}
	raw := strings.Replace(xmlFile, "<by>118</by>", "<by>118</by><mark>first</mark><mark>control</mark>", 1)
	assert.Equal(t, poct.KindControl, Decode(poct.Arrival{Raw: []byte(raw)}, []*Profile{compiled(x)}, dublin)[0].Reading.Kind)
	raw = strings.Replace(jsonFile, `"no": 12`, `"no": 12, "marks": ["first", "control"]`, 1)
	list := Decode(poct.Arrival{Raw: []byte(raw)}, []*Profile{compiled(j)}, dublin)
	assert.Equal(t, poct.KindControl, list[0].Reading.Kind)
	assert.NotEqual(t, poct.KindControl, list[2].Reading.Kind, "no mark at all")
}

// What is refused, and why. Duplicate keys: RFC 8259 section 4 leaves them to
// the receiver; no DTD, so that no entity can be declared (XML 1.0 section 4).
func TestTreesAreStrict(t *testing.T) {
	j, x := compiled(jsonConfig()), compiled(xmlConfig())
	deep := strings.Repeat(`{"a":`, 80) + "1" + strings.Repeat("}", 80)
	for _, tc := range []struct {
		name, raw string
		p         *Profile
		want      string
	}{
		{"key twice", `{"results": [{"no": 1, "no": 2}]}`, j, "key twice"},
		{"key twice, one escaped", `{"a": 1, "\u0061": 2}`, j, "key twice"},
		{"cut off", jsonFile[:200], j, "no JSON"},
		{"two values", `{"results": []} {}`, j, "follows"},
		{"comma at the end", `{"results": [1,]}`, j, "no JSON"},
		{"not a number of JSON", `{"results": [NaN]}`, j, "no JSON"},
		{"too deep", deep, j, "nested more than 64"},
		{"no records", `{"other": []}`, j, "holds no record"},
		{"records that are none", `{"results": [1]}`, j, ""},
		{"not UTF-8", "{\"results\": [\"\xfc\"]}", j, "not UTF-8"},
		{"zero bytes", "{\"a\": \"\x00\"}", j, "zero bytes"},
		{"half a UTF-16 character", "\xff\xfe{\x00\x00\xd8", j, "ends within a character"},
		{"dtd", `<!DOCTYPE export [<!ENTITY a "b">]><export/>`, x, "document type"},
		{"entity", `<export><test>&a;</test></export>`, x, "no XML"},
		{"attribute twice", `<export><test no="1" no="2"/></export>`, x, "attribute twice"},
		{"two roots", `<export/><export/>`, x, "more than one root"},
		{"tags that cross", `<export><test></export></test>`, x, "no XML"},
		{"elements too deep", strings.Repeat("<a>", 80) + strings.Repeat("</a>", 80), x, "nested more than 64"},
		{"no element", `<?xml version="1.0"?>`, x, "no XML"},
		{"encoding unknown", `<?xml version="1.0" encoding="ebcdic"?><export/>`, x, "encoding that is not read"},
		{"encoding not kept to", "<?xml version=\"1.0\" encoding=\"utf-8\"?><export>\xfc</export>", x, "says that it is UTF-8"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			list := Decode(poct.Arrival{ID: "a", Format: tc.p.format, Raw: []byte(tc.raw)}, []*Profile{tc.p}, dublin)
			require.Len(t, list, 1)
			sane(t, []byte(tc.raw), list)
			if tc.want != "" {
				assert.Equal(t, poct.KindUnread, list[0].Reading.Kind)
				assert.Contains(t, list[0].Problems[0].Text, tc.want)
			}
		})
	}
}

// RFC 6901 section 5: the document and what each pointer evaluates to.
func TestJSONPointerOfTheStandard(t *testing.T) {
	top, problem := parseJSON([]byte(`{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}`), 0)
	require.Empty(t, problem)
	rec := top.records(pointer{top: true})[0]
	for at, want := range map[string]string{
		"/foo/0": "bar", "/": "0", "/a~1b": "1", "/c%d": "2", "/e^f": "3", "/g|h": "4", `/i\j`: "5", `/k"l`: "6", "/ ": "7", "/m~0n": "8",
		"foo/1": "baz", "/foo/2": "", "/foo/-": "", "/foo/00": "", "/no": "",
	} {
		p, ok := jsonPlace(at)
		require.True(t, ok, at)
		assert.Equal(t, want, rec.find(p).text, at)
	}
	list, _ := jsonPlace("/foo")
	assert.Contains(t, rec.find(list).fault, "an object or a list")
	assert.Len(t, rec.every(list), 2)
	for _, at := range []string{"", "/a~2", "/a~"} {
		_, ok := jsonPlace(at)
		assert.False(t, ok, at)
	}
}

// Abbreviated syntax as in XPath 1.0 section 2.5 (para, @name, para[1],
// para[@type="warning"], chapter/section) and what is no part of the subset.
func TestXMLPaths(t *testing.T) {
	top, problem := parseXML([]byte(`<doc><chapter n="1"><para type="warning">a</para><para>b</para></chapter><chapter n="2"><section>c</section><empty/></chapter></doc>`), 0)
	require.Empty(t, problem)
	rec := top.records(xpath{})[0]
	for _, tc := range []struct{ at, want, fault string }{
		{"/doc/chapter[1]/para[1]", "a", ""}, {"chapter/para[2]", "b", ""}, {`chapter/para[@type="warning"]`, "a", ""},
		{"chapter/section/text()", "c", ""}, {"chapter[2]/@n", "2", ""}, {"chapter[section='c']/@n", "2", ""}, {"chapter[9]/@n", "", ""},
		{"chapter/empty", "", ""}, {"chapter/para", "a", "more than once"}, {"chapter[1]", "", "no text"}, {"./chapter/section", "c", ""},
	} {
		p, ok := xmlPlace(tc.at)
		require.True(t, ok, tc.at)
		got := rec.find(p)
		assert.Equal(t, tc.want, got.text, tc.at)
		if tc.fault == "" {
			assert.Empty(t, got.fault, tc.at)
		}
		assert.Contains(t, got.fault, tc.fault, tc.at)
	}
	for _, at := range []string{"", "/", "//para", "a//b", "..", "@a/b", "text()/a", "a[", "a[0]", "a[position()=1]", "a | b", "count(a)", "a[@b=c]", "/text()"} {
		_, ok := xmlPlace(at)
		assert.False(t, ok, at)
	}
}

func FuzzDecodeJSON(f *testing.F) {
	f.Add([]byte(jsonFile))
	f.Add(wide(jsonFile))
	f.Add([]byte(`[{"no":"\ud800","inr":{"value":1e3}},[],{"notes":[1,{}]}]`))
	one := jsonConfig()
	one.ID, one.Rows, one.Match = "other", "", map[string]Values{"kind": {"x"}}
	profiles := []*Profile{compiled(jsonConfig()), compiled(one)}
	f.Fuzz(func(t *testing.T, raw []byte) {
		a := poct.Arrival{ID: "a", Format: "json", Raw: raw}
		sane(t, raw, Decode(a, profiles, dublin))
	})
}

func FuzzDecodeXML(f *testing.F) {
	f.Add([]byte(xmlFile))
	f.Add(wide(xmlFile))
	f.Add([]byte("<export><test no = \"1\" a='\"=' b=\"'\">x<!-- y -->z<by>1</by>\xfc</test></export>"))
	other := xmlConfig()
	other.ID, other.Rows, other.Charset = "other", "", "windows-1252"
	profiles := []*Profile{compiled(xmlConfig()), compiled(other)}
	f.Fuzz(func(t *testing.T, raw []byte) {
		a := poct.Arrival{ID: "a", Format: "xml", Raw: raw}
		sane(t, raw, Decode(a, profiles, dublin))
	})
}
