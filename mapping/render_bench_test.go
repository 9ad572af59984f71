package mapping

import (
	"crypto/sha256"
	"testing"

	"tidegate/poct"
)

// BenchmarkBundle renders INR and PT of one strip. Compare with BenchmarkDigest:
// the goal is at most 40 times the SHA-256 of the message's bytes.
func BenchmarkBundle(b *testing.B) {
	r := sampleResult()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Bundle(r, poct.Create, IDs{Patient: "Patient/12"}, everything); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkDigest is the SHA-256 of one message, the measure of the others.
func BenchmarkDigest(b *testing.B) {
	raw := []byte(worked)
	for b.Loop() {
		sha256.Sum256(raw)
	}
}

func BenchmarkDecode(b *testing.B) {
	a := poct.Arrival{ID: "a", Raw: []byte(worked), Format: "hl7v2"}
	p := []*Profile{quill}
	b.ReportAllocs()
	for b.Loop() {
		Decode(a, p, nil)
	}
}
