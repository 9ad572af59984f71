package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// testPause: a paused outlet is handed nothing, others are, what was handed out
// already ends, and what waited goes in order.
func testPause(t *testing.T, open Open) {
	w := NewWorld(t, open)
	o := Released("Q1", "1", "2.5")
	o.Outlets = []string{"record", "second"}
	id := w.Take(o)[0]
	under := w.One() // before the pause
	require.NoError(t, w.PauseOutlet(w.Ctx, "record", "k.osei", "the record system is being moved"))
	pause, paused := w.Paused("record")
	assert.True(t, paused)
	assert.Equal(t, poct.Pause{By: "k.osei", Reason: "the record system is being moved", At: w.Clock.Now()}, pause)
	assert.ErrorIs(t, w.PauseOutlet(w.Ctx, "record", "r.ito", "twice"), poct.ErrSoAlready)
	assert.ErrorIs(t, w.ResumeOutlet(w.Ctx, "second", "r.ito", "never paused"), poct.ErrSoAlready)

	w.Answered(w.Sent(under), nil)
	c := As(poct.Correct, Of(id, Released("Q1", "1", "2.6")))
	c.Outlets = o.Outlets
	w.Take(c)
	w.Take(Released("Q2", "1", "2.0"))
	assert.Empty(t, w.Deliveries())
	second, err := w.ClaimDeliveries(w.Ctx, "second", "test", 10, time.Minute)
	require.NoError(t, err)
	assert.Len(t, second, 1, "another outlet goes on")
	counts, err := w.Counts(w.Ctx)
	require.NoError(t, err)
	assert.EqualValues(t, 2, counts.Backlog["record"])

	for len(w.Due("record")) > 0 {
		<-w.Due("record")
	}
	require.NoError(t, w.ResumeOutlet(w.Ctx, "record", "r.ito", "moved"))
	assert.Len(t, w.Due("record"), 1, "whoever waits is woken")
	_, paused = w.Paused("record")
	assert.False(t, paused)
	assert.Equal(t, []string{"correct v2 f0", "create v1 f0"}, w.Drain())
	w.Verifies()

	events, err := w.Events(w.Ctx, 0, 1000)
	require.NoError(t, err)
	var told []string
	for _, e := range events {
		if e.Kind == poct.EventPaused || e.Kind == poct.EventResumed {
			told = append(told, string(e.Kind)+" "+e.Outlet+" "+e.Actor)
		}
	}
	assert.Equal(t, []string{"outlet-paused record k.osei", "outlet-resumed record r.ito"}, told)
}
