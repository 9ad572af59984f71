// Package sourcetest is the one suite that every inlet has to pass: what a
// sender may rely on, whatever way its messages come in.
package sourcetest

import (
	"bytes"
	"context"
	"fmt"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/ingest"
)

// Answer is what a sender learnt.
type Answer string

// Answers. None: no answer, the sender keeps its message.
const (
	Positive Answer = "positive"
	Negative Answer = "negative"
	None     Answer = "none"
)

// Sender is a started inlet as its senders see it.
type Sender interface {
	// Send hands one message in and waits for what becomes of it, or for ctx.
	Send(ctx context.Context, raw []byte) Answer
	// Stop tells the inlet to end and waits until it has.
	Stop()
}

// Harness starts an inlet for one case.
type Harness struct {
	Start func(t *testing.T, box ingest.Inbox) Sender
	// Keeps: what is not taken stays with the inlet and is taken later without
	// being sent again (a folder, a stream).
	Keeps bool
	// Largest is the size up to which a message is taken.
	Largest int
}

// patience bounds each wait; nothing is decided by how long it takes.
const patience = 20 * time.Second

// Message is a small HL7 message with a control id of its own.
func Message(n int) []byte {
	return fmt.Appendf(nil, "MSH|^~\\&|QUILL3|MILL|TIDEGATE|X|20260305091330+0100||ORU^R01^ORU_R01|suite-%d|P|2.5.1\r"+
		"PID|1||4711^^^MILLRACE^MR\rOBR|1||%d|34714-6^INR^LN|||20260305091200+0100\rOBX|1|NM|34714-6^INR^LN||2.4|{INR}|||||F\r", n, n)
}

// Run runs every case against inlets that the harness starts.
func Run(t *testing.T, h Harness) {
	for _, c := range []struct {
		name string
		run  func(*testing.T, Harness)
	}{
		{"stored before the positive answer", storedBeforeAnswer},
		{"sent again: answered again, stored once", sentAgain},
		{"store down", storeDown},
		{"store fails after keeping", failsAfter},
		{"garbage harms nobody", garbage},
		{"batch", batch},
		{"stopping loses nothing", stopping},
		{"nothing is left running", leavesNothing},
	} {
		t.Run(c.name, func(t *testing.T) { c.run(t, h) })
	}
}

func start(t *testing.T, h Harness) (*MemoryInbox, Sender, context.Context) {
	t.Helper()
	box := NewInbox()
	s := h.Start(t, box)
	t.Cleanup(s.Stop)
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	return box, s, ctx
}

func (b *MemoryInbox) waitTried(t *testing.T) {
	t.Helper()
	select {
	case <-b.Tried:
	case <-time.After(patience):
		t.Fatal("the inlet did not hand the message to its inbox")
	}
}

func storedBeforeAnswer(t *testing.T, h Harness) {
	box, s, ctx := start(t, h)
	open := box.Block()
	answer := make(chan Answer, 1)
	go func() { answer <- s.Send(ctx, Message(1)) }()
	box.waitTried(t)
	select {
	case a := <-answer:
		t.Fatalf("answered %s before the inbox had the message", a)
	default:
	}
	open()
	require.Equal(t, Positive, <-answer)
	require.Equal(t, 1, box.has(Message(1)))
	require.Len(t, box.Stored(), 1)
}

func sentAgain(t *testing.T, h Harness) {
	box, s, ctx := start(t, h)
	for range 3 {
		require.Equal(t, Positive, s.Send(ctx, Message(1)))
	}
	require.Equal(t, Positive, s.Send(ctx, Message(2)))
	require.Len(t, box.Stored(), 2)
}

func storeDown(t *testing.T, h Harness) {
	box, s, ctx := start(t, h)
	box.FailBefore()
	if h.Keeps {
		answer := make(chan Answer, 1)
		go func() { answer <- s.Send(ctx, Message(1)) }()
		box.waitTried(t)
		box.Recover()
		require.Equal(t, Positive, <-answer, "kept and taken later")
	} else {
		require.Equal(t, Negative, s.Send(ctx, Message(1)))
		require.Empty(t, box.Stored())
		box.Recover()
		require.Equal(t, Positive, s.Send(ctx, Message(1)))
	}
	require.Equal(t, 1, box.has(Message(1)))
}

func failsAfter(t *testing.T, h Harness) {
	box, s, ctx := start(t, h)
	box.FailAfter()
	if h.Keeps {
		answer := make(chan Answer, 1)
		go func() { answer <- s.Send(ctx, Message(1)) }()
		box.waitTried(t)
		box.Recover()
		require.Equal(t, Positive, <-answer)
	} else {
		require.Equal(t, Negative, s.Send(ctx, Message(1)), "what may be there or not is not confirmed")
		box.Recover()
		require.Equal(t, Positive, s.Send(ctx, Message(1)))
	}
	require.Len(t, box.Stored(), 1, "the resend finds what was kept")
}

func garbage(t *testing.T, h Harness) {
	box, s, _ := start(t, h)
	for name, raw := range map[string][]byte{
		"bytes":     []byte("\x01\x02\xff\xfe no message at all\r\n"),
		"header":    []byte("MSH|\r"),
		"half":      Message(7)[:120],
		"too large": append(Message(8), bytes.Repeat([]byte("NTE|1||x\r"), h.Largest/8)...),
	} {
		// Some ways in answer, some hang up, some put the file aside: no case
		// waits for an answer that may never come.
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		s.Send(ctx, raw)
		cancel()
		good := Message(100 + len(name))
		ok, stop := context.WithTimeout(t.Context(), patience)
		require.Equal(t, Positive, s.Send(ok, good), "a good message after: %s", name)
		stop()
		require.Equal(t, 1, box.has(good))
	}
}

func batch(t *testing.T, h Harness) {
	box, s, ctx := start(t, h)
	raw := slicesJoin([]byte("BHS|^~\\&|QUILL3\r"), Message(1), Message(2), []byte("BTS|2\r"))
	require.Equal(t, Positive, s.Send(ctx, raw))
	require.Equal(t, 1, box.has(Message(1)))
	require.Equal(t, 1, box.has(Message(2)))
	for i, a := range box.Stored() {
		require.Equal(t, i+1, a.Position)
		require.Equal(t, raw, a.Batch)
	}
}

func slicesJoin(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

func stopping(t *testing.T, h Harness) {
	box, s, ctx := start(t, h)
	open := box.Block()
	answer := make(chan Answer, 1)
	go func() { answer <- s.Send(ctx, Message(1)) }()
	box.waitTried(t)
	stopped := make(chan struct{})
	go func() { s.Stop(); close(stopped) }()
	open()
	select {
	case <-stopped:
	case <-time.After(patience):
		t.Fatal("the inlet did not end")
	}
	// Answered or not, the message in hand was finished.
	require.Equal(t, 1, box.has(Message(1)))
	go func() { answer <- None }() // whoever was not answered never will be
	require.NotEqual(t, Negative, <-answer)
}

func leavesNothing(t *testing.T, h Harness) {
	before := runtime.NumGoroutine()
	box := NewInbox()
	s := h.Start(t, box)
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	for n := range 5 {
		require.Equal(t, Positive, s.Send(ctx, Message(n)))
	}
	s.Stop()
	cancel()
	// Goroutines of libraries end a moment after what they served.
	deadline := time.After(patience)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for runtime.NumGoroutine() > before {
		select {
		case <-tick.C:
		case <-deadline:
			buf := make([]byte, 1<<20)
			t.Fatalf("%d goroutines before, %d after:\n%s", before, runtime.NumGoroutine(), buf[:runtime.Stack(buf, true)])
		}
	}
}
