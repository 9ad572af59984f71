package audit

import (
	"testing"

	"tidegate/outbound"
	"tidegate/poct"
)

// What an audit repository costs a delivery, beside three rows in its commit.
func BenchmarkEvents(b *testing.B) {
	d, o := delivery(poct.Create), outcome(outbound.Done, 201)
	b.ReportAllocs()
	for b.Loop() {
		Events(d, o, where)
	}
}
