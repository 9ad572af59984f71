package poct1a_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/poct1a"
)

func parse(t testing.TB, raw string) *poct1a.Document {
	t.Helper()
	d, fault := poct1a.Parse([]byte(raw), poct1a.Limits{})
	require.Nil(t, fault)
	return d
}

func TestValue(t *testing.T) {
	d := parse(t, `<OBS><OBS.value V="2.4" U="{INR}">raw 2.43</OBS.value><OBS.observation_id V="34714-6" SN="LN" SV="2.77" DN="INR"/>`+
		`<OBS.a NULL="NAV"/><OBS.b> text </OBS.b><OBS.c V="Mi40" ENC="B64"/><OBS.d V="&lt;0.8 &#x2264; &amp;"/><OBS.e V=""/><OBS.f V="%" ENC="B64"/></OBS>`)
	for _, tt := range []struct {
		name string
		want poct1a.Value
	}{
		{"OBS.value", poct1a.Value{V: "2.4", Unit: "{INR}", Text: "raw 2.43", Given: true}},
		{"OBS.observation_id", poct1a.Value{V: "34714-6", System: "LN", SystemVersion: "2.77", Display: "INR", Given: true}},
		{"OBS.a", poct1a.Value{Null: "NAV", Given: true}},
		{"OBS.b", poct1a.Value{V: "text", Text: "text", Given: true}},
		{"OBS.c", poct1a.Value{V: "2.4", Given: true}},
		{"OBS.d", poct1a.Value{V: "<0.8 \u2264 &", Given: true}},
		{"OBS.e", poct1a.Value{Given: true}},
		{"OBS.f", poct1a.Value{V: "%", Garbled: true, Given: true}},
		{"OBS.g", poct1a.Value{}},
	} {
		got := d.Root.Get(tt.name)
		span := got.Span
		got.Span = poct1a.Span{}
		assert.Equal(t, tt.want, got, tt.name)
		if tt.name == "OBS.value" {
			assert.Equal(t, "2.4", string(d.Raw[span.From:span.To]))
		}
		if tt.name == "OBS.b" {
			assert.Equal(t, " text ", string(d.Raw[span.From:span.To]))
		}
	}
}

// What XML 1.0 and its names in namespaces do not allow; the rules are those of
// the recommendation, section and production as given.
func TestParseRefuses(t *testing.T) {
	for _, tt := range []struct {
		name, raw string
		kind      poct1a.Kind
	}{
		{"an end tag of another name (3, element type match)", "<a></b>", poct1a.FaultSyntax},
		{"an attribute twice (3.1, unique attribute)", `<a b="1" b="2"/>`, poct1a.FaultSyntax},
		{"a bare < in a value (2.3, 10)", `<a b="<"/>`, poct1a.FaultSyntax},
		{"a bare & (4.1, 66)", "<a>a & b</a>", poct1a.FaultSyntax},
		{"an entity of its own", "<a>&b;</a>", poct1a.FaultEntity},
		{"a reference to no character (4.1)", "<a>&#0;</a>", poct1a.FaultEntity},
		{"a reference beyond Unicode", "<a>&#x110000;</a>", poct1a.FaultEntity},
		{"a document type", "<!DOCTYPE a><a/>", poct1a.FaultDoctype},
		{"two roots (2.1, 1)", "<a/><b/>", poct1a.FaultSyntax},
		{"two hyphens in a comment (2.5)", "<a><!-- -- --></a>", poct1a.FaultSyntax},
		{"the end of a section in text (2.4)", "<a>]]></a>", poct1a.FaultSyntax},
		{"a late declaration (2.8)", " <?xml version=\"1.0\"?><a/>", poct1a.FaultSyntax},
		{"another encoding", `<?xml version="1.0" encoding="ISO-8859-1"?><a/>`, poct1a.FaultEncoding},
		{"another version", `<?xml version="1.1"?><a/>`, poct1a.FaultSyntax},
		{"a declaration in another order", `<?xml encoding="UTF-8" version="1.0"?><a/>`, poct1a.FaultSyntax},
		{"bytes that are not UTF-8", "<a>\xff</a>", poct1a.FaultEncoding},
		{"an overlong form (RFC 3629, 3)", "<a>\xc0\xaf</a>", poct1a.FaultEncoding},
		{"a surrogate (RFC 3629, 3)", "<a>\xed\xa0\x80</a>", poct1a.FaultEncoding},
		{"U+FFFE (2.2, 2)", "<a>\xef\xbf\xbe</a>", poct1a.FaultSyntax},
		{"no value", "<a b/>", poct1a.FaultSyntax},
		{"no quotes", "<a b=1/>", poct1a.FaultSyntax},
		{"not finished", "<a>", poct1a.FaultSyntax},
		{"nothing", "", poct1a.FaultSyntax},
	} {
		_, fault := poct1a.Parse([]byte(tt.raw), poct1a.Limits{})
		require.NotNil(t, fault, tt.name)
		require.Equal(t, tt.kind, fault.Kind, "%s: %v", tt.name, fault)
	}
}

func TestParseLimits(t *testing.T) {
	for _, tt := range []struct {
		name   string
		limits poct1a.Limits
		raw    string
		kind   poct1a.Kind
	}{
		{"size", poct1a.Limits{Size: 3}, "<a/>", poct1a.FaultTooLarge},
		{"depth", poct1a.Limits{Depth: 2}, "<a><b><c/></b></a>", poct1a.FaultTooDeep},
		{"elements", poct1a.Limits{Elements: 2}, "<a><b/><c/></a>", poct1a.FaultTooMany},
		{"attributes", poct1a.Limits{Attributes: 1}, `<a b="" c=""/>`, poct1a.FaultTooMany},
	} {
		_, fault := poct1a.Parse([]byte(tt.raw), tt.limits)
		require.NotNil(t, fault, tt.name)
		require.Equal(t, tt.kind, fault.Kind, tt.name)
	}
}

// leaves lists names, attributes and texts as another XML reader sees them.
func leaves(raw []byte) (out []string, err error) {
	dec := xml.NewDecoder(bytes.NewReader(raw))
	text := []string{""}
	for {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		switch x := token.(type) {
		case xml.StartElement:
			line := x.Name.Local
			for _, a := range x.Attr {
				if a.Name.Local != "xmlns" && a.Name.Space != "xmlns" {
					value := strings.NewReplacer("\r\n", " ", "\n", " ", "\t", " ").Replace(a.Value)
					line += " " + a.Name.Local + "=" + value
				}
			}
			out = append(out, line)
			text = append(text, "")
		case xml.EndElement:
			out = append(out, "/"+x.Name.Local+" "+strings.Trim(text[len(text)-1], " \t\r\n"))
			text = text[:len(text)-1]
		case xml.CharData:
			text[len(text)-1] += string(x)
		}
	}
}

func ours(e *poct1a.Element) []string {
	line := e.Name
	for _, a := range e.Attrs {
		line += " " + a.Name + "=" + a.Value
	}
	out := []string{line}
	for _, c := range e.Children {
		out = append(out, ours(c)...)
	}
	return append(out, "/"+e.Name+" "+e.Text)
}

// FuzzParse: what is read here, the XML reader of Go's standard library reads
// too, and alike; spans lie inside and hold what they say. References to blanks
// are left out of the comparison: that reader does not tell them from blanks.
func FuzzParse(f *testing.F) {
	for _, n := range []string{"hello", "patient", "control", "events"} {
		f.Add(sample(f, n))
	}
	for _, s := range []string{
		`<?xml version='1.0' encoding="utf-8" standalone='yes'?><a:b xmlns:a="x" a:c="&lt;&#65;&#x42;">t<![CDATA[<]]>&amp;<c/></a:b><!-- x -->`,
		"<a b='\n\t'>\r\n x \r</a>", "<a>&bad;</a>", "<a b='1' b='2'/>", "<!DOCTYPE a><a/>", `<a.b-c _d="1"/>`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		d, fault := poct1a.Parse(raw, poct1a.Limits{})
		for _, typed := range []func(){
			func() { d.Header() }, func() { d.Hello() }, func() { d.Status() }, func() { d.Reply() }, func() { d.EndOfTopic() },
			func() { d.Escape() }, func() { d.Termination() }, func() { d.Request() }, func() { d.Services() }, func() { d.Events() },
		} {
			typed()
		}
		if fault != nil {
			require.NotEmpty(t, fault.What)
			require.True(t, fault.At >= 0 && fault.At <= len(raw))
			return
		}
		require.NotNil(t, d.Root)
		for _, e := range d.Root.All(d.Root.Name) {
			require.True(t, e.Span.From >= 0 && e.Span.To <= len(raw) && e.Span.From < e.Span.To)
			require.Equal(t, byte('<'), raw[e.Span.From])
			for _, a := range e.Attrs {
				require.True(t, a.Span.From <= a.Span.To && a.Span.To < len(raw))
			}
		}
		if bytes.Contains(raw, []byte("&#")) || bytes.Contains(raw, []byte("<?")) {
			return
		}
		want, err := leaves(raw)
		require.NoError(t, err)
		require.Equal(t, want, ours(d.Root))
	})
}
