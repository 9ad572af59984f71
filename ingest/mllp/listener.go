package mllp

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/ingest"
	"tidegate/poct"
)

// Settings are what the program gives an inlet.
type Settings struct {
	ID          string // of the inlet
	Inbox       ingest.Inbox
	Log         zerolog.Logger
	Now         func() time.Time // for arrivals and answers; deadlines go by the machine's clock
	Connections func(open int)   // called whenever a connection opens or closes; may be nil
}

// drainTime is how long open messages may take to be finished and answered
// once the inlet is told to stop.
const drainTime = 5 * time.Second

// Listener is one MLLP inlet.
type Listener struct {
	cfg      Config
	set      Settings
	tls      *tls.Config
	net      net.Listener
	notices  noticeLimit
	reusers  reusers
	mu       sync.Mutex
	sessions map[*session]struct{}
	draining bool
	full     bool // the last connection was refused for want of room
}

// New checks the settings and reads the TLS files. It opens nothing.
func New(cfg Config, set Settings) (*Listener, error) {
	if faults := cfg.Validate(); len(faults) > 0 {
		f := faults[0]
		return nil, fmt.Errorf("inlet %s: %s %s; %s", set.ID, f.Key, f.What, f.Instead)
	}
	cfg = cfg.withDefaults()
	if len(cfg.Accepts) != 1 || cfg.Accepts[0] != acceptsResults {
		return nil, fmt.Errorf("inlet %s: accepts can only be [%s]", set.ID, acceptsResults)
	}
	if set.Inbox == nil {
		return nil, fmt.Errorf("inlet %s: no inbox", set.ID)
	}
	if set.Now == nil {
		set.Now = time.Now
	}
	if set.Connections == nil {
		set.Connections = func(int) {}
	}
	secure, err := cfg.TLS.load()
	if err != nil {
		return nil, fmt.Errorf("inlet %s: %w", set.ID, err)
	}
	return &Listener{cfg: cfg, set: set, tls: secure, sessions: map[*session]struct{}{}}, nil
}

// Listen binds the address; from then on the system queues connections.
func (l *Listener) Listen() error {
	keepAlive := net.KeepAliveConfig{Enable: true, Idle: 30 * time.Second, Interval: 10 * time.Second, Count: 3}
	n, err := (&net.ListenConfig{KeepAliveConfig: keepAlive}).Listen(context.Background(), "tcp", l.cfg.Listen)
	if err != nil {
		return fmt.Errorf("inlet %s: %w", l.set.ID, err)
	}
	l.net = n
	return nil
}

// Addr is the bound address, "" before Listen.
func (l *Listener) Addr() string {
	if l.net == nil {
		return ""
	}
	return l.net.Addr().String()
}

// Run serves until ctx is done. Then it takes no more connections, closes the
// idle ones, lets open messages be finished and answered within drainTime, and
// returns when its last goroutine has. Listen comes first.
func (l *Listener) Run(ctx context.Context) error {
	if l.net == nil {
		return fmt.Errorf("inlet %s: Run before Listen", l.set.ID)
	}
	l.warn()
	// Messages in hand outlive ctx, up to the end of the drain.
	work, abandon := context.WithCancel(context.WithoutCancel(ctx))
	defer abandon()
	var open sync.WaitGroup
	stopped := make(chan struct{})
	defer context.AfterFunc(ctx, func() { close(stopped); l.drain() })()

	err := l.acceptAll(work, stopped, &open)
	l.drain()
	late := time.AfterFunc(drainTime, func() { abandon(); l.closeAll() })
	open.Wait()
	late.Stop()
	return err
}

func (l *Listener) warn() {
	if l.tls == nil {
		if host, _, _ := net.SplitHostPort(l.Addr()); !net.ParseIP(host).IsLoopback() {
			l.set.Log.Warn().Str("listen", l.Addr()).Msg("meters are not authenticated: no tls.client_ca_file is set, and the address is not loopback")
		}
		return
	}
	if leaf := l.tls.Certificates[0].Leaf; leaf != nil && leaf.NotAfter.Before(l.set.Now().AddDate(0, 0, 30)) {
		l.set.Log.Warn().Time("expires", leaf.NotAfter).Msg("the inlet's certificate expires within 30 days or has expired")
	}
}

// acceptAll takes connections until the listener is closed.
func (l *Listener) acceptAll(work context.Context, stopped <-chan struct{}, open *sync.WaitGroup) error {
	pause := time.Duration(0)
	for {
		conn, err := l.net.Accept()
		switch {
		case errors.Is(err, net.ErrClosed):
			return nil
		case err != nil:
			// Such as no file descriptors left: serve those that are open, try again.
			pause = min(max(2*pause, 5*time.Millisecond), time.Second)
			l.set.Log.Error().Err(err).Dur("pause", pause).Msg("no connection could be taken")
			select {
			case <-stopped:
			case <-time.After(pause):
			}
			continue
		}
		pause = 0
		if s := l.admit(conn); s != nil {
			open.Go(func() { defer l.leave(s); s.run(work) })
		}
	}
}

// admit makes a session of a connection, or closes it if there is no room.
func (l *Listener) admit(conn net.Conn) *session {
	l.mu.Lock()
	s := newSession(l, conn)
	room := len(l.sessions) < l.cfg.MaxConnections && !l.draining
	first := !room && !l.full && !l.draining
	l.full = !room
	if room {
		l.sessions[s] = struct{}{}
		l.set.Connections(len(l.sessions))
	}
	l.mu.Unlock()
	if room {
		return s
	}
	_ = conn.Close() // refused: nothing was read
	if first {       // once for each time the room runs out
		s.notice(fmt.Sprintf("a connection was refused: all %d are in use", l.cfg.MaxConnections), nil)
	}
	return nil
}

func (l *Listener) leave(s *session) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.sessions, s)
	l.set.Connections(len(l.sessions))
}

func (l *Listener) drain() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.draining = true
	_ = l.net.Close() // the second time it is closed already
	for s := range l.sessions {
		s.drain()
	}
}

func (l *Listener) closeAll() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for s := range l.sessions {
		_ = s.conn.Close() // wakes the session, which ends
	}
}

// noticeTime bounds the writing of one notice.
const noticeTime = 5 * time.Second

// record stores a notice; one that cannot be stored is in the log all the same.
func (l *Listener) record(peer, what string, bytes []byte) {
	now := l.set.Now()
	log := l.set.Log.Warn().Str("peer", peer).Int("bytes", len(bytes))
	ok, dropped := l.notices.allow(now)
	if !ok {
		log.Bool("recorded", false).Msg(what)
		return
	}
	if dropped > 0 {
		what = fmt.Sprintf("%s (%d notices before it were not recorded, there were too many)", what, dropped)
	}
	log.Msg(what)
	ctx, done := context.WithTimeout(context.Background(), noticeTime)
	defer done()
	if err := l.set.Inbox.Notice(ctx, poct.Notice{Inlet: l.set.ID, Peer: peer, At: now, What: what, Bytes: bytes}); err != nil {
		l.set.Log.Error().Err(err).Msg("a notice could not be stored")
	}
}

// noticeLimit lets a flood of broken connections through to the log alone, so
// that it cannot fill the store.
type noticeLimit struct {
	mu      sync.Mutex
	minute  time.Time
	count   int
	dropped int
}

const noticesPerMinute = 120

// allow reports whether one more may be stored, and if so how many were not.
func (n *noticeLimit) allow(now time.Time) (ok bool, dropped int) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if minute := now.Truncate(time.Minute); !minute.Equal(n.minute) {
		n.minute, n.count = minute, 0
	}
	if n.count >= noticesPerMinute {
		n.dropped++
		return false, 0
	}
	n.count++
	dropped, n.dropped = n.dropped, 0
	return true, dropped
}

// newControlID is an MSH-10 for an answer: 100 random bits in 20 characters,
// as many as HL7 2.5.1 allows.
func newControlID() string { return rand.Text()[:20] }
