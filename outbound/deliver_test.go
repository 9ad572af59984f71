package outbound

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/standin"
)

func TestDeliversCorrectsAndWithdraws(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, standin.Switches{})
		b.store.Add(outletID, result(1, "2.5"), poct.Create)
		b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
		other := b.store.Add(outletID, result(2, "3.1"), poct.Create)
		b.run(b.worker, time.Minute)
		require.ElementsMatch(t, []string{"corrected 2.9", "final 3.1"}, b.values())
		b.sound(4, 0)
		b.store.Add(outletID, result(1, "2.9", version(3)), poct.Withdraw)
		b.run(b.worker, time.Minute)
		require.ElementsMatch(t, []string{"entered-in-error 2.9", "final 3.1"}, b.values())
		b.sound(4, 2)
		row := b.store.Row(other)
		require.Equal(t, "delivered", row.Receipts[len(row.Receipts)-1].Class)
		require.Contains(t, row.Remote["observation/inr"], "Observation/")
		require.NotEmpty(t, row.Remote["etag/observation/inr"])
	})
}
