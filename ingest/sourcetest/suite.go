// Package sourcetest is the one suite that every inlet has to pass: what a
// sender may rely on, whatever way its messages come in.
//
// An inlet's test gives a Harness; Run plays every case against inlets that it
// starts, over an Inbox that fails, waits and panics on demand. With
// Harness.Keep the same cases run over a real store.
package sourcetest

import (
	"bytes"
	"context"
	"io"
	"slices"
	"strings"
	"sync"
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

// Inlet is what all inlets have in common.
type Inlet interface {
	Listen() error
	Addr() string
	Run(ctx context.Context) error
}

// Way is a way in: what of an inlet outlives its restart, and its senders.
type Way interface {
	// New makes an inlet that puts into box and logs to log, every level.
	New(t *testing.T, box ingest.Inbox, log io.Writer) Inlet
	// Send hands one message to the running inlet and waits for what becomes of
	// it, or for ctx. It is called by several goroutines at once.
	Send(ctx context.Context, in Inlet, raw []byte) Answer
	// Half sends the first half of a message and then nothing, until hangUp.
	Half(ctx context.Context, in Inlet, raw []byte) (hangUp func())
	// Close ends the senders' connections.
	Close()
}

// Harness is what the suite needs to know of an inlet.
type Harness struct {
	Way func(t *testing.T) Way
	// Keep makes what an Inbox keeps arrivals in; nil is the memory.
	Keep func(t *testing.T) Keeper
	// Keeps: what is not taken stays with the inlet and is taken later without
	// being sent again (a folder, a stream).
	Keeps bool
	// Largest is the size up to which a message is taken.
	Largest int
	// Speech is how messages are written; the zero Speech stands for HL7.
	Speech Speech
}

// patience bounds each wait; nothing is decided by how long it takes.
const patience = 60 * time.Second

// Canaries stand in every message of the suite and may stand in no log line:
// an invented patient's name, number and value.
var Canaries = []string{"LIGHTKEEPER", "77120934", "2.41"}

// Run runs every case against inlets that the harness makes.
func Run(t *testing.T, h Harness) {
	for _, c := range []struct {
		name string
		run  func(*testing.T, *scene)
	}{
		{"stored before the positive answer", storedBeforeAnswer},
		{"an arrival says where it came from", describes},
		{"sent again: answered again, stored once", sentAgain},
		{"store down", storeDown},
		{"store fails after keeping", failsAfter},
		{"store panics", panics},
		{"a batch is stored message by message", batch},
		{"store fails within a batch", failsWithinBatch},
		{"odd input harms nobody", oddInput},
		{"half a message is none", half},
		{"many at once", manyAtOnce},
		{"stopping finishes what is in hand", stopping},
		{"stopping while the store is down loses nothing", stoppingDown},
		{"stopping while the store hangs comes to an end", stoppingHung},
		{"nothing is left running", leavesNothing},
	} {
		t.Run(c.name, func(t *testing.T) { c.run(t, newScene(t, h)) })
	}
}

// scene is one case: a way in, a running inlet and its inbox.
type scene struct {
	Harness
	t   *testing.T
	ctx context.Context
	way Way
	box *Inbox
	log logs

	in     Inlet
	cancel context.CancelFunc
	ended  chan error
}

func newScene(t *testing.T, h Harness) *scene {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	if h.Speech.Message == nil {
		h.Speech = HL7
	}
	s := &scene{Harness: h, t: t, ctx: ctx, way: h.Way(t), box: NewInbox()}
	if h.Keep != nil {
		s.box = Over(h.Keep(t))
	}
	s.start()
	t.Cleanup(func() {
		s.stop()()
		s.way.Close()
		cancel()
		for _, word := range Canaries {
			require.NotContains(t, strings.ToUpper(s.log.String()), word, "the log speaks of a patient")
		}
	})
	return s
}

// start runs an inlet; after stop, the next one on the same way in.
func (s *scene) start() {
	s.t.Helper()
	s.in = s.way.New(s.t, s.box, &s.log)
	require.NoError(s.t, s.in.Listen())
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	in := s.in
	go func() { ended <- in.Run(ctx) }()
	s.cancel, s.ended = cancel, ended
}

// stop tells the inlet to end; wait returns when it has.
func (s *scene) stop() (wait func()) {
	s.cancel()
	ended := s.ended
	s.ended = nil
	return func() {
		s.t.Helper()
		if ended == nil {
			return // waited for already
		}
		select {
		case err := <-ended:
			require.NoError(s.t, err)
		case <-s.ctx.Done():
			s.t.Fatal("the inlet did not end")
		}
	}
}

func (s *scene) send(raw []byte) Answer { return s.way.Send(s.ctx, s.in, raw) }

// begin sends and does not wait.
func (s *scene) begin(raw []byte) <-chan Answer {
	answer := make(chan Answer, 1)
	in := s.in
	go func() { answer <- s.way.Send(s.ctx, in, raw) }()
	return answer
}

// tried waits until the inlet has handed something to its inbox.
func (s *scene) tried() {
	s.t.Helper()
	require.NoError(s.t, s.box.AwaitTry(s.ctx))
}

// good sends a message that has to be taken.
func (s *scene) good(n int) {
	s.t.Helper()
	require.Equal(s.t, Positive, s.send(s.Speech.Message(n)), "a good message")
	require.Equal(s.t, 1, s.box.count(s.Speech.Message(n)), "and stored")
}

// untaken checks the answer to a message that the inbox did not take, and then
// brings it in: by itself where the way in keeps it, else by a resend.
func (s *scene) untaken(raw []byte, answer <-chan Answer) {
	s.t.Helper()
	if !s.Keeps {
		require.Equal(s.t, Negative, <-answer)
		s.box.Recover()
		require.Equal(s.t, Positive, s.send(raw), "sent again")
		return
	}
	s.tried() // once more, since it was not taken
	select {
	case a := <-answer:
		s.t.Fatalf("%s before the inbox had it", a)
	default:
	}
	s.box.Recover()
	require.Equal(s.t, Positive, <-answer, "kept, and taken later")
}

// The order is forced, not timed: the inlet has called Accept, and only then
// is it decided that this call fails. An inlet that answers by itself has
// answered wrongly.
func storedBeforeAnswer(t *testing.T, s *scene) {
	open := s.box.Block()
	answer := s.begin(s.Speech.Message(1))
	s.tried()
	s.box.FailBefore()
	open()
	s.untaken(s.Speech.Message(1), answer)
	require.Len(t, s.box.Stored(), 1)

	open = s.box.Block()
	for len(s.box.Tried) > 0 {
		<-s.box.Tried
	}
	answer = s.begin(s.Speech.Message(2))
	s.tried()
	require.Zero(t, s.box.count(s.Speech.Message(2)))
	open()
	require.Equal(t, Positive, <-answer)
	require.Equal(t, 1, s.box.count(s.Speech.Message(2)))
}

func describes(t *testing.T, s *scene) {
	from := time.Now().Add(-time.Second)
	s.good(1)
	a := s.box.Stored()[0]
	require.Equal(t, "inlet", a.Inlet)
	source := "inlet"
	if s.Speech.Source != "" {
		source = s.Speech.Source
	}
	require.Equal(t, source, a.Source)
	require.Equal(t, s.Speech.Format, a.Format)
	require.Equal(t, s.Speech.ControlID(1), a.ControlID)
	require.NotEmpty(t, a.Peer)
	require.Empty(t, a.Fault)
	require.WithinRange(t, a.Received, from, time.Now().Add(time.Second))
	require.Equal(t, s.Speech.Beside, a.Batch)
	require.Zero(t, a.Position)
}

func sentAgain(t *testing.T, s *scene) {
	for range 3 {
		s.good(1)
	}
	s.good(2)
	require.Len(t, s.box.Stored(), 2)
}

func storeDown(t *testing.T, s *scene) {
	s.box.FailBefore()
	answer := s.begin(s.Speech.Message(1))
	s.tried()
	s.untaken(s.Speech.Message(1), answer)
	s.good(2)
	require.Len(t, s.box.Stored(), 2)
}

func failsAfter(t *testing.T, s *scene) {
	s.box.FailAfter()
	answer := s.begin(s.Speech.Message(1))
	s.tried()
	s.untaken(s.Speech.Message(1), answer)
	require.Len(t, s.box.Stored(), 1, "what came again finds what was kept")
}

func panics(t *testing.T, s *scene) {
	s.box.Panic()
	answer := s.begin(s.Speech.Message(1))
	s.tried()
	if s.Keeps {
		s.untaken(s.Speech.Message(1), answer)
	} else {
		require.NotEqual(t, Positive, <-answer)
		s.box.Recover()
		s.good(1)
	}
	s.good(2)
}

func batch(t *testing.T, s *scene) {
	s.batches()
	raw := s.Speech.Batch(s.Speech.Message(1), s.Speech.Message(2), s.Speech.Message(3))
	require.Equal(t, Positive, s.send(raw))
	s.isBatch(raw, 3)
	require.Equal(t, Positive, s.send(raw))
	s.isBatch(raw, 3)
}

// batches skips a case where there are none.
func (s *scene) batches() {
	if s.Speech.Batch == nil {
		s.t.Skip("no batches come this way")
	}
}

func (s *scene) isBatch(raw []byte, n int) {
	s.t.Helper()
	stored := s.box.Stored()
	require.Len(s.t, stored, n)
	for k, a := range stored {
		require.Equal(s.t, s.Speech.Message(k+1), a.Raw)
		require.Equal(s.t, s.Speech.ControlID(k+1), a.ControlID)
		if !s.Speech.Single {
			require.Equal(s.t, k+1, a.Position)
			require.Equal(s.t, raw, a.Batch)
		}
	}
}

func failsWithinBatch(t *testing.T, s *scene) {
	s.batches()
	s.box.FailBehind(1)
	raw := s.Speech.Batch(s.Speech.Message(1), s.Speech.Message(2), s.Speech.Message(3))
	answer := s.begin(raw)
	require.NoError(t, s.box.AwaitStored(s.ctx, 1))
	s.tried()
	s.tried() // the second message was refused
	s.untaken(raw, answer)
	s.isBatch(raw, 3)
}

// oddInput: whatever comes, the next good message is taken; a positive answer
// means stored, here too; and what is some message within the limits is stored
// as it came, readable or not.
func oddInput(t *testing.T, s *scene) {
	for n, c := range append(slices.Clone(s.Speech.Odd),
		Odd{Name: "as large as can be", Raw: s.Speech.Padded(8, s.Largest), Kept: true},
		Odd{Name: "one byte too large", Raw: s.Speech.Padded(9, s.Largest+1)},
		Odd{Name: "far too large", Raw: s.Speech.Padded(10, 8*s.Largest)},
	) {
		got := s.send(c.Raw)
		if c.Kept {
			require.NotEqual(t, None, got, c.Name)
			require.Equal(t, 1, s.box.count(c.Raw), c.Name)
		}
		if got == Positive {
			require.True(t, s.stands(c.Raw), "%s: answered and not stored", c.Name)
		}
		s.good(100 + n)
	}
	for _, a := range s.box.Stored() {
		require.True(t, len(a.Raw) > 0 || a.Fault != "", "nothing is no message")
		require.True(t, len(a.Raw) <= s.Largest || a.Fault != "", "too large is a fault")
	}
}

// stands tells whether these bytes are stored whole, or as the beginning of
// something with a fault.
func (s *scene) stands(raw []byte) bool {
	for _, a := range s.box.Stored() {
		if bytes.Equal(a.Raw, raw) || bytes.Equal(a.Batch, raw) || a.Fault != "" && len(a.Raw) > 0 && bytes.HasPrefix(raw, a.Raw) {
			return true
		}
	}
	return false
}

// half: while one sender stays in the middle of its message, and after it has
// hung up there, others are served, and its half is no arrival.
func half(t *testing.T, s *scene) {
	hangUp := s.way.Half(s.ctx, s.in, s.Speech.Message(1))
	s.good(2)
	hangUp()
	s.good(3)
	require.Len(t, s.box.Stored(), 2)
	s.good(1) // now all of it
}

func manyAtOnce(t *testing.T, s *scene) {
	const senders, messages = 8, 5
	answers := make([][]Answer, senders)
	var all sync.WaitGroup
	for k := range senders {
		all.Go(func() {
			for n := range messages {
				raw := s.Speech.Message(1000 + (k/2)*messages + n) // two senders each have the same ones
				answers[k] = append(answers[k], s.send(raw))
			}
		})
	}
	all.Wait()
	for _, a := range answers {
		for _, one := range a {
			require.Equal(t, Positive, one)
		}
	}
	require.Len(t, s.box.Stored(), senders/2*messages)
	for n := range senders / 2 * messages {
		require.Equal(t, 1, s.box.count(s.Speech.Message(1000+n)))
	}
}

func stopping(t *testing.T, s *scene) {
	open := s.box.Block()
	answer := s.begin(s.Speech.Message(1))
	s.tried()
	wait := s.stop()
	open()
	wait()
	require.Equal(t, 1, s.box.count(s.Speech.Message(1)), "what was in hand is finished")
	if !s.Keeps {
		require.Equal(t, Positive, <-answer, "and answered")
	}
	s.start()
	s.good(2)
	require.Len(t, s.box.Stored(), 2)
}

func stoppingDown(t *testing.T, s *scene) {
	open := s.box.Block()
	answer := s.begin(s.Speech.Message(1))
	s.tried()
	wait := s.stop()
	s.box.FailBefore()
	open()
	wait()
	s.comesLater(answer)
	require.Len(t, s.box.Stored(), 1)
}

func stoppingHung(t *testing.T, s *scene) {
	if s.Keep != nil {
		t.Skip("takes the whole grace, and says nothing of the store")
	}
	open := s.box.Block()
	defer open()
	answer := s.begin(s.Speech.Message(1))
	s.tried()
	s.stop()() // while Accept waits for its ctx
	open()
	s.comesLater(answer)
	require.Len(t, s.box.Stored(), 1)
}

// comesLater: a message that was not taken when the inlet ended is taken by
// the next one.
func (s *scene) comesLater(answer <-chan Answer) {
	s.t.Helper()
	require.Empty(s.t, s.box.Stored())
	if !s.Keeps {
		require.NotEqual(s.t, Positive, <-answer)
	}
	s.box.Recover()
	s.start()
	if s.Keeps {
		require.NoError(s.t, s.box.AwaitStored(s.ctx, 1))
		require.Equal(s.t, 1, s.box.count(s.Speech.Message(1)))
		return
	}
	s.good(1)
}

// logs gathers what an inlet logs.
type logs struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logs) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logs) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
