package standin

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Fleet is any number of invented meters that send at once, each on a line of
// its own: for load and endurance, against a test set-up. What they send, to
// whom, and what goes wrong is fixed by the seed; the times are those of the
// sending.
//
//	plan (seed) ─► errand ─► meter ─► test ─► text ─► speaker, with its trick
//	                           │                          │
//	                           └─► tally ◄── answers ◄────┘
type Fleet struct {
	opt    FleetOptions
	meters []*fleetMeter
	people []person
	tally  *fleetTally
	rnd    *rand.Rand
	nats   *nats.Conn
}

// FleetOptions say how a fleet works.
type FleetOptions struct {
	Seed    uint64
	Meters  int           // at most; 0: all that the registry has
	Rate    float64       // messages a second, of all meters together; 0: as fast as they are answered
	Results int           // how many messages, beside the controls; 0: as many as For allows
	For     time.Duration // how long; 0: until Results are sent
	Flaws   []Flaw        // one message in four has one of them
	Now     func() time.Time
}

// flawed: one message in so many goes wrong.
const flawed = 4

// errorsAmong and queriesAmong: one test in so many gives an error, one message
// on LIS01 in so many asks the host.
const (
	errorsAmong  = 40
	queriesAmong = 30
)

// patience beyond the end: what is open is finished, for so long.
const finishFor = 60 * time.Second

// NewFleet takes the meters in use from a registry and gives each an inlet
// that reads what its model writes. notes says which were left out, and why.
func NewFleet(reg *FleetRegistry, inlets []FleetInlet, opt FleetOptions) (f *Fleet, notes []string, err error) {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	f = &Fleet{opt: opt, people: reg.patients(), rnd: rand.New(rand.NewPCG(opt.Seed, 3))}
	if len(f.people) < 2 {
		return nil, nil, errors.New("standin: the registry has fewer than two patients of authority " + authority)
	}
	left := map[string]int{}
	turn := map[string]int{} // by model
	for _, row := range reg.tables["meters"] {
		if row["state"] != "" && row["state"] != "in-use" {
			continue
		}
		if opt.Meters > 0 && len(f.meters) == opt.Meters {
			break
		}
		m := &fleetMeter{device: device{serial: row["serial"], model: row["model"], site: row["site"]}, zone: reg.zones[row["site"]]}
		fits := inletsFor(m.device.model, inlets)
		switch {
		case m.zone == nil:
			left["site "+row["site"]+" is not in the registry"]++
			continue
		case len(fits) == 0:
			left["no inlet reads what a "+m.device.model+" of the fleet writes"]++
			continue
		}
		m.inlet = fits[turn[m.device.model]%len(fits)]
		turn[m.device.model]++
		if err := reg.equip(m); err != nil {
			left[err.Error()]++
			continue
		}
		m.device.way = m.inlet.Way
		f.meters = append(f.meters, m)
	}
	for why, n := range left {
		notes = append(notes, fmt.Sprintf("%d of the meters left out: %s", n, why))
	}
	slices.Sort(notes)
	if len(f.meters) == 0 {
		return nil, notes, errors.New("standin: no meter can send")
	}
	f.tally = newFleetTally(opt.Seed, len(f.meters))
	for _, m := range f.meters {
		m.tally, m.first = f.tally, f.rnd.IntN(len(f.people))
		// Runs that follow each other at once do not share numbers: a Reed 2 tells
		// its times to the minute alone.
		m.seq = int(opt.Now().UnixMilli() / 100 % 1e8)
	}
	return f, notes, nil
}

func inletsFor(model string, inlets []FleetInlet) []FleetInlet {
	var out []FleetInlet
	for _, in := range inlets {
		if format := formatOf(model, in.Way); format != "" && slices.Contains(in.Reads, Dialect{model, format}) {
			out = append(out, in)
		}
	}
	return out
}

// Meters is how many meters send.
func (f *Fleet) Meters() int { return len(f.meters) }

// Ways counts the meters by the way in which they send.
func (f *Fleet) Ways() map[Way]int {
	out := map[Way]int{}
	for _, m := range f.meters {
		out[m.inlet.Way]++
	}
	return out
}

// Count is how far the fleet has come; it may be asked at any time.
func (f *Fleet) Count() FleetCount { return f.tally.now() }

// Run lets the fleet send until it is done, or until ctx ends: then what is
// open is finished first, within a bounded time. It runs once.
func (f *Fleet) Run(ctx context.Context) (FleetReport, error) {
	began := f.opt.Now()
	if err := f.connect(); err != nil {
		return f.tally.report, err
	}
	defer f.close()
	// What is under way ends in its own time, not with ctx.
	work, cut := context.WithCancel(context.WithoutCancel(ctx))
	defer cut()
	spare := make(chan struct{}, 2*len(f.meters)) // bounds what waits
	queues := map[*fleetMeter]chan errand{}
	var working sync.WaitGroup
	for _, m := range f.meters {
		q := make(chan errand, cap(spare))
		queues[m] = q
		working.Go(func() {
			for e := range q {
				m.controlsIfDue(work, f.opt.Now)
				m.run(work, e, f.opt.Now)
				<-spare
			}
			m.speaker.close()
		})
	}
	f.plan(ctx, func(m *fleetMeter, e errand) bool {
		select {
		case spare <- struct{}{}:
		case <-ctx.Done():
			return false
		}
		f.tally.planned()
		queues[m] <- e // never full: spare bounds all of them
		return true
	})
	for _, q := range queues {
		close(q)
	}
	done := make(chan struct{})
	go func() { working.Wait(); close(done) }()
	t := time.NewTimer(finishFor)
	defer t.Stop()
	select {
	case <-done:
	case <-t.C: // somebody cannot be reached: gives up
		cut()
		<-done
	}
	r := f.tally.report
	r.Seconds = f.opt.Now().Sub(began).Seconds()
	return r, nil
}

func (f *Fleet) connect() error {
	for _, m := range f.meters {
		var js jetstream.JetStream
		if m.inlet.Way == Queue {
			if f.nats == nil {
				c, err := nats.Connect(m.inlet.Addr, nats.RetryOnFailedConnect(true), nats.MaxReconnects(-1))
				if err != nil {
					return fmt.Errorf("standin: %w", err)
				}
				f.nats = c
			}
			var err error
			if js, err = jetstream.New(f.nats); err != nil {
				return fmt.Errorf("standin: %w", err)
			}
		}
		if err := m.open(js); err != nil {
			return err
		}
	}
	return nil
}

func (f *Fleet) close() {
	if f.nats != nil {
		f.nats.Close()
	}
}

// plan hands out errands at the rate until they are enough, the time is over or
// ctx ends.
func (f *Fleet) plan(ctx context.Context, hand func(*fleetMeter, errand) bool) {
	var tick <-chan time.Time
	if f.opt.Rate > 0 {
		t := time.NewTicker(time.Duration(float64(time.Second) / f.opt.Rate))
		defer t.Stop()
		tick = t.C
	}
	var over <-chan time.Time
	if f.opt.For > 0 {
		t := time.NewTimer(f.opt.For)
		defer t.Stop()
		over = t.C
	}
	for n := 1; f.opt.Results == 0 || n <= f.opt.Results; n++ {
		if tick != nil {
			select {
			case <-tick:
			case <-over:
				return
			case <-ctx.Done():
				return
			}
		}
		select {
		case <-over:
			return
		case <-ctx.Done():
			return
		default:
		}
		m, e := f.errand(n)
		if !hand(m, e) {
			return
		}
	}
}

// errand draws the nth message. Each draws the same numbers, so that what one
// becomes does not depend on what another was.
func (f *Fleet) errand(n int) (*fleetMeter, errand) {
	m := f.meters[f.rnd.IntN(len(f.meters))]
	// Each meter goes through all patients, so that none is tested twice within
	// the minute that a Reed 2 tells.
	who, other := (m.first+m.planned)%len(f.people), f.rnd.IntN(len(f.people)-1)
	m.planned++
	if other >= who {
		other++
	}
	wrong, which, times, odd := f.rnd.IntN(flawed), f.rnd.Uint64(), 1+f.rnd.IntN(3), f.rnd.IntN(errorsAmong*queriesAmong)
	// A patient's INR stays what it is: no leap from one test to the next.
	e := errand{n: n, who: f.people[who], other: f.people[other], inr: fmt.Sprintf("2.%d", 2+who%6), times: times}
	var can []Flaw
	for _, flaw := range f.opt.Flaws {
		if flaw.on(m.inlet.Way) {
			can = append(can, flaw)
		}
	}
	switch {
	case wrong == 0 && len(can) > 0:
		e.flaw = can[which%uint64(len(can))]
		if e.flaw == Garbage {
			e.kind = selfCheck
			if l := m.inlet.Way; which%2 == 0 && (l == MLLP || l == LIS || l == POCT1A) {
				e.kind = lineNoise
			}
		}
	case odd%errorsAmong == 0 && meterErrors[m.device.model] != "" && m.inlet.Way != POCT1A:
		e.kind = deviceError
	case odd%queriesAmong == 0 && m.inlet.Way == LIS:
		e.kind = hostQuery
	}
	return m, e
}
