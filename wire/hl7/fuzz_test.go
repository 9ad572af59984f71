package hl7_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tidegate/wire/hl7"
)

func seeds(f *testing.F) [][]byte {
	f.Helper()
	names, err := filepath.Glob("testdata/*.hl7")
	if err != nil || len(names) == 0 {
		f.Fatal("no messages in testdata", err)
	}
	var out [][]byte
	for _, name := range names {
		raw, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		out = append(out, raw, bytes.ReplaceAll(raw, []byte("\r"), []byte("\n")), bytes.ReplaceAll(raw, []byte("\r"), []byte("\r\n")))
	}
	for _, s := range []string{"", "MSH", "MSH|^~\\&", "MSH|^~\\&#|A\r", "MSH$%*!@$A\rPID$1$$a%b*c!S!\r", "MSH|^~\\&|\r\n\r\n", "\xEF\xBB\xBFMSH|^~\\&|\r",
		head + "OBX|1|SN|X||>^1^:^2\r", head + "BHS|^\rFHS\r", head + "OBX\rSPM\rNTE\rPID\rOBR\r"} {
		out = append(out, []byte(s))
	}
	return out
}

// FuzzParse: whatever comes, spans lie within the message, parts lie within
// their whole and rebuild it, and orders hold each OBX once.
func FuzzParse(f *testing.F) {
	for _, s := range seeds(f) {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		m, err := hl7.Parse(raw)
		for _, a := range hl7.Ack(mustHeader(raw), answer(hl7.Refused, hl7.Fault{Code: hl7.CodeOther, What: "x"})) {
			if _, err := hl7.Parse(a); err != nil {
				t.Fatalf("our answer %q cannot be read: %v", a, err)
			}
		}
		if err != nil {
			if fault, ok := err.(*hl7.Fault); !ok || fault.Span.To > len(raw) || fault.Span.From > fault.Span.To {
				t.Fatalf("%v", err)
			}
			return
		}
		at, obx := 0, 0
		for i := range m.Len() {
			s := m.Segment(i)
			if s.Span().From < at || s.Span().To > len(raw) || s.ID() != string(raw[s.Span().From:s.Span().From+3]) {
				t.Fatalf("segment %d at %v", i, s.Span())
			}
			at = s.Span().To
			if s.ID() == "OBX" {
				obx++
			}
			checkFields(t, m, s)
		}
		orders, _ := m.Orders()
		for _, o := range orders {
			for _, b := range o.Observations {
				b.Get("OBX-5").Text()
				obx--
			}
			for _, sp := range o.Specimens {
				obx -= len(sp.Observations)
			}
			o.Get("PID-3(2).4.1").Exact()
		}
		if obx != 0 {
			t.Fatalf("%d OBX are in no order, or in two", obx)
		}
	})
}

func mustHeader(raw []byte) hl7.Header {
	h, _ := hl7.ReadHeader(raw)
	h.Type = strings.ReplaceAll(strings.ReplaceAll(h.Type, "ACK", ""), "MCF", "")
	return h
}

func checkFields(t *testing.T, m *hl7.Message, s hl7.Segment) {
	d, raw := m.Delimiters(), m.Raw()
	header := s.ID() == "MSH" || s.ID() == "FHS" || s.ID() == "BHS"
	parts := []string{s.ID()}
	for n := 1; n <= s.Len(); n++ {
		v := s.Field(n)
		v.Exact()
		parts = append(parts, string(v.Raw()))
		if header && n < 3 {
			continue
		}
		var reps []string
		for _, r := range v.Repetitions() {
			reps = append(reps, string(r.Raw()))
			var comps []string
			for _, c := range r.Components() {
				comps = append(comps, string(c.Raw()))
				c.Subcomponent(2).Text()
			}
			if got := strings.Join(comps, string(d.Component)); got != string(r.Raw()) {
				t.Fatalf("components give %q of %q", got, r.Raw())
			}
		}
		if got := strings.Join(reps, string(d.Repetition)); got != string(v.Raw()) {
			t.Fatalf("repetitions give %q of %q", got, v.Raw())
		}
	}
	whole := string(raw[s.Span().From:s.Span().To])
	got := strings.Join(parts, string(d.Field))
	if header && len(parts) > 2 {
		got = parts[0] + parts[1] + strings.Join(parts[2:], string(d.Field))
	}
	if got != whole && !header || header && len(whole) > 4 && got != whole {
		t.Fatalf("fields give %q of %q", got, whole)
	}
}

// FuzzTimestamp: what is read can be written in the same shape and read again.
func FuzzTimestamp(f *testing.F) {
	for _, s := range []string{"", `""`, "1984", "198412", "19840131", "1984010111", "198401012300", "1984-0059", "20140311142533.0001",
		"201403111412+0530", "201403111412-0030", "19840132", "1984+0060", "20240305091330.25+0100"} {
		f.Add(s)
	}
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string) {
		ts, err := hl7.ParseTime(text)
		if err != nil || ts.IsZero() {
			return
		}
		ts.Wall(zone)
		layout := [...]string{"", "2006", "200601", "20060102", "2006010215", "200601021504", "20060102150405", "20060102150405.000000000"}[ts.Precision]
		if ts.HasOffset {
			layout += "-0700"
		}
		again, err := hl7.ParseTime(ts.In(time.UTC).Format(layout))
		if err != nil || again != ts {
			t.Fatalf("%q: %+v, again %+v, %v", text, ts, again, err)
		}
	})
}

// FuzzFrames: whole, by bytes, and two frames a write give the same.
func FuzzFrames(f *testing.F) {
	for _, s := range []string{"\x0bfoobar\x1c\r", "\x0bone\x1c\r\x0btwo\x1c\r", "x\x0bfoo\x0bbar\x1c\x0bq\x1c", "\x1c\r", "\x0b\x1c\x1c\r\n\n\x0b", "\r\n\x0b\x1c\r"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 3000 {
			return
		}
		framed := hl7.AppendFrame(hl7.AppendFrame(nil, data), data)
		for _, in := range [][]byte{data, framed} {
			want := stream(bytes.NewReader(in), 4000)
			for _, n := range []int{1, 2, 5} {
				if got := stream(&chunks{in, n}, 4000); fmt.Sprint(got) != fmt.Sprint(want) {
					t.Fatalf("%d bytes a read: %q, whole: %q", n, got, want)
				}
			}
		}
		if bytes.ContainsAny(data, "\x0b\x1c") {
			return
		}
		if got := stream(bytes.NewReader(framed), 4000); len(got) != 3 || got[0] != "frame "+string(data) || got[1] != got[0] {
			t.Fatalf("%q", got)
		}
	})
}

// FuzzBatch: parts are pieces of the input in its order; every MSH line begins one.
func FuzzBatch(f *testing.F) {
	for _, s := range seeds(f) {
		f.Add(s)
		f.Add([]byte("FHS|^~\\&|\rBHS|^~\\&|\r" + string(s) + string(s) + "BTS|2\rFTS|1\r"))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		parts, faults := hl7.SplitBatch(raw)
		rest := raw
		for i, p := range parts {
			at := bytes.Index(rest, p.Raw)
			if at < 0 {
				t.Fatalf("part %d is not in what is left of the input", i)
			}
			rest = rest[at+len(p.Raw):]
			if m, err := hl7.Parse(p.Raw); err == nil && m.Find("MSH", 2).Exists() {
				t.Fatal("two messages in one part")
			}
		}
		for _, fault := range faults {
			if fault.Span.To > len(raw) {
				t.Fatal(fault)
			}
		}
	})
}

// FuzzUnescape: any text comes back through Escape, and unescaping never grows
// without bound.
func FuzzUnescape(f *testing.F) {
	for _, s := range []string{`GLUCOSE\S\1H`, `\X0D0A\`, `\XC3\\XA4\`, `a\`, `\\`, `\q\F\`, "Gr\xFC\xDFe", `\.br\\H\x\N\`} {
		f.Add([]byte(s), uint8(hl7.UTF8))
		f.Add([]byte(s), uint8(hl7.Windows1252))
	}
	f.Fuzz(func(t *testing.T, b []byte, set uint8) {
		c := hl7.Charset(set % uint8(hl7.Windows1252+1))
		text, exact := hl7.Unescape(b, hl7.Standard, c)
		if len(text) > 5*len(b)+5 {
			t.Fatalf("%d bytes became %d", len(b), len(text))
		}
		if exact && strings.ContainsRune(text, '\uFFFD') && c != hl7.UTF8 {
			t.Fatal("a byte was replaced in silence")
		}
		if again, ok := hl7.Unescape([]byte(hl7.Escape(text, hl7.Standard)), hl7.Standard, hl7.UTF8); !ok && strings.ToValidUTF8(text, "") == text || ok && again != text {
			t.Fatalf("%q came back as %q", text, again)
		}
	})
}
