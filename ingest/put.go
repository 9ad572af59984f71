package ingest

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"github.com/rs/zerolog"

	"tidegate/poct"
	"tidegate/wire/astm"
	"tidegate/wire/hl7"
)

// Put splits what came in and stores every part, in order; what is wrong with
// the envelope of a batch is stored as a notice. The answers are those of the
// parts. After an error the sender has to keep all of it: those parts that are
// stored already are told apart when it comes again.
func Put(ctx context.Context, inbox Inbox, whole poct.Arrival) ([]poct.Accepted, error) {
	parts, warn := Split(whole)
	if warn != "" {
		n := poct.Notice{Inlet: whole.Inlet, Peer: whole.Peer, At: whole.Received, What: warn}
		if err := inbox.Notice(ctx, n); err != nil {
			return nil, fmt.Errorf("store notice: %w", err)
		}
	}
	answers := make([]poct.Accepted, 0, len(parts))
	for _, p := range parts {
		got, err := inbox.Accept(ctx, p)
		if err != nil {
			return nil, fmt.Errorf("store arrival: %w", err)
		}
		answers = append(answers, got)
	}
	return answers, nil
}

// Split divides an arrival into one for each message of an HL7 batch, or of a
// run of LIS02 messages, each with its own digest and the whole beside it;
// anything else comes back alone, and so does what the inlet has found a fault
// with. What stands in no message
// is a part too, so that no byte is dropped. warn says what is wrong with the
// envelope (a count that does not agree: a message may be missing).
func Split(a poct.Arrival) (parts []poct.Arrival, warn string) {
	if a.Format == "" {
		a.Format = Format(a.Raw)
	}
	switch {
	case a.Format == LIS02 && a.Fault == "":
		return splitRecords(a), ""
	case a.Format != HL7v2, a.Fault != "":
		return []poct.Arrival{describe(a)}, ""
	}
	messages, faults := hl7.SplitBatch(a.Raw)
	if len(faults) > 0 {
		warn = "batch: " + faults[0].Error()
	}
	if len(messages) == 0 || len(messages) == 1 && messages[0].Position == 0 {
		return []poct.Arrival{describe(a)}, warn
	}
	for _, m := range messages {
		part := a
		part.Raw, part.Position, part.Batch = m.Raw, m.Position, a.Raw
		parts = append(parts, describe(part))
	}
	return parts, warn
}

// splitRecords divides LIS02 messages, each from its H to its L.
func splitRecords(a poct.Arrival) []poct.Arrival {
	pieces, rest := astm.Assembly{}.Add(a.Raw, false)
	pieces = append(pieces, rest.End()...)
	if len(pieces) < 2 {
		return []poct.Arrival{describe(a)}
	}
	var parts []poct.Arrival
	for i, p := range pieces {
		part := a
		part.Raw, part.Position, part.Batch = p.Raw, i+1, a.Raw
		if p.Fault != nil {
			part.Fault = p.Fault.What
		}
		parts = append(parts, describe(part))
	}
	return parts
}

// describe fills in what the bytes say: their digest, and the sender's number.
func describe(a poct.Arrival) poct.Arrival {
	a.Digest = sha256.Sum256(a.Raw)
	switch a.Format {
	case HL7v2:
		if h, ok := hl7.ReadHeader(a.Raw); ok {
			a.ControlID = h.ControlID
		}
	case LIS02:
		if m, err := astm.Parse(a.Raw); err == nil {
			a.ControlID = m.Header().Field(3).Text()
		}
	}
	return a
}

// Outlive gives work under way a context of its own: it ends a while after
// ctx, so that what is in hand can be finished and what hangs is given up.
func Outlive(ctx context.Context, grace time.Duration) (context.Context, context.CancelFunc) {
	work, cancel := context.WithCancel(context.WithoutCancel(ctx))
	unhook := context.AfterFunc(ctx, func() {
		late := time.AfterFunc(grace, cancel)
		context.AfterFunc(work, func() { late.Stop() })
	})
	return work, func() { unhook(); cancel() }
}

// ErrPanic is what Guard makes of a panic.
var ErrPanic = errors.New("a fault of ours stopped it")

// Guard keeps a mistake of ours to one message: a panic in f comes back as
// ErrPanic. Its value is not logged, as it may hold a piece of the message.
func Guard(log zerolog.Logger, f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			log.Error().Str("panic", fmt.Sprintf("%T", p)).Bytes("stack", debug.Stack()).Msg("a message was given up by a fault of ours; it is not acknowledged")
			err = ErrPanic
		}
	}()
	return f()
}
