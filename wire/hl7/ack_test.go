package hl7_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/hl7"
)

var answered = time.Date(2024, 3, 5, 9, 13, 31, 0, time.FixedZone("", 3600))

func answer(o hl7.Outcome, faults ...hl7.Fault) hl7.Answer {
	return hl7.Answer{Outcome: o, Faults: faults, Now: answered, NewID: func() string { return "T1" }}
}

func ack(t *testing.T, raw string, a hl7.Answer) []string {
	t.Helper()
	h, _ := hl7.ReadHeader([]byte(raw))
	var out []string
	for _, b := range hl7.Ack(h, a) {
		m, err := hl7.Parse(b)
		require.NoError(t, err, "an answer can be read by our own rules")
		assert.Equal(t, "ACK", m.Get("MSH-9.1").Text())
		out = append(out, string(b))
	}
	return out
}

func TestAckOfWholeMessage(t *testing.T) {
	got := ack(t, string(message(t, "oru_r30.hl7")), answer(hl7.Stored))
	want := "MSH|^~\\&|TIDEGATE|CLINIC7|meter-7|CLINIC7|20240305091331+0100||ACK^R30^ACK|T1|P|2.5.1||||||UNICODE UTF-8\rMSA|CA|000123\r"
	require.Equal(t, []string{want}, got)
}

// MSH-15 and 16 with HL7 table 0155; HL7 2.5.1 section 2.9.
func TestAckModes(t *testing.T) {
	for _, c := range []struct {
		accept, application     string
		stored, failed, refused string
	}{
		{"", "", "AA", "AE", "AR"},
		{"AL", "NE", "CA", "CE", "CR"},
		{"AL", "", "CA", "CE", "CR"},
		{"NE", "NE", "", "", ""},
		{"NE", "AL", "AA", "AE", "AR"},
		{"", "AL", "AA", "AE", "AR"},
		{"AL", "AL", "CA AA", "CE AE", "CR AR"},
		{"ER", "NE", "", "CE", "CR"},
		{"SU", "NE", "CA", "", ""},
		{"ER", "SU", "AA", "CE", "CR"},
		{"XX", "", "CA", "CE", "CR"},
		{`""`, `""`, "AA", "AE", "AR"},
	} {
		raw := `MSH|^~\&|m|f|r|g|20240305||ORU^R01^ORU_R01|77|P|2.5.1|||` + c.accept + "|" + c.application + "\r"
		for outcome, want := range map[hl7.Outcome]string{hl7.Stored: c.stored, hl7.Failed: c.failed, hl7.Refused: c.refused} {
			var codes []string
			for _, text := range ack(t, raw, answer(outcome)) {
				m := parse(t, text)
				codes = append(codes, m.Get("MSA-1").Text())
				assert.Equal(t, "77", m.Get("MSA-2").Text())
				if strings.Trim(c.accept+c.application, `"`) != "" && strings.HasPrefix(m.Get("MSA-1").Text(), "A") {
					assert.Equal(t, "NE", m.Get("MSH-15").Text(), "nobody is to acknowledge the application's answer")
				}
			}
			assert.Equal(t, want, strings.Join(codes, " "), "MSH-15 %q, MSH-16 %q", c.accept, c.application)
		}
	}
}

func TestAckOfAckIsNone(t *testing.T) {
	for _, kind := range []string{"ACK", "ACK^R01", "ACK^R01^ACK", "MCF"} {
		raw := `MSH|^~\&|||||20240305||` + kind + "|1|P|2.5.1|||AL|AL\rMSA|AA|9\r"
		assert.Empty(t, ack(t, raw, answer(hl7.Stored)), kind)
		assert.Empty(t, ack(t, raw, answer(hl7.Refused)), kind)
	}
}

// The reply to R30 has an event of its own, as the IHE Laboratory framework's
// transaction LAB-32 has it: ACK^R33^ACK with AA.
func TestAckEvent(t *testing.T) {
	for kind, want := range map[string]string{
		"ORU^R30^ORU_R30": "ACK^R33^ACK", "ORU^R31^ORU_R30": "ACK^R33^ACK", "ORU^R01^ORU_R01": "ACK^R01^ACK", "ORU^R01": "ACK^R01^ACK", "ORU": "ACK", "": "ACK",
	} {
		got := ack(t, `MSH|^~\&|||||20240305||`+kind+"|1|P|2.5.1\r", answer(hl7.Stored))
		assert.Equal(t, want, parse(t, got[0]).Get("MSH-9").Text(), kind)
	}
}

func TestAckErrors(t *testing.T) {
	noID := hl7.Fault{Code: hl7.CodeMissing, Segment: "MSH", Sequence: 1, Field: 10, What: "the control id is missing"}
	t.Run("no control id (dcm4che/dcm4che#1000)", func(t *testing.T) {
		m := parse(t, ack(t, `MSH|^~\&|||||20240305||ORU^R01||P|2.5.1`+"\r", answer(hl7.Failed, noID))[0])
		assert.Equal(t, "AE", m.Get("MSA-1").Text())
		assert.True(t, m.Get("MSA-2").Absent())
		assert.True(t, m.Get("ERR-1").Absent())
		assert.Equal(t, "MSH^1^10", m.Get("ERR-2").Text())
		assert.Equal(t, "101", m.Get("ERR-3.1").Text())
		assert.Equal(t, "HL70357", m.Get("ERR-3.3").Text())
		assert.Equal(t, "E", m.Get("ERR-4").Text())
		assert.Equal(t, "the control id is missing", m.Get("ERR-8").Text())
	})
	t.Run("before 2.5 in ERR-1", func(t *testing.T) {
		for _, version := range []string{"2.1", "2.3", "2.3.1", "2.4", "2.4^DEU"} {
			m := parse(t, ack(t, `MSH|^~\&|||||20240305||ORU^R01|1|P|`+version+"\r", answer(hl7.Refused, noID, hl7.Fault{Code: hl7.CodeOther}))[0])
			assert.Equal(t, "MSH^1^10^101&Required field missing&HL70357", m.Get("ERR-1(1)").Text(), version)
			assert.Equal(t, "199", m.Get("ERR-1(2).4.1").Text())
			assert.True(t, m.Get("ERR-3").Absent())
		}
	})
	t.Run("from 2.5 on in ERR-2 to 4, one segment each", func(t *testing.T) {
		for _, version := range []string{"2.5", "2.5.1", "2.7", "2.9", "3.0", "x", "", "2.10"} {
			m := parse(t, ack(t, `MSH|^~\&|||||20240305||ORU^R01|1|P|`+version+"\r",
				answer(hl7.Refused, noID, hl7.Fault{Code: hl7.CodeTable, Segment: "PID", Sequence: 1, Field: 3, Component: 4}))[0])
			assert.Equal(t, "101", m.Get("ERR-3.1").Text(), version)
			assert.Equal(t, "PID^1^3^1^4", m.Get("ERR[2]-2").Text())
			assert.Equal(t, "103", m.Get("ERR[2]-3.1").Text())
		}
	})
	t.Run("no detail of our own failure", func(t *testing.T) {
		got := ack(t, `MSH|^~\&|||||20240305||ORU^R01|1|P|2.5.1`+"\r", answer(hl7.Failed, hl7.Fault{Code: hl7.CodeInternal}))
		assert.True(t, strings.HasSuffix(got[0], "\rMSA|AE|1\rERR|||207^Application internal error^HL70357|E\r"), got[0])
	})
}

// An answer has to be found by its MSA-2, so the control id comes back to the byte.
func TestAckOfOddHeaders(t *testing.T) {
	for _, c := range []struct{ name, raw, want string }{
		{"no MSH", "hello", "MSH|^~\\&|||||20240305091331+0100||ACK|T1|P|2.5.1\rMSA|AR\r"},
		{"nothing", "", "MSH|^~\\&|||||20240305091331+0100||ACK|T1|P|2.5.1\rMSA|AR\r"},
		{"other delimiters", "MSH$%*!@$A%1$$$$$$ORU%R01$x%y$P$2.5.1\r",
			"MSH$%*!@$$$A%1$$20240305091331+0100$$ACK%R01%ACK$T1$P$2.5.1\rMSA$AR$x%y\r"},
		{"truncation character", "MSH|^~\\&#|A||||||ORU^R01|1|T|2.7\r", "MSH|^~\\&#|||A||20240305091331+0100||ACK^R01^ACK|T1|T|2.7\rMSA|AR|1\r"},
		{"MSH-2 missing: the columns are taken as they stand", "MSH||A||||||ORU^R01|1^2|P|2.5.1\r",
			"MSH|^~\\&|||A||20240305091331+0100||ACK|T1|P|2.5.1\rMSA|AR|12\r"},
		{"control characters", "MSH|^~\\&|A\x0b\x1c||||||ORU^R01|1\x00\r", "MSH|^~\\&|||A||20240305091331+0100||ACK^R01^ACK|T1|P|2.5.1\rMSA|AR|1\r"},
		{"LF", "MSH|^~\\&|A||||||ORU^R01|1\nPID|1\n", "MSH|^~\\&|||A||20240305091331+0100||ACK^R01^ACK|T1|P|2.5.1\rMSA|AR|1\r"},
		{"bytes of its own character set", "MSH|^~\\&|M\xF6we||||||ORU^R01|1|P|2.5.1||||||8859/1\r",
			"MSH|^~\\&|||M\xF6we||20240305091331+0100||ACK^R01^ACK|T1|P|2.5.1||||||8859/1\rMSA|AR|1\r"},
		{"endless control id", "MSH|^~\\&|||||||ORU^R01|" + strings.Repeat("9", 5000) + "|P|2.5.1\r",
			"MSH|^~\\&|||||20240305091331+0100||ACK^R01^ACK|T1|P|2.5.1\rMSA|AR|" + strings.Repeat("9", 199) + "\r"},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.Equal(t, []string{c.want}, ack(t, c.raw, answer(hl7.Refused)))
		})
	}
}

// Nothing after MSH ever comes back.
func TestAckHoldsNoPatientData(t *testing.T) {
	raw := string(message(t, "oru_r30.hl7"))
	for _, o := range []hl7.Outcome{hl7.Stored, hl7.Failed, hl7.Refused} {
		got := strings.Join(ack(t, raw, answer(o, hl7.Fault{Code: hl7.CodeType, Segment: "PID", Sequence: 1, Field: 7, What: "not a date"})), "")
		for _, secret := range []string{"MRN0007", "Testperson", "Ada", "19500101", "2.4|", "SN0042", "L2403A", "op17"} {
			assert.NotContains(t, got, secret)
		}
	}
}
