package hl7_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/hl7"
)

// message reads an invented message from testdata; CR ends each segment.
func message(t testing.TB, name string) []byte {
	t.Helper()
	raw, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	return raw
}

func parse(t testing.TB, raw string) *hl7.Message {
	t.Helper()
	m, err := hl7.Parse([]byte(raw))
	require.NoError(t, err)
	return m
}

func faultOf(t testing.TB, err error) *hl7.Fault {
	t.Helper()
	var f *hl7.Fault
	require.True(t, errors.As(err, &f), "want a *hl7.Fault, got %v", err)
	return f
}

const head = `MSH|^~\&|A|B|C|D|20240305091330||ORU^R01^ORU_R01|1|P|2.5.1` + "\r"

// The fields of an ORU^R30 by the positions of HL7 2.5.1 chapters 2, 3, 4 and 7.
func TestParseWholeMessage(t *testing.T) {
	raw := message(t, "oru_r30.hl7")
	require.Len(t, raw, 571)
	sum := sha256.Sum256(raw)
	require.Equal(t, "31c6a65f30f7bf97", hex.EncodeToString(sum[:8]))
	m, err := hl7.Parse(raw)
	require.NoError(t, err)
	assert.Equal(t, 8, m.Len())
	assert.Equal(t, hl7.Standard, m.Delimiters())
	set, fault := m.Charset()
	assert.Equal(t, hl7.UTF8, set)
	assert.Nil(t, fault)

	for path, want := range map[string]string{
		"MSH-1": "|", "MSH-2": `^~\&`, "MSH-3": "meter-7", "MSH-4": "CLINIC7", "MSH-5": "TIDEGATE",
		"MSH-7": "20240305091330.25+0100", "MSH-8": "", "MSH-9": "ORU^R30^ORU_R30", "MSH-9.2": "R30",
		"MSH-10": "000123", "MSH-11": "P", "MSH-12": "2.5.1", "MSH-15": "AL", "MSH-16": "NE", "MSH-18": "UNICODE UTF-8", "MSH-19": "",
		"PID-3": "MRN0007^^^CLINIC7^MR", "PID-3.1": "MRN0007", "PID-3.4": "CLINIC7", "PID-3.5": "MR", "PID-3.6": "", "PID-3(2)": "",
		"PID-5.1": "Testperson", "PID-5.2": "Ada", "PID-5.1.1": "Testperson", "PID-5.1.2": "", "PID-7": "19500101", "PID-8": "F", "PID-9": "",
		"PV1-2": "O", "PV1-3.4": "CLINIC7", "ORC-1": "NW", "ORC-3.1": "F-88231",
		"OBR-4.1": "34714-6", "OBR-7": "20240305091200+0100", "OBR-11": "O", "OBR-22": "20240305091310+0100", "OBR-25": "F",
		"OBX-2": "NM", "OBX-5": "2.4", "OBX-6.1": "{INR}", "OBX-6.3": "UCUM", "OBX-7": "2.0-3.0", "OBX-11": "F", "OBX-16.1": "op17",
		"OBX-17.2": "strip L2403A", "OBX-18.1": "SN0042", "OBX-18.2": "meter-7", "OBX-19": "20240305091310+0100",
		"OBX[1]-5(1).1": "2.4", "OBX[2]-5": ">^120", "OBX[2]-5.2": "120", "OBX[2]-3.1": "5964-2", "OBX[3]-5": "", "NTE-3": "strip lot L2403A exp 20250331",
		"ZZZ-1": "",
	} {
		v := m.Get(path)
		text, exact := v.Exact()
		assert.Equal(t, want, text, path)
		assert.True(t, exact, path)
		assert.Equal(t, want, string(raw[v.Span().From:v.Span().To]), "span of %s", path)
		assert.Equal(t, want == "", v.Absent(), path)
		assert.False(t, v.Null(), path)
	}
	assert.Equal(t, "NTE", m.Segment(6).ID())
	assert.Equal(t, 19, m.Find("OBX", 1).Len())
	assert.Equal(t, 5, m.Find("OBX", 1).Index())
	assert.Equal(t, -1, m.Find("OBX", 3).Index())
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct {
		name, raw string
		code      hl7.Code
		segment   string
		field     int
	}{
		{"nothing", "", hl7.CodeSequence, "MSH", 0},
		{"no MSH", "PID|1\r", hl7.CodeSequence, "MSH", 0},
		{"text", "hello", hl7.CodeSequence, "MSH", 0},
		{"blank before MSH", " MSH|^~\\&|\r", hl7.CodeSequence, "MSH", 0},
		{"nothing after MSH", "MSH", hl7.CodeMissing, "MSH", 1},
		{"letter as field separator", "MSHx^~\\&", hl7.CodeMissing, "MSH", 1},
		{"no MSH-2", "MSH||A|B\r", hl7.CodeMissing, "MSH", 2},
		{"short MSH-2", `MSH|^~\|A` + "\r", hl7.CodeType, "MSH", 2},
		{"long MSH-2", `MSH|^~\&#!|A` + "\r", hl7.CodeType, "MSH", 2},
		{"MSH-2 without end", `MSH|^~\&#!$%^*()` + "\r", hl7.CodeType, "MSH", 2},
		{"same sign twice", `MSH|^~^&|A` + "\r", hl7.CodeType, "MSH", 2},
		{"letters as delimiters", "MSH|abcd|A\r", hl7.CodeType, "MSH", 2},
		{"lower case segment", head + "pid|1\r", hl7.CodeSequence, "", 0},
		{"long segment id", head + "PIDX|1\r", hl7.CodeSequence, "", 0},
		{"other separator after the id", head + "PID^1\r", hl7.CodeSequence, "", 0},
		{"text after CR", head + "OBX|1|TX|||line one\rline two\r", hl7.CodeSequence, "", 0},
		{"second message", head + head, hl7.CodeSequence, "MSH", 0},
		{"UTF-16", "\xFF\xFEM\x00S\x00H\x00", hl7.CodeSequence, "MSH", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := hl7.Parse([]byte(c.raw))
			f := faultOf(t, err)
			assert.Equal(t, c.code, f.Code, f.Error())
			assert.Equal(t, c.segment, f.Segment)
			assert.Equal(t, c.field, f.Field)
			assert.LessOrEqual(t, f.Span.To, len(c.raw))
			assert.NotContains(t, f.Error(), "line two")
		})
	}
}

func TestParseDelimiters(t *testing.T) {
	t.Run("five characters, HL7 2.7 section 2.16.9.2", func(t *testing.T) {
		m := parse(t, `MSH|^~\&#|A|B`+"\rPID|||7^^^X\r")
		assert.Equal(t, `^~\&#`, m.Get("MSH-2").Text())
		assert.Equal(t, byte('#'), m.Delimiters().Truncation)
		assert.Equal(t, "A", m.Get("MSH-3").Text())
		assert.Equal(t, "X", m.Get("PID-3.4").Text())
	})
	t.Run("others than the recommended", func(t *testing.T) {
		m := parse(t, "MSH$%*!@$A%1\rPID$$$7%%%X*8@a%%%Y!S!\r")
		assert.Equal(t, "A", m.Get("MSH-3.1").Text())
		assert.Equal(t, "X", m.Get("PID-3.4").Text())
		assert.Equal(t, "a", m.Get("PID-3(2).1.2").Text())
		assert.Equal(t, "Y%", m.Get("PID-3(2).4").Text(), "escapes give the message's own delimiter")
	})
}

// HL7 2.5.1 section 2.5.3: absent says nothing, "" says that there is no value.
func TestNullIsNotAbsent(t *testing.T) {
	m := parse(t, head+`OBX|1|NM|34714-6||""||^""^x|`+"\r")
	assert.True(t, m.Get("OBX-5").Null())
	assert.False(t, m.Get("OBX-5").Absent())
	assert.Equal(t, "", m.Get("OBX-5").Text())
	assert.True(t, m.Get("OBX-6").Absent())
	assert.False(t, m.Get("OBX-6").Null())
	assert.True(t, m.Get("OBX-7.2").Null())
	assert.False(t, m.Get("OBX-7").Null())
	assert.True(t, m.Get("OBX-8").Empty(), "empty at the end")
	assert.True(t, m.Get("OBX-9").Empty(), "beyond the end")
}

func TestParts(t *testing.T) {
	m := parse(t, head+"PID|1||a^b&c^d~e~^f|x&y\r")
	reps, comps, nested := []string{}, []string{}, []string{}
	for n, r := range m.Get("PID-3").Repetitions() {
		reps = append(reps, r.Text())
		assert.Equal(t, r.Span(), m.Get("PID-3").Repetition(n).Span())
	}
	for n, c := range m.Get("PID-3").Components() {
		comps = append(comps, c.Text())
		assert.Equal(t, c.Span(), m.Get("PID-3").Component(n).Span())
	}
	for _, c := range m.Get("PID-3(3)").Components() {
		nested = append(nested, c.Text())
	}
	assert.Equal(t, []string{"a^b&c^d", "e", "^f"}, reps)
	assert.Equal(t, []string{"a", "b&c", "d"}, comps)
	assert.Equal(t, []string{"", "f"}, nested)
	assert.Equal(t, "c", m.Get("PID-3(1).2.2").Text())
	assert.Equal(t, "x", m.Get("PID-4").First().Text())
	assert.Equal(t, "e", m.Get("PID-3(2)").First().Text())
	assert.True(t, m.Get("PID-3(2).2").Absent())
	assert.True(t, m.Get("PID-3(2)").Repetition(2).Absent())
	for range m.Get("PID-9").Repetitions() {
		t.Error("an absent field has no repetitions")
	}
	for _, c := range m.Get("MSH-2").Components() {
		assert.Equal(t, `^~\&`, c.Text(), "MSH-2 is never split")
	}
}

func TestUnknownThingsAreKept(t *testing.T) {
	m := parse(t, head+"OBX|1|ST|A||v"+strings.Repeat("|", 26)+"31|32\rZXX|one|two^three\r")
	assert.Equal(t, "32", m.Get("OBX-32").Text())
	assert.Equal(t, "three", m.Get("ZXX-2.2").Text())
}

// The habits of senders named in public reports of nHapi (nHapiNET/nHapi#263),
// artifacthealth/hl7parser#13, deoxxa/hl7 pull 3 and panates/hl7v2 pull 27.
func TestTerminators(t *testing.T) {
	for _, c := range []struct {
		name, raw string
		options   hl7.Options
		segments  int
		obx5      string
	}{
		{"CR", "MSH|^~\\&|A\rOBX|1|NM|X||2.4\rNTE|1\r", hl7.Options{}, 3, "2.4"},
		{"CR, none at the end", "MSH|^~\\&|A\rOBX|1|NM|X||2.4\rNTE|1", hl7.Options{}, 3, ""},
		{"LF only", "MSH|^~\\&|A\nOBX|1|NM|X||2.4\nNTE|1\n", hl7.Options{}, 3, "2.4"},
		{"CRLF", "MSH|^~\\&|A\r\nOBX|1|NM|X||2.4\r\nNTE|1\r\n", hl7.Options{}, 3, "2.4"},
		{"CR and CRLF mixed", "MSH|^~\\&|A\rOBX|1|NM|X||2.4\r\nNTE|1\r", hl7.Options{}, 3, "2.4"},
		{"LF inside a field", "MSH|^~\\&|A\rOBX|1|TX|X||one\nPID two\r", hl7.Options{}, 2, "one\nPID two"},
		{"LF inside, told CR", "MSH|^~\\&|A\rOBX|1|TX|X||one\ntwo\r", hl7.Options{Terminator: '\r'}, 2, "one\ntwo"},
		{"told LF, with CRLF", "MSH|^~\\&|A\r\nOBX|1|NM|X||2.4\r\n", hl7.Options{Terminator: '\n'}, 2, "2.4"},
		{"empty segments", "MSH|^~\\&|A\r\r\rOBX|1|NM|X||2.4\r\r \r", hl7.Options{}, 2, "2.4"},
		{"byte order mark", "\xEF\xBB\xBFMSH|^~\\&|A\rOBX|1|NM|X||2.4\r", hl7.Options{}, 2, "2.4"},
		{"MSH inside text (python-hl7 0.4.3 changelog)", "MSH|^~\\&|A\rOBX|1|TX|X||see MSH|^~\\&|PID|1\r", hl7.Options{}, 2, "see MSH"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := c.options.Parse([]byte(c.raw))
			require.NoError(t, err)
			assert.Equal(t, c.segments, m.Len())
			if c.obx5 != "" {
				assert.Equal(t, c.obx5, m.Get("OBX-5").Text())
			}
			assert.Equal(t, "A", m.Get("MSH-3").Text())
			for i := range m.Len() {
				s := m.Segment(i)
				assert.True(t, strings.HasPrefix(c.raw[s.Span().From:], s.ID()), "span of %s", s.ID())
			}
		})
	}
}

func TestPaths(t *testing.T) {
	for _, s := range []string{"PID-3", "PID-3.1", "OBX-5", "SPM-11.1", "OBX[2]-5(1).1", "PID-5(3).1.2", "ZZ9-1", "MSH-2"} {
		p, err := hl7.ParsePath(s)
		require.NoError(t, err, s)
		assert.Equal(t, s, p.String())
	}
	for _, s := range []string{"", "PID", "PID-", "PID-0", "PID-03", "PID.3", "pid-3", "PIDX-3", "PID-3.", "PID-3.0", "PID-3(", "PID-3()",
		"PID-3(1", "PID-3(1)2", "PID[]-3", "PID[0]-3", "PID[1-3", "PID-3.1.1.1", "PID-3 ", " PID-3", "PID-3-1", "PID-99999", "PID-3.+1"} {
		_, err := hl7.ParsePath(s)
		assert.Error(t, err, s)
	}
	assert.Panics(t, func() { hl7.MustPath("PID") })
}

func TestNumericTypes(t *testing.T) {
	for text, want := range map[string]bool{
		"2.4": true, "065.88": true, "-1": true, "+1.": true, ".5": true, "120": true,
		"": false, "-": false, ".": false, "1e3": false, "Inf": false, "NaN": false, "0x1p-2": false, "1_0": false,
		"2,4": false, " 2.4": false, "<0.8": false, "ERROR": false, "1.2.3": false, "1-2": false,
	} {
		assert.Equal(t, want, hl7.IsNM(text), text)
	}
	// Values from HL7 2.9 section 2.A.70 (data type SN).
	for _, c := range []struct {
		text  string
		want  hl7.SN
		plain bool
	}{
		{">^100", hl7.SN{Comparator: ">", Num1: "100"}, true},
		{"<=^0.5", hl7.SN{Comparator: "<=", Num1: "0.5"}, true},
		{"^4.5", hl7.SN{Num1: "4.5"}, true},
		{"=^4.5", hl7.SN{Comparator: "=", Num1: "4.5"}, true},
		{"^1^:^128", hl7.SN{Num1: "1", Separator: ":", Num2: "128"}, false},
		{"^2^-^3", hl7.SN{Num1: "2", Separator: "-", Num2: "3"}, false},
		{"^2^+", hl7.SN{Num1: "2", Separator: "+"}, false},
		{"<>^3", hl7.SN{Comparator: "<>", Num1: "3"}, true},
		{"", hl7.SN{}, true},
		{`""`, hl7.SN{}, true},
	} {
		got, err := parse(t, head+"OBX|1|SN|X||"+c.text+"\r").Get("OBX-5").SN()
		require.NoError(t, err, c.text)
		assert.Equal(t, c.want, got, c.text)
		assert.Equal(t, c.plain, got.Plain(), c.text)
	}
	for _, text := range []string{">>^1", "2.4", "^x", "^1^x", "^1^x^2", ">^", "^1^-^b", ">"} {
		_, err := parse(t, head+"OBX|1|SN|X||"+text+"\r").Get("OBX-5").SN()
		assert.Error(t, err, text)
	}
}
