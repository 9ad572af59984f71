package ingest

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/poct"
)

// noticeTime bounds the writing of one notice, noticesPerMinute how many of an
// inlet are stored.
const (
	noticeTime       = 5 * time.Second
	noticesPerMinute = 120
)

// Notices records what became no arrival, to the store and to the log. A flood
// of broken connections gets through to the log alone, so that it cannot fill
// the store. It is safe for concurrent use.
type Notices struct {
	Inlet string
	Inbox Inbox
	Log   zerolog.Logger
	Now   func() time.Time

	mu      sync.Mutex
	minute  time.Time
	count   int
	dropped int
}

// Record stores a notice; one that cannot be stored is in the log all the
// same, without its bytes.
func (n *Notices) Record(peer, what string, bytes []byte) {
	now := n.Now()
	log := n.Log.Warn().Str("peer", peer).Int("bytes", len(bytes))
	ok, dropped := n.allow(now)
	if !ok {
		log.Bool("recorded", false).Msg(what)
		return
	}
	if dropped > 0 {
		what = fmt.Sprintf("%s (%d notices before it were not recorded, there were too many)", what, dropped)
	}
	log.Msg(what)
	ctx, done := context.WithTimeout(context.Background(), noticeTime)
	defer done()
	if err := n.Inbox.Notice(ctx, poct.Notice{Inlet: n.Inlet, Peer: peer, At: now, What: what, Bytes: bytes}); err != nil {
		n.Log.Error().Err(err).Msg("a notice could not be stored")
	}
}

// allow reports whether one more may be stored, and if so how many were not.
func (n *Notices) allow(now time.Time) (ok bool, dropped int) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if minute := now.Truncate(time.Minute); !minute.Equal(n.minute) {
		n.minute, n.count = minute, 0
	}
	if n.count >= noticesPerMinute {
		n.dropped++
		return false, 0
	}
	n.count++
	dropped, n.dropped = n.dropped, 0
	return true, dropped
}
