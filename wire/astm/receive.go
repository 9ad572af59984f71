package astm

// begin answers ENQ: the other side may send.
func (l *Link) begin() {
	l.flush()
	l.state, l.want, l.last, l.unkept, l.accepted, l.frame = receiving, 1, -1, false, false, nil
	l.do(Action{Kind: Begun})
	l.reply(ack)
	l.timer(l.set.FrameTime)
}

// reply writes an answer, unless what has come already shows that the sender
// waits for it no longer: it would take it for the answer to something else.
func (l *Link) reply(c byte) bool {
	if len(l.ahead) > 0 && (l.ahead[0] == eot || l.ahead[0] == enq) {
		return false
	}
	l.write(c)
	return true
}

// end takes the line back to rest. What waits to be sent goes next.
func (l *Link) end(how End) {
	l.state, l.frame = neutral, nil
	l.do(Action{Kind: Ended, End: how})
	l.timer(0)
	if how != EndLost && len(l.queue) > 0 {
		l.ask()
	}
}

// control heeds what ends or begins a sending, wherever it stands: a sender
// that gives up within a frame has to be heard, and neither byte may stand in
// a text.
func (l *Link) control(c byte) bool {
	switch c {
	case eot:
		if l.unkept || !l.accepted || l.state != receiving {
			l.end(EndGivenUp)
		} else {
			l.end(EndPlain)
		}
	case enq:
		if l.last < 0 && l.state == receiving { // the answer to the first was lost
			l.reply(ack)
			l.timer(l.set.FrameTime)
			return true
		}
		l.do(Action{Kind: Ended, End: EndAnew})
		l.begin()
	default:
		return false
	}
	return true
}

// between frames.
func (l *Link) between(c byte) {
	switch {
	case l.control(c):
	case c == stx:
		l.state, l.frame = inText, l.frame[:0]
	case c == cr, c == lf: // of a frame that was answered before its end
	default:
		l.junk = append(l.junk, c)
	}
}

// inside a frame. Its time runs on from the answer before it, so that a byte
// now and then buys none.
func (l *Link) inside(c byte) {
	switch {
	case l.control(c):
		return
	case c == stx: // the end of the one before was lost
		l.state, l.frame = inText, l.frame[:0]
		return
	case l.state == inText && (c == etx || c == etb):
		l.state, l.text = inTail, len(l.frame)+1
	case l.state == inText && len(l.frame) > l.set.MaxText:
		l.refuse("a frame holds more than the bytes allowed")
		return
	}
	l.frame = append(l.frame, c)
	if l.state == inTail && len(l.frame) == l.text+4 {
		l.judge()
	}
}

func (l *Link) refuse(why string) {
	l.do(Action{Kind: Refused, Why: why})
	l.answer(false)
}

// judge a frame that has come to its end.
func (l *Link) judge() {
	l.flush()
	f, fault := readFrame(l.frame)
	switch {
	case fault != nil:
		l.refuse(fault.What)
	case l.set.RefuseControls && Barred(f.Text):
		l.refuse("the frame's text holds control characters that LIS01 bars")
	case f.Number == l.want:
		l.state, l.whole = deciding, f.Last
		l.timer(0)
		l.do(Action{Kind: Deliver, Bytes: f.Text, Last: f.Last})
	case f.Number == l.last: // our answer was lost
		l.answer(true)
	default:
		l.refuse("the frame has another number than the one to come")
	}
}

// answer a frame, and wait for the next.
func (l *Link) answer(good bool) {
	c := byte(nak)
	if good {
		c = ack
	}
	l.state = receiving
	l.unkept = !l.reply(c) || !good
	l.timer(l.set.FrameTime)
}

// Verdict answers the frame that was delivered: kept, ACK; not kept, NAK, upon
// which the sender sends it again.
func (l *Link) Verdict(kept bool) []Action {
	l.acts = l.acts[:0]
	if l.state != deciding {
		return nil
	}
	if kept {
		l.last, l.accepted = l.want, true
		l.want = after(l.want, l.set.wrap())
	}
	left := l.left
	l.left, l.ahead = nil, left
	l.answer(kept)
	l.read(left)
	return l.acts
}
