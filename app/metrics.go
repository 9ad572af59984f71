package app

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"tidegate/poct"
	"tidegate/store"
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

// watch reads the store's counts whenever somebody scrapes.
func (m *metrics) watch(s *store.Store, now func() time.Time) {
	m.reg.MustRegister(&gauges{store: s, now: now})
}

type gauges struct {
	store *store.Store
	now   func() time.Time
}

var (
	gaugeHolds     = desc("holds_open", "Results and arrivals that wait for a person.")
	gaugeOldest    = desc("hold_oldest_seconds", "How long the oldest of them has waited.")
	gaugeCriticals = desc("criticals_open", "Critical results that no person has acknowledged yet.")
	gaugeWaiting   = desc("arrivals_waiting", "Arrivals not yet judged.")
	gaugeBacklog   = desc("backlog", "Released results not yet delivered.", "outlet")
	gaugeMeter     = desc("meter_last_seen_timestamp_seconds", "When a meter was last heard of.", "meter")
	gaugeInlet     = desc("inlet_last_arrival_timestamp_seconds", "When an inlet last took a message.", "inlet")
	gaugeLedger    = desc("ledger_events", "Events in the ledger.")
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("tidegate_"+name, help, labels, nil)
}

// Describe implements prometheus.Collector.
func (g *gauges) Describe(c chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{gaugeHolds, gaugeOldest, gaugeCriticals, gaugeWaiting, gaugeBacklog, gaugeMeter, gaugeInlet, gaugeLedger} {
		c <- d
	}
}

// Collect implements prometheus.Collector.
func (g *gauges) Collect(c chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	n, err := g.store.Counts(ctx)
	if err != nil {
		c <- prometheus.NewInvalidMetric(gaugeHolds, err)
		return
	}
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		c <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	gauge(gaugeHolds, float64(n.OpenHolds))
	oldest := 0.0
	if !n.OldestHold.IsZero() {
		oldest = g.now().Sub(n.OldestHold).Seconds()
	}
	gauge(gaugeOldest, oldest)
	gauge(gaugeWaiting, float64(n.Waiting))
	for outlet, backlog := range n.Backlog {
		gauge(gaugeBacklog, float64(backlog), outlet)
	}
	book := g.store.Book()
	for meter, at := range n.Meters {
		// A serial that nobody registered is a stranger's text: a patient's
		// number in the wrong field would stand in the metrics.
		if _, known, err := book.Meter(meter); !known || err != nil {
			continue
		}
		gauge(gaugeMeter, float64(at.UnixMilli())/1000, meter)
	}
	for inlet, at := range n.Inlets {
		gauge(gaugeInlet, float64(at.UnixMilli())/1000, inlet)
	}
	if open, err := g.store.Criticals(ctx, true); err == nil {
		gauge(gaugeCriticals, float64(len(open)))
	}
	if size, err := g.store.Size(ctx); err == nil {
		gauge(gaugeLedger, float64(size))
	}
}
