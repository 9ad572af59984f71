package astm

import "time"

// Role is the side of the line that a Link is: it settles who gives way when
// both begin at once.
type Role uint8

// Roles. When both sides begin at the same time, the instrument goes first.
const (
	Host Role = iota
	Instrument
)

// Settings of a Link. Zero values are the defaults named. All of them are
// settings because instruments differ, and because the times and limits are
// known here from simulators and from memory, not from a published text.
type Settings struct {
	Role Role
	// WrapToOne lets frame 1 follow frame 7; else 0 does, as python-astm has it.
	WrapToOne bool
	// RefuseControls refuses frames whose text holds bytes that LIS01 bars.
	RefuseControls bool
	MaxText        int           // bytes of text taken in one frame; 65536
	SendText       int           // bytes of text sent in one frame; 240
	Tries          int           // how often a frame, or a beginning, is sent; 6
	ReplyTime      time.Duration // sender: for the answer to ENQ or a frame; 15s
	FrameTime      time.Duration // receiver: for a frame or EOT; 30s
	BusyTime       time.Duration // sender: after NAK to its ENQ; 10s
	YieldTime      time.Duration // host: after giving way; 20s
	AgainTime      time.Duration // instrument: before it begins again; 1s
}

func (s Settings) withDefaults() Settings {
	for _, n := range []struct {
		to    *int
		value int
	}{{&s.MaxText, 64 << 10}, {&s.SendText, ShortText}, {&s.Tries, 6}} {
		if *n.to <= 0 {
			*n.to = n.value
		}
	}
	for _, d := range []struct {
		to    *time.Duration
		value time.Duration
	}{
		{&s.ReplyTime, 15 * time.Second}, {&s.FrameTime, 30 * time.Second}, {&s.BusyTime, 10 * time.Second},
		{&s.YieldTime, 20 * time.Second}, {&s.AgainTime, time.Second},
	} {
		if *d.to <= 0 {
			*d.to = d.value
		}
	}
	return s
}

func (s *Settings) wrap() int {
	if s.WrapToOne {
		return 1
	}
	return 0
}

// ActionKind names what a Link wants done, or tells.
type ActionKind uint8

// Kinds of action.
const (
	Write   ActionKind = iota // send Bytes
	Timer                     // call Expire in After; 0: not any more
	Begun                     // the other side has begun to send
	Deliver                   // Bytes is the text of a frame, whole or not: answer with Verdict
	Refused                   // a frame was answered NAK: Why
	Ended                     // the other side has stopped: End says how
	Junk                      // Bytes stood where none belong
	Sent                      // the message was taken by the other side
	Unsent                    // it was not: Why
)

// End is how the other side's sending ended.
type End uint8

// Ends. After a plain end the sender takes all that was acknowledged for
// delivered; after the others it keeps its message.
const (
	EndPlain   End = iota // EOT behind a frame that was acknowledged
	EndGivenUp            // EOT behind a frame that was refused, or behind none
	EndSilence            // nothing more came
	EndAnew               // it began anew without an end
	EndLost               // the line was lost
)

// Action is one thing to do, or to know.
type Action struct {
	Kind  ActionKind
	Bytes []byte
	Last  bool // Deliver: the frame is not continued
	After time.Duration
	End   End
	Why   string // no contents
}

type linkState uint8

const (
	neutral   linkState = iota
	busy                // sender: waits before it begins (again)
	asking              // sender: ENQ is out
	sending             // sender: a frame is out
	receiving           // receiver: waits for STX or EOT
	inText              // receiver: in a frame
	inTail              // receiver: behind ETX or ETB
	deciding            // receiver: waits for the verdict
)

// Link is one end of a LIS01 line, as pure steps: each method takes what has
// happened and gives what is to be done, in order. The actions and their Bytes
// are good until the next call.
type Link struct {
	set   Settings
	state linkState
	acts  []Action
	left  []byte // came in while a verdict is due
	ahead []byte // has come behind the byte in hand

	// receiver
	want     int  // the frame number to come
	last     int  // the frame number accepted last, -1 for none
	unkept   bool // what came last was not acknowledged
	accepted bool // since it began, a frame was
	frame    []byte
	text     int // in frame, where the tail begins
	whole    bool
	junk     []byte

	// sender
	queue  [][]byte
	frames []Frame
	tries  int
}

// NewLink is a line at rest.
func NewLink(s Settings) *Link { return &Link{set: s.withDefaults()} }

// Idle tells whether neither side is sending or about to.
func (l *Link) Idle() bool { return l.state == neutral }

// Owes tells whether a verdict is due.
func (l *Link) Owes() bool { return l.state == deciding }

// Receive takes in bytes from the line. While a verdict is due they wait for it.
func (l *Link) Receive(b []byte) []Action {
	l.acts = l.acts[:0]
	if l.state == deciding {
		l.left = append(l.left, b...)
		return nil
	}
	l.read(b)
	return l.acts
}

// read goes through bytes until a verdict is due.
func (l *Link) read(b []byte) {
	for i, c := range b {
		l.ahead = b[i+1:]
		l.take(c)
		if l.state == deciding {
			l.left = append([]byte(nil), b[i+1:]...)
			break
		}
	}
	l.ahead = nil
	l.flush()
}

// flush tells of bytes that belong nowhere.
func (l *Link) flush() {
	if len(l.junk) > 0 {
		l.do(Action{Kind: Junk, Bytes: l.junk})
		l.junk = nil
	}
}

func (l *Link) do(a Action) { l.acts = append(l.acts, a) }

func (l *Link) write(b ...byte) { l.do(Action{Kind: Write, Bytes: b}) }

func (l *Link) timer(d time.Duration) { l.do(Action{Kind: Timer, After: d}) }

func (l *Link) take(c byte) {
	switch l.state {
	case neutral, busy:
		l.rest(c)
	case asking:
		l.asked(c)
	case sending:
		l.answered(c)
	case receiving:
		l.between(c)
	case inText, inTail:
		l.inside(c)
	}
}

// rest: nobody is sending.
func (l *Link) rest(c byte) {
	switch c {
	case enq:
		l.begin()
	case ack, nak, eot, cr, lf: // late answers, and an end of what had ended
	default:
		l.junk = append(l.junk, c)
	}
}

// Expire tells that the time of the last Timer has passed.
func (l *Link) Expire() []Action {
	l.acts = l.acts[:0]
	switch l.state {
	case busy:
		l.ask()
	case asking, sending:
		l.giveUp("the other side did not answer")
	case receiving, inText, inTail:
		l.end(EndSilence)
	}
	return l.acts
}

// Abandon takes the line to rest in place of a verdict, without an answer. It
// is for a verdict that comes later than the sender waits: a late ACK would be
// taken for the answer to what it sends next, and each answer after it for the
// next but one, up to a message that it then forgets though it was never kept.
func (l *Link) Abandon() []Action {
	l.acts = l.acts[:0]
	if l.state == deciding {
		left := l.left
		l.left, l.frame, l.state = nil, nil, neutral
		l.do(Action{Kind: Ended, End: EndGivenUp})
		l.read(left)
	}
	return l.acts
}

// Lose tells that the line is gone, or that its use ends here.
func (l *Link) Lose() []Action {
	l.acts = l.acts[:0]
	if l.state >= receiving {
		l.left = nil
		l.end(EndLost)
	}
	for range l.queue {
		l.do(Action{Kind: Unsent, Why: "the line was lost"})
	}
	l.queue, l.frames, l.state = nil, nil, neutral
	return l.acts
}
