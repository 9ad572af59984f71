package standin

import (
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"
)

// FleetCount is how far a fleet has come.
type FleetCount struct {
	Elapsed  time.Duration
	Planned  int // messages given to meters
	Answered int // messages done with
	Resent   int // sendings of one that had been sent before
	Refused  int // negative answers
	LostLine int // answers that did not come
}

// FleetLine is the account of one kind of meter, or of one fault.
type FleetLine struct {
	Messages int `json:"messages"` // different messages
	Sendings int `json:"sendings"` // how often one was sent
	Answered int `json:"answered"` // positive answers
	Unclear  int `json:"unclear"`  // sendings whose answer was not seen
	GaveUp   int `json:"gave_up"`  // messages that were never answered
}

func (l *FleetLine) add(o FleetLine) {
	l.Messages += o.Messages
	l.Sendings += o.Sendings
	l.Answered += o.Answered
	l.Unclear += o.Unclear
	l.GaveUp += o.GaveUp
}

// FleetReport is the closing account of a fleet: what was sent, and what must
// have become of it as far as the meters can know.
type FleetReport struct {
	Seed    uint64               `json:"seed"`
	Meters  int                  `json:"meters"`
	Seconds float64              `json:"seconds"`
	Total   FleetLine            `json:"total"`
	Kinds   map[string]FleetLine `json:"kinds"`  // by way and model
	Faults  map[string]FleetLine `json:"faults"` // by fault; "none" for the rest
	Want    FleetWant            `json:"want"`
	Told    map[string]int       `json:"told"` // how often which answer
}

// FleetWant is what the other side must hold. Sendings whose answer was not
// seen may have been taken or not, so there are two bounds.
type FleetWant struct {
	Arrivals     int            `json:"arrivals"`
	ArrivalsMost int            `json:"arrivals_most"`
	Resends      int            `json:"resends"`
	ResendsMost  int            `json:"resends_most"`
	Ends         map[string]int `json:"ends"` // of arrivals, at the bound without what was given up
	Observations int            `json:"observations"`
}

// fleetTally counts for all meters.
type fleetTally struct {
	mu     sync.Mutex
	count  FleetCount
	report FleetReport
}

func newFleetTally(seed uint64, meters int) *fleetTally {
	return &fleetTally{report: FleetReport{
		Seed: seed, Meters: meters, Kinds: map[string]FleetLine{}, Faults: map[string]FleetLine{},
		Want: FleetWant{Ends: map[string]int{}}, Told: map[string]int{},
	}}
}

func (t *fleetTally) planned() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.count.Planned++
}

func (t *fleetTally) lost() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.count.LostLine++
}

func (t *fleetTally) refused(w Way, answer string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.count.Refused++
	t.report.Told[string(w)+" "+answer]++
}

func (t *fleetTally) now() FleetCount {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.count
}

// outcome is what one message has come to.
type outcome struct {
	kind         string // of the meter
	flaw         Flaw
	answers      []string
	line         FleetLine
	end          string // of its arrival; "" makes none
	resends      int
	resendsMore  int // that may have been
	observations int
	extra        string // end of a second arrival; "" makes none
	internal     bool   // nobody planned it: controls
}

func (t *fleetTally) done(o outcome) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !o.internal {
		t.count.Answered++
	}
	t.count.Resent += o.line.Sendings - o.line.Messages
	for _, a := range o.answers {
		t.report.Told[a]++
	}
	t.report.Total.add(o.line)
	add := func(m map[string]FleetLine, key string) {
		l := m[key]
		l.add(o.line)
		m[key] = l
	}
	add(t.report.Kinds, o.kind)
	flaw := string(o.flaw)
	if flaw == "" {
		flaw = "none"
	}
	add(t.report.Faults, flaw)
	w := &t.report.Want
	w.Resends += o.resends
	w.ResendsMost += o.resends + o.resendsMore
	for _, end := range []string{o.end, o.extra} {
		switch {
		case end == "":
		case o.line.GaveUp > 0:
			w.ArrivalsMost++ // it may have been taken all the same
		default:
			w.Arrivals++
			w.ArrivalsMost++
			w.Ends[end]++
		}
	}
	if o.line.GaveUp == 0 {
		w.Observations += o.observations
	}
}

// Became is what the other side says has become of a fleet's messages: how far
// its account has grown.
type Became struct {
	Arrivals   int            `json:"arrivals"`
	Resends    int            `json:"resends"`
	Lost       int            `json:"lost"`
	Ends       map[string]int `json:"ends"`
	Unfinished int            `json:"unfinished"` // waiting, or being delivered
}

// Compare tells in sentences what does not add up (lost or doubled), and what
// ended otherwise than the meters expected.
func (w FleetWant) Compare(b Became) (wrong, otherwise []string) {
	say := func(format string, a ...any) { wrong = append(wrong, fmt.Sprintf(format, a...)) }
	switch {
	case b.Arrivals < w.Arrivals:
		say("%d messages were answered and are not there: %d arrivals, %d expected", w.Arrivals-b.Arrivals, b.Arrivals, w.Arrivals)
	case b.Arrivals > w.ArrivalsMost:
		say("%d arrivals more than messages were sent: %d arrivals, at most %d expected", b.Arrivals-w.ArrivalsMost, b.Arrivals, w.ArrivalsMost)
	}
	if b.Resends < w.Resends || b.Resends > w.ResendsMost {
		say("%d resends were counted, %s expected", b.Resends, between(w.Resends, w.ResendsMost))
	}
	if b.Lost != 0 {
		say("%d arrivals are in no state at all", b.Lost)
	}
	if b.Unfinished != 0 {
		say("%d arrivals have not come to an end yet; is the record system there?", b.Unfinished)
	}
	sum := b.Unfinished
	for _, n := range b.Ends {
		sum += n
	}
	if sum != b.Arrivals {
		say("the ends add up to %d, not to %d arrivals", sum, b.Arrivals)
	}
	ends := map[string]bool{}
	for end := range w.Ends {
		ends[end] = true
	}
	for end := range b.Ends {
		ends[end] = true
	}
	spare := w.ArrivalsMost - w.Arrivals // what was given up may have had any end
	for _, end := range slices.Sorted(maps.Keys(ends)) {
		if got, want := b.Ends[end], w.Ends[end]; got < want-max(0, b.Unfinished) || got > want+spare {
			otherwise = append(otherwise, fmt.Sprintf("%d %s, %s expected", got, end, between(want, want+spare)))
		}
	}
	return wrong, otherwise
}

func between(low, high int) string {
	if low == high {
		return fmt.Sprint(low)
	}
	return fmt.Sprintf("%d to %d", low, high)
}
