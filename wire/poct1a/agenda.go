package poct1a

import "time"

// step is one thing that is asked of a device, or told.
type step struct {
	what    string
	out     []Outgoing // one after another, each when the one before was answered
	collect bool       // a request: it ends with an EOT, and its ACK is not needed
	last    Outgoing   // sent at the end, its ACK not needed; nil for none
	done    func(c *Conversation, obeyed bool)
}

// Wish is what the host wants a device to be told. What the device does not
// say that it can take is left out.
type Wish struct {
	SetTime      bool
	Lock, Unlock bool
	// What is to be known at the device, and what it is known to have; nil for
	// nothing to tell, and for not known.
	Operators, OperatorsThere *List[Operator]
	Patients, PatientsThere   *List[Patient]
}

// Wish adds to the agenda.
func (c *Conversation) Wish(w Wish) []Action {
	if c.phase != working && c.phase != continuous {
		return nil
	}
	words := c.rules.Words
	if w.SetTime && c.rules.CanSetTime(c.hello) {
		c.add(step{what: "the time", out: []Outgoing{Directive{Command: words.SetTime, Clock: true}}})
	}
	if w.Operators != nil {
		out := listMessages(c, w.Operators, w.OperatorsThere, words.Operators, words.OperatorChanges)
		c.add(step{what: "the operator list", out: out, last: Finish{words.OperatorTopic}, done: func(c *Conversation, ok bool) {
			if ok {
				c.do(ToldOperators{w.Operators})
			}
		}})
	}
	if w.Patients != nil {
		out := listMessages(c, w.Patients, w.PatientsThere, words.Patients, words.PatientChanges)
		c.add(step{what: "the patient list", out: out, last: Finish{words.PatientTopic}, done: func(c *Conversation, ok bool) {
			if ok {
				c.do(ToldPatients{w.Patients})
			}
		}})
	}
	if (w.Lock || w.Unlock) && c.rules.CanLock(c.hello) {
		command := words.Unlock
		if w.Lock {
			command = words.Lock
		}
		c.add(step{what: "the lock", out: []Outgoing{Directive{Command: command}}, done: func(c *Conversation, ok bool) {
			if ok {
				c.do(Locked{w.Lock})
			}
		}})
	}
	c.proceed()
	return c.actions()
}

// listMessages are what brings a device's list up to date: its changes where
// the list it has is known and it takes changes, else all of it.
func listMessages[E Entry](c *Conversation, want, there *List[E], full, changes []string) []Outgoing {
	size := c.hello.MaxMessage
	switch {
	case want.Same(there):
		return nil
	case there != nil && c.rules.can(c.hello.Topics, changes...):
		return want.Changes(there, size, c.rules.Words.Insert, c.rules.Words.Remove)
	case c.rules.can(c.hello.Topics, full...):
		return want.Full(size)
	}
	return nil
}

func (c *Conversation) add(s step) {
	if len(s.out) > 0 {
		c.agenda = append(c.agenda, s)
	}
}

// plan makes the agenda of a conversation from the device's status. Quantities
// are advice: none stated is asked for, too.
func (c *Conversation) plan(s Status) {
	c.phase = working
	words := c.rules.Words
	if s.Observations != 0 {
		c.add(step{what: "results", out: []Outgoing{Ask{words.AskObservations}}, collect: true})
	}
	if c.rules.Events && (s.Events > 0 || s.Events < 0 && c.rules.can(c.hello.Topics, words.Events...)) {
		c.add(step{what: "events", out: []Outgoing{Ask{words.AskEvents}}, collect: true})
	}
}

// proceed takes up the next step; where there is none, the conversation ends,
// or goes on at will.
func (c *Conversation) proceed() {
	for c.now == nil && len(c.agenda) > 0 && (c.phase == working || c.phase == continuous) {
		next := c.agenda[0]
		c.agenda = c.agenda[1:]
		c.now = &next
		c.next()
	}
	if c.now != nil || c.phase != working || c.storing != nil || c.waitsForWish() {
		return
	}
	h := c.hello
	if c.rules.Continuous && h.Serial() != "" && (h.Profile == c.rules.Words.ContinuousProfile || c.rules.can(h.Directives, c.rules.Words.StartContinuous)) {
		c.now = &step{what: "continuous mode", out: []Outgoing{Directive{Command: c.rules.Words.StartContinuous}}, done: func(c *Conversation, ok bool) {
			if ok {
				c.phase = continuous
			} else {
				c.goodbye("")
			}
		}}
		c.next()
		return
	}
	c.goodbye("")
}

// waitsForWish: the caller has yet to be told how the device stands, and to
// answer with what it wants.
func (c *Conversation) waitsForWish() bool {
	for _, a := range c.out {
		if _, ok := a.(Reported); ok {
			return true
		}
	}
	return false
}

// next sends the next message of the step in hand, or ends it.
func (c *Conversation) next() {
	s := c.now
	if len(s.out) == 0 {
		if !s.collect {
			c.finish(true)
		}
		return
	}
	m := s.out[0]
	s.out = s.out[1:]
	c.asked = c.send(m)
}

// finish ends the step in hand.
func (c *Conversation) finish(obeyed bool) {
	s := c.now
	c.now, c.asked = nil, ""
	if s.last != nil && obeyed {
		c.send(s.last)
	}
	if s.done != nil {
		s.done(c, obeyed)
	}
	c.proceed()
}

// answered takes in an ACK, or an ESC as a refusal. One that nobody waits for
// is passed over. One that does not say what it answers is for what is waited for.
func (c *Conversation) answered(r Reply) {
	switch {
	case c.asked == "" || r.Acked != "" && r.Acked != c.asked:
	case c.phase == ending:
		c.close("the conversation is over")
	case !r.Positive():
		c.note("the device refused " + c.now.what)
		c.finish(false)
	default:
		c.asked = ""
		c.next()
	}
}

// Patience is how long to wait for the device's next message before Timeout;
// 0 is for ever. While something is stored nothing is waited for.
func (c *Conversation) Patience() time.Duration {
	switch {
	case c.phase == awaitHello:
		return c.rules.Answer
	case c.Idle():
		return c.rules.Idle
	}
	return c.rules.wait(c.hello)
}

// maxSilent timeouts in a row end a conversation.
const maxSilent = 2

// Timeout says that the device was silent for as long as Patience allows.
func (c *Conversation) Timeout() []Action {
	if c.storing != nil || c.phase == closed {
		return nil
	}
	c.silent++
	switch {
	case c.phase == awaitHello:
		c.note("no hello came")
		c.close("no hello")
	case c.phase == ending:
		c.close("the conversation is over")
	case c.silent >= maxSilent || c.phase == continuous && c.now == nil:
		c.note("the device fell silent")
		c.goodbye("no answer in time")
	case c.phase == awaitStatus:
		c.plan(Status{Observations: -1, Events: -1}) // it may tell of results all the same
		c.proceed()
	case c.now != nil:
		if !c.now.collect {
			c.note("the device did not answer to " + c.now.what)
		}
		c.finish(false)
	}
	return c.actions()
}
