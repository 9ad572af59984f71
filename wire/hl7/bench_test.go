package hl7_test

import (
	"crypto/sha256"
	"testing"

	"tidegate/wire/hl7"
)

// The goal is to read a message for at most four times what hashing it costs;
// compare BenchmarkParse with BenchmarkSHA256.
func BenchmarkParse(b *testing.B) {
	raw := message(b, "oru_r30.hl7")
	b.SetBytes(int64(len(raw)))
	b.ReportAllocs()
	for b.Loop() {
		m, err := hl7.Parse(raw)
		if err != nil {
			b.Fatal(err)
		}
		if orders, _ := m.Orders(); len(orders) != 1 {
			b.Fatal("no order")
		}
	}
}

func BenchmarkSHA256(b *testing.B) {
	raw := message(b, "oru_r30.hl7")
	b.SetBytes(int64(len(raw)))
	for b.Loop() {
		sha256.Sum256(raw)
	}
}

var paths = func() (out []hl7.Path) {
	for _, s := range []string{"MSH-3.1", "MSH-10", "MSH-11", "PID-3.1", "PID-3.4", "PID-5.1", "PID-7", "PV1-3.1", "ORC-3.1", "OBR-3.1", "OBR-7",
		"OBX-3.1", "OBX-5", "OBX-6.1", "OBX-11", "OBX-16.1", "OBX-18.1"} {
		out = append(out, hl7.MustPath(s))
	}
	return out
}()

// BenchmarkRead reads the fields a meter profile usually asks for.
func BenchmarkRead(b *testing.B) {
	m, err := hl7.Parse(message(b, "oru_r30.hl7"))
	if err != nil {
		b.Fatal(err)
	}
	orders, _ := m.Orders()
	b.ReportAllocs()
	for b.Loop() {
		for _, p := range paths {
			_ = p.In(&orders[0].Observations[0]).Text()
		}
	}
}

// BenchmarkAck reads a header and builds the answer.
func BenchmarkAck(b *testing.B) {
	raw := message(b, "oru_r30.hl7")
	a := answer(hl7.Stored)
	b.ReportAllocs()
	for b.Loop() {
		h, _ := hl7.ReadHeader(raw)
		hl7.Ack(h, a)
	}
}

func BenchmarkFrames(b *testing.B) {
	framed := hl7.AppendFrame(nil, message(b, "oru_r30.hl7"))
	r := hl7.NewFrameReader(endless{framed}, 1<<20)
	b.SetBytes(int64(len(framed)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := r.Next(); err != nil {
			b.Fatal(err)
		}
	}
}

type endless struct{ data []byte }

func (e endless) Read(p []byte) (int, error) { return copy(p, e.data), nil }
