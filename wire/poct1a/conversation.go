package poct1a

import "strconv"

// Action is what the caller is to do, in the order given.
type Action interface{ action() }

// Send tells the caller to send a message under this control id.
type Send struct {
	Control string
	Message Outgoing
}

// Store tells the caller to keep a document; Stored answers it.
type Store struct{ Document *Document }

// Greeted says who is there. A conversation of the same device elsewhere is
// superseded by it.
type Greeted struct {
	Hello    Hello
	Document *Document
}

// Alive says that the device is there: KPA.R01, and when by its own clock.
type Alive struct{ Created Value }

// Reported says how the device stands, and when by its own clock. It is the
// moment for Wish.
type Reported struct {
	Status  Status
	Created Value // HDR.creation_dttm
}

// ToldOperators and ToldPatients say that the device has taken a list.
type (
	ToldOperators struct{ List *List[Operator] }
	ToldPatients  struct{ List *List[Patient] }
)

// Locked says that the device obeyed a lock, or the end of one.
type Locked struct{ Locked bool }

// Noted is something out of the ordinary, without patient data.
type Noted struct{ What string }

// Close ends the conversation and the connection.
type Close struct{ Why string }

func (Send) action()          {}
func (Store) action()         {}
func (Greeted) action()       {}
func (Alive) action()         {}
func (Reported) action()      {}
func (ToldOperators) action() {}
func (ToldPatients) action()  {}
func (Locked) action()        {}
func (Noted) action()         {}
func (Close) action()         {}

// phase of a conversation.
type phase uint8

const (
	awaitHello phase = iota
	awaitStatus
	working    // on the agenda
	continuous // both sides send at will
	ending     // END is sent
	closed
)

// maxHellos on one connection: a device that starts over and over is cut off.
const maxHellos = 16

// Conversation is the host's side of one connection: a state machine without
// clock or network.
//
//	          HEL            DST                agenda done
//	awaitHello ─► awaitStatus ─► working ─────────────────────► ending ─► closed
//	     any HEL: starts over ▲      └─► continuous (START_CONTINUOUS) ─┘
//
// The agenda is what is asked and told, one step after another: observations,
// events, then what Wish adds. A message may come at any time in any phase;
// only its answer is due, and a step ends with what ends it, or by Timeout.
type Conversation struct {
	rules  Rules
	hello  Hello
	phase  phase
	hellos int
	agenda []step
	now    *step  // in hand
	asked  string // control id of the message whose ACK it waits for; "" for none
	count  int    // control ids given

	storing *Document // waits for Stored
	later   []*Document
	repeats repeats
	silent  int // timeouts in a row
	out     []Action
}

// NewConversation begins one: the device has connected.
func NewConversation(r Rules) *Conversation { return &Conversation{rules: r} }

// Hello is what the device said of itself; zero before it did.
func (c *Conversation) Hello() Hello { return c.hello }

// Closed reports that the conversation is over.
func (c *Conversation) Closed() bool { return c.phase == closed }

// Idle reports that nothing is under way: both sides wait in continuous mode.
func (c *Conversation) Idle() bool {
	return c.phase == continuous && c.now == nil && c.storing == nil
}

// Message takes in a document that was read.
func (c *Conversation) Message(d *Document) []Action {
	switch {
	case c.phase == closed:
		return nil
	case c.storing != nil:
		c.later = append(c.later, d)
		return nil
	}
	c.silent = 0
	c.message(d)
	return c.actions()
}

// Stored answers a Store action: the document is kept, or it could not be.
func (c *Conversation) Stored(kept bool) []Action {
	d := c.storing
	if d == nil || c.phase == closed {
		return nil
	}
	c.storing = nil
	c.stored(d, kept)
	for c.storing == nil && c.phase != closed && len(c.later) > 0 {
		next := c.later[0]
		c.later = c.later[1:]
		c.message(next)
	}
	return c.actions()
}

// Refuse answers a document that cannot be read and is not kept.
func (c *Conversation) Refuse(d *Document, why string) []Action {
	if c.phase == closed {
		return nil
	}
	c.send(Refusal{Control: d.Header().ControlID, Detail: c.rules.Words.Refused, Note: why})
	return c.actions()
}

// End is the host's wish to stop. Messages that come all the same are taken.
func (c *Conversation) End(note string) []Action {
	if c.phase != ending && c.phase != closed {
		c.goodbye(note)
	}
	return c.actions()
}

func (c *Conversation) actions() []Action {
	out := c.out
	c.out = nil
	return out
}

func (c *Conversation) do(a Action) { c.out = append(c.out, a) }

func (c *Conversation) note(what string) { c.do(Noted{what}) }

// send gives a message of ours a control id.
func (c *Conversation) send(m Outgoing) (control string) {
	c.count++
	control = strconv.Itoa(c.count)
	c.do(Send{control, m})
	return control
}

func (c *Conversation) ack(d *Document, positive bool) {
	c.send(Ack{Positive: positive, Control: d.Header().ControlID})
}

func (c *Conversation) close(why string) {
	if c.phase != closed {
		c.phase, c.agenda, c.now, c.asked, c.later = closed, nil, nil, "", nil
		c.do(Close{why})
	}
}

// goodbye ends the conversation politely; the device's answer is not required.
func (c *Conversation) goodbye(note string) {
	c.agenda, c.now = nil, nil
	c.phase = ending
	c.asked = c.send(Goodbye{Reason: c.rules.Words.EndNormal, Note: note})
}

func (c *Conversation) message(d *Document) {
	switch t := d.Type(); t.object() {
	case "HEL":
		c.greet(d)
	case "DST":
		c.status(d)
	case "ACK":
		c.answered(d.Reply())
	case "EOT":
		c.ack(d, true)
		if c.now != nil && c.now.collect {
			c.finish(true)
		}
	case "KPA":
		c.ack(d, true)
		c.do(Alive{d.Header().Created})
	case "ESC":
		e := d.Escape()
		c.answered(Reply{Type: "ESC", Acked: e.Control, Error: e.Detail})
	case "END":
		c.ack(d, true)
		c.close("the device ended the conversation")
	default:
		if !t.Stored() {
			c.send(Refusal{Control: d.Header().ControlID, Detail: c.rules.Words.Refused, Note: "this message comes from a data manager, not to one"})
			return
		}
		c.keep(d)
	}
}

// greet starts the conversation, or starts it over.
func (c *Conversation) greet(d *Document) {
	h := d.Hello()
	if c.hellos++; c.hellos > maxHellos {
		c.note("the device began its conversation " + strconv.Itoa(maxHellos) + " times")
		c.close("too many hellos")
		return
	}
	c.hello, c.phase, c.agenda, c.now, c.asked = h, awaitStatus, nil, nil, ""
	c.do(Greeted{h, d})
	c.ack(d, true)
}

// status takes in how the device stands. Once for each hello it makes the
// agenda; later ones only report.
func (c *Conversation) status(d *Document) {
	s := d.Status()
	c.ack(d, true)
	if c.phase == awaitHello || c.phase == awaitStatus {
		c.plan(s)
	}
	c.do(Reported{s, d.Header().Created})
	c.proceed()
}

// keep has a document stored. The same one again in this conversation is
// stored already, and answered again.
func (c *Conversation) keep(d *Document) {
	switch c.repeats.note(d.Header().ControlID, d.Raw) {
	case repeated:
		c.ack(d, true)
		return
	case confusing:
		// Its control id cannot tell our answers apart. A device that waits for
		// one and gets two would take the second for its next message's.
		c.note("the same message again, under a control id that is missing or was used for others: the connection is ended, so that no answer is taken for another's")
		c.close("answers cannot be told apart")
		return
	case reused:
		c.note("one control id was used for different messages")
	}
	c.storing = d
	c.do(Store{d})
}

func (c *Conversation) stored(d *Document, kept bool) {
	if !kept {
		c.repeats.forget(d.Header().ControlID, d.Raw)
	}
	c.ack(d, kept)
	c.proceed()
}
