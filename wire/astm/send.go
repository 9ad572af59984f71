package astm

import "time"

// Send queues the records of a message; it goes out as soon as the line is at
// rest, and ends as Sent or Unsent. Empty messages are none.
func (l *Link) Send(records []byte) []Action {
	l.acts = l.acts[:0]
	if len(records) == 0 {
		return nil
	}
	l.queue = append(l.queue, records)
	if l.state == neutral {
		l.ask()
	}
	return l.acts
}

// ask begins to send the first of the queue.
func (l *Link) ask() {
	l.state = asking
	l.write(enq)
	l.timer(l.set.ReplyTime)
}

// asked: ENQ is out.
func (l *Link) asked(c byte) {
	switch c {
	case ack:
		l.frames, l.tries = Frames(l.queue[0], l.set.SendText, l.set.wrap()), 0
		l.next()
	case nak:
		l.wait(l.set.BusyTime, "the other side does not take anything")
	case enq: // both began: the instrument goes first
		if l.set.Role == Instrument {
			l.wait(l.set.AgainTime, "the other side begins whenever this one does")
		} else {
			l.wait(l.set.YieldTime, "the other side begins and does not go on")
		}
	}
}

// wait before beginning again, unless that was tried too often.
func (l *Link) wait(d time.Duration, why string) {
	if l.tries++; l.tries >= l.set.Tries {
		l.giveUp(why)
		return
	}
	l.state = busy
	l.timer(d)
}

// next sends the first of the frames that are left, or the end.
func (l *Link) next() {
	if len(l.frames) == 0 {
		l.done(Action{Kind: Sent})
		return
	}
	l.state = sending
	l.do(Action{Kind: Write, Bytes: l.frames[0].AppendTo(nil)})
	l.timer(l.set.ReplyTime)
}

// answered: a frame is out.
func (l *Link) answered(c byte) {
	switch c {
	case ack:
		l.frames, l.tries = l.frames[1:], 0
		l.next()
	case eot: // taken, and asked to stop
		if l.frames = l.frames[1:]; len(l.frames) == 0 {
			l.done(Action{Kind: Sent})
		} else {
			l.giveUp("the other side asked to stop")
		}
	case nak:
		if l.tries++; l.tries >= l.set.Tries {
			l.giveUp("the other side refused a frame each time")
			return
		}
		l.next()
	}
}

func (l *Link) giveUp(why string) { l.done(Action{Kind: Unsent, Why: why}) }

// done ends the sending of the first of the queue, and begins with the next.
func (l *Link) done(a Action) {
	l.queue, l.frames, l.tries, l.state = l.queue[1:], nil, 0, neutral
	l.write(eot)
	l.timer(0)
	l.do(a)
	if len(l.queue) > 0 {
		l.ask()
	}
}
