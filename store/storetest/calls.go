package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

func testCalls(t *testing.T, open Open) {
	w := NewWorld(t, open)
	posted := test(20)
	posted.Critical = true
	id := w.Take(posted)[0]
	tries := []poct.CallTry{
		{Result: id, By: "r.ito", To: "Saltmarsh desk", Comment: "Rang for two minutes."},
		{Result: id, By: "k.osei", To: "nurse on call", Reached: true, ReadBack: "2.5", Comment: "Will phone the patient."},
	}
	criticals := func(open bool) poct.Critical {
		list, err := w.Criticals(w.Ctx, open)
		require.NoError(t, err)
		require.Len(t, list, 1)
		return list[0]
	}
	require.NoError(t, w.Call(w.Ctx, tries[0]))
	tries[0].At = w.Clock.Now()
	c := criticals(true)
	assert.Equal(t, tries[:1], c.Tries)
	assert.Empty(t, c.Told, "nobody was reached: it stays open")
	w.Clock.Move(5 * time.Minute)
	require.NoError(t, w.Call(w.Ctx, tries[1]))
	tries[1].At = w.Clock.Now()
	c = criticals(false)
	assert.Equal(t, tries, c.Tries)
	assert.Equal(t, []string{"k.osei", "Will phone the patient."}, []string{c.Told, c.Comment})
	assert.Equal(t, w.Clock.Now(), c.ToldAt)
	for _, again := range tries {
		assert.ErrorIs(t, w.Call(w.Ctx, again), poct.ErrOvertaken)
	}
	assert.Equal(t, "received read released call-tried critical-acknowledged", w.Kinds(id))

	// A new value opens it again, and what was tried before is not forgotten.
	higher := Of(id, As(poct.Correct, test(20)))
	higher.Critical = true
	m := higher.Result.Reading.Measurements[0]
	m.Value, m.RawValue = poct.MustNumber("6.6"), "6.6"
	higher.Result.Reading.Measurements = []poct.Measurement{m}
	w.Take(higher)
	c = criticals(true)
	assert.Equal(t, "6.6", c.Value)
	assert.Equal(t, tries, c.Tries)
	w.Verifies()

	// Discarding a hold never closes a call.
	held := test(30, heldFor("lot-unknown"))
	held.Critical = true
	id = w.Take(held)[0]
	w.Act(w.Open(id), poct.ActDiscard)
	list, err := w.Criticals(w.Ctx, true)
	require.NoError(t, err)
	require.Len(t, list, 2)
	require.NoError(t, w.Call(w.Ctx, poct.CallTry{Result: id, By: "r.ito", To: "desk", Reached: true, ReadBack: "2.5"}))
	w.Verifies()
}
