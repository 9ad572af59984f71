package standin

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Targets are where the meters send to, and the record system that goes away
// in the middle of the day.
type Targets struct {
	MLLP      string // host:port
	Drop      string // folder
	NATS      string // URL
	Subject   string // default results.quill
	HTTP      string // URL of the HTTP inlet
	HTTPToken string
	LIS       string    // host:port; "" leaves these meters out
	POCT1A    string    // likewise
	Record    *Record   // nil: no outage
	People    *People   // nil: nobody acts
	Acted     func(Act) // is told of each act; may be nil
	// Over spreads the day over a time; 0 plays as fast as it is answered.
	Over time.Duration
	// OutageFor is how long the record system stays away at least, default 2s.
	OutageFor time.Duration
}

// Told counts what each meter was answered.
type Told map[string]map[string]int

// Progress is called after each item.
type Progress func(done, total int, it Item, answer string)

// patience is how often a meter sends what was not taken, and how long it
// waits for an answer. Pauses double from one to the next.
const (
	tries     = 8
	answerFor = 30 * time.Second
)

// Play lets the meters speak: the phases one after another, within a phase
// each meter for itself. It returns what they were told once all have spoken,
// or the first error that no meter could get over.
func (d *Day) Play(ctx context.Context, to Targets, progress Progress) (Told, error) {
	p := &player{day: d, to: to, progress: progress, told: Told{}}
	for _, it := range d.Items {
		if to.reach(it.Way) {
			p.total += it.Times
		}
	}
	if to.Subject == "" {
		p.to.Subject = "results.quill"
	}
	if to.OutageFor == 0 {
		p.to.OutageFor = 2 * time.Second
	}
	defer p.close()
	last := 0
	for _, it := range d.Items {
		last = max(last, it.Phase)
	}
	for phase := 1; phase <= last; phase++ {
		if err := p.phase(ctx, phase); err != nil {
			return p.told, err
		}
		if phase == d.Outage {
			p.catchUp(ctx, phase)
		}
		if to.People == nil {
			continue
		}
		if err := to.People.rest(ctx, p.arrivals(phase)); err != nil {
			return p.told, err
		}
		if err := to.People.act(ctx, d.Acts, phase, to.Acted); err != nil {
			return p.told, err
		}
	}
	return p.told, nil
}

// reach tells whether there is somebody to send to.
func (to Targets) reach(way Way) bool {
	return (way != LIS || to.LIS != "") && (way != POCT1A || to.POCT1A != "")
}

// arrivals are how many messages have been sent when a phase is over.
func (p *player) arrivals(phase int) (n int) {
	for _, it := range p.day.Items {
		if it.Phase <= phase && p.to.reach(it.Way) {
			n += it.Messages
		}
	}
	return n
}

// catchUp gives the record system time to take in what was kept back, so that
// what the next phase corrects and withdraws stands there already. It waits
// with patience, not for ever: that everything arrives is for others to judge.
func (p *player) catchUp(ctx context.Context, phase int) {
	want := 0
	for _, it := range p.day.Items {
		if it.Phase <= phase && p.to.reach(it.Way) {
			want += it.Want.Observations
		}
	}
	end := time.NewTimer(15 * time.Second)
	defer end.Stop()
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for p.to.Record != nil && p.to.Record.Count("Observation") < want {
		select {
		case <-look.C:
		case <-end.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

type player struct {
	day      *Day
	to       Targets
	progress Progress
	total    int

	mu   sync.Mutex
	told Told
	done int
	nats *nats.Conn
}

func (p *player) close() {
	if p.nats != nil {
		p.nats.Close()
	}
}

func (p *player) phase(ctx context.Context, phase int) error {
	lanes := map[string][]Item{}
	n := 0
	for _, it := range p.day.Items {
		if it.Phase == phase && p.to.reach(it.Way) {
			lane := it.Meter + " " + string(it.Way)
			lanes[lane] = append(lanes[lane], it)
			n++
		}
	}
	var back <-chan time.Time
	if phase == p.day.Outage && p.to.Record != nil {
		p.to.Record.Outage(&Fault{Kind: Status, Status: http.StatusServiceUnavailable})
		defer p.to.Record.Outage(nil)
		t := time.NewTimer(p.to.OutageFor)
		defer t.Stop()
		back = t.C
	}
	over := p.to.Over * time.Duration(n) / time.Duration(max(p.total, 1))
	errs := make(chan error, len(lanes))
	for _, items := range lanes {
		go func() { errs <- p.lane(ctx, items, over/time.Duration(len(items))) }()
	}
	var err error
	for range lanes {
		err = errors.Join(err, <-errs)
	}
	if back != nil && err == nil {
		select {
		case <-back:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return err
}

// lane is one meter at work.
func (p *player) lane(ctx context.Context, items []Item, pace time.Duration) error {
	var m mouth
	switch items[0].Way {
	case MLLP:
		m = &mllpMouth{addr: p.to.MLLP}
	case HTTP:
		m = httpMouth{p.to.HTTP, p.to.HTTPToken}
	case Queue:
		js, err := p.stream()
		if err != nil {
			return err
		}
		m = queueMouth{js, p.to.Subject}
	case Folder:
		m = &folderMouth{dir: p.to.Drop}
	case LIS:
		m = speakerMouth{newLISSpeaker(p.to.LIS)}
	case POCT1A:
		m = speakerMouth{newPOCTSpeaker(p.to.POCT1A, items[0].Meter, "SEDGE5")}
	}
	defer m.close()
	tick := time.NewTicker(max(pace, time.Microsecond))
	defer tick.Stop()
	for _, it := range items {
		sent := stamped(it.Bytes, time.Now().In(p.day.local).Add(it.Clock))
		for range it.Times {
			answer, err := p.say(ctx, m, it, sent)
			if err != nil {
				return fmt.Errorf("standin: meter %s: %w", it.Meter, err)
			}
			p.note(it, answer, 1)
		}
		if pace == 0 {
			continue
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// again are the answers after which a meter sends once more.
var again = []string{"AE", "CE", "503", lisRefused, lisBusy}

// say sends until the meter is told something that ends it: taken, or refused
// for good. A negative answer and silence are reasons to send again.
func (p *player) say(ctx context.Context, m mouth, it Item, b []byte) (string, error) {
	pause := 50 * time.Millisecond
	var last error
	for range tries {
		answer, err := m.say(ctx, it, b)
		if err == nil && !slices.Contains(again, answer) {
			return answer, nil
		}
		if err == nil {
			p.note(it, answer, 0)
			err = fmt.Errorf("told %s", answer)
		}
		last = err
		t := time.NewTimer(pause)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return "", ctx.Err()
		}
		pause *= 2
	}
	return "", last
}

// note counts an answer; done is 0 for one after which the meter sends again.
func (p *player) note(it Item, answer string, done int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.told[it.Meter] == nil {
		p.told[it.Meter] = map[string]int{}
	}
	p.told[it.Meter][answer]++
	p.done += done
	if p.progress != nil {
		p.progress(p.done, p.total, it, answer)
	}
}

func (p *player) stream() (jetstream.JetStream, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.nats == nil {
		c, err := nats.Connect(p.to.NATS, nats.RetryOnFailedConnect(true), nats.MaxReconnects(20))
		if err != nil {
			return nil, fmt.Errorf("standin: %w", err)
		}
		p.nats = c
	}
	return jetstream.New(p.nats)
}
