//go:build failpoints

package outbound

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/fault"
	"tidegate/poct"
)

// points are the places where a process may die between two effects.
var points = []string{"outbound.claimed", "outbound.rendered", "outbound.intended", "outbound.sent", "outbound.answered", "outbound.finished"}

// A worker that dies at any of its points, at any of its passes, leaves
// nothing lost and nothing twice: the next one goes on.
func TestDeathAtEachPoint(t *testing.T) {
	for _, name := range points {
		t.Run(name, func(t *testing.T) {
			eachWay(t, func(t *testing.T, b *bench) {
				b.known()
				b.store.Add(outletID, result(1, "2.5"), poct.Create)
				b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
				for _, id := range []int64{2, 3} {
					died := false
					fault.Set(name, func() { died = true; panic("died at " + name) })
					d := b.claim(b.worker)
					func() {
						defer func() { _ = recover() }()
						b.worker.deliver(t.Context(), d)
					}()
					fault.Set(name, nil)
					require.True(t, died, "point not passed")
					b.worker = b.newWorker("next") // knows nothing of the one before
					time.Sleep(b.worker.lease)
					for n := 0; n < 20 && b.store.Row(id).State != poct.DeliveryDone; n++ {
						b.step(b.worker)
						time.Sleep(linger + b.cfg.WithDefaults().Timeout)
					}
				}
				require.ElementsMatch(t, []string{"final 1.9", "corrected 2.9"}, b.values())
				b.sound(4, 0)
			})
		})
	}
}
