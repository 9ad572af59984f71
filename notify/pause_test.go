package notify

import (
	"context"
	"errors"
	"net/http"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/poct"
)

// Meanings of statuses: RFC 9110 15, RFC 6585 4 (429), RFC 8470 5.2 (425).
// Retry-After: both examples of RFC 9110 10.2.3.
func TestJudge(t *testing.T) {
	now := time.Date(1999, 12, 31, 23, 57, 59, 0, time.UTC)
	for _, tt := range []struct {
		status int
		after  string
		class  string
		pause  time.Duration
	}{
		{200, "", Sent, 0}, {202, "", Sent, 0}, {204, "", Sent, 0},
		{301, "", Misplaced, 0}, {308, "", Misplaced, 0}, {404, "", Misplaced, 0}, {410, "", Misplaced, 0},
		{401, "", Denied, 0}, {403, "", Denied, 0},
		{400, "", Refused, 0}, {409, "", Refused, 0}, {413, "", Refused, 0}, {422, "", Refused, 0},
		{408, "", Failing, 0}, {425, "", Failing, 0}, {500, "", Failing, 0}, {502, "", Failing, 0}, {504, "", Failing, 0},
		{429, "120", Throttled, 120 * time.Second},
		{503, "Fri, 31 Dec 1999 23:59:59 GMT", Throttled, 120 * time.Second},
		{503, "Fri, 31 Dec 1999 22:59:59 GMT", Throttled, 0},
		{503, "-5", Throttled, 0}, {503, "soon", Throttled, 0}, {503, "99999999999999999999", Throttled, 0},
	} {
		err := judge(&http.Response{StatusCode: tt.status, Header: http.Header{"Retry-After": {tt.after}}}, now)
		require.Equal(t, tt.class, classOf(err), "%d", tt.status)
		var f *failure
		if errors.As(err, &f) {
			require.Equal(t, tt.pause, f.pause, "%d %s", tt.status, tt.after)
		}
	}
}

func TestPausesStayWithinTheirBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Retry{First: time.Duration(rapid.Int64Range(1, int64(time.Minute)).Draw(t, "first"))}
		r.Max = r.First + time.Duration(rapid.Int64Range(0, int64(time.Hour)).Draw(t, "more"))
		asked := time.Duration(rapid.Int64Range(0, int64(48*time.Hour)).Draw(t, "asked"))
		attempts := rapid.IntRange(1, 100).Draw(t, "attempts")
		got := r.pauseAfter(attempts, &failure{pause: asked})
		full := r.Max
		if attempts < 40 && r.First<<(attempts-1) < r.Max && r.First<<(attempts-1) > 0 {
			full = r.First << (attempts - 1)
		}
		if got < full/2 || got < min(asked, r.Max) || got > r.Max {
			t.Fatalf("attempt %d: got %v, want %v to %v", attempts, got, full/2, r.Max)
		}
	})
}

// gone is a receiver that comes back after a time.
type gone struct {
	until time.Time
	sent  []string
}

func (g *gone) send(_ context.Context, id string, _ []byte) error {
	if time.Now().Before(g.until) {
		return &failure{class: Unreachable, text: "connection refused"}
	}
	g.sent = append(g.sent, id)
	return nil
}

func (g *gone) close() {}

// line is the outbox of one channel, for loops under the bubble's clock.
type line struct {
	list []poct.Notification
	done []string
}

func (l *line) Notifications(_ context.Context, _ string, most int) ([]poct.Notification, error) {
	rest := l.list[len(l.done):]
	return rest[:min(most, len(rest))], nil
}

func (l *line) Notified(_ context.Context, _, id string) error {
	for _, n := range l.list[len(l.done):] {
		l.done = append(l.done, n.ID)
		if n.ID == id {
			break
		}
	}
	return nil
}

func (l *line) Notifying() <-chan struct{} { return nil }

// A receiver that is away for a day and a half gets what is younger than
// give_up; the rest is left and counted, in its order.
func TestALongOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := time.Now()
		l, to := &line{}, &gone{until: begin.Add(36 * time.Hour)}
		cfg := Config{ID: "duty", Kind: Webhook, On: Told, Sites: []string{"*"}}.WithDefaults()
		c := newChannel(cfg, Settings{Outbox: l, Log: zerolog.Nop(), Now: time.Now, Poll: 5 * time.Second}, to)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		for i, at := range []time.Duration{0, time.Hour, 11 * time.Hour, 14 * time.Hour, 35 * time.Hour} {
			l.list = append(l.list, poct.Notification{ID: string(rune('a' + i)), Kind: poct.NotifyCritical, At: begin.Add(at)})
		}
		go c.run(ctx)
		time.Sleep(37 * time.Hour) // of the bubble's clock
		synctest.Wait()
		h := c.health()
		require.Equal(t, []string{"d", "e"}, to.sent)
		require.Equal(t, []string{"a", "b", "c", "d", "e"}, l.done)
		require.EqualValues(t, 3, h.Attempts[GivenUp])
		require.EqualValues(t, 2, h.Attempts[Sent])
		// Pauses of 2.5 to 5 minutes, after a few shorter ones.
		require.Greater(t, h.Attempts[Unreachable], int64(36*60/5))
		require.Less(t, h.Attempts[Unreachable], int64(36*60/2))
		require.True(t, h.Up)
	})
}

// Whatever the other side writes, the pause that it asks for is none or ahead.
func FuzzRetryAfter(f *testing.F) {
	for _, seed := range []string{"120", "Fri, 31 Dec 1999 23:59:59 GMT", "Friday, 31-Dec-99 23:59:59 GMT", "Fri Dec 31 23:59:59 1999", "-1", "", "1e9", "9999999999"} {
		f.Add(seed)
	}
	now := time.Date(1999, 12, 31, 0, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, text string) {
		got := retryAfter(text, now)
		if got < 0 {
			t.Fatalf("%q: got %v", text, got)
		}
		if pause := (Retry{First: time.Second, Max: time.Minute}).pauseAfter(1, &failure{pause: got}); pause > time.Minute {
			t.Fatalf("%q: waits %v", text, pause)
		}
	})
}
