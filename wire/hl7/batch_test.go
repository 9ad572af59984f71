package hl7_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/hl7"
)

// HL7 2.5.1 section 2.10.3: [FHS] { [BHS] {messages} [BTS] } [FTS]. That BHS
// may be absent: Bugs5382/node-hl7-client#64.
func TestSplitBatch(t *testing.T) {
	const (
		a   = `MSH|^~\&|A|||||| ORU^R01|1` + "\rPID|1\r"
		b   = `MSH|^~\&|B||||||ORU^R01|2` + "\rOBX|1|TX|X||see MSH|^~\\&|\r"
		bad = `MSH|^~\&|C||||||ORU^R01|3` + "\rgarbage here\r"
		fhs = `FHS|^~\&|meters` + "\r"
		bhs = `BHS|^~\&|meters` + "\r"
	)
	for _, c := range []struct {
		name, raw string
		parts     []string
		faults    []string
	}{
		{"no batch", a, []string{a}, nil},
		{"not HL7 at all", "hello\rworld", []string{"hello\rworld"}, nil},
		{"nothing", "", []string{""}, nil},
		{"two without envelope", a + b, []string{a, b}, nil},
		{"batch", bhs + a + b + "BTS|2\r", []string{a, b}, nil},
		{"file and batch", fhs + bhs + a + b + "BTS|2\rFTS|1\r", []string{a, b}, nil},
		{"no BHS", fhs + a + b + "FTS|1\r", []string{a, b}, nil},
		{"BTS without BHS", a + b + "BTS|2\r", []string{a, b}, nil},
		{"no counts", bhs + a + "BTS\r", []string{a}, nil},
		{"null count", bhs + a + "BTS|\"\"|x\r", []string{a}, nil},
		{"two batches", fhs + bhs + a + "BTS|1\r" + bhs + b + "BTS|1\rFTS|2\r", []string{a, b}, nil},
		{"a bad one between", bhs + a + bad + b + "BTS|3\r", []string{a, bad, b}, nil},
		{"one lost", bhs + a + b + "BTS|3\r", []string{a, b}, []string{"BTS-1: it counts 3 messages, and there are 2"}},
		{"batches lost", fhs + bhs + a + "BTS|1\rFTS|2\r", []string{a}, []string{"FTS-1: it counts 2 batches, and there are 1"}},
		{"count is no number", bhs + a + "BTS|one\r", []string{a}, []string{"BTS-1: the count of messages is not a number"}},
		{"cut off", fhs + bhs + a + "MSH|^~\\&|B", []string{a, "MSH|^~\\&|B"},
			[]string{"BTS: the batch has no BTS trailer", "FTS: the file has no FTS trailer"}},
		{"batch without trailer before the next", bhs + a + bhs + b + "BTS|1\r", []string{a, b}, []string{"BTS: the batch has no BTS trailer"}},
		{"lines outside", bhs + "PID|9\rOBX|1\r" + a + "BTS|1\r", []string{"PID|9\rOBX|1\r", a}, []string{"lines stand outside any message"}},
		{"lines before the first message", "PID|9\r" + a, []string{"PID|9\r", a}, []string{"lines stand outside any message"}},
		{"empty batch", bhs + "BTS|0\r", nil, nil},
	} {
		for _, ends := range []struct{ name, with string }{{"CR", "\r"}, {"LF", "\n"}, {"CRLF", "\r\n"}} {
			t.Run(c.name+" "+ends.name, func(t *testing.T) {
				raw := strings.ReplaceAll(c.raw, "\r", ends.with)
				parts, faults := hl7.SplitBatch([]byte(raw))
				var got, said []string
				for i, p := range parts {
					text := strings.ReplaceAll(string(p.Raw), ends.with, "\r")
					if ends.with == "\r\n" {
						text = strings.ReplaceAll(text, "\n", "")
					}
					got = append(got, text)
					if len(parts) > 1 || strings.Contains(raw, "BTS") || strings.Contains(raw, "FTS") {
						assert.Equal(t, i+1, p.Position)
					} else {
						assert.Equal(t, 0, p.Position)
					}
				}
				for _, f := range faults {
					text, _, _ := strings.Cut(f.Error(), " (")
					said = append(said, text)
				}
				assert.Equal(t, c.parts, got)
				assert.Equal(t, c.faults, said)
			})
		}
	}
}

func TestSplitBatchLeavesBadOnesAlone(t *testing.T) {
	parts, _ := hl7.SplitBatch([]byte("BHS|^~\\&|\rMSH|^~\\&|A\rPID|1\rMSH|broken\rMSH|^~\\&|B\rPID|2\rBTS|3\r"))
	require.Len(t, parts, 3)
	for i, wantErr := range []bool{false, true, false} {
		_, err := hl7.Parse(parts[i].Raw)
		assert.Equal(t, wantErr, err != nil, "message %d", i+1)
	}
}
