package standin

import (
	"context"
	"fmt"
	"time"
)

// controlsIfDue runs the controls of all levels, at first and then each hour.
func (m *fleetMeter) controlsIfDue(ctx context.Context, now func() time.Time) {
	if !m.since.IsZero() && now().Sub(m.since) < controlsEvery {
		return
	}
	m.since = now()
	for _, c := range m.levels {
		t := m.test(errand{inr: c.inr}, now())
		t.who, t.level = nil, c.level
		s := m.deliver(ctx, m.write(t, now()), plain)
		if f, ok := m.speaker.(*folderSpeaker); ok && !s.over {
			// Files are no queue, and the results rest on this one.
			_ = taken(ctx, f.last)
		}
		m.done(errand{}, s, outcome{end: filed, internal: true})
	}
}

// run sends the message of one errand and counts what has to come of it.
func (m *fleetMeter) run(ctx context.Context, e errand, now func() time.Time) {
	switch e.kind {
	case lineNoise:
		m.noise(ctx, e)
		return
	case selfCheck:
		s := m.deliver(ctx, m.garbage(e.n, now()), plain)
		m.done(e, s, outcome{end: held})
		return
	case hostQuery:
		m.ask(ctx, e, now)
		return
	}
	t := m.test(e, now())
	clock := now()
	if e.flaw == Clock {
		clock = clock.Add(fast)
	}
	b := m.write(t, clock)
	s := m.deliver(ctx, b, e.flaw.trick())
	o := m.becomes(e)
	if e.flaw == Resends && !s.over {
		for range e.times {
			again := m.deliver(ctx, b, plain)
			s.sent += again.sent + 1
			s.unclear += again.unclear
			if again.over {
				o.resendsMore++
				break
			}
			s.more++
			if m.inlet.Way == POCT1A {
				o.resendsMore++ // within one conversation it is answered without asking the store
			} else {
				o.resends++
			}
		}
	}
	m.done(e, s, o)
}

// becomes is what must have come of a test, as far as its meter can know.
func (m *fleetMeter) becomes(e errand) outcome {
	switch {
	case e.kind == deviceError:
		return outcome{end: filed}
	case e.flaw == Clock, e.flaw == Lot, e.flaw == Swap && m.tellsBirth():
		return outcome{end: held}
	}
	// A swap that nothing in the message contradicts cannot be seen.
	o := outcome{end: delivered, observations: 1}
	if m.seconds() {
		o.observations = 2
	}
	return o
}

// done counts a message whose sending is over.
func (m *fleetMeter) done(e errand, s sending, o outcome) {
	o.kind, o.flaw = string(m.inlet.Way)+" "+m.device.model, e.flaw
	o.line = FleetLine{Messages: 1, Sendings: 1 + s.sent, Unclear: s.unclear}
	if s.over {
		o.line.GaveUp = 1
	} else {
		o.line.Answered = 1 + s.more
		o.answers = append(o.answers, string(m.inlet.Way)+" "+s.answer)
		o.resendsMore += s.unclear
	}
	switch s.answer {
	case "401", "403", "404", "413", "415", "ESC":
		o.end, o.observations = "", 0 // nothing of it is kept
	case "AR", "CR":
		o.end, o.observations = held, 0
	}
	m.tally.done(o)
}

// noise is garbage that is no message at all: nothing may come of it.
func (m *fleetMeter) noise(ctx context.Context, e errand) {
	l := m.line()
	l.close()
	m.speaker.close()
	err := l.noise(ctx, fmt.Appendf(nil, "\x00\xff~~ noise %d \x7f\r\n", e.n))
	o := outcome{kind: string(m.inlet.Way) + " " + m.device.model, flaw: e.flaw, line: FleetLine{Messages: 1, Sendings: 1}}
	if err != nil {
		m.tally.lost()
		o.line.GaveUp = 1
	}
	m.tally.done(o)
}

// ask puts a host query: it is an event to file, and is answered.
func (m *fleetMeter) ask(ctx context.Context, e errand, now func() time.Time) {
	m.seq++
	q := fmt.Sprintf("H|\\^&|%s-%d||SEDGE5^V5|||||||P|LIS2-A2|%s\rQ|1|%s||ALL\rL|1|N\r",
		m.device.serial, m.seq, now().In(m.zone).Format("20060102150405"), "^"+e.who.id)
	s := m.deliver(ctx, []byte(q), plain)
	if l, ok := m.speaker.(*lisSpeaker); ok && !s.over {
		if _, err := l.receive(); err != nil {
			l.close()
			m.tally.lost()
		}
	}
	m.done(e, s, outcome{end: filed})
}
