package app

import (
	"bytes"
	"context"
	"crypto/sha256"
	"os"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/config"
	"tidegate/poct"
	"tidegate/standin"
)

// day is a daemon that took in an invented day and was never started: nothing
// happens in it but what a test asks for, at the time that the test says.
type day struct {
	t     *testing.T
	app   *App
	begin time.Time
	later atomic.Int64
}

func newDay(t *testing.T, more string) *day {
	t.Helper()
	d := &day{t: t, begin: time.Now()}
	invented, err := standin.NewDay(3, d.begin)
	require.NoError(t, err)
	setup, err := invented.WriteSetup(t.TempDir(), standin.Ports{Web: "127.0.0.1:0", MLLP: "127.0.0.1:0", HTTP: "127.0.0.1:0", Record: "http://127.0.0.1:1/fhir"})
	require.NoError(t, err)
	text, err := os.ReadFile(setup.Config)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(setup.Config, append(text, more...), 0o600))
	cfg, faults := config.Load(setup.Config)
	require.Empty(t, faults)
	d.app, err = New(cfg, Options{Log: zerolog.Nop(), Now: d.now})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.app.Close()) })
	require.Empty(t, d.told()) // begins here
	sent := []byte(d.begin.Format("20060102150405-0700"))
	for _, it := range invented.Items {
		if it.Way != standin.MLLP {
			continue
		}
		raw := bytes.ReplaceAll(it.Bytes, []byte("{sent}"), sent)
		_, err := d.app.store.Accept(t.Context(), poct.Arrival{
			Inlet: "bench", Source: "bench", Format: "hl7v2", Raw: raw, Digest: sha256.Sum256(raw), Received: d.now(),
		})
		require.NoError(t, err)
	}
	for n := 1; n > 0; {
		n, err = d.app.worker.Step(t.Context())
		require.NoError(t, err)
	}
	return d
}

func (d *day) now() time.Time { return d.begin.Add(time.Duration(d.later.Load())) }

// at lets every watcher look once, so long after the day was taken in, and
// gives what was written meanwhile.
func (d *day) at(watchers []*watcher, later time.Duration) map[string][]poct.Notification {
	d.t.Helper()
	d.later.Store(int64(later))
	for _, w := range watchers {
		require.NoError(d.t, w.pass(d.t.Context()))
	}
	return d.told()
}

// told reads what was written since it was asked last, by kind.
func (d *day) told() map[string][]poct.Notification {
	d.t.Helper()
	out := map[string][]poct.Notification{}
	for {
		list, err := d.app.store.Notifications(d.t.Context(), "test", 100)
		require.NoError(d.t, err)
		if len(list) == 0 {
			return out
		}
		for _, n := range list {
			out[n.Kind] = append(out[n.Kind], n)
		}
		require.NoError(d.t, d.app.store.Notified(d.t.Context(), "test", list[len(list)-1].ID))
	}
}

// The watchers ask the real store; after a restart they say everything again,
// and the store leaves out what it was told before.
func TestWatchersOnTheStore(t *testing.T) {
	d := newDay(t, "meters_usual: 26h\n")
	d.app.cfg.Inlets[0].Watch = config.Watch{Usual: 2 * time.Hour}
	open, err := d.app.store.Criticals(t.Context(), true)
	require.NoError(t, err)
	require.NotEmpty(t, open)
	watchers := d.app.watchers()

	now := d.at(watchers, 0)
	require.Len(t, now[poct.NotifyCritical], len(open), "each once, though the store and the watcher both say it")
	for i, n := range now[poct.NotifyCritical] {
		require.Equal(t, open[i].Hold, n.Hold)
		require.Equal(t, open[i].Site, n.Site)
		require.Zero(t, n.Step)
	}
	require.Empty(t, now[poct.NotifyEscalated])

	now = d.at(watchers, 45*time.Minute)
	require.Len(t, now[poct.NotifyCritical], len(open))
	require.Equal(t, 4, now[poct.NotifyCritical][0].Step, "after 10, 20, 30 and 40 minutes")
	require.Len(t, now[poct.NotifyEscalated], len(open))
	require.Equal(t, d.now().UTC().Truncate(time.Microsecond), now[poct.NotifyEscalated][0].At.UTC())
	require.Empty(t, d.at(d.app.watchers(), 45*time.Minute), "a restart tells nothing twice")

	now = d.at(watchers, 5*time.Hour)
	holds, err := d.app.store.Ageing(t.Context(), d.now(), 1000)
	require.NoError(t, err)
	causes := map[[2]string]string{}
	for _, h := range holds {
		if cause := [2]string{h.Site, h.Code}; causes[cause] == "" {
			causes[cause] = h.ID
		}
	}
	require.NotEmpty(t, causes)
	require.Len(t, now[poct.NotifyAgeing], len(causes), "one for each site and cause")
	for _, n := range now[poct.NotifyAgeing] {
		require.Equal(t, causes[[2]string{n.Site, n.Code}], n.Hold, "the oldest")
	}
	require.Equal(t, []told{{kind: poct.NotifyInlet, code: "bench"}}, toldOf(now[poct.NotifyInlet]))
	for _, w := range d.app.wiring() {
		require.Equal(t, w.ID != "bench", w.Well, "%s on the pages", w.ID)
	}
	require.Empty(t, now[poct.NotifyMeter])
	require.Empty(t, now[poct.NotifyOutlet])

	meters, err := reader{d.app.store}.Meters(t.Context())
	require.NoError(t, err)
	var inUse []told
	for _, m := range meters {
		if m.State == "in-use" {
			inUse = append(inUse, told{kind: poct.NotifyMeter, site: m.Site, code: m.Serial})
		}
	}
	now = d.at(watchers, 27*time.Hour)
	require.Equal(t, inUse, toldOf(now[poct.NotifyMeter]))
	require.Empty(t, now[poct.NotifyInlet], "still the same silence")

	_, err = d.app.store.Accept(t.Context(), poct.Arrival{Inlet: "bench", Source: "bench", Raw: []byte("x"), Received: d.now()})
	require.NoError(t, err)
	require.Empty(t, d.at(watchers, 28*time.Hour)[poct.NotifyInlet], "heard")
	require.Len(t, d.at(watchers, 30*time.Hour)[poct.NotifyInlet], 1, "another silence")
}

// A record system that takes no connection is an outlet that is down: told of
// once, when it has lasted.
func TestOutletWithoutARecordSystem(t *testing.T) {
	d := newDay(t, "") // nothing listens where the results should go
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.app.outlets[0].Run(ctx) }()
	require.Eventually(t, func() bool { return !d.app.health()[0].Up }, 60*time.Second, 5*time.Millisecond)
	cancel()
	require.NoError(t, <-ended)

	watchers := d.app.watchers()
	require.Empty(t, d.at(watchers, 4*time.Minute)[poct.NotifyOutlet])
	require.Equal(t, []told{{kind: poct.NotifyOutlet, code: "record"}}, toldOf(d.at(watchers, 6*time.Minute)[poct.NotifyOutlet]))
	require.Empty(t, d.at(watchers, time.Hour)[poct.NotifyOutlet])
}
