package probe

import (
	"context"
	"io"
	"time"

	"github.com/rs/zerolog"

	"tidegate/outbound"
	"tidegate/poct"
)

// sender is a worker of the daemon's own kind, with a queue in memory.
type sender struct {
	p    *probe
	q    *queue
	cfg  outbound.Config
	stop func()
}

// sender starts a worker with these settings; stop it when done.
func (p *probe) sender(ctx context.Context, cfg outbound.Config) (*sender, error) {
	s := &sender{p: p, cfg: cfg}
	s.q = newQueue(p.s.Now, p.receipt)
	log := zerolog.New(io.Discard).Hook(zerolog.HookFunc(func(_ *zerolog.Event, level zerolog.Level, text string) {
		if level >= zerolog.WarnLevel {
			p.exchange(Exchange{What: "noticed while delivering", Answer: text})
		}
	}))
	w, err := outbound.New(cfg, outbound.Settings{
		ID: cfg.ID, Store: s.q, Log: log, Now: p.s.Now, Owner: "probe", Systems: p.s.Systems, HTTP: p.s.HTTP, Wake: s.q.wake,
	})
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = w.Run(ctx) // it ends when its context does, and says nothing else
	}()
	s.stop = func() { cancel(); <-done }
	return s, nil
}

// receipt notes what an attempt came to.
func (p *probe) receipt(r poct.Receipt) {
	p.exchange(Exchange{
		What: "delivery: " + string(r.Action), Request: r.Request, Status: r.Status, Answer: joined(r.Class, r.Answer),
	})
}

// sent is what became of a delivery.
type sent struct {
	row
	gaveUp bool
}

func (s sent) done() bool { return s.State == poct.DeliveryDone }

// why is the reason why it was not done, in words.
func (s sent) why() string {
	switch {
	case s.hold != nil:
		return s.hold.Text + " " + s.hold.Remedy
	case s.Delivery.Intent:
		return "Not taken while the probe waited; the last answer was " + told(joined(s.last.Class, s.last.Answer), "none") +
			". It may still arrive: look for it at the record system before anybody signs."
	case s.last.Class != "":
		return "Not taken while the probe waited; the last answer was " + joined(s.last.Class, s.last.Answer) + "."
	}
	return "Nothing was answered while the probe waited."
}

// deliver takes one delivery to its end, or as far as patience goes.
func (s *sender) deliver(ctx context.Context, d poct.Delivery) sent {
	d.Outlet = s.cfg.ID
	r := s.q.add(d)
	t := time.NewTimer(s.p.s.Patience)
	defer t.Stop()
	select {
	case <-r.end:
		out := sent{row: s.q.take(r)}
		s.p.exchange(Exchange{What: "bytes committed and sent: " + string(d.Action), SHA256: digest(out.Body)})
		return out
	case <-t.C:
	case <-ctx.Done():
	}
	return sent{row: s.q.take(r), gaveUp: true}
}

func joined(class, answer string) string {
	if answer == "" {
		return class
	}
	return class + ": " + answer
}
