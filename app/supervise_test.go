package app

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/config"
	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/store"
)

var midday = time.Date(2026, 3, 9, 12, 0, 0, 0, time.UTC)

func ago(d time.Duration) time.Time { return midday.Add(-d) }

// told is what a notification says.
type told struct {
	kind, site, hold, code string
	step                   int
}

func toldOf(list []poct.Notification) (out []told) {
	for _, n := range list {
		out = append(out, told{n.Kind, n.Site, n.Hold, n.Code, n.Step})
	}
	return out
}

func TestOpenCalls(t *testing.T) {
	calls := config.Calls{
		CallTimes: config.CallTimes{RemindAfter: 10 * time.Minute, Every: 10 * time.Minute, EscalateAfter: 30 * time.Minute},
		Sites:     map[string]config.CallTimes{"saltmarsh": {RemindAfter: 5 * time.Minute, Every: 20 * time.Minute, EscalateAfter: 15 * time.Minute}},
	}
	for _, tt := range []struct {
		name, site string
		age        time.Duration
		reminder   int
		escalation int // -1: none
	}{
		{"at once", "millrace", 0, 0, -1},
		{"the clock was set back", "millrace", -time.Hour, 0, -1},
		{"just before", "millrace", 10*time.Minute - 1, 0, -1},
		{"reminded", "millrace", 10 * time.Minute, 1, -1},
		{"twice", "millrace", 20 * time.Minute, 2, -1},
		{"escalated", "millrace", 30 * time.Minute, 3, 0},
		{"and again", "millrace", 40 * time.Minute, 4, 1},
		{"after a day without the daemon", "millrace", 24 * time.Hour, 144, 141},
		{"a site's own time", "saltmarsh", 5 * time.Minute, 1, -1},
		{"a site's own pause", "saltmarsh", 24 * time.Minute, 1, 0},
		{"a site's own steps", "saltmarsh", 35 * time.Minute, 2, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := poct.Critical{Result: "R-1", Hold: "H-1", Site: tt.site, Opened: ago(tt.age)}
			want := []told{{poct.NotifyCritical, tt.site, "H-1", "critical", tt.reminder}}
			if tt.escalation >= 0 {
				want = append(want, told{poct.NotifyEscalated, tt.site, "H-1", "critical", tt.escalation})
			}
			require.Equal(t, want, toldOf(openCalls([]poct.Critical{c}, calls, midday)))
		})
	}
}

func TestAgeingHolds(t *testing.T) {
	ageing := config.Ageing{After: 4 * time.Hour, Sites: map[string]time.Duration{"harbour": 2 * time.Hour}}
	hold := func(id, site, code string, age time.Duration) store.AgeingHold {
		return store.AgeingHold{ID: id, Site: site, Code: code, Opened: ago(age)}
	}
	got := ageingHolds([]store.AgeingHold{
		hold("H-1", "millrace", "patient-unknown", 13*time.Hour),
		hold("H-2", "millrace", "patient-unknown", 12*time.Hour), // of one cause the oldest
		hold("H-3", "millrace", "lot-expired", 4*time.Hour),
		hold("H-4", "harbour", "patient-unknown", 3*time.Hour), // its own time
		hold("H-5", "millrace", "operator-unknown", 3*time.Hour),
		hold("H-6", "harbour", "lot-expired", time.Hour),
	}, ageing, midday)
	require.Equal(t, []told{
		{poct.NotifyAgeing, "millrace", "H-1", "patient-unknown", 2}, // 13 hours are three times four
		{poct.NotifyAgeing, "millrace", "H-3", "lot-expired", 0},
		{poct.NotifyAgeing, "harbour", "H-4", "patient-unknown", 0},
	}, toldOf(got))
}

func TestOutletsDown(t *testing.T) {
	for _, tt := range []struct {
		name   string
		health outbound.Health
		due    time.Duration // how long the oldest delivery has waited; 0: none does
		want   bool
	}{
		{"well", outbound.Health{Up: true, Since: ago(time.Hour)}, 0, false},
		{"failing for a minute", outbound.Health{Since: ago(time.Minute), Failures: 5}, time.Minute, false},
		{"failing for long", outbound.Health{Since: ago(5 * time.Minute), Failures: 5}, 0, true},
		{"nothing gets through, though it is still tried", outbound.Health{Up: true, Failures: 2}, 6 * time.Minute, true},
		{"a late delivery, nothing fails", outbound.Health{Up: true}, time.Hour, false}, // behind a refused one
		{"others get through", outbound.Health{Up: true, LastGood: ago(time.Second), Failures: 1}, time.Hour, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.health.Outlet = "record"
			due := map[string]time.Time{}
			if tt.due > 0 {
				due["record"] = ago(tt.due)
			}
			w := &outletWatch{after: 5 * time.Minute, since: map[string]time.Time{}}
			got := w.down([]outbound.Health{{Outlet: "other", Up: true}, tt.health}, due, midday)
			if !tt.want {
				require.Empty(t, got)
				return
			}
			require.Equal(t, []told{{poct.NotifyOutlet, "", "", "record", 0}}, toldOf(got))
		})
	}
}

// One outage is one, however long; the next one is another.
func TestOutagesAreToldApart(t *testing.T) {
	w := &outletWatch{after: 5 * time.Minute, since: map[string]time.Time{}}
	bad, well := []outbound.Health{{Outlet: "record", Since: ago(time.Hour), Failures: 9}}, []outbound.Health{{Outlet: "record", Up: true}}
	first := w.down(bad, nil, midday)
	require.Equal(t, first, w.down(bad, nil, midday.Add(time.Hour)))
	require.Empty(t, w.down(well, nil, midday.Add(2*time.Hour)))
	second := w.down(bad, nil, midday.Add(3*time.Hour))
	require.Len(t, second, 1)
	require.NotEqual(t, first[0].About, second[0].About)
}

func TestSilences(t *testing.T) {
	inlets := []config.Inlet{
		{ID: "millrace", Watch: config.Watch{Usual: 2 * time.Hour}},
		{ID: "drop"}, // not watched
		{ID: "push", Watch: config.Watch{Usual: 30 * time.Minute}},
	}
	meters := []poct.Meter{
		{Serial: "M-1", Site: "millrace", State: "in-use"}, {Serial: "M-2", Site: "harbour", State: "in-use"},
		{Serial: "M-3", Site: "harbour", State: "withdrawn"}, {Serial: "M-4", Site: "saltmarsh", State: "in-use"},
	}
	h := hearing{
		started: ago(3 * time.Hour),
		inlets:  map[string]time.Time{"millrace": ago(90 * time.Minute), "drop": ago(1000 * time.Hour), "push": ago(31 * time.Minute)},
		meters:  map[string]time.Time{"M-1": ago(27 * time.Hour), "M-2": ago(26 * time.Hour), "M-3": ago(1000 * time.Hour)},
	}
	const usual = 26 * time.Hour
	require.Equal(t, []Silence{
		{Kind: SilentInlet, ID: "push", Since: ago(31 * time.Minute), Usual: 30 * time.Minute},
		{Kind: SilentMeter, ID: "M-1", Site: "millrace", Since: ago(27 * time.Hour), Usual: usual},
	}, silences(midday, h, inlets, meters, usual))

	t.Run("never heard counts from the start", func(t *testing.T) {
		h := hearing{started: ago(27 * time.Hour)}
		require.Equal(t, []Silence{
			{Kind: SilentInlet, ID: "millrace", Since: h.started, Never: true, Usual: 2 * time.Hour},
			{Kind: SilentMeter, ID: "M-4", Site: "saltmarsh", Since: h.started, Never: true, Usual: usual},
		}, silences(midday, h, inlets[:2], meters[3:], usual))
	})
	t.Run("nobody wonders about meters", func(t *testing.T) {
		require.Empty(t, silences(midday, h, nil, meters, 0))
	})
	t.Run("just after a start", func(t *testing.T) {
		h.started = ago(9 * time.Minute)
		require.Empty(t, silences(midday, h, inlets, meters, usual))
	})
	t.Run("told of as inlet and meter", func(t *testing.T) {
		require.Equal(t, []told{{poct.NotifyInlet, "", "", "push", 0}, {poct.NotifyMeter, "millrace", "", "M-1", 0}},
			toldOf(ofSilences([]Silence{{Kind: SilentInlet, ID: "push"}, {Kind: SilentMeter, ID: "M-1", Site: "millrace"}})))
	})
}

// book is what stands in the store, and what was written there.
type book struct {
	mu    sync.Mutex
	open  []poct.Critical
	fail  error
	wrote []poct.Notification
}

func (b *book) write(_ context.Context, list ...poct.Notification) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail != nil {
		return b.fail
	}
	b.wrote = append(b.wrote, list...)
	return nil
}

func (b *book) watcher(calls config.Calls) *watcher {
	return &watcher{
		name: "calls", every: watchOften, write: b.write, now: time.Now, log: zerolog.Nop(),
		look: func(_ context.Context, now time.Time) ([]poct.Notification, error) {
			b.mu.Lock()
			defer b.mu.Unlock()
			return openCalls(b.open, calls, now), b.fail
		},
	}
}

// after lets time pass, and then changes how things stand.
func (b *book) after(d time.Duration, change func()) {
	time.Sleep(d)
	synctest.Wait()
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

// A critical result that nobody takes notice of is told of at once, after ten
// minutes, each ten minutes from then on, and escalated after thirty; once a
// person was told it ends. The hour runs under the bubble's clock.
func TestAnHourWithoutACall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := time.Now()
		calls := config.Calls{CallTimes: config.CallTimes{RemindAfter: 10 * time.Minute, Every: 10 * time.Minute, EscalateAfter: 30 * time.Minute}}
		b := &book{open: []poct.Critical{{Result: "R-1", Hold: "H-1", Site: "saltmarsh", Opened: begin}}}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- b.watcher(calls).run(ctx) }()

		b.after(15*time.Minute+2*time.Second, func() { b.open[0].Hold = "" }) // released by a person: still nobody was told
		b.after(10*time.Minute, func() { b.fail = errors.New("the disk is away") })
		b.after(10*time.Minute, func() { b.fail = nil })
		b.after(10*time.Minute, func() { b.open = nil }) // somebody was told
		time.Sleep(15 * time.Minute)
		cancel()
		require.NoError(t, <-ended)

		var got []string
		for _, n := range b.wrote {
			got = append(got, n.At.Sub(begin).String()+" "+n.Kind+" "+n.Hold)
		}
		require.Equal(t, []string{
			"0s critical H-1", "10m0s critical H-1", "20m0s critical ",
			"35m5s critical ", "35m5s critical-escalated ", // late: at 30m the disk was away
			"40m0s critical ", "40m0s critical-escalated ",
		}, got)
	})
}

// After a restart all is said again, and the store leaves out what it has.
func TestARestartSaysItAgain(t *testing.T) {
	b := &book{open: []poct.Critical{{Result: "R-1", Hold: "H-1", Site: "saltmarsh", Opened: time.Now()}}}
	calls := config.Calls{CallTimes: config.CallTimes{RemindAfter: time.Hour, Every: time.Hour, EscalateAfter: time.Hour}}
	for range 2 {
		w := b.watcher(calls)
		require.NoError(t, w.pass(t.Context()))
		require.NoError(t, w.pass(t.Context()))
	}
	require.Len(t, b.wrote, 2)
	b.wrote[1].At = b.wrote[0].At
	require.Equal(t, b.wrote[0], b.wrote[1])
}
