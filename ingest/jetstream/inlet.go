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

	"tidegate/fault"
	"tidegate/ingest"
	"tidegate/poct"
)

// Settings are what the daemon gives an inlet.
type Settings struct {
	ID      string
	Inbox   ingest.Inbox
	Log     zerolog.Logger
	Now     func() time.Time // when an arrival came
	DataDir string           // of the embedded server
}

const (
	// grace is how long a message in hand may take once the inlet is told to stop.
	grace = 5 * time.Second
	// again is the pause before a lost server is tried once more.
	again = 500 * time.Millisecond
	// requestTime is how long the server may take to answer.
	requestTime = 5 * time.Second
	// A message that is not taken stays in the stream for firstPause, then twice
	// as long each time up to longestPause, before it is handed out again.
	firstPause   = 100 * time.Millisecond
	longestPause = 30 * time.Second
	// ahead is how many messages are asked for at once.
	ahead = 64
)

// Inlet is one durable consumer.
type Inlet struct {
	cfg Config
	s   Settings

	mu     sync.Mutex
	server *server.Server // embedded; nil otherwise

	away    ingest.Trouble // with the stream
	refused ingest.Trouble // with the store
}

// New checks the settings and starts nothing.
func New(cfg Config, s Settings) (*Inlet, error) {
	if faults := cfg.Validate(); len(faults) > 0 {
		return nil, fmt.Errorf("inlet %s: %s %s; %s", s.ID, faults[0].Key, faults[0].What, faults[0].Instead)
	}
	if s.Inbox == nil {
		return nil, fmt.Errorf("inlet %s: no inbox", s.ID)
	}
	cfg = cfg.WithDefaults()
	if cfg.URL == Embedded && s.DataDir == "" {
		return nil, fmt.Errorf("inlet %s: the embedded server needs a data folder", s.ID)
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	return &Inlet{
		cfg: cfg, s: s,
		away:    ingest.Trouble{Log: s.Log, Begins: "the stream is away; tried again until it is back", Ends: "messages are taken from the stream again"},
		refused: ingest.Trouble{Log: s.Log, Begins: "messages cannot be stored; they stay in the stream", Ends: "messages are stored again"},
	}, nil
}

// Listen starts the embedded server, so that senders can connect; with a
// server of the user's there is nothing to bind.
func (i *Inlet) Listen() error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.cfg.URL != Embedded || i.server != nil {
		return nil
	}
	s, err := startServer(i.cfg, i.s.DataDir)
	if err != nil {
		return fmt.Errorf("inlet %s: %w", i.s.ID, err)
	}
	i.server = s
	return nil
}

// Addr is the URL that senders connect to, "" before the embedded server runs.
func (i *Inlet) Addr() string {
	i.mu.Lock()
	defer i.mu.Unlock()
	switch {
	case i.server != nil:
		return i.server.ClientURL()
	case i.cfg.URL == Embedded:
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

// Run takes messages until ctx ends; a lost server is waited for, for ever.
func (i *Inlet) Run(ctx context.Context) error {
	if err := i.Listen(); err != nil {
		return err
	}
	defer func() { _ = i.Close() }() // ends the embedded server; never fails
	work, done := ingest.Outlive(ctx, grace)
	defer done()
	for {
		err := i.session(ctx, work)
		if ctx.Err() != nil {
			return nil
		}
		i.away.Is(err)
		pause := time.NewTimer(again)
		select {
		case <-ctx.Done():
			pause.Stop()
			return nil
		case <-pause.C:
		}
	}
}

// session is one connection: it returns when that is lost, or ctx ends.
func (i *Inlet) session(ctx, work context.Context) error {
	opts := []nats.Option{
		// Run connects again by itself: the client's own way of doing so hides how
		// things stand, and does not end while the server is away.
		nats.Name("tidegate inlet " + i.s.ID), nats.NoReconnect(), nats.Timeout(requestTime),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			i.s.Log.Debug().Err(err).Msg("the stream's connection has trouble")
		}),
	}
	if i.cfg.CredsFile != "" {
		opts = append(opts, nats.UserCredentials(i.cfg.CredsFile))
	}
	closed := make(chan struct{})
	nc, err := nats.Connect(i.Addr(), append(opts, nats.ClosedHandler(func(*nats.Conn) { close(closed) }))...)
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer func() {
		_ = nc.FlushTimeout(time.Second) // what was given back; else it comes again after ack_wait
		nc.Close()
		<-closed
	}()
	js, err := jetstream.New(nc)
	if err != nil {
		return fmt.Errorf("open JetStream: %w", err)
	}
	consumer, err := i.consumer(ctx, js)
	if err != nil {
		return err
	}
	messages, err := consumer.Messages(jetstream.PullMaxMessages(ahead))
	if err != nil {
		return fmt.Errorf("pull messages: %w", err)
	}
	defer messages.Stop()
	// Ends the wait in Next once those that were handed out are through.
	defer context.AfterFunc(ctx, messages.Drain)()
	i.away.Is(nil)
	for {
		m, err := messages.Next()
		switch {
		case err != nil && ctx.Err() != nil:
			return nil
		case err != nil:
			return fmt.Errorf("next message: %w", err)
		case ctx.Err() != nil:
			_ = m.Nak() // not begun: whoever comes next may have it at once
		default:
			i.take(work, m)
		}
	}
}

// consumer finds the stream, or makes it on disk, and the durable consumer.
func (i *Inlet) consumer(ctx context.Context, js jetstream.JetStream) (jetstream.Consumer, error) {
	bounded, cancel := context.WithTimeout(ctx, requestTime)
	defer cancel()
	stream, err := js.Stream(bounded, i.cfg.Stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		stream, err = js.CreateStream(bounded, jetstream.StreamConfig{
			Name: i.cfg.Stream, Subjects: []string{i.cfg.Subject}, Storage: jetstream.FileStorage, Retention: jetstream.WorkQueuePolicy,
		})
	}
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", i.cfg.Stream, err)
	}
	if stream.CachedInfo().Config.Storage != jetstream.FileStorage {
		i.s.Log.Warn().Str("stream", i.cfg.Stream).Msg("the stream is kept in memory: what it has acknowledged to a sender is lost when its server ends")
	}
	c, err := stream.CreateOrUpdateConsumer(bounded, jetstream.ConsumerConfig{
		Durable: i.cfg.Durable, FilterSubject: i.cfg.Subject, AckPolicy: jetstream.AckExplicitPolicy,
		AckWait: i.cfg.AckWait, DeliverPolicy: jetstream.DeliverAllPolicy, MaxAckPending: 4 * ahead,
		MaxDeliver: -1, // a store may be down for long
	})
	if err != nil {
		return nil, fmt.Errorf("consumer %s: %w", i.cfg.Durable, err)
	}
	return c, nil
}

// take hands one message to the inbox and answers the stream.
func (i *Inlet) take(work context.Context, m jetstream.Msg) {
	bounded, cancel := context.WithTimeout(work, i.cfg.AckWait)
	defer cancel()
	a, delivered := i.arrival(m)
	err := ingest.Guard(i.s.Log, func() error {
		_, err := ingest.Put(bounded, i.s.Inbox, a)
		return err
	})
	fault.Point("jetstream.accepted")
	if err != nil {
		i.refused.Is(err)
		if nak := m.NakWithDelay(pause(delivered)); nak != nil {
			i.s.Log.Debug().Err(nak).Msg("a message could not be given back; the stream hands it out again by itself")
		}
		return
	}
	i.refused.Is(nil)
	// A lost acknowledgement only means that it comes once more.
	if err := m.DoubleAck(bounded); err != nil {
		i.s.Log.Debug().Err(err).Msg("acknowledgement not confirmed")
	}
	fault.Point("jetstream.acked")
}

// pause is how long a message is left in the stream after it was handed out
// for the nth time in vain.
func pause(delivered uint64) time.Duration {
	return min(firstPause<<min(max(delivered, 1)-1, 16), longestPause)
}

// arrival is the message as it came, and how often it was handed out.
func (i *Inlet) arrival(m jetstream.Msg) (a poct.Arrival, delivered uint64) {
	a = poct.Arrival{Inlet: i.s.ID, Source: i.s.ID, Received: i.s.Now(), Peer: m.Subject(), Raw: m.Data()}
	if meta, err := m.Metadata(); err == nil {
		a.Peer += " #" + strconv.FormatUint(meta.Sequence.Stream, 10)
		delivered = meta.NumDelivered
	}
	switch {
	case len(a.Raw) == 0:
		a.Fault = "it holds no bytes"
	case len(a.Raw) > i.cfg.MaxSize:
		a.Fault = fmt.Sprintf("it is larger than %d bytes", i.cfg.MaxSize)
	}
	return a, delivered
}
