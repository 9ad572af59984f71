package lis

import (
	"context"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// talk runs one session on a line in memory, so that its times run on the
// bubble's clock; leaving the bubble proves that no goroutine is left.
func talk(t *testing.T, cfg Config, test func(t *testing.T, m meter, b *box, drain func())) (b *box) {
	synctest.Test(t, func(t *testing.T) {
		b = newBox() // its channels belong to the bubble
		in := newInlet(t, cfg, b, nil)
		near, far := net.Pipe()
		s := in.connected(far)
		work, abandon := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { s.Run(work); close(done) }()
		test(t, meter{t, near}, b, s.Drain)
		_ = near.Close()
		<-done
		abandon()
	})
	return b
}

// A sender that stays away in the middle: neutral after 30 s; a byte now and
// then buys it none.
func TestSilence(t *testing.T) {
	b := talk(t, Config{}, func(t *testing.T, m meter, b *box, _ func()) {
		m.ask(enq, ack)
		m.ask(frame(1, recH), ack)
		start := time.Now()
		for range 7 {
			m.write("\x022")
			time.Sleep(4 * time.Second)
		}
		assert.Equal(t, "a message was broken off, nothing more came: 49 bytes had come", waitWithin(b, 3*time.Second))
		assert.Equal(t, 30*time.Second, time.Since(start))
		m.ask(enq, ack)
		m.ask(frame(1, all), ack)
	})
	assert.Equal(t, []string{all}, b.raws())
}

// waitWithin is the notice that comes in this time of the bubble's clock.
func waitWithin(b *box, d time.Duration) string {
	select {
	case what := <-b.noticed:
		return what
	case <-time.After(d):
		return "no notice"
	}
}

// An answer that comes later than the sender waits is none, and the connection
// ends: the sender would take it for the answer to what it does next.
func TestLateStore(t *testing.T) {
	for _, c := range []struct {
		name   string
		takes  time.Duration
		heeds  bool // the store gives up when it is told to
		answer string
		stored int
	}{
		{"in time", 11 * time.Second, true, ack, 1},
		{"too late", 13 * time.Second, false, "", 1},
		{"given up", 13 * time.Second, true, "", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			slow := func(ctx context.Context, _ poct.Arrival) error {
				give := ctx.Done()
				if !c.heeds {
					give = nil
				}
				select {
				case <-time.After(c.takes):
					return nil
				case <-give:
					return ctx.Err()
				}
			}
			b := talk(t, Config{}, func(t *testing.T, m meter, b *box, _ func()) {
				b.failing(slow)
				m.ask(enq, ack)
				m.write(frame(1, all))
				if c.answer == "" {
					m.ended()
				} else {
					m.answers(c.answer)
				}
			})
			assert.Len(t, b.raws(), c.stored)
		})
	}
}

// What was acknowledged frame by frame and has no L is stored whatever it takes,
// and nothing is read meanwhile.
func TestInsists(t *testing.T) {
	for _, mode := range []string{"framed", "bare"} {
		t.Run(mode, func(t *testing.T) {
			b := talk(t, Config{Mode: mode}, func(t *testing.T, m meter, b *box, _ func()) {
				if mode == "bare" {
					b.down()
					m.write(all)
				} else {
					m.ask(enq, ack)
					m.ask(frame(1, recH+recP), ack)
					b.down()
					m.write(eot)
				}
				time.Sleep(time.Minute)
				synctest.Wait()
				require.Empty(t, b.raws())
				b.failing(nil)
				b.waitFor(1)
				if mode == "framed" {
					m.ended() // an answer to what was sent meanwhile would come too late
				} else {
					m.write(recH)
				}
			})
			want := map[string]string{"bare": all, "framed": "the message has no L record: it was not sent to its end: " + recH + recP}
			assert.Equal(t, want[mode], b.raws()[0])
			assert.Empty(t, b.whats())
		})
	}
}

func TestIdle(t *testing.T) {
	t.Run("none", func(t *testing.T) {
		talk(t, Config{}, func(t *testing.T, m meter, _ *box, _ func()) {
			time.Sleep(1000 * time.Hour)
			m.ask(enq, ack)
		})
	})
	t.Run("limited", func(t *testing.T) {
		talk(t, Config{Idle: time.Hour}, func(t *testing.T, m meter, _ *box, _ func()) {
			m.ask(enq, ack)
			m.write(eot)
			start := time.Now()
			m.ended()
			assert.Equal(t, time.Hour, time.Since(start))
		})
	})
	t.Run("drained", func(t *testing.T) {
		talk(t, Config{}, func(t *testing.T, m meter, _ *box, drain func()) {
			synctest.Wait()
			drain()
			m.ended()
		})
	})
}

// Bare records: silence ends a message that has no L.
func TestBareSilence(t *testing.T) {
	b := talk(t, Config{Mode: "bare", Silence: 10 * time.Second}, func(t *testing.T, m meter, b *box, drain func()) {
		m.write(recH)
		time.Sleep(9 * time.Second)
		m.write(recP)
		time.Sleep(9 * time.Second)
		synctest.Wait()
		require.Empty(t, b.raws())
		time.Sleep(2 * time.Second)
		b.waitFor(1)
		m.write(all)
		b.waitFor(1)
		drain()
		m.ended()
	})
	assert.Equal(t, []string{"the message has no L record: it was not sent to its end: " + recH + recP, all}, b.raws())
}

// An answer to a query that nobody takes is given up, and the line is at rest.
func TestQueryNotTaken(t *testing.T) {
	b := talk(t, Config{}, func(t *testing.T, m meter, _ *box, _ func()) {
		m.ask(enq, ack)
		m.ask(frame(1, "H|\\^&\rQ|1|7\rL|1|N\r"), ack)
		m.ask(eot, enq)
		start := time.Now()
		m.ask(nak, enq) // busy
		assert.Equal(t, 10*time.Second, time.Since(start))
		start = time.Now()
		m.answers(eot) // no answer
		assert.Equal(t, 15*time.Second, time.Since(start))
		m.ask(enq, ack)
		m.ask(frame(1, all), ack)
	})
	assert.Len(t, b.raws(), 2)
}

func TestPeerThatReadsNothing(t *testing.T) {
	talk(t, Config{}, func(t *testing.T, m meter, _ *box, _ func()) {
		m.write(enq)
		time.Sleep(11 * time.Second) // our answer is not read
		_, err := m.line.Write([]byte(strings.Repeat("x", 10)))
		assert.Error(t, err, "the connection is given up")
	})
}
