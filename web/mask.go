package web

import (
	"bytes"

	"tidegate/poct"
)

// about are the fields of a reading that tell who a patient is.
var about = []string{poct.FieldPatient, poct.FieldBirthDate, poct.FieldFamily, poct.FieldGiven, poct.FieldSex,
	poct.FieldVisit, poct.FieldOrder}

// plainSegments are HL7 segments that speak of the device and the test, with
// the last field of each that may stay; every other segment is masked whole.
var plainSegments = map[string]int{"MSH": 25, "OBR": 7, "OBX": 18, "SPM": 14, "BHS": 12, "BTS": 2, "FHS": 12, "FTS": 2, "MSA": 2}

// mask returns an arrival's bytes with everything that may tell of a patient
// replaced: letters by x, digits by 9, so that lengths, places and forms stay
// readable for whoever mends a profile. Of HL7 the segments about device and
// test stay; of anything else only the fields that a reading found in it.
func mask(a poct.Arrival, readings []poct.Reading) []byte {
	out := bytes.Clone(a.Raw)
	if (a.Format == "hl7v2" || a.Format == "") && bytes.HasPrefix(a.Raw, []byte("MSH")) && len(a.Raw) > 3 {
		maskHL7(out, a.Raw[3])
	} else {
		shape(out)
		for _, r := range readings {
			for field, s := range r.Where {
				if inside(s, out) && field != poct.FieldMessage {
					copy(out[s.From:s.To], a.Raw[s.From:s.To])
				}
			}
		}
	}
	for _, r := range readings {
		for _, f := range about {
			if s, ok := r.Where[f]; ok && inside(s, out) {
				shape(out[s.From:s.To])
			}
		}
	}
	return out
}

func inside(s poct.Span, b []byte) bool { return s.From >= 0 && s.From <= s.To && s.To <= len(b) }

func maskHL7(b []byte, sep byte) {
	for len(b) > 0 {
		end := bytes.IndexAny(b, "\r\n")
		if end < 0 {
			end = len(b)
		}
		maskSegment(b[:end], sep)
		b = b[min(end+1, len(b)):]
	}
}

// maskSegment keeps a known segment's fields up to its limit, and of OBX-5,
// which may be free text, only what is a number.
func maskSegment(seg []byte, sep byte) {
	fields := bytes.Split(seg, []byte{sep}) // slices of seg itself
	limit, known := plainSegments[string(fields[0])]
	if !known {
		for _, f := range fields[1:] {
			shape(f)
		}
		if len(fields) == 1 {
			shape(seg)
		}
		return
	}
	for i, f := range fields {
		freeText := string(fields[0]) == "OBX" && i == 5 && bytes.ContainsFunc(f, letter)
		if i > limit || freeText {
			shape(f)
		}
	}
}

func letter(r rune) bool { return r > 127 || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' }

func shape(b []byte) {
	for i, c := range b {
		switch {
		case c >= '0' && c <= '9':
			b[i] = '9'
		case letter(rune(c)):
			b[i] = 'x'
		}
	}
}
