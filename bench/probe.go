package bench

import (
	"os"
	"path/filepath"
	"sort"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"
)

// load is what a number of producers reached, one request at a time each.
type load struct {
	Producers int
	PerSecond float64
	P99       time.Duration
}

// drive lets n producers call do in turn for the given time. do gets the
// producer and a running number that no other call of this drive gets.
func drive(n int, lasts time.Duration, do func(producer int, serial int64) error) (load, error) {
	var serial, done atomic.Int64
	var failed atomic.Pointer[error]
	var wg sync.WaitGroup
	waits := make([][]time.Duration, n)
	began := time.Now()
	for p := range n {
		wg.Go(func() {
			for time.Since(began) < lasts && failed.Load() == nil {
				at := time.Now()
				if err := do(p, serial.Add(1)); err != nil {
					failed.CompareAndSwap(nil, &err)
					return
				}
				waits[p] = append(waits[p], time.Since(at))
				done.Add(1)
			}
		})
	}
	wg.Wait()
	took := time.Since(began)
	if e := failed.Load(); e != nil {
		return load{}, *e
	}
	var all []time.Duration
	for _, w := range waits {
		all = append(all, w...)
	}
	sort.Slice(all, func(i, k int) bool { return all[i] < all[k] })
	l := load{Producers: n, PerSecond: float64(done.Load()) / took.Seconds()}
	if len(all) > 0 {
		l.P99 = all[len(all)*99/100]
	}
	return l, nil
}

// rawDisk is the yardstick for accepting: a file to which one writer appends
// whatever messages wait, with one fdatasync for all of them.
func rawDisk(dir string, producers int, lasts time.Duration, message []byte) (load, error) {
	f, err := os.Create(filepath.Join(dir, "raw"))
	if err != nil {
		return load{}, err
	}
	defer os.Remove(f.Name())
	defer f.Close()
	type request struct{ answer chan error }
	queue := make(chan request, producers)
	var wg sync.WaitGroup
	wg.Go(func() {
		var buf []byte
		for first := range queue {
			waiting := []request{first}
			buf = append(buf[:0], message...)
		more:
			for len(waiting) < 512 {
				select {
				case r, ok := <-queue:
					if !ok {
						break more
					}
					waiting, buf = append(waiting, r), append(buf, message...)
				default:
					break more
				}
			}
			_, err := f.Write(buf)
			if err == nil {
				err = unix.Fdatasync(int(f.Fd()))
			}
			for _, r := range waiting {
				r.answer <- err
			}
		}
	})
	answers := make([]chan error, producers)
	for i := range answers {
		answers[i] = make(chan error, 1)
	}
	l, err := drive(producers, lasts, func(p int, _ int64) error {
		queue <- request{answers[p]}
		return <-answers[p]
	})
	close(queue)
	wg.Wait()
	return l, err
}
