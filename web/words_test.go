package web

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"tidegate/poct"
)

func TestWords(t *testing.T) {
	for _, tc := range []struct{ name, got, want string }{
		{"count", thousands(48190), "48\u202f190"},
		{"count below a thousand", thousands(999), "999"},
		{"count of a million", thousands(1234567), "1\u202f234\u202f567"},
		{"wait of minutes", wait(34 * time.Minute), "34 min"},
		{"wait of hours", wait(112 * time.Minute), "1 h 52"},
		{"wait of days", wait(76 * time.Hour), "3 d 4 h"},
		{"sentence inside another", lowerFirst("Strip lot x is not known"), "strip lot x is not known"},
		{"acronym inside a sentence", lowerFirst("INR rose"), "INR rose"},
		{"code inside a sentence", lowerFirst("M-2041 is locked"), "M-2041 is locked"},
		{"hash in fours", inFours("9a41c07e55"), "9a41 c07e 55"},
		{"list of three", list([]string{"a", "b", "c"}, "or"), "a, b or c"},
		{"birth date", date("1948-03-14"), "14 Mar 1948"},
		{"birth date as sent", date("around 1948"), "around 1948"},
		{"own address", local("/holds/1"), "/holds/1"},
		{"other host", local("//elsewhere.example/x"), "/"},
		{"other host by backslash", local(`/\elsewhere.example`), "/"},
		{"other scheme", local("https://elsewhere.example"), "/"},
		{"address with a line end", local("/a\r\nb"), "/"},
		{"control bytes", printable([]byte("a\x0bb\x9f")), "a‹0B›b‹9F›"},
		{"a sign that turns the writing round", printable([]byte("a\u202eb")), "a‹E2›‹80›‹AE›b"},
	} {
		assert.Equal(t, tc.want, tc.got, tc.name)
	}
}

func TestDiffering(t *testing.T) {
	for _, tc := range []struct {
		a, b string
		want int
	}{{"7K4O231", "7K40231", 3}, {"7K40231", "7K40231", -1}, {"7K4O23I", "7K40231", -1}, {"7K4", "7K40", -1}, {"", "", -1}} {
		assert.Equal(t, tc.want, differing(tc.a, tc.b), "%s and %s", tc.a, tc.b)
	}
}

func TestLoopback(t *testing.T) {
	for host, want := range map[string]bool{"127.0.0.1": true, "::1": true, "localhost": true, "127.9.9.9": true, "::ffff:127.0.0.1": true, "0.0.0.0": false, "": false, "192.0.2.1": false, "::": false, "example.org": false} {
		assert.Equal(t, want, Loopback(host), host)
	}
}

func TestWindowHoldsTheBoxedBytes(t *testing.T) {
	for _, at := range []int{0, 1, window / 2, window - 1, window, 3 * window, 5*window - 8} {
		b := []box{{Span: poct.Span{From: at, To: at + 8}}}
		from, to := cutWindow(5*window, -1, b)
		assert.LessOrEqual(t, from, at)
		assert.GreaterOrEqual(t, to, at+8)
		assert.LessOrEqual(t, to-from, window)
	}
}

// FuzzLines: whatever came, every byte of the window is shown, in order, and
// boxes outside the bytes harm nothing.
func FuzzLines(f *testing.F) {
	f.Add([]byte("MSH|^~\\&|A\rPID|1\r\n\nOBX|"), 4, 9)
	f.Add([]byte{0x0b, 0xff, 0xfe, 0x0d}, -1, 100)
	f.Add([]byte(""), 0, 0)
	f.Fuzz(func(t *testing.T, raw []byte, from, to int) {
		boxes := []box{{Span: poct.Span{From: from, To: to}, note: "here"}, {Span: poct.Span{From: to, To: from}}}
		shown := func(boxes []box) string {
			var text strings.Builder
			for _, l := range textLines(raw, 0, len(raw), boxes) {
				for _, p := range l.Parts {
					text.WriteString(p.Text)
				}
			}
			return text.String()
		}
		var want strings.Builder
		for _, line := range bytes.FieldsFunc(raw, func(r rune) bool { return r == '\r' || r == '\n' }) {
			want.WriteString(printable(line))
		}
		if got := shown(nil); got != want.String() {
			t.Fatalf("got %q, want %q", got, want.String())
		}
		// A box may cut a letter of several bytes in two, which then shows as
		// bytes; where every byte is a letter the text is the same.
		if got := shown(boxes); !bytes.ContainsFunc(raw, func(r rune) bool { return r >= 0x80 }) && got != want.String() {
			t.Fatalf("boxed: got %q, want %q", got, want.String())
		}
		var hex strings.Builder
		for _, l := range hexLines(raw, 0, len(raw), boxes) {
			for _, p := range l.Parts {
				hex.WriteString(p.Text + " ")
			}
		}
		if got := len(strings.Fields(hex.String())); got != len(raw) {
			t.Fatalf("%d bytes in the hex view, want %d", got, len(raw))
		}
	})
}

func TestMask(t *testing.T) {
	hl7 := "MSH|^~\\&|M-1|MILL|||20261125||ORU^R01|1|P|2.5.1\rPID|1||T-100482||SAMPLE^IRIS||19480314|F\rOBR|1||8841|PTINR|||20261125080602|||Dr Oxmarsh\rOBX|1|NM|46418-0||2.6|{INR}\rOBX|2|TX|NOTE||Iris says hello\rNTE|1||Iris\rPIDX Iris"
	got := string(mask(poct.Arrival{Format: "hl7v2", Raw: []byte(hl7)}, nil))
	for _, gone := range []string{"Iris", "IRIS", "SAMPLE", "T-100482", "19480314", "Oxmarsh"} {
		assert.NotContains(t, got, gone)
	}
	for _, stays := range []string{"MSH|^~\\&|M-1|", "OBX|1|NM|46418-0||2.6|{INR}", "OBR|1||8841|PTINR|||20261125080602", "|x-999999|"} {
		assert.Contains(t, got, stays)
	}
	assert.Len(t, got, len(hl7), "lengths stay readable")

	csv := "M-2041;8841;T-100482;Iris Sample;2,6\n"
	got = string(mask(poct.Arrival{Format: "csv", Raw: []byte(csv)}, []poct.Reading{{Where: map[string]poct.Span{
		poct.FieldMeter: {From: 0, To: 6}, poct.FieldPatient: {From: 12, To: 20}, "inr": {From: 33, To: 36}}}}))
	assert.Equal(t, "M-2041;9999;x-999999;xxxx xxxxxx;2,6\n", got)
	assert.Equal(t, "x-9999;9999;x-999999;xxxx xxxxxx;9,9\n", string(mask(poct.Arrival{Format: "csv", Raw: []byte(csv)}, nil)), "what was not read is masked whole")
	assert.Equal(t, "xxxx", string(mask(poct.Arrival{Raw: []byte("Iris")}, []poct.Reading{{Where: map[string]poct.Span{"meter": {From: -1, To: 99}}}})))
}

// wordedNo says why in words of its own, as the rules of who may do.
type wordedNo struct{ kind error }

func (wordedNo) Error() string   { return "A result from an expired strip cannot be released by anyone." }
func (r wordedNo) Unwrap() error { return r.kind }

func TestTail(t *testing.T) {
	assert.Equal(t, "A result from an expired strip cannot be released by anyone.", tail(fmt.Errorf("settle hold: %w", wordedNo{poct.ErrNotAllowed}), poct.ErrNotAllowed))
	assert.Equal(t, "Ask a colleague.", tail(fmt.Errorf("settle hold: %w", fmt.Errorf("%w: ask a colleague", poct.ErrForbidden)), poct.ErrForbidden))
	assert.Empty(t, tail(errors.New("disk full"), poct.ErrForbidden))
}
