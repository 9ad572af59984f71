package poct1a

import (
	"context"
	"crypto/sha256"
	"time"

	"tidegate/fault"
	"tidegate/poct"
	wire "tidegate/wire/poct1a"
)

// format of the arrivals.
const format = "poct1a"

// do does what the conversation wants done, in its order.
func (s *session) do(work context.Context, actions []wire.Action) error {
	for len(actions) > 0 {
		a := actions[0]
		actions = actions[1:]
		switch a := a.(type) {
		case wire.Send:
			if err := s.send(a); err != nil {
				return err
			}
		case wire.Store:
			actions = append(actions, s.talk.Stored(s.store(work, a.Document))...)
		case wire.Greeted:
			s.greeted(a)
		case wire.Reported:
			s.status = a.Status
			off := s.contact(work, a.Created)
			actions = append(actions, s.talk.Wish(s.wish(off))...)
		case wire.Alive:
			if s.in.set.Now().Sub(s.alive) >= contactEvery {
				s.contact(work, a.Created)
			}
		case wire.ToldOperators:
			s.has.operators = true
			s.remember(func(m *memory) { m.operators, m.operatorsAt = a.List, s.in.set.Now() })
		case wire.ToldPatients:
			s.has.patients = true
			s.remember(func(m *memory) { m.patients, m.patientsAt = a.List, s.in.set.Now() })
		case wire.Locked:
			s.remember(func(m *memory) { m.locked = a.Locked })
		case wire.Noted:
			s.notice(a.What, nil)
		case wire.Close:
			s.in.set.Log.Debug().Str("peer", s.peer).Str("why", a.Why).Msg("conversation over")
		}
	}
	return nil
}

// greeted keeps who is there.
func (s *session) greeted(a wire.Greeted) {
	serial := a.Hello.Serial()
	s.hello, s.site, s.known, s.zone = a.Document.Raw, "", false, nil
	s.has.operators, s.has.patients = false, false
	s.in.greeted(s, serial)
	if serial != "" && s.in.set.Site != nil {
		s.site, s.known = s.in.set.Site(serial)
	}
	if s.known && s.in.set.Zone != nil {
		s.zone = s.in.set.Zone(serial)
	}
}

// store puts a document into the inbox and tells whether it is kept.
func (s *session) store(work context.Context, d *wire.Document) bool {
	whose := s.talk.Hello().Serial()
	if whose == "" {
		whose = s.host
	}
	a := poct.Arrival{
		Inlet: s.in.set.ID, Source: s.in.set.ID + "|" + whose, Digest: sha256.Sum256(d.Raw), Received: s.in.set.Now(), Peer: s.peer,
		Format: format, Raw: d.Raw, Batch: s.hello, ControlID: d.Header().ControlID,
	}
	if d.Fault != nil {
		a.Fault = d.Fault.Error()
	}
	_, err := s.in.set.Inbox.Accept(work, a)
	fault.Point("poct1a.accepted")
	s.in.refused.Is(err)
	return err == nil
}

// contactEvery bounds how often a keep-alive is noted as a contact.
const contactEvery = 5 * time.Minute

// contact notes what the meter's clock says; nil if it does not say.
func (s *session) contact(work context.Context, created wire.Value) (offset *time.Duration) {
	now := s.in.set.Now()
	c := poct.Contact{Meter: s.talk.Hello().Serial(), Inlet: s.in.set.ID, At: now}
	if t, err := wire.ParseTime(created.V); err == nil && t.Parts >= 5 {
		c.Device = t.In(s.zone)
	}
	if !c.Device.IsZero() {
		c.Offset = c.Device.Sub(now)
		offset = &c.Offset
	}
	s.alive = now
	if box, ok := s.in.set.Inbox.(contacts); ok && c.Meter != "" {
		if err := box.Contact(work, c); err != nil {
			s.in.set.Log.Warn().Err(err).Msg("a meter's contact could not be noted")
		}
	}
	return offset
}
