package app

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"tidegate/poct"
)

// metrics of one daemon. Labels are ids of the configuration and codes of
// checks: nothing about a patient.
type metrics struct {
	reg      *prometheus.Registry
	arrivals *prometheus.CounterVec
	notices  *prometheus.CounterVec
	verdicts *prometheus.CounterVec
	problems *prometheus.CounterVec
	delivery *prometheus.HistogramVec
	attempts *prometheus.CounterVec
}

func newMetrics(version string) *metrics {
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "tidegate", Name: name, Help: help}, labels)
	}
	m := &metrics{
		reg:      prometheus.NewRegistry(),
		arrivals: counter("arrivals_total", "Messages handed to the store, by inlet and answer.", "inlet", "answer"),
		notices:  counter("inlet_notices_total", "What an inlet saw that is no message: frames cut off, refused peers.", "inlet"),
		verdicts: counter("verdicts_total", "Readings judged, by verdict.", "verdict"),
		problems: counter("problems_total", "Problems found, by check and severity.", "code", "severity"),
		attempts: counter("delivery_attempts_total", "Answers of outlets, by class.", "outlet", "class"),
		delivery: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Namespace: "tidegate", Name: "delivery_seconds", Help: "Time from release to the record system's acceptance.",
			Buckets: []float64{.01, .05, .1, .5, 1, 5, 15, 60, 300, 1800},
		}, []string{"outlet"}),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{
		Namespace: "tidegate", Name: "build_info", Help: "1, labelled with the version.", ConstLabels: prometheus.Labels{"version": version},
	})
	build.Set(1)
	m.reg.MustRegister(m.arrivals, m.notices, m.verdicts, m.problems, m.attempts, m.delivery, build,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// decided counts one committed decision.
func (m *metrics) decided(d poct.Decision) {
	for _, o := range d.Outcomes {
		m.verdicts.WithLabelValues(string(o.Verdict)).Inc()
		for _, p := range o.Problems {
			m.problems.WithLabelValues(p.Code, string(p.Severity)).Inc()
		}
	}
}

// answered counts one committed receipt.
func (m *metrics) answered(r poct.Receipt, done bool, due time.Duration) {
	m.attempts.WithLabelValues(r.Outlet, r.Class).Inc()
	if done {
		m.delivery.WithLabelValues(r.Outlet).Observe(due.Seconds())
	}
}

// gauges reads how things stand whenever somebody scrapes.
type gauges struct{ app *App }

var (
	gaugeHolds     = desc("holds_open", "Results and arrivals that wait for a person.")
	gaugeOldest    = desc("hold_oldest_seconds", "How long the oldest of them has waited.")
	gaugeCriticals = desc("criticals_open", "Critical results that no person has acknowledged yet.", "site")
	gaugeEscalated = desc("criticals_escalated", "Those of them that were escalated.", "site")
	gaugeAgeing    = desc("holds_ageing", "Holds that wait for longer than their site's time.", "site")
	gaugeWaiting   = desc("arrivals_waiting", "Arrivals not yet judged.")
	gaugeBacklog   = desc("backlog", "Released results not yet delivered.", "outlet")
	gaugePaused    = desc("outlet_paused", "1 while a person keeps back what is released for an outlet, else 0.", "outlet")
	gaugeMeter     = desc("meter_last_seen_timestamp_seconds", "When a meter was last heard of.", "meter")
	gaugeInlet     = desc("inlet_last_arrival_timestamp_seconds", "When an inlet last took a message.", "inlet")
	gaugeInletGone = desc("inlet_silent", "1 if a watched inlet was not heard from within its usual time, else 0.", "inlet")
	gaugeMeterGone = desc("meter_silent", "1 if a watched meter was not heard from within its usual time, else 0.", "meter")
	gaugeNotices   = desc("notifications_total", "Attempts to tell another system that a person is needed, by class.", "channel", "class")
	gaugeUntold    = desc("notification_oldest_seconds", "How long the notification has waited that a channel is trying to tell.", "channel")
	gaugeLedger    = desc("ledger_events", "Events in the ledger.")

	gaugeAudits        = desc("audit_backlog", "AuditEvents that an outlet's audit repository has not taken yet.", "outlet")
	gaugeAuditsOldest  = desc("audit_oldest_seconds", "How long the oldest of them has waited.", "outlet")
	gaugeAuditsRefused = desc("audit_refused", "Those of them that it refused and that were set aside.", "outlet")
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("tidegate_"+name, help, labels, nil)
}

// Describe implements prometheus.Collector.
func (g *gauges) Describe(c chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		gaugeHolds, gaugeOldest, gaugeCriticals, gaugeEscalated, gaugeAgeing, gaugeWaiting, gaugeBacklog, gaugePaused, gaugeMeter, gaugeInlet,
		gaugeInletGone, gaugeMeterGone, gaugeNotices, gaugeUntold, gaugeLedger,
		gaugeAudits, gaugeAuditsOldest, gaugeAuditsRefused,
	} {
		c <- d
	}
}

// Collect implements prometheus.Collector.
func (g *gauges) Collect(c chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	s := &scrape{app: g.app, out: c, now: g.app.opt.Now()}
	for _, part := range []func(context.Context) error{s.work, s.doubt, s.silence, s.notices, s.audits} {
		if err := part(ctx); err != nil {
			c <- prometheus.NewInvalidMetric(gaugeHolds, err)
			return
		}
	}
}

// scrape is one reading of how things stand.
type scrape struct {
	app *App
	out chan<- prometheus.Metric
	now time.Time
}

func (s *scrape) gauge(d *prometheus.Desc, v float64, labels ...string) {
	s.out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

// age is in seconds, 0 of no time at all.
func (s *scrape) age(at time.Time) float64 {
	if at.IsZero() {
		return 0
	}
	return s.now.Sub(at).Seconds()
}

// work counts what waits and what came.
func (s *scrape) work(ctx context.Context) error {
	n, err := s.app.store.Counts(ctx)
	if err != nil {
		return err
	}
	s.gauge(gaugeHolds, float64(n.OpenHolds))
	s.gauge(gaugeOldest, s.age(n.OldestHold))
	s.gauge(gaugeWaiting, float64(n.Waiting))
	for outlet, backlog := range n.Backlog {
		s.gauge(gaugeBacklog, float64(backlog), outlet)
	}
	for _, o := range s.app.cfg.Outlets {
		paused := 0.0
		if _, is := s.app.store.Paused(o.ID); is {
			paused = 1
		}
		s.gauge(gaugePaused, paused, o.ID)
	}
	book := s.app.store.Book()
	for meter, at := range n.Meters {
		// A serial that nobody registered is a stranger's text: a patient's
		// number in the wrong field would stand in the metrics.
		if _, known, err := book.Meter(meter); !known || err != nil {
			continue
		}
		s.gauge(gaugeMeter, float64(at.UnixMilli())/1000, meter)
	}
	for inlet, at := range n.Inlets {
		s.gauge(gaugeInlet, float64(at.UnixMilli())/1000, inlet)
	}
	size, err := s.app.store.Size(ctx)
	s.gauge(gaugeLedger, float64(size))
	return err
}

// doubt counts, for each site that is registered or has some, what waits for a
// person for too long.
func (s *scrape) doubt(ctx context.Context) error {
	open, escalated, ageing := map[string]int{}, map[string]int{}, map[string]int{}
	rows, err := reader{s.app.store}.rows(ctx, poct.Sites)
	if err != nil {
		return err
	}
	for _, site := range rows.Sites {
		open[site.ID], escalated[site.ID], ageing[site.ID] = 0, 0, 0
	}
	criticals, err := s.app.store.Criticals(ctx, true)
	if err != nil {
		return err
	}
	for _, c := range criticals {
		open[c.Site]++
	}
	for _, n := range openCalls(criticals, s.app.cfg.Calls, s.now) {
		if n.Kind == poct.NotifyEscalated {
			escalated[n.Site]++
		}
	}
	times := s.app.cfg.Ageing
	old, err := s.app.store.Ageing(ctx, s.now.Add(-times.Least()), mostAgeing)
	if err != nil {
		return err
	}
	for _, h := range old {
		if s.now.Sub(h.Opened) >= times.At(h.Site) {
			ageing[h.Site]++
		}
	}
	for d, sites := range map[*prometheus.Desc]map[string]int{gaugeCriticals: open, gaugeEscalated: escalated, gaugeAgeing: ageing} {
		for site, n := range sites {
			s.gauge(d, float64(n), site)
		}
	}
	return nil
}

// silence tells of each inlet and meter that is watched whether it is silent.
func (s *scrape) silence(ctx context.Context) error {
	rows, err := reader{s.app.store}.rows(ctx, poct.Meters)
	if err != nil {
		return err
	}
	list, err := s.app.silencesOf(ctx, rows.Meters)
	if err != nil {
		return err
	}
	inlets, meters := map[string]float64{}, map[string]float64{}
	for _, in := range s.app.cfg.Inlets {
		if in.Usual > 0 {
			inlets[in.ID] = 0
		}
	}
	for _, m := range rows.Meters {
		if watched(m, s.app.cfg.MetersUsual) {
			meters[m.Serial] = 0
		}
	}
	for _, x := range list {
		map[string]map[string]float64{SilentInlet: inlets, SilentMeter: meters}[x.Kind][x.ID] = 1
	}
	for id, silent := range inlets {
		s.gauge(gaugeInletGone, silent, id)
	}
	for serial, silent := range meters {
		s.gauge(gaugeMeterGone, silent, serial)
	}
	return nil
}

// notices tells how the channels to other systems do.
func (s *scrape) notices(context.Context) error {
	for _, h := range s.app.notices.Health() {
		for class, n := range h.Attempts {
			s.out <- prometheus.MustNewConstMetric(gaugeNotices, prometheus.CounterValue, float64(n), h.Channel, class)
		}
		s.gauge(gaugeUntold, s.age(h.Oldest), h.Channel)
	}
	return nil
}
