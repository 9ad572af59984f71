package outbound

import (
	"context"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

// BenchmarkORU writes one result down as an HL7 v2 message.
func BenchmarkORU(b *testing.B) {
	r, o := result(1, "2.1"), mapping.ORUOptions{Message: mapping.Unsolicited, ControlID: "ABCDEFGHIJ2345672345"}
	size := 0
	for b.Loop() {
		body, err := mapping.ORU(r, poct.Create, nil, o)
		require.NoError(b, err)
		size = len(body)
	}
	b.ReportMetric(float64(size), "bytes/message")
}

// BenchmarkSendHL7v2 sends one message after another over one connection of
// this machine and waits for each acknowledgement.
func BenchmarkSendHL7v2(b *testing.B) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(b, err)
	served := make(chan struct{})
	go func() {
		defer close(served)
		c, err := ln.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		frames := hl7.NewFrameReader(c, 1<<20)
		for {
			raw, err := frames.Next()
			if err != nil {
				return
			}
			h, _ := hl7.ReadHeader(raw)
			for _, answer := range hl7.Ack(h, hl7.Answer{Now: time.Now(), NewID: func() string { return "1" }}) {
				_ = hl7.WriteFrame(c, answer)
			}
		}
	}()
	cfg := Config{ID: outletID, Kind: "hl7v2", Sites: []string{"*"}, HL7v2: HL7v2{Address: ln.Addr().String()}}.WithDefaults()
	to, err := cfg.HL7v2.open(cfg, Settings{})
	require.NoError(b, err)
	d := poct.Delivery{ID: 1, Outlet: outletID, Result: result(1, "2.1"), Action: poct.Create}
	body, _, _ := to.Prepare(context.Background(), d)
	d.Body = body
	for b.Loop() {
		if a := to.Send(context.Background(), d); a.Class != Done {
			b.Fatal(a)
		}
	}
	require.NoError(b, to.(*hl7Receiver).Close())
	require.NoError(b, ln.Close())
	<-served
}
