package outbound

import (
	"context"
	"fmt"
	"net/http"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/outbound/outlettest"
	"tidegate/poct"
	"tidegate/standin"
)

// An hour of outage, with a result every 24 seconds: while it lasts the record system
// is asked little more than once a pause, and afterwards everything arrives, a
// few at a time at first.
func TestCatchesUpAfterAnHourOfOutage(t *testing.T) {
	eachWay(t, func(t *testing.T, b *bench) {
		b.known()
		b.record.Outage(&standin.Fault{Kind: standin.Status, Status: 503})
		before := b.record.Requests()
		b.store.Add(outletID, result(1000, "2.5"), poct.Create)
		done := make(chan struct{})
		go func() { b.run(b.worker, 90*time.Minute); close(done) }()
		for n := range 149 {
			time.Sleep(24 * time.Second)
			b.store.Add(outletID, result(1001+n, "2.5"), poct.Create)
		}
		require.Less(t, b.record.Requests()-before, int64(3600/10+40), "a failing system is not flooded")
		require.Equal(t, 150, b.store.Open())
		b.record.Outage(nil)
		mended := time.Now()
		<-done
		require.Zero(t, b.store.Open())
		require.Less(t, time.Since(mended), 11*time.Minute, "no longer than the longest pause between two attempts")
		b.sound(302, 0)
	})
}

// BenchmarkCatchUp delivers what an outage left behind. The worker keeps nothing
// of what waits, nor of what went, however much it was.
func BenchmarkCatchUp(b *testing.B) {
	for _, waiting := range []int{100, 1000} {
		for _, w := range ways {
			b.Run(fmt.Sprintf("%d waiting, %s", waiting, w.name), func(b *testing.B) {
				results := 0
				for b.Loop() {
					b.StopTimer()
					k := catchUp(b, w, waiting)
					b.StartTimer()
					k.deliver(b)
					results += waiting
					to := k.worker.to.(*recordSystem)
					require.Zero(b, len(k.worker.sent)+len(k.worker.conflicts.by)+len(to.parsed.by)+len(to.partial.by), "kept after delivery")
				}
				b.ReportMetric(float64(results)/b.Elapsed().Seconds(), "results/s")
			})
		}
	}
}

// backlog is a worker in front of results that wait.
type backlog struct {
	worker  *Worker
	store   *outlettest.Store
	waiting atomic.Int64
	empty   chan struct{}
}

func catchUp(b *testing.B, w way, waiting int) *backlog {
	record := standin.NewRecord(standin.Options{Switches: w.switches, Patients: []standin.Patient{
		{ID: "p-1", System: systems["MILLRACE"], Value: ada.ID, Family: ada.Family, BirthDate: ada.BirthDate},
	}})
	k := &backlog{store: outlettest.NewStore(time.Now), empty: make(chan struct{}, 1)}
	var err error
	k.worker, err = New(Config{
		ID: outletID, Sites: []string{"*"}, LookupWait: time.Millisecond, Retry: Retry{First: 10 * time.Millisecond},
		FHIR: FHIR{BaseURL: "http://127.0.0.1:1/fhir", Mode: w.mode, OwnIDs: w.own},
	}, Settings{
		ID: outletID, Store: k.store, Log: zerolog.Nop(), Systems: systems, HTTP: &http.Client{Transport: &wire{record: record, forget: true}}, Wake: k.store.Wake(),
		Answered: func(_ poct.Receipt, done bool, _ time.Duration) {
			if done && k.waiting.Add(-1) == 0 {
				k.empty <- struct{}{}
			}
		},
	})
	require.NoError(b, err)
	k.add(9000)
	k.deliver(b)
	for n := range waiting {
		k.add(n)
	}
	return k
}

func (k *backlog) add(n int) {
	k.waiting.Add(1)
	k.store.Add(outletID, result(n, "2.5"), poct.Create)
}

func (k *backlog) deliver(b *testing.B) {
	ctx, stop := context.WithCancel(b.Context())
	done := make(chan error, 1)
	go func() { done <- k.worker.Run(ctx) }()
	<-k.empty
	stop()
	require.NoError(b, <-done)
}
