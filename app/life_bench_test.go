package app_test

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"tidegate/app"
	"tidegate/config"
	"tidegate/standin"
)

// BenchmarkWholeLife takes b.N results from MLLP frames to receipts, in one
// process with the stand-in: for profiles, not for figures.
func BenchmarkWholeLife(b *testing.B) { wholeLife(b) }

// BenchmarkRehearse judges b.N stored results again under the same
// configuration. The copy of the data folder is part of it.
func BenchmarkRehearse(b *testing.B) {
	cfg := wholeLife(b)
	b.ResetTimer()
	b.StartTimer()
	r, err := app.Rehearse(context.Background(), cfg, time.Now().Add(-24*time.Hour), 0, nil)
	if err != nil || r.Readings < b.N || r.Changed != 0 {
		b.Fatalf("rehearsed %d readings of %d, %d changed: %v", r.Readings, b.N, r.Changed, err)
	}
}

func wholeLife(b *testing.B) *config.Config {
	day, err := standin.NewDay(3, time.Now())
	if err != nil {
		b.Fatal(err)
	}
	server := httptest.NewUnstartedServer(nil)
	setup, err := day.WriteSetup(b.TempDir(), standin.Ports{Web: "127.0.0.1:0", MLLP: "127.0.0.1:0", HTTP: "127.0.0.1:0", Record: "http://" + server.Listener.Addr().String() + "/fhir"})
	if err != nil {
		b.Fatal(err)
	}
	record := standin.NewRecord(standin.Options{Token: setup.RecordToken, Patients: day.Patients(), LogSize: 1})
	server.Config.Handler = http.StripPrefix("/fhir", record)
	server.Start()
	defer server.Close()
	cfg, faults := config.Load(setup.Config)
	if len(faults) > 0 {
		b.Fatal(faults)
	}
	a, err := app.New(cfg, app.Options{Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- a.Run(ctx) }()
	load := day.Load("Q3-0118")
	const meters = 64
	conns := make(chan net.Conn, meters)
	for range meters {
		c, err := net.Dial("tcp", a.Listeners()["bench"])
		if err != nil {
			b.Fatal(err)
		}
		defer c.Close()
		conns <- c
	}
	say := func(raw []byte) {
		c := <-conns
		defer func() { conns <- c }()
		if _, err := c.Write(append(append([]byte{0x0b}, raw...), 0x1c, 0x0d)); err != nil {
			b.Error(err)
		}
		buf := make([]byte, 1024)
		for n := 0; n < 2 || buf[n-1] != 0x0d || buf[n-2] != 0x1c; {
			m, err := c.Read(buf[n:])
			if err != nil {
				b.Error(err)
				return
			}
			n += m
		}
	}
	for _, raw := range load.Controls {
		say(raw)
	}
	b.ResetTimer()
	work := make(chan int)
	for range meters {
		go func() {
			for n := range work {
				say(load.Result(n))
			}
		}()
	}
	for n := range b.N {
		work <- n
	}
	close(work)
	for {
		acc, err := a.Account(ctx)
		if err != nil {
			b.Fatal(err)
		}
		if acc.Waiting+acc.Delivering == 0 && acc.Arrivals >= int64(b.N) {
			break
		}
		<-time.After(time.Millisecond)
	}
	b.StopTimer()
	cancel()
	if err := <-ran; err != nil {
		b.Fatal(err)
	}
	if err := a.Close(); err != nil {
		b.Fatal(err)
	}
	return cfg
}
