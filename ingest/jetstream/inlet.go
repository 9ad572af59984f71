// Package jetstream takes messages from a NATS JetStream stream: of a server
// that the user runs, or of one embedded in the daemon.
//
//	sender ─► stream (on disk, synced) ─► durable consumer ─► Inbox.Accept ─► ack
//
// It promises: a message is acknowledged to the stream only after the store's
// commit; until then the stream keeps it and hands it out again. What comes
// twice is told apart by the store. A message that cannot be read becomes an
// arrival with its fault and is acknowledged: it waits for a person, not for
// ever in the stream.
package jetstream

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"tidegate/ingest"
	"tidegate/poct"
)

// Settings are what the daemon gives an inlet.
type Settings struct {
	ID      string
	Inbox   ingest.Inbox
	Log     zerolog.Logger
	Now     func() time.Time
	DataDir string // of the embedded server
}

// Inlet is one durable consumer.
type Inlet struct {
	cfg Config
	s   Settings

	mu     sync.Mutex
	server *server.Server
}

// New checks the settings and starts nothing.
func New(cfg Config, s Settings) (*Inlet, error) {
	cfg = cfg.WithDefaults()
	if faults := cfg.Validate(); len(faults) > 0 {
		return nil, fmt.Errorf("%s %s; %s", faults[0].Key, faults[0].What, faults[0].Instead)
	}
	if s.Inbox == nil {
		return nil, errors.New("jetstream: an inlet needs an inbox")
	}
	if cfg.URL == Embedded && s.DataDir == "" {
		return nil, errors.New("jetstream: the embedded server needs a data folder")
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	return &Inlet{cfg: cfg, s: s}, nil
}

// Listen starts the embedded server, so that senders can connect; with a
// server of the user's there is nothing to bind.
func (i *Inlet) Listen() error {
	if i.cfg.URL != Embedded {
		return nil
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.server != nil {
		return nil
	}
	s, err := startServer(i.cfg, i.s.DataDir)
	i.server = s
	return err
}

// Addr is the URL that senders connect to.
func (i *Inlet) Addr() string {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.server != nil {
		return i.server.ClientURL()
	}
	if i.cfg.URL == Embedded {
		return ""
	}
	return i.cfg.URL
}

// Close ends the embedded server of an inlet that was bound and never ran.
func (i *Inlet) Close() error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.server != nil {
		i.server.Shutdown()
		i.server.WaitForShutdown()
		i.server = nil
	}
	return nil
}

// again is the pause before a lost server is tried once more, and before a
// message that the store did not take is handed out again.
const again = 500 * time.Millisecond

// Run takes messages until ctx ends; a lost server is waited for, for ever.
func (i *Inlet) Run(ctx context.Context) error {
	defer func() { _ = i.Close() }() // ends the embedded server
	last := ""
	for ctx.Err() == nil {
		err := i.session(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if text := err.Error(); text != last {
			i.s.Log.Warn().Err(err).Msg("the queue is away; tried again until it is back")
			last = text
		}
		select {
		case <-ctx.Done():
		case <-time.After(again):
		}
	}
	return nil
}

// session is one connection: it returns when that is lost, or ctx ends.
func (i *Inlet) session(ctx context.Context) error {
	opts := []nats.Option{nats.Name("tidegate inlet " + i.s.ID), nats.MaxReconnects(-1), nats.ReconnectWait(again), nats.Timeout(5 * time.Second)}
	if i.cfg.CredsFile != "" {
		opts = append(opts, nats.UserCredentials(i.cfg.CredsFile))
	}
	nc, err := nats.Connect(i.Addr(), opts...)
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return fmt.Errorf("open JetStream: %w", err)
	}
	consumer, err := i.consumer(ctx, js)
	if err != nil {
		return err
	}
	messages, err := consumer.Messages(jetstream.PullMaxMessages(64))
	if err != nil {
		return fmt.Errorf("pull messages: %w", err)
	}
	defer messages.Stop()
	unhook := context.AfterFunc(ctx, messages.Stop) // ends the wait in Next
	defer unhook()
	for {
		m, err := messages.Next()
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, jetstream.ErrMsgIteratorClosed) {
				return nil
			}
			return fmt.Errorf("next message: %w", err)
		}
		// A message in hand is finished even while shutting down.
		i.take(context.WithoutCancel(ctx), m)
		if ctx.Err() != nil {
			return nil
		}
	}
}

// consumer finds the stream, or makes it on disk, and the durable consumer.
func (i *Inlet) consumer(ctx context.Context, js jetstream.JetStream) (jetstream.Consumer, error) {
	bounded, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	stream, err := js.Stream(bounded, i.cfg.Stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		stream, err = js.CreateStream(bounded, jetstream.StreamConfig{
			Name: i.cfg.Stream, Subjects: []string{i.cfg.Subject}, Storage: jetstream.FileStorage, Retention: jetstream.LimitsPolicy,
		})
	}
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", i.cfg.Stream, err)
	}
	c, err := stream.CreateOrUpdateConsumer(bounded, jetstream.ConsumerConfig{
		Durable: i.cfg.Durable, FilterSubject: i.cfg.Subject, AckPolicy: jetstream.AckExplicitPolicy,
		AckWait: i.cfg.AckWait, DeliverPolicy: jetstream.DeliverAllPolicy, MaxAckPending: 256,
	})
	if err != nil {
		return nil, fmt.Errorf("consumer %s: %w", i.cfg.Durable, err)
	}
	return c, nil
}

// take hands one message to the inbox and answers the stream.
func (i *Inlet) take(ctx context.Context, m jetstream.Msg) {
	bounded, cancel := context.WithTimeout(ctx, i.cfg.AckWait)
	defer cancel()
	whole := i.arrival(m)
	parts, warn := ingest.Split(whole)
	var err error
	if warn != "" {
		err = i.s.Inbox.Notice(bounded, poct.Notice{Inlet: i.s.ID, Peer: whole.Peer, At: whole.Received, What: warn})
	}
	for _, a := range parts {
		if err != nil {
			break // all parts are handed out again; those that are stored answer as resent
		}
		_, err = i.s.Inbox.Accept(bounded, a)
	}
	if err != nil {
		// Kept by the stream; the store says in its own log why.
		if nak := m.NakWithDelay(again); nak != nil {
			i.s.Log.Warn().Err(nak).Msg("a message could not be given back; the queue hands it out again by itself")
		}
		return
	}
	// A lost acknowledgement only means that it comes once more.
	if err := m.DoubleAck(bounded); err != nil {
		i.s.Log.Debug().Err(err).Msg("acknowledgement not confirmed")
	}
}

func (i *Inlet) arrival(m jetstream.Msg) poct.Arrival {
	a := poct.Arrival{
		Inlet: i.s.ID, Source: i.s.ID, Received: i.s.Now(), Peer: m.Subject(), Raw: m.Data(),
	}
	if meta, err := m.Metadata(); err == nil {
		a.Peer += " #" + strconv.FormatUint(meta.Sequence.Stream, 10)
	}
	switch {
	case len(a.Raw) == 0:
		a.Fault = "it holds no bytes"
	case len(a.Raw) > i.cfg.MaxSize:
		a.Fault = fmt.Sprintf("it is larger than %d bytes", i.cfg.MaxSize)
	}
	return a
}
