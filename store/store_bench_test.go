package store_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"tidegate/poct"
	"tidegate/store"
	"tidegate/store/storetest"
)

// message is about as long as a meter's message.
func message(i int64) []byte {
	return fmt.Appendf(nil, "MSH|^~\\&|QUILL3|M|||20260302||ORU^R01|%d|P|2.5.1\rPID|||40721^^^MILLRACE\r%s", i, strings.Repeat("OBX|1|NM|34714-6||2.5|{INR}\r", 20))
}

// BenchmarkAccept is durable acceptance with this many senders at once, each
// waiting for its answer.
func BenchmarkAccept(b *testing.B) {
	for _, senders := range []int{1, 16, 256} {
		b.Run(fmt.Sprint(senders), func(b *testing.B) {
			s := open(b, b.TempDir(), store.Options{})
			began := cpu()
			var next atomic.Int64
			var wg sync.WaitGroup
			b.ResetTimer()
			for range senders {
				wg.Go(func() {
					for {
						i := next.Add(1)
						if i > int64(b.N) {
							return
						}
						if _, err := s.Accept(context.Background(), poct.Arrival{Inlet: "in", Raw: message(i)}); err != nil {
							b.Error(err)
							return
						}
					}
				})
			}
			wg.Wait()
			b.ReportMetric(float64((cpu()-began).Microseconds())/float64(b.N), "cpu-us/op")
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "accepted/s")
		})
	}
}

// BenchmarkLife is the whole life of a result in the store, 256 senders, one
// judge, one sender of 16 deliveries at a time: all that is left out is
// reading, checking, rendering and the network.
func BenchmarkLife(b *testing.B) {
	ctx := context.Background()
	s := open(b, b.TempDir(), store.Options{})
	_, _, err := s.Upsert(ctx, "bench", poct.RegistryRows{Patients: []poct.Patient{{Authority: "MILLRACE", ID: "40721", BirthDate: "1951-04-02"}}})
	if err != nil {
		b.Fatal(err)
	}
	var next, delivered atomic.Int64
	var senders, workers sync.WaitGroup
	ctx, stop := context.WithCancel(ctx)
	began := cpu()
	b.ResetTimer()
	for range 256 {
		senders.Go(func() {
			for {
				i := next.Add(1)
				if i > int64(b.N) {
					return
				}
				if _, err := s.Accept(context.Background(), poct.Arrival{Inlet: "in", Raw: message(i)}); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	workers.Go(func() { judgeAll(b, ctx, s) })
	workers.Go(func() { deliverAll(b, ctx, s, &delivered, int64(b.N), stop) })
	senders.Wait()
	workers.Wait()
	b.ReportMetric(float64((cpu()-began).Microseconds())/float64(b.N), "cpu-us/op")
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "results/s")
}

func judgeAll(b *testing.B, ctx context.Context, s *store.Store) {
	var n int
	for ctx.Err() == nil {
		claims, err := s.ClaimArrivals(context.Background(), "bench", 64, time.Minute)
		if err != nil {
			b.Error(err)
			return
		}
		if len(claims) == 0 {
			select {
			case <-s.Arrived():
			case <-ctx.Done():
			}
			continue
		}
		_, errs, err := s.Decide(context.Background(), claims, func(book poct.Book, _ poct.Arrival) (poct.Decision, error) {
			n++
			o := storetest.Released(fmt.Sprint("Q", n%8), fmt.Sprint(n), "2.5")
			o.Result.Reading.StripLot = fmt.Sprint("7K", n%4)
			o.Result.Reading.SentAt = poct.Stamp{At: time.Now(), Precision: "second"}
			return poct.Decision{Outcomes: []poct.Outcome{o}}, lookUp(book, o.Result.Reading, n)
		})
		if err := errors.Join(append(errs, err)...); err != nil {
			b.Error(err)
			return
		}
	}
}

// cpu is the processor time that this process has used.
func cpu() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// lookUp reads what a judge reads.
func lookUp(book poct.Book, r poct.Reading, n int) error {
	at := r.Tested()
	_, _, err1 := book.ByKey(r.Key())
	_, err2 := book.Patients("MILLRACE", "40721")
	_, err3 := book.Visits("MILLRACE", "40721")
	_, err4 := book.Controls(r.Meter, at.Add(-48*time.Hour), at)
	_, err5 := book.PatientResults(poct.PatientRef{Authority: "MILLRACE", ID: fmt.Sprint(n)}, at.Add(-24*time.Hour), at, 12)
	_, err6 := book.MeterResults(r.Meter, 1)
	_, err7 := book.SiteLots("saltmarsh", 20)
	_, err8 := book.LabResults(poct.PatientRef{Authority: "MILLRACE", ID: fmt.Sprint(n)}, at.Add(-24*time.Hour), at)
	_, _, err9 := book.Contact(r.Meter)
	return errors.Join(err1, err2, err3, err4, err5, err6, err7, err8, err9)
}

func deliverAll(b *testing.B, ctx context.Context, s *store.Store, delivered *atomic.Int64, all int64, stop func()) {
	body := []byte(strings.Repeat(`{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org"}]}},`, 60))
	for delivered.Load() < all {
		ds, err := s.ClaimDeliveries(context.Background(), "record", "bench", 64, time.Minute)
		if err != nil {
			b.Error(err)
			return
		}
		if len(ds) == 0 {
			select {
			case <-s.Due("record"):
			case <-time.After(time.Second):
			}
			continue
		}
		var wg sync.WaitGroup
		for _, d := range ds {
			wg.Go(func() {
				err := s.Intent(context.Background(), d, body, nil)
				if err == nil {
					err = s.Finish(context.Background(), d, poct.SendOutcome{Done: true, Receipt: poct.Receipt{Status: 201, Class: "delivered",
						Remote: map[string]string{"observation/inr": "Observation/" + d.Result.ID, "etag/observation/inr": `W/"1"`}}})
				}
				if err != nil {
					b.Error(err)
				}
				delivered.Add(1)
			})
		}
		wg.Wait()
	}
	stop()
}

// BenchmarkVerify recomputes a ledger of 20,000 events and compares the rows
// that they tell of.
func BenchmarkVerify(b *testing.B) {
	s := open(b, b.TempDir(), store.Options{})
	ctx, stop := context.WithCancel(context.Background())
	var delivered atomic.Int64
	for i := range int64(4000) {
		if _, err := s.Accept(ctx, poct.Arrival{Inlet: "in", Raw: message(i)}); err != nil {
			b.Fatal(err)
		}
	}
	var workers sync.WaitGroup
	workers.Go(func() { judgeAll(b, ctx, s) })
	workers.Go(func() { deliverAll(b, ctx, s, &delivered, 4000, stop) })
	workers.Wait()
	var events int64
	for b.Loop() {
		v, err := s.Verify(context.Background(), "", nil)
		if err != nil || !v.Verified {
			b.Fatal(err, v.Faults)
		}
		events += v.Events
	}
	b.ReportMetric(float64(events)/b.Elapsed().Seconds(), "events/s")
}
