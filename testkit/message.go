package testkit

import (
	"fmt"
	"strings"
	"time"
)

// Meter is whose results the load consists of.
const Meter = "Q3-0118"

// Message is bytes as a meter sends them, and what they mean.
type Message struct {
	Raw      []byte
	Sequence int    // the meter's number of the test, 0 for no result
	Status   string // HL7 table 0085: F final, C corrected, W withdrawn
	Patient  string // id at the record system
	INR      string
}

func stamp(t time.Time) string { return t.Format("20060102150405-0700") }

// Test makes the message of the n-th test of the load, as a status and with an
// INR. Tests of one patient lie a minute apart.
func (h *House) Test(n int, status, inr string) Message {
	who := h.people[n%len(h.people)]
	at := stamp(h.begin.Add(time.Duration(n/len(h.people)) * time.Minute))
	seq := 100_000 + n
	pt := map[string]string{"2.4": "28.8", "2.6": "31.2"}[inr] // MNPT 12.0 s, ISI 1.00
	raw := fmt.Appendf(nil, "MSH|^~\\&|QUILL3|millrace|TIDEGATE|MILLRACE|%s||ORU^R01^ORU_R01|load-%d-%s|P|2.5.1\r"+
		"PID|1||%s^^^MILLRACE^MR||%s^%s||%s|\rOBR|1||%d^%s|INR^PT^99QUILL|||%s\r"+
		"OBX|1|NM|34714-6^INR^LN||%s|{INR}^^UCUM|||||%s|||%s||118|QUILL3|%s^QUILL3|%s\r"+
		"OBX|2|NM|5964-2^PT^LN||%s|s^^UCUM|||||%s|||%s||118|QUILL3|%s^QUILL3|%s\r"+
		"OBX|3|ST|STRIPLOT^Strip lot^99QUILL||Q2411||||||%s\r",
		stamp(h.begin.Add(140*time.Minute)), n, status, who.Value, who.Family, who.Given, strings.ReplaceAll(who.BirthDate, "-", ""),
		seq, Meter, at, inr, status, at, Meter, at, pt, status, at, Meter, at, status)
	return Message{Raw: raw, Sequence: seq, Status: status, Patient: who.ID, INR: inr}
}

// Life is the n-th test as the meter tells it: most are final and stay so,
// some are corrected, some corrected and then withdrawn.
func (h *House) Life(n int) []Message {
	list := []Message{h.Test(n, "F", "2.4")}
	if n%5 == 4 {
		list = append(list, h.Test(n, "C", "2.6"))
	}
	if n%10 == 9 {
		list = append(list, h.Test(n, "W", "2.6"))
	}
	return list
}
