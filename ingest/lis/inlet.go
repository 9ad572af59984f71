package lis

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"time"

	"github.com/rs/zerolog"

	"tidegate/ingest"
	"tidegate/wire/astm"
)

// Settings are what the program gives an inlet.
type Settings struct {
	ID          string // of the inlet
	Inbox       ingest.Inbox
	Log         zerolog.Logger
	Now         func() time.Time // for arrivals; deadlines go by the machine's clock
	Connections func(open int)   // called whenever a connection opens or closes; may be nil
	Answerer    Answerer         // for host queries; nil: nothing is known
}

// Answerer knows what an instrument may ask for. It is safe for concurrent use.
type Answerer interface {
	// Answer gives the records (P, O and what hangs below them) that answer a Q
	// record, with the standard delimiters, each ended by CR; none if nothing is
	// known. H and L are put around them. Its errors are logged, so they quote
	// nothing of a patient.
	Answer(ctx context.Context, query astm.Group) ([]byte, error)
}

// Inlet is one LIS inlet.
type Inlet struct {
	cfg     Config
	set     Settings
	tls     *tls.Config
	allow   []netip.Prefix
	net     net.Listener
	notices *ingest.Notices
	refused ingest.Trouble // with the store
}

// New checks the settings and reads the TLS files. It opens nothing.
func New(cfg Config, set Settings) (*Inlet, error) {
	if faults := cfg.Validate(); len(faults) > 0 {
		f := faults[0]
		return nil, fmt.Errorf("inlet %s: %s %s; %s", set.ID, f.Key, f.What, f.Instead)
	}
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
	in := &Inlet{
		cfg: cfg.withDefaults(), set: set, tls: secure,
		notices: &ingest.Notices{Inlet: set.ID, Inbox: set.Inbox, Log: set.Log, Now: set.Now},
		refused: ingest.Trouble{Log: set.Log, Begins: "messages cannot be stored; their senders are to send them again", Ends: "messages are stored again"},
	}
	for _, a := range cfg.Allow {
		p, err := network(a)
		if err != nil {
			return nil, fmt.Errorf("inlet %s: allow: %w", set.ID, err)
		}
		in.allow = append(in.allow, p)
	}
	return in, nil
}

// patience is how long the store may take: a sender that waits longer than that
// for its answer may have turned to something else when it comes.
func (in *Inlet) patience() time.Duration { return in.cfg.Link.ReplyTime / 5 * 4 }

// Listen binds the address. A serial port is opened by Run, again and again
// until it is there.
func (in *Inlet) Listen() error {
	if in.cfg.Serial != "" || in.net != nil {
		return nil
	}
	n, err := ingest.Bind(in.cfg.Listen)
	if err != nil {
		return fmt.Errorf("inlet %s: %w", in.set.ID, err)
	}
	in.net = n
	return nil
}

// Addr is the bound address, or the serial port; "" before Listen.
func (in *Inlet) Addr() string {
	switch {
	case in.cfg.Serial != "":
		return in.cfg.Serial
	case in.net != nil:
		return in.net.Addr().String()
	}
	return ""
}

// Close gives up an address that was bound and never served.
func (in *Inlet) Close() error {
	if in.net != nil {
		_ = in.net.Close() // closed already after a run
	}
	return nil
}

// Run serves until ctx is done. Then conversations under way are finished and
// answered within a bounded time. Listen comes first.
func (in *Inlet) Run(ctx context.Context) error {
	if in.cfg.Serial != "" {
		return in.runSerial(ctx)
	}
	if in.net == nil {
		return fmt.Errorf("inlet %s: Run before Listen", in.set.ID)
	}
	in.warn()
	server := &ingest.Server{
		Max: in.cfg.MaxConnections, Log: in.set.Log, Connections: in.set.Connections,
		Session: func(c net.Conn) ingest.Session { return in.connected(c) },
		Refused: func(peer string) {
			in.notices.Record(peer, fmt.Sprintf("a connection was refused: all %d are in use", in.cfg.MaxConnections), nil)
		},
	}
	return server.Serve(ctx, in.net)
}

func (in *Inlet) warn() {
	switch {
	case in.tls == nil && !ingest.Loopback(in.Addr()) && len(in.allow) == 0:
		in.set.Log.Warn().Str("listen", in.Addr()).Msg("meters are not authenticated: neither tls nor allow is set, and the address is not loopback")
	case in.tls != nil && in.tls.Certificates[0].Leaf.NotAfter.Before(in.set.Now().AddDate(0, 0, 30)):
		in.set.Log.Warn().Time("expires", in.tls.Certificates[0].Leaf.NotAfter).Msg("the inlet's certificate expires within 30 days or has expired")
	}
}

// allowed tells whether a peer may connect.
func (in *Inlet) allowed(peer net.Addr) bool {
	if len(in.allow) == 0 {
		return true
	}
	at, err := netip.ParseAddrPort(peer.String())
	if err != nil {
		return false
	}
	for _, p := range in.allow {
		if p.Contains(at.Addr().Unmap()) {
			return true
		}
	}
	return false
}

// connection is a session over TCP: who is there is settled first.
type connection struct {
	*session
	conn net.Conn
}

func (in *Inlet) connected(c net.Conn) *connection {
	s := newSession(in, c, c.RemoteAddr().String())
	if in.tls != nil {
		s.line = tls.Server(c, in.tls) // no byte is read yet
	}
	return &connection{session: s, conn: c}
}

// Run implements ingest.Session.
func (c *connection) Run(work context.Context) {
	defer c.conn.Close() //nolint:errcheck // nothing is left to be written
	in := c.in
	if !in.allowed(c.conn.RemoteAddr()) {
		in.notices.Record(c.peer, "a connection was refused: its address is not in allow", nil)
		return
	}
	if secure, ok := c.line.(*tls.Conn); ok {
		peer, err := ingest.Handshake(work, secure)
		if err != nil {
			in.set.Log.Warn().Err(err).Str("peer", c.peer).Msg("a connection was not secured")
			if in.tls.ClientCAs != nil && !errors.Is(err, io.EOF) && !errors.Is(err, os.ErrDeadlineExceeded) {
				in.notices.Record(c.peer, "a connection was refused: no certificate that is accepted here", nil)
			}
			return
		}
		c.peer = peer
	}
	err := ingest.Guard(in.set.Log, func() error { return c.run(work) })
	if err != nil && !errors.Is(err, ingest.ErrPanic) {
		in.set.Log.Debug().Err(err).Str("peer", c.peer).Msg("connection ended")
	}
}

// Cut implements ingest.Session.
func (c *connection) Cut() { _ = c.conn.Close() } // wakes the session, which ends
