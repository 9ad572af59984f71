package outbound

import (
	"context"
	"time"

	"tidegate/fault"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

// hl7Receiver is an HL7 v2 application behind MLLP. It cannot be asked what it
// has: after an answer that was lost the same message is sent again, under the
// same control id, until it is acknowledged. At least once, that is; the
// control id and the filler order number let the receiver make it once.
type hl7Receiver struct {
	*letters
	id          string
	timeout     time.Duration
	application bool
	lines       *lines
	unreasoned  counts // errors that named no reason
}

// Send writes the committed message and waits for what acknowledges it.
func (h *hl7Receiver) Send(ctx context.Context, d poct.Delivery) Answered {
	step, cancel := context.WithTimeout(ctx, h.timeout)
	defer cancel()
	header, ok := hl7.ReadHeader(d.Body)
	if !ok || header.ControlID == "" {
		return Answered{Class: Refused, Problem: problemUnrendered(h.id)}
	}
	l, err := h.lines.take(step)
	if err != nil {
		return Answered{Class: NotSent, Note: "no connection"}
	}
	if until, ok := step.Deadline(); ok {
		_ = l.conn.SetWriteDeadline(until) // fails only on a dead connection, and so does the write
	}
	err = hl7.WriteFrame(l.conn, d.Body)
	fault.Point("outbound.sent")
	if err != nil {
		l.close()
		return Answered{Class: Unknown, Note: "the connection broke"}
	}
	got, missing := h.await(step, l, header.ControlID)
	if missing != "" {
		l.close() // something may still come: the connection is of no more use
		return Answered{Class: Unknown, Note: missing}
	}
	h.lines.give(l)
	return h.acknowledged(got, d)
}

// await reads until the message is acknowledged as far as was asked, or says
// what is missing. Answers about other messages are passed over.
func (h *hl7Receiver) await(ctx context.Context, l *line, controlID string) (got ack, missing string) {
	for {
		select {
		case <-ctx.Done():
			return ack{}, "no acknowledgement in time"
		case raw, open := <-l.answers:
			if !open {
				return ack{}, "the connection ended without an acknowledgement"
			}
			got, ok := readAck(raw)
			stored := got.code == "CA" // whether it was taken too is still to come
			if ok && got.about == controlID && !(stored && h.application) {
				return got, ""
			}
		}
	}
}

// acknowledged puts a person in front of what sending again cannot mend. An
// error that names no reason is tried for a while first: many receivers say so
// of what passes.
func (h *hl7Receiver) acknowledged(got ack, d poct.Delivery) Answered {
	a := Answered{Class: got.class(), Note: got.String()}
	if a.Class == Transient && !got.passing() && h.unreasoned.more(d.ID) >= mostUnreasoned {
		a.Class = Refused
	}
	if a.Class == Refused {
		a.Problem = problemRefused(h.id, a.Note)
	}
	if a.Class != Transient {
		h.unreasoned.forget(d.ID)
	}
	return a
}

// mostUnreasoned is how often an error without a reason is met with another
// try, before a person looks.
const mostUnreasoned = 12

// Close ends the idle connections.
func (h *hl7Receiver) Close() error {
	h.lines.close()
	return nil
}
