package outbound

import (
	"slices"
	"strconv"
	"strings"

	"tidegate/wire/hl7"
)

// ack is what an acknowledgement says: MSA-1, MSA-2, and the error conditions
// of HL7 table 0357 that it names. Its texts are the other side's own and may
// speak of a patient: they are left out.
type ack struct {
	code    string
	about   string // control id of the message that it acknowledges
	reasons []hl7.Code
}

// readAck reads an acknowledgement, whatever its own header says: receivers
// differ in MSH-9, 10, 11 and 12, and many leave the last CR out.
func readAck(raw []byte) (ack, bool) {
	m, err := hl7.Parse(raw)
	if err != nil {
		return ack{}, false
	}
	msa := m.Find("MSA", 1)
	a := ack{code: msa.Field(1).Text(), about: msa.Field(2).Text()}
	if !slices.Contains([]string{"AA", "AE", "AR", "CA", "CE", "CR"}, a.code) { // HL7 table 0008
		return ack{}, false
	}
	a.reason(msa.Field(6).Component(1).Text()) // before 2.5
	for n := 1; n <= mostReasons; n++ {
		e := m.Find("ERR", n)
		if !e.Exists() {
			break
		}
		a.reason(e.Field(3).Component(1).Text())
		a.reason(e.Field(1).Component(4).Subcomponent(1).Text()) // before 2.5
	}
	return a, true
}

const mostReasons = 8

// reason takes a code of table 0357: up to three digits, and nothing else that
// could be a value.
func (a *ack) reason(code string) {
	if n, err := strconv.ParseUint(code, 10, 16); err == nil && n > 0 && n < 1000 && !slices.Contains(a.reasons, hl7.Code(code)) {
		a.reasons = append(a.reasons, hl7.Code(code))
	}
}

// passing tells that what is named passes by itself: a record that is locked,
// a fault of the receiver's own.
func (a ack) passing() bool {
	return len(a.reasons) > 0 && !slices.ContainsFunc(a.reasons, func(c hl7.Code) bool { return c != hl7.CodeLocked && c != hl7.CodeInternal })
}

// ofTheMessage tells that one of the reasons is about the message itself, so
// that the same bytes would be answered in the same way.
func (a ack) ofTheMessage() bool {
	return slices.ContainsFunc(a.reasons, func(c hl7.Code) bool {
		return c != hl7.CodeLocked && c != hl7.CodeInternal && c != hl7.CodeOther
	})
}

// class is what follows (HL7 tables 0008 and 0357; the split is our own rule,
// common practice where the tables leave it open):
//
//	AA CA                             delivered
//	AE CE AR CR with 206 or 207 only  transient
//	AE CE with a reason in it         refused
//	AE CE without one, or with 199    transient, for a number of attempts
//	AR CR                             refused
func (a ack) class() Class {
	switch {
	case strings.HasSuffix(a.code, "A"):
		return Done
	case a.passing():
		return Transient
	case strings.HasSuffix(a.code, "R") || a.ofTheMessage():
		return Refused
	}
	return Transient
}

// String is the code and its reasons: "AE 207".
func (a ack) String() string {
	s := a.code
	for _, r := range a.reasons {
		s += " " + string(r)
	}
	return s
}
