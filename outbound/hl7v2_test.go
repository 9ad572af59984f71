package outbound

import (
	"bytes"
	"net"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/outbound/outlettest"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

// labBench is a worker on a lab, with deliveries to be watched.
type labBench struct {
	*lab
	store  *outlettest.Store
	worker outlettest.Runner
}

func newLabBench(t *testing.T, change func(*lab)) *labBench {
	l := newLab(t)
	if change != nil {
		change(l)
	}
	store := outlettest.NewStore(time.Now)
	return &labBench{l, store, l.Worker(store, "one")}
}

func (b *labBench) run(t *testing.T, d time.Duration) {
	t.Helper()
	(&bench{t: t, store: b.store}).run(b.worker.(*Worker), d)
}

// The same bytes go out, under the same control id, until they are
// acknowledged by that id: an answer about another message, an early one, and
// none at all change nothing.
func TestResendsUntilAcknowledged(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		var ids []string
		b := newLabBench(t, func(l *lab) {
			l.answer = func(h hl7.Header, say func(string)) {
				l.mu.Lock()
				ids = append(ids, h.ControlID)
				n := len(ids)
				l.mu.Unlock()
				other := h
				other.ControlID = "OTHER"
				switch n {
				case 1: // nothing
				case 2:
					say(ackOf(other, "AA"))
				case 3:
					say("hello")
				case 4:
					say(ackOf(other, "AR", "200"))
					say(ackOf(h, "AA"))
				}
			}
		})
		id := b.store.Add(outletID, result(1, "2.1"), poct.Create)
		b.run(t, time.Hour)
		require.Equal(t, poct.DeliveryDone, b.store.Row(id).State)
		require.Equal(t, []int{1}, b.Holds(1))
		b.mu.Lock()
		defer b.mu.Unlock()
		require.Len(t, ids, 4)
		require.Len(t, slices.Compact(ids), 1)
		var classes []string
		for _, r := range b.store.Row(id).Receipts {
			classes = append(classes, r.Class)
		}
		require.Equal(t, []string{"unknown", "unknown", "unknown", "delivered"}, classes)
		require.Equal(t, ids[0], b.store.Row(id).Remote["message"])
	})
}

// An error of the receiver's own passes by itself, however long; one without a
// reason gets a person after a while; one about the message at once.
func TestErrorsOfAReceiver(t *testing.T) {
	for _, tt := range []struct {
		name    string
		code    string
		reasons []string
		want    poct.DeliveryState
		tries   func(int) bool
	}{
		{"its own", "AE", []string{"207"}, poct.DeliveryReady, func(n int) bool { return n > mostUnreasoned }},
		{"without a reason", "AE", nil, poct.DeliveryHeld, func(n int) bool { return n == mostUnreasoned }},
		{"about the message", "AE", []string{"204"}, poct.DeliveryHeld, func(n int) bool { return n == 1 }},
		{"refused", "AR", nil, poct.DeliveryHeld, func(n int) bool { return n == 1 }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				b := newLabBench(t, func(l *lab) {
					l.answer = func(h hl7.Header, say func(string)) { say(ackOf(h, tt.code, tt.reasons...)) }
				})
				id := b.store.Add(outletID, result(1, "2.1"), poct.Create)
				b.run(t, 12*time.Hour)
				row := b.store.Row(id)
				require.Equal(t, tt.want, row.State)
				b.mu.Lock()
				defer b.mu.Unlock()
				require.True(t, tt.tries(b.met), "%d tries", b.met)
				if tt.want == poct.DeliveryHeld {
					require.Equal(t, "record-refused", row.Hold.Code)
					require.NotContains(t, row.Hold.Text+row.Receipts[0].Answer, "Testperson")
				}
			})
		})
	}
}

// HL7 2.5.1 section 2.9.3: the accept acknowledgement says that the message is
// kept; if the application's was asked for, only that says that it was taken.
func TestEnhancedMode(t *testing.T) {
	for _, tt := range []struct {
		name        string
		application bool
		answers     []string // what the receiver says, in order
		want        string   // class of the first receipt
	}{
		{"kept", false, []string{"CA"}, "delivered"},
		{"kept, and the application's asked for", true, []string{"CA"}, "unknown"},
		{"kept and taken", true, []string{"CA", "AA"}, "delivered"},
		{"taken, without saying that it is kept", true, []string{"AA"}, "delivered"},
		{"kept, then refused", true, []string{"CA", "AR"}, "refused"},
		{"kept, then an error of its own", true, []string{"CA", "AE 207"}, "transient"},
		{"not kept", false, []string{"CE 207"}, "transient"},
		{"not kept, and never will be", false, []string{"CR"}, "refused"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				b := newLabBench(t, func(l *lab) {
					l.cfg.Acknowledge, l.cfg.ApplicationAck = enhancedMode, tt.application
					l.answer = func(h hl7.Header, say func(string)) {
						require.Equal(t, "AL", h.AcceptAck)
						for _, a := range tt.answers {
							code, reason, _ := bytes.Cut([]byte(a), []byte(" "))
							if len(reason) > 0 {
								say(ackOf(h, string(code), string(reason)))
								continue
							}
							say(ackOf(h, string(code)))
						}
					}
				})
				id := b.store.Add(outletID, result(1, "2.1"), poct.Create)
				b.run(t, 40*time.Second)
				require.Equal(t, tt.want, b.store.Row(id).Receipts[0].Class)
			})
		})
	}
}

// A connection is kept for the next message, one at a time on each; after an
// answer that did not come it is not used again.
func TestConnectionsAreKept(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newLabBench(t, nil)
		for n := range 20 {
			b.store.Add(outletID, result(n, "2.1"), poct.Create)
		}
		b.run(t, time.Hour)
		dials := func() int {
			b.mu.Lock()
			defer b.mu.Unlock()
			return b.dials
		}
		require.Equal(t, 1, dials())
		b.Break(outlettest.LoseAnswer)
		b.store.Add(outletID, result(30, "2.1"), poct.Create)
		b.run(t, time.Hour)
		require.Equal(t, 3, dials(), "anew for this run, and after the lost answer")
	})
}

// An earlier delivery of the filing ended unknown: what takes its place is
// called a correction, since something may be there.
func TestUnsureIsCalledACorrection(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newLabBench(t, nil)
		id := b.store.Add(outletID, result(1, "2.1"), poct.Create)
		b.store.Change(id, func(r *outletRow) { r.Unsure = true })
		b.run(t, time.Hour)
		m, err := hl7.Parse(b.store.Row(id).Body)
		require.NoError(t, err)
		require.Equal(t, "C", m.Get("OBX-11").Text())
	})
}

// A withdrawal has to name every value that was sent.
func TestWithdrawalNamesEveryValueSent(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newLabBench(t, nil)
		b.store.Add(outletID, result(1, "2.1"), poct.Create)
		less := b.store.Add(outletID, result(1, "2.1", version(2), func(r *poct.Result) { r.Reading.Measurements = r.Reading.Measurements[:1] }), poct.Withdraw)
		b.run(t, time.Hour)
		require.Equal(t, poct.DeliveryHeld, b.store.Row(less).State)
		require.Equal(t, "record-unrendered", b.store.Row(less).Hold.Code)
	})
}

// Where nobody listens nothing has been sent: no look-up, no wait for it.
func TestNobodyListens(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, ln.Close())
	cfg := Config{ID: outletID, Kind: "hl7v2", Sites: []string{"*"}, HL7v2: HL7v2{Address: ln.Addr().String()}}.WithDefaults()
	to, err := cfg.HL7v2.open(cfg, Settings{})
	require.NoError(t, err)
	body, _, a := to.Prepare(t.Context(), poct.Delivery{Result: result(1, "2.1"), Action: poct.Create})
	require.Equal(t, Done, a.Class)
	require.Equal(t, NotSent, to.Send(t.Context(), poct.Delivery{Body: body}).Class)
}
