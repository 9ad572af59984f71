package outbound

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/hl7"
)

// HL7 tables 0008 and 0357.
func TestWhatAcknowledgementsMean(t *testing.T) {
	tests := []struct {
		code    string
		reasons []string
		want    Class
	}{
		{"AA", nil, Done}, {"CA", nil, Done}, {"AA", []string{"0"}, Done},
		{"AE", []string{"207"}, Transient}, {"CE", []string{"207"}, Transient}, {"AE", []string{"206", "207"}, Transient},
		{"AR", []string{"207"}, Transient}, {"CR", []string{"206"}, Transient},
		{"AE", nil, Transient}, {"CE", []string{"199"}, Transient},
		{"AE", []string{"100"}, Refused}, {"AE", []string{"101"}, Refused}, {"AE", []string{"102"}, Refused}, {"AE", []string{"103"}, Refused},
		{"CE", []string{"104"}, Refused}, {"AE", []string{"198"}, Refused}, {"AE", []string{"204"}, Refused}, {"AE", []string{"205"}, Refused},
		{"AE", []string{"207", "101"}, Refused},
		{"AR", nil, Refused}, {"CR", nil, Refused}, {"AR", []string{"200"}, Refused}, {"AR", []string{"202"}, Refused}, {"AR", []string{"199"}, Refused},
	}
	h := hl7.Header{ControlID: "ID1"}
	for _, tt := range tests {
		a, ok := readAck([]byte(ackOf(h, tt.code, tt.reasons...)))
		require.True(t, ok)
		assert.Equal(t, tt.want, a.class(), "%s %v", tt.code, tt.reasons)
		assert.Equal(t, "ID1", a.about)
		assert.NotContains(t, a.String(), "Testperson", "texts of the other side stay out")
	}
}

// Acknowledgements as receivers write them: the first four by those in
// peers/hl7, node-hl7-server, simple-hl7, hl7v2-net and python3-hl7.
func TestReadsEveryAcknowledgement(t *testing.T) {
	tests := []struct {
		name, raw string
		want      string // "" for none
	}{
		{"constant id, no last CR", `MSH|^~\&|LAB|M|T|M|20261125193917||ACK^R01^ACK_R01|ACK|P|2.5.1` + "\rMSA|AA|ID1", "AA about ID1"},
		{"another version", `MSH|^~\&|||||20261125||ACK|1|P|2.3` + "\rMSA|AA|ID1\r", "AA about ID1"},
		{"no MSH-11", `MSH|^~\&||LAB||M|20261125193917.123||ACK^R01|9||2.5.1` + "\rMSA|AR|ID1\r", "AR about ID1"},
		{"bare ACK", `MSH|^~\&|LAB|M|T|M|20261125||ACK|X1|P|2.5.1` + "\rMSA|AE|ID1\r", "AE about ID1"},
		{"ERR of 2.5", `MSH|^~\&|||||||ACK|1|P|2.5` + "\rMSA|AE|ID1\rERR||PID^1^3|204^Unknown key^HL70357|E\rERR|||207|E\r", "AE 204 207 about ID1"},
		{"ERR before 2.5", `MSH|^~\&|||||||ACK|1|P|2.3` + "\rMSA|AE|ID1\rERR|PID^1^3^103&Table value not found\r", "AE 103 about ID1"},
		{"MSA-6", `MSH|^~\&|||||||ACK|1|P|2.3` + "\rMSA|AR|ID1|||" + "|202^Unsupported processing id\r", "AR 202 about ID1"},
		{"a reason that is no code", `MSH|^~\&|||||||ACK|1|P|2.5` + "\rMSA|AE|ID1\rERR|||1002|E\rERR|||Ada|E\rERR|||-1|E\r", "AE about ID1"},
		{"other delimiters", "MSH*:~\\&*******ACK*1*P*2.5\rMSA*CA*ID1\r", "CA about ID1"},
		{"line feeds", `MSH|^~\&|||||||ACK|1|P|2.5` + "\nMSA|AA|ID1\n", "AA about ID1"},
		{"a code that is none", `MSH|^~\&|||||||ACK|1|P|2.5` + "\rMSA|OK|ID1\r", ""},
		{"no MSA", `MSH|^~\&|||||||ACK|1|P|2.5` + "\r", ""},
		{"no message", "hello", ""},
		{"nothing", "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a, ok := readAck([]byte(tt.raw))
			if !ok {
				assert.Empty(t, tt.want)
				return
			}
			assert.Equal(t, tt.want, a.String()+" about "+a.about)
		})
	}
}

// Whatever comes back, it is read without panic, and nothing but codes is kept
// of it.
func FuzzReadAck(f *testing.F) {
	f.Add([]byte(ackOf(hl7.Header{ControlID: "ID1"}, "AE", "207")))
	f.Add([]byte("MSH|^~\\&|\rMSA|AA|ID1|text|1||204^Testperson\rERR|PID^1^3^103&Testperson|\rERR||||E"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		a, ok := readAck(raw)
		if !ok {
			return
		}
		require.Len(t, a.code, 2)
		require.LessOrEqual(t, len(a.reasons), 2*mostReasons+1)
		require.Empty(t, strings.Trim(a.String(), "ACER 0123456789"))
		require.NotEmpty(t, a.class())
	})
}
