package outbound

import (
	"testing"

	"tidegate/mapping"
	"tidegate/poct"
)

// BenchmarkReadSent is the cost of reading the rendered transaction, which
// every delivery pays once.
func BenchmarkReadSent(b *testing.B) {
	body, err := mapping.Bundle(result(1, "2.5"), poct.Create, mapping.IDs{Patient: "Patient/p-1"}, mapping.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(body)))
	for b.Loop() {
		s, err := readSent(body)
		if err != nil {
			b.Fatal(err)
		}
		_ = s.linked(map[string]string{"urn:uuid:a": "Device/1"}, nil).bundle()
	}
}
