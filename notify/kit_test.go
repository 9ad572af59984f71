package notify_test

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/notify"
	"tidegate/poct"
)

// outbox keeps notifications in memory, in order, with a cursor for each
// channel. The real one is tested with the whole daemon in app.
type outbox struct {
	mu     sync.Mutex
	list   []poct.Notification
	at     map[string]int // channel -> how many it has moved past
	signal chan struct{}
	moved  chan string // "channel id" of each move
	// failBefore and failAfter count down: so many moves fail without, and with,
	// their effect.
	failBefore, failAfter int
}

func newOutbox() *outbox {
	return &outbox{at: map[string]int{}, signal: make(chan struct{}, 1), moved: make(chan string, 1000)}
}

func (o *outbox) add(list ...poct.Notification) {
	o.mu.Lock()
	o.list = append(o.list, list...)
	o.mu.Unlock()
	select {
	case o.signal <- struct{}{}:
	default:
	}
}

func (o *outbox) Notifications(_ context.Context, channel string, most int) ([]poct.Notification, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	rest := o.list[o.at[channel]:]
	return slices.Clone(rest[:min(most, len(rest))]), nil
}

func (o *outbox) Notified(_ context.Context, channel, id string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.failBefore > 0 {
		o.failBefore--
		return errors.New("disk says no")
	}
	i := slices.IndexFunc(o.list, func(n poct.Notification) bool { return n.ID == id })
	o.at[channel] = max(o.at[channel], i+1)
	if o.failAfter > 0 {
		o.failAfter--
		return errors.New("no answer from the disk")
	}
	o.moved <- channel + " " + id
	return nil
}

func (o *outbox) Notifying() <-chan struct{} { return o.signal }

// note is an invented notification.
func note(n int, kind, site string) poct.Notification {
	return poct.Notification{
		ID: "00000000-0000-4000-8000-" + strconv.Itoa(100_000_000_000+n), Kind: kind, Site: site,
		Hold: "H-" + strconv.Itoa(n), Code: "critical", Step: n, At: time.Now(),
	}
}

// post is what a receiver got.
type post struct {
	header http.Header
	body   []byte
}

// receiver is a webhook of somebody's: answer is asked with the number of the
// request, from 1, before anything is written.
type receiver struct {
	*httptest.Server
	got chan post
}

func newReceiver(t *testing.T, answer func(n int, w http.ResponseWriter)) *receiver {
	t.Helper()
	r := &receiver{got: make(chan post, 1000)}
	var mu sync.Mutex
	n := 0
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		body, err := io.ReadAll(req.Body)
		if err != nil {
			panic(http.ErrAbortHandler)
		}
		mu.Lock()
		n++
		k := n
		mu.Unlock()
		r.got <- post{req.Header.Clone(), body}
		answer(k, w)
	}))
	t.Cleanup(r.Close)
	return r
}

func ok(int, http.ResponseWriter) {}

// cut ends the connection without an answer.
func cut() { panic(http.ErrAbortHandler) }

func channelTo(id, url string) notify.Config {
	return notify.Config{
		ID: id, Kind: notify.Webhook, URL: url, On: notify.Told, Sites: []string{"*"},
		Retry: notify.Retry{First: 10 * time.Millisecond, Max: 20 * time.Millisecond},
	}
}

// start runs a worker until the test ends.
func start(t *testing.T, s notify.Settings, cfgs ...notify.Config) *notify.Worker {
	t.Helper()
	w, err := notify.New(cfgs, s)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-ended)
	})
	return w
}

func settings(t *testing.T, o notify.Outbox) notify.Settings {
	return notify.Settings{Outbox: o, Log: zerolog.New(zerolog.NewTestWriter(t)), Poll: 10 * time.Millisecond}
}

// await waits for an attempt of a class on the only channel.
func await(t *testing.T, w *notify.Worker, class string) {
	t.Helper()
	require.Eventually(t, func() bool { return w.Health()[0].Attempts[class] > 0 }, patience, time.Millisecond)
}
