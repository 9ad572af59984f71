package sourcetest

import (
	"runtime"
	"testing"
	"time"
)

// leavesNothing: an inlet's goroutines have ended when Run returns, and those
// of its libraries a moment later.
func leavesNothing(t *testing.T, s *scene) {
	for n := range 3 {
		s.good(n)
	}
	s.way.Half(s.ctx, s.in, s.Speech.Message(9))()
	s.stop()()
	s.way.Close()
	base := runtime.NumGoroutine()
	for round := range 3 {
		s.start()
		s.good(10 + round)
		s.stop()()
		s.way.Close()
	}
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for runtime.NumGoroutine() > base {
		select {
		case <-tick.C:
		case <-s.ctx.Done():
			buf := make([]byte, 1<<20)
			t.Fatalf("%d goroutines before, %d after:\n%s", base, runtime.NumGoroutine(), buf[:runtime.Stack(buf, true)])
		}
	}
}
