package mllp

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"fmt"
	"net"
	"time"

	"github.com/rs/zerolog"

	"tidegate/ingest"
)

// Settings are what the program gives an inlet.
type Settings struct {
	ID          string   // of the inlet
	Accepts     []string // results, adt, orders; none: results. Other messages are refused (AR)
	Inbox       ingest.Inbox
	Log         zerolog.Logger
	Now         func() time.Time // for arrivals and answers; deadlines go by the machine's clock
	Connections func(open int)   // called whenever a connection opens or closes; may be nil
}

// Listener is one MLLP inlet.
type Listener struct {
	cfg     Config
	set     Settings
	tls     *tls.Config
	net     net.Listener
	notices *ingest.Notices
	reusers reusers
}

// New checks the settings and reads the TLS files. It opens nothing.
func New(cfg Config, set Settings) (*Listener, error) {
	if faults := cfg.Validate(); len(faults) > 0 {
		f := faults[0]
		return nil, fmt.Errorf("inlet %s: %s %s; %s", set.ID, f.Key, f.What, f.Instead)
	}
	cfg = cfg.withDefaults()
	if set.Inbox == nil {
		return nil, fmt.Errorf("inlet %s: no inbox", set.ID)
	}
	if set.Now == nil {
		set.Now = time.Now
	}
	secure, err := cfg.TLS.Load()
	if err != nil {
		return nil, fmt.Errorf("inlet %s: %w", set.ID, err)
	}
	return &Listener{
		cfg: cfg, set: set, tls: secure,
		notices: &ingest.Notices{Inlet: set.ID, Inbox: set.Inbox, Log: set.Log, Now: set.Now},
	}, nil
}

// Listen binds the address; from then on the system queues connections.
func (l *Listener) Listen() error {
	n, err := ingest.Bind(l.cfg.Listen)
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
// idle ones, lets open messages be finished and answered within a bounded time,
// and returns when its last goroutine has. Listen comes first.
func (l *Listener) Run(ctx context.Context) error {
	if l.net == nil {
		return fmt.Errorf("inlet %s: Run before Listen", l.set.ID)
	}
	l.warn()
	server := &ingest.Server{
		Max: l.cfg.MaxConnections, Log: l.set.Log, Connections: l.set.Connections,
		Session: func(c net.Conn) ingest.Session { return newSession(l, c) },
		Refused: func(peer string) {
			l.notices.Record(peer, fmt.Sprintf("a connection was refused: all %d are in use", l.cfg.MaxConnections), nil)
		},
	}
	return server.Serve(ctx, l.net)
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

// newControlID is an MSH-10 for an answer: 100 random bits in 20 characters,
// as many as HL7 2.5.1 allows.
func newControlID() string { return rand.Text()[:20] }
