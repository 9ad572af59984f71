package hl7_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/text/encoding/charmap"

	"tidegate/wire/hl7"
)

func TestUnescape(t *testing.T) {
	for _, c := range []struct {
		text, want, source string
		exact              bool
	}{
		{`plain`, "plain", "", true},
		{`GLUCOSE\S\1H`, "GLUCOSE^1H", "HAPI EscapeTest", true},
		{`a\F\b\T\c\R\d\E\e`, `a|b&c~d\e`, "HL7 2.5.1 section 2.7.1", true},
		{`\X0D0A\`, "\r\n", "Efferent-Health/HL7-V2#46: only after segments are split", true},
		{`\X4D7a\`, "Mz", "HL7 2.5.1 section 2.7.5: any even number of digits, either case", true},
		{`one\.br\two`, "one\ntwo", "HL7 2.5.1 section 2.7.6", true},
		{`\H\loud\N\ quiet`, "loud quiet", "HL7 2.5.1 section 2.7.2", true},
		{`\P\`, "#", "HL7 2.7 section 2.7.1", true},
		{`\XC3A4\ \XC3\\XA4\`, "ä ä", "bytes of the message's character set", true},
		{`\E\S\E\`, `\S\`, "undone once only", true},
		{`\Z12\`, `\Z12\`, "local, kept", false},
		{`\C2842\\M2442\`, `\C2842\\M2442\`, "other character sets, kept", false},
		{`\.sp3\`, `\.sp3\`, "formatting, kept", false},
		{`\X4\ \XZZ\ \X\`, `\X4\ \XZZ\ \X\`, "not hex, kept", false},
		{`C:\dir`, `C:\dir`, "not closed, kept", false},
		{`a\`, `a\`, "not closed, kept", false},
		{`\\`, `\\`, "empty, kept", false},
		{`\q\\F\`, `\q\|`, "left to right, each whole", false},
		{`\XFF\`, `\XFF\`, "no UTF-8, kept as it came", false},
		{"\xFF", `\XFF\`, "no UTF-8, shown as hex", false},
	} {
		got, exact := hl7.Unescape([]byte(c.text), hl7.Standard, hl7.UTF8)
		assert.Equal(t, c.want, got, "%s: %s", c.text, c.source)
		assert.Equal(t, c.exact, exact, c.text)
	}
}

func TestEscape(t *testing.T) {
	assert.Equal(t, `GLUCOSE\S\1H`, hl7.Escape("GLUCOSE^1H", hl7.Standard), "HAPI EscapeTest")
	for _, text := range []string{"", "plain", `a|b^c&d~e\f`, "two\r\nlines\tand\x0b\x1c", "Grüße 大明", "#"} {
		for _, d := range []hl7.Delimiters{hl7.Standard, {Field: '$', Component: '%', Repetition: '*', Escape: '!', Subcomponent: '@', Truncation: '#'}} {
			escaped := hl7.Escape(text, d)
			for _, c := range []byte{d.Field, d.Component, d.Repetition, d.Subcomponent, '\r', '\n', 0x0b, 0x1c} {
				assert.NotContains(t, escaped, string(rune(c)))
			}
			got, exact := hl7.Unescape([]byte(escaped), d, hl7.UTF8)
			assert.Equal(t, text, got)
			assert.True(t, exact)
		}
	}
}

// The tables against golang.org/x/text, which generates its own from the
// WHATWG encoding index.
func TestCharsetTables(t *testing.T) {
	for set, judge := range map[hl7.Charset]*charmap.Charmap{
		hl7.Latin1: charmap.ISO8859_1, hl7.Latin2: charmap.ISO8859_2, hl7.Latin3: charmap.ISO8859_3, hl7.Latin4: charmap.ISO8859_4,
		hl7.Cyrillic: charmap.ISO8859_5, hl7.Arabic: charmap.ISO8859_6, hl7.Greek: charmap.ISO8859_7, hl7.Hebrew: charmap.ISO8859_8,
		hl7.Latin5: charmap.ISO8859_9, hl7.Latin9: charmap.ISO8859_15, hl7.Windows1252: charmap.Windows1252,
	} {
		for b := 0x20; b < 0x100; b++ {
			if b == '\\' {
				continue
			}
			want := judge.DecodeByte(byte(b))
			if set != hl7.Windows1252 && b >= 0x80 && b < 0xA0 {
				want = rune(b) // x/text leaves the C1 controls out of ISO 8859; the Unicode Consortium's tables have them
			}
			if set == hl7.Windows1252 && (b == 0x81 || b == 0x8D || b == 0x8F || b == 0x90 || b == 0x9D) {
				want = '\uFFFD' // the WHATWG index gives these the C1 controls; Microsoft's table leaves them open
			}
			got, exact := hl7.Unescape([]byte{byte(b)}, hl7.Standard, set)
			if want == '\uFFFD' {
				assert.False(t, exact, "%s %02X", set, b)
				assert.Len(t, got, 5, "%s %02X is shown as hex", set, b)
				continue
			}
			assert.True(t, exact, "%s %02X", set, b)
			assert.Equal(t, string(want), got, "%s %02X", set, b)
		}
	}
}

func TestParseCharset(t *testing.T) {
	for name, want := range map[string]hl7.Charset{ // HL7 table 0211, then common spellings
		"ASCII": hl7.ASCII, "8859/1": hl7.Latin1, "8859/2": hl7.Latin2, "8859/9": hl7.Latin5, "8859/15": hl7.Latin9, "UNICODE UTF-8": hl7.UTF8,
		"utf-8": hl7.UTF8, "UTF8": hl7.UTF8, "us-ascii": hl7.ASCII, "ISO-8859-1": hl7.Latin1, "iso8859-15": hl7.Latin9, "ISO_8859-7": hl7.Greek,
		"Windows-1252": hl7.Windows1252, "cp1252": hl7.Windows1252, " 8859/1 ": hl7.Latin1,
	} {
		got, ok := hl7.ParseCharset(name)
		assert.True(t, ok, name)
		assert.Equal(t, want, got, name)
	}
	for _, name := range []string{"", "UNICODE", "UNICODE UTF-16", "UNICODE UTF-32", "ISO IR87", "GB 18030-2000", "8859/16", "8859/", "BIG-5"} {
		_, ok := hl7.ParseCharset(name)
		assert.False(t, ok, name)
	}
}

func TestCharsetOfMessage(t *testing.T) {
	for _, c := range []struct {
		name, declared, family string
		fallback               hl7.Charset
		set                    hl7.Charset
		text                   string
		code                   hl7.Code // of the fault, "" for none
	}{
		{"nothing named, ASCII", "", "Moor", 0, hl7.UTF8, "Moor", ""},
		{"nothing named, UTF-8", "", "Mo\xC3\xB6r", 0, hl7.UTF8, "Moör", ""},
		{"nothing named, other bytes", "", "Mo\xF6r", 0, hl7.ASCII, `Mo\XF6\r`, hl7.CodeMissing},
		{"nothing named, fallback", "", "Mo\xF6r \x80", hl7.Windows1252, hl7.Windows1252, "Moör €", ""},
		{"nothing named, fallback has no such byte", "", "Mo\x81r", hl7.Windows1252, hl7.Windows1252, `Mo\X81\r`, hl7.CodeType},
		{"ASCII named, other bytes, fallback", "ASCII", "Mo\xF6r", hl7.Latin1, hl7.Latin1, "Moör", ""},
		{"8859/1", "8859/1", "Mo\xF6r", 0, hl7.Latin1, "Moör", ""},
		{"8859/1 named with UTF-8 inside is taken at its word", "8859/1", "Mo\xC3\xB6r", 0, hl7.Latin1, "MoÃ¶r", ""},
		{"8859/15", "8859/15", "\xA4", 0, hl7.Latin9, "€", ""},
		{"8859/7 without such a letter", "8859/7", "\xD2", 0, hl7.Greek, `\XD2\`, hl7.CodeType},
		{"UTF-8 named, broken", "UNICODE UTF-8", "Mo\xF6r", hl7.Latin1, hl7.UTF8, `Mo\XF6\r`, hl7.CodeType},
		{"first of several", "UNICODE UTF-8~8859/1", "Mo\xC3\xB6r", 0, hl7.UTF8, "Moör", ""},
		{"not read here", "ISO IR87", "Mo\xF6r", 0, hl7.ASCII, `Mo\XF6\r`, hl7.CodeTable},
		{"null", `""`, "Moor", 0, hl7.UTF8, "Moor", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			raw := `MSH|^~\&|A|B|C|D|20240305||ORU^R01|1|P|2.5.1||||||` + c.declared + "\rPID|||||" + c.family + "\r"
			m, err := hl7.Options{Fallback: c.fallback}.Parse([]byte(raw))
			require.NoError(t, err)
			set, fault := m.Charset()
			assert.Equal(t, c.set, set)
			text, exact := m.Get("PID-5").Exact()
			assert.Equal(t, c.text, text)
			if c.code == "" {
				assert.Nil(t, fault)
				assert.True(t, exact)
				return
			}
			require.NotNil(t, fault)
			assert.Equal(t, c.code, fault.Code)
			assert.NotContains(t, fault.Error(), "Mo")
		})
	}
}
