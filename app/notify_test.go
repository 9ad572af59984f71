package app_test

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// duty is a system that pages people, as another maker would write it.
type duty struct {
	*httptest.Server
	got  chan []byte
	away atomic.Bool // cuts off whoever calls
}

func newDuty(t *testing.T) *duty {
	d := &duty{got: make(chan []byte, 100)}
	d.away.Store(true)
	d.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil || d.away.Load() {
			panic(http.ErrAbortHandler)
		}
		d.got <- body
	}))
	t.Cleanup(d.Close)
	return d
}

func (d *duty) config() string {
	return "\nnotify:\n  - {id: duty, kind: webhook, url: \"" + d.URL + "/page\", on: [critical], sites: [\"*\"], retry: {first: 10ms}}\n"
}

// A critical result, on its way through the whole daemon, is told to another
// system at once, and nothing about the patient with it.
func TestCriticalResultIsToldOf(t *testing.T) {
	d := newDuty(t)
	h := newHouse(t, d.config())
	m := h.test(8, "6.1", "73.2") // 12.0 s * 6.1
	h.send(m.bytes())
	h.rest()

	h.attempts("unreachable")
	d.away.Store(false)
	body := <-d.got
	var notice map[string]any
	require.NoError(t, json.Unmarshal(body, &notice))
	require.Equal(t, []string{"at", "code", "hold", "id", "kind", "site", "step"}, slices.Sorted(maps.Keys(notice)))
	require.Equal(t, "critical", notice["kind"])
	require.Equal(t, "millrace", notice["site"])
	require.EqualValues(t, 0, notice["step"])
	for _, x := range h.trace(m.seq).Holds {
		require.Equal(t, x.ID, notice["hold"])
	}
	delete(notice, "at") // whose digits may be those of anything
	delete(notice, "id")
	for _, canary := range []string{m.who.Value, m.who.Family, m.who.Given, m.who.BirthDate, m.inr, m.pt} {
		require.NotContains(t, fmt.Sprint(notice), canary)
	}

	require.EqualValues(t, 1, h.metric("tidegate_criticals_open", "site", "millrace"))
	require.EqualValues(t, 0, h.metric("tidegate_criticals_escalated", "site", "millrace"))
	require.EqualValues(t, 0, h.metric("tidegate_holds_ageing", "site", "millrace"))
	h.attempts("sent")
	require.EqualValues(t, 0, h.metric("tidegate_notification_oldest_seconds", "channel", "duty"))
}

// What the other system could not take before a stop is told after the start,
// and what it took is not told again.
func TestToldAfterARestart(t *testing.T) {
	d := newDuty(t)
	h := newHouse(t, d.config())
	first, second := h.test(9, "6.1", "73.2"), h.test(10, "6.4", "76.8")
	ids := map[string]bool{}
	read := func(body []byte) {
		var notice struct{ ID string }
		require.NoError(t, json.Unmarshal(body, &notice))
		require.False(t, ids[notice.ID], "told twice")
		ids[notice.ID] = true
	}
	d.away.Store(false)
	h.send(first.bytes())
	read(<-d.got)
	h.attempts("sent")
	d.away.Store(true)
	h.send(second.bytes())
	h.rest()
	h.attempts("unreachable")
	h.end()
	d.away.Store(false)
	h.begin()
	read(<-d.got)
	h.attempts("sent")
	require.Empty(t, d.got)
}

// attempts waits for an attempt of a class, counted by this process.
func (h *house) attempts(class string) {
	h.t.Helper()
	require.Eventually(h.t, func() bool { return h.metric("tidegate_notifications_total", "class", class) > 0 }, 60*time.Second, 5*time.Millisecond)
}

// metric reads the value of one series, -1 if there is none.
func (h *house) metric(name, label, value string) float64 {
	h.t.Helper()
	families, err := h.app.Registry().Gather()
	require.NoError(h.t, err)
	for _, f := range families {
		for _, m := range f.GetMetric() {
			for _, l := range m.GetLabel() {
				if f.GetName() == name && l.GetName() == label && l.GetValue() == value {
					return m.GetGauge().GetValue() + m.GetCounter().GetValue()
				}
			}
		}
	}
	return -1
}
