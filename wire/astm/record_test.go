package astm_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/wire/astm"
)

// own is an invented message in the form of the standard.
const own = "H|\\^&|||meter-7|||||ENGINE||P|LIS2-A2|20240305091330\r" +
	"P|1||MRN0007||Testperson^Ada||19500101|F\r" +
	"O|1|S-0001||^^^INR|R||20240305091200||||||||||||||||||F\r" +
	"R|1|^^^INR|2.4|{INR}|2.0 to 3.0|N||F||op17|20240305091200|20240305091310|SN0042\r" +
	"C|1|I|strip lot L2403A|G\r" +
	"L|1|N\r"

func parsed(t require.TestingT, raw string) *astm.Message {
	m, err := astm.Parse([]byte(raw))
	require.NoError(t, err)
	return m
}

func at(t require.TestingT, o *astm.Order, path string) string {
	p, err := astm.ParsePath(path)
	require.NoError(t, err)
	assert.Equal(t, path, p.String())
	return p.In(o).Text()
}

// The positions of fields are python-astm's (its records of E1394).
func TestPlaces(t *testing.T) {
	m := parsed(t, own)
	orders, faults := m.Orders()
	require.Empty(t, faults)
	require.Len(t, orders, 1)
	require.Nil(t, m.Incomplete())
	for path, want := range map[string]string{
		"H.1": "H", "H.2": `\^&`, "H.5": "meter-7", "H.10": "ENGINE", "H.12": "P", "H.13": "LIS2-A2", "H.14": "20240305091330",
		"P.3": "", "P.4": "MRN0007", "P.6": "Testperson^Ada", "P.6.1": "Testperson", "P.6.2": "Ada", "P.6.3": "", "P.8": "19500101", "P.9": "F", "P.99": "",
		"O.3": "S-0001", "O.5.4": "INR", "O.8": "20240305091200", "O.26": "F",
		"R.3": "^^^INR", "R.3.4": "INR", "R.4": "2.4", "R.5": "{INR}", "R.9": "F", "R.11": "op17", "R.13": "20240305091310", "R.14": "SN0042", "R[2].4": "",
		"C.4": "strip lot L2403A", "C.5": "G", "L.3": "N", "M.3": "", "Q.3": "",
	} {
		assert.Equal(t, want, at(t, orders[0], path), path)
	}
	r := orders[0].Results[0]
	assert.Equal(t, "2.4", own[r.Field(4).Span().From:r.Field(4).Span().To])
	assert.Equal(t, byte('R'), r.Kind())
}

func TestPathsThatAreNone(t *testing.T) {
	for _, s := range []string{"", "R", "R.", "R.0", "R.04", "r.4", "R-4", "R.4.", "R.4.1.1", "R[0].4", "R[2.4", "R.4(2", "R.99999", "RR.4", "1.2", "R.4()"} {
		_, err := astm.ParsePath(s)
		assert.ErrorContains(t, err, "write it like R.4", s)
	}
}

// Repeats, components and escapes; the order of delimiters is not HL7's.
func TestParts(t *testing.T) {
	m := parsed(t, "H|\\^&\rP|1||A^1\\B^2|a&F&b&S&c&R&d&E&e&X41&|Smith & Sons|x&Q&y|a&b&c^d\rL|1\r")
	p := m.Records()[1]
	require.Len(t, p.Field(4).Repeats(), 2)
	assert.Equal(t, "B^2", p.Field(4).Repeat(2).Text())
	assert.Equal(t, "2", p.Field(4).Repeat(2).Component(2).Text())
	assert.Equal(t, "1", p.Field(4).Component(2).Text(), "of a field, its first repeat's")
	assert.True(t, p.Field(4).Repeat(3).Empty())
	for _, c := range []struct {
		field int
		text  string
		exact bool
	}{{5, `a|b^c\d&eA`, true}, {6, "Smith & Sons", true}, {7, "x&Q&y", false}, {8, "a&b&c^d", false}} {
		b, exact := p.Field(c.field).Bytes()
		assert.Equal(t, c.text, string(b))
		assert.Equal(t, c.exact, exact, c.text)
	}
	plain, err := astm.Options{NoEscapes: true}.Parse([]byte("H|\\^&\rP|1||||a&F&b\r"))
	require.NoError(t, err)
	assert.Equal(t, "a&F&b", plain.Records()[1].Field(6).Text())

	other := parsed(t, "H!~$%\rP!1!!x$y~z\rL!1!N\r")
	assert.Equal(t, astm.Delimiters{Field: '!', Repeat: '~', Component: '$', Escape: '%'}, other.Delimiters())
	assert.Equal(t, "y", other.Records()[1].Field(4).Component(2).Text())
}

func TestEnds(t *testing.T) {
	for _, end := range []string{"\r", "\n", "\r\n", "\r\r\n"} {
		m := parsed(t, strings.ReplaceAll(own, "\r", end))
		require.Len(t, m.Records(), 6, "%q", end)
		assert.Equal(t, "N", m.Records()[5].Field(3).Text(), "%q", end)
		assert.Nil(t, m.Incomplete())
	}
	m := parsed(t, "H|\\^&\rC|1|I|two\nlines|G\rL|1")
	require.Len(t, m.Records(), 3, "where CR ends records, LF does not")
	assert.Equal(t, "two\nlines", m.Records()[1].Field(4).Text())
}

func TestNoMessages(t *testing.T) {
	for _, raw := range []string{"", "\r", "P|1\r", "H", "H|\\^", "H|||&\r", "HABCD\r", "H|\\^\r\r", "H|\\^|", "H1234", "\x02H|\\^&", "h|\\^&"} {
		_, err := astm.Parse([]byte(raw))
		var fault *astm.Fault
		assert.ErrorAs(t, err, &fault, "%q", raw)
	}
}

func TestIncomplete(t *testing.T) {
	for end, why := range map[string]string{
		"": "no L record", "R|1\r": "no L record", "L|1|T\r": "broken off (code T)", "L|1|E\r": "broken off (code E)", "L|1|R": "broken off (code R)",
		"L|1\r": "", "L|1|N\r": "", "L|1|F\r": "", "L|1|I\r": "", "L|1|Q\r": "", "L\r": "",
	} {
		fault := parsed(t, "H|\\^&\rP|1\r"+end).Incomplete()
		if why == "" {
			assert.Nil(t, fault, end)
			continue
		}
		require.NotNil(t, fault, end)
		assert.Contains(t, fault.Error(), why)
	}
}

// C and M belong to the record above them; results to their order, orders to
// their patient.
func TestTree(t *testing.T) {
	m := parsed(t, "H|\\^&\rC|1|I|head\rM|1|head\r"+
		"P|1|||A\rC|1|I|patient a\rO|1|a1\rC|1|I|order a1\rR|1|x\rC|1|I|result x\rM|1|lot\rR|2|y\rO|2|a2\r"+
		"P|2|||B\rO|1|b1\rR|1|z\rS|1\rQ|1|ALL\rC|1|I|query\rL|1|N\r")
	orders, faults := m.Orders()
	require.Empty(t, faults)
	require.Len(t, orders, 3)
	assert.Equal(t, "A", at(t, orders[0], "P.5"))
	assert.Equal(t, "A", at(t, orders[1], "P.5"))
	assert.Equal(t, "B", at(t, orders[2], "P.5"))
	assert.Equal(t, "x", at(t, orders[0], "R.3"))
	assert.Equal(t, "y", at(t, orders[0], "R[2].3"))
	assert.Empty(t, orders[1].Results)
	var said []string
	for _, c := range orders[0].Records('C') {
		said = append(said, c.Field(4).Text())
	}
	assert.Equal(t, []string{"result x", "order a1", "patient a", "head"}, said, "the nearest first")
	assert.Equal(t, "patient a", at(t, orders[1], "C.4"))
	assert.Equal(t, "head", at(t, orders[2], "C.4"))
	assert.Equal(t, "lot", at(t, orders[0], "M.3"))
	assert.Len(t, orders[2].Records('S'), 1)
	queries := m.Queries()
	require.Len(t, queries, 1)
	assert.Equal(t, "ALL", queries[0].Field(3).Text())
	assert.Len(t, queries[0].Below, 1)
}

func TestOrderOfRecords(t *testing.T) {
	for _, c := range []struct {
		name, body string
		orders     int
		faults     []string
	}{
		{"no patient", "O|1\rR|1\r", 1, nil},
		{"a patient alone", "P|1\r", 0, nil},
		{"no order", "P|1\rR|1\rR|2\r", 1, []string{"record 3 (R) stands below no O record"}},
		{"an order of the patient before", "P|1\rO|1\rP|2\rR|1\r", 2, []string{"record 5 (R) stands below no O record"}},
		{"no kind", "P|1\rX|1\r", 0, []string{"record 3 (X) is of no kind that the standard has"}},
		{"no record", "P|1\r???\r", 0, []string{"record 3 is of no kind that the standard has"}},
		{"two messages", "L|1|N\rH|\\^&\r", 0, []string{"record 3 (H) stands behind the L record"}},
		{"a second header", "P|1\rH|\\^&\r", 0, []string{"record 3 (H) begins a second message"}},
	} {
		orders, faults := parsed(t, "H|\\^&\r"+c.body).Orders()
		assert.Len(t, orders, c.orders, c.name)
		var said []string
		for _, f := range faults {
			said = append(said, f.Error())
		}
		assert.Equal(t, c.faults, said, c.name)
	}
}

func TestAppendRecord(t *testing.T) {
	d := astm.Standard
	raw := d.AppendRecord(nil, 'H', `\^&`, "", "", "tidegate")
	raw = d.AppendRecord(raw, 'P', "1", "", "7", "", astm.Escape("A|B^C\\D&E\x01", d), "", "")
	raw = d.AppendRecord(raw, 'L', "1", "N")
	assert.Equal(t, "H|\\^&|||tidegate\rP|1||7||A&F&B&S&C&R&D&E&E&X01&\rL|1|N\r", string(raw))
	assert.Equal(t, "A|B^C\\D&E\x01", parsed(t, string(raw)).Records()[1].Field(6).Text())
}

// What is escaped reads back the same, and splits nothing.
func TestEscapeRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.RuneFrom([]rune("aX4|\\^&\r\n\x03ü 王"))).Draw(t, "text")
		raw := astm.Standard.AppendRecord([]byte("H|\\^&\r"), 'C', "1", astm.Escape(text, astm.Standard), "G")
		c := parsed(t, string(raw)).Records()[1]
		got, exact := c.Field(3).Bytes()
		assert.Equal(t, text, string(got))
		assert.True(t, exact)
		assert.Equal(t, "G", c.Field(4).Text())
	})
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(own))
	f.Add([]byte(strings.ReplaceAll(own, "\r", "\r\n")))
	f.Add([]byte("H|\\^&\rP|1||A^1\\B^2|a&F&b&|x&Q&y\rM|1\rR|1\rQ|1\rZ\rL|1|T\rC|1"))
	f.Add([]byte("H!~$%\nP!1!!x$y~z\nL!1!N"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		m, err := astm.Parse(raw)
		if err != nil {
			return
		}
		end := 0
		for _, r := range m.Records() {
			if r.Span().From < end || r.Span().To > len(raw) || r.Span().From >= r.Span().To {
				t.Fatalf("record at %v", r.Span())
			}
			end = r.Span().To
			var parts []string
			for n := 1; ; n++ {
				v := r.Field(n)
				if n > 1 && v.Span() == (astm.Span{}) {
					break
				}
				parts = append(parts, string(v.Raw()))
				for _, rep := range v.Repeats() {
					for _, c := range rep.Components() {
						if c.Span().From < v.Span().From || c.Span().To > v.Span().To {
							t.Fatalf("component at %v of %v", c.Span(), v.Span())
						}
						_, _ = c.Bytes()
					}
				}
			}
			if got := strings.Join(parts, string(m.Delimiters().Field)); got != string(raw[r.Span().From:end]) {
				t.Fatalf("fields rebuild %q as %q", raw[r.Span().From:end], got)
			}
		}
		orders, _ := m.Orders()
		results := 0
		for _, o := range orders {
			results += len(o.Results)
		}
		want, ended := 0, false
		for _, r := range m.Records() {
			if r.Kind() == 'R' && !ended {
				want++
			}
			ended = ended || r.Kind() == 'L'
		}
		if results != want {
			t.Fatalf("%d results in orders, %d R records", results, want)
		}
		m.Queries()
		m.Incomplete()
	})
}
