package outbound

import (
	"math/rand/v2"
	"sync"
	"time"
)

// backoff gives the pauses between attempts: doubled from first to most, of
// which the upper half is random, so that deliveries that failed together do
// not come back together.
type backoff struct {
	first, most time.Duration
	mu          sync.Mutex
	rnd         *rand.Rand
}

// after is the pause after the given number of attempts, at least one.
func (b *backoff) after(attempts int) time.Duration {
	d := b.first
	for i := 1; i < attempts && d < b.most; i++ {
		d *= 2
	}
	d = min(d, b.most)
	b.mu.Lock()
	defer b.mu.Unlock()
	return d/2 + time.Duration(b.rnd.Int64N(int64(d/2)+1))
}
