package poct1a

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/ingest"
	"tidegate/poct"
	wire "tidegate/wire/poct1a"
)

// Settings are what the program gives an inlet. The functions are what the
// registry knows; each may be nil, and all are safe for concurrent use.
type Settings struct {
	ID          string // of the inlet
	Inbox       ingest.Inbox
	Log         zerolog.Logger
	Now         func() time.Time // for arrivals and messages; deadlines go by the machine's clock
	Connections func(open int)   // called whenever a connection opens or closes

	Site      func(serial string) (site string, ok bool) // where a meter stands; not ok: not known
	Locked    func(serial string) bool                   // the meter is not to be used
	Operators func(site string) ([]poct.Operator, error) // who may test there
	Patients  func(site string) ([]poct.Patient, error)  // who is expected there
	Zone      func(serial string) *time.Location         // of its times that carry no offset
}

// contacts is an inbox that also takes what a conversation told of a clock.
type contacts interface {
	Contact(ctx context.Context, c poct.Contact) error
}

// Inlet is one POCT1-A inlet.
type Inlet struct {
	cfg     Config
	set     Settings
	rules   wire.Rules
	tls     *tls.Config
	net     net.Listener
	notices *ingest.Notices
	refused ingest.Trouble // with the store
	lists   ingest.Trouble // with the registry

	mu       sync.Mutex
	sessions map[string]*session // by serial number
	meters   map[string]*memory  // by serial number, of meters that the registry knows
	shared   map[string]*shared  // by site
}

// memory is what a meter has been told, for as long as the process lives.
type memory struct {
	operators   *wire.List[wire.Operator]
	operatorsAt time.Time
	patients    *wire.List[wire.Patient]
	patientsAt  time.Time
	locked      bool
}

// shared keeps one copy of a site's lists for all of its meters.
type shared struct {
	operators *wire.List[wire.Operator]
	patients  *wire.List[wire.Patient]
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
	cfg = cfg.withDefaults()
	return &Inlet{
		cfg: cfg, set: set, rules: cfg.rules(), tls: secure,
		notices:  &ingest.Notices{Inlet: set.ID, Inbox: set.Inbox, Log: set.Log, Now: set.Now},
		refused:  ingest.Trouble{Log: set.Log, Begins: "messages cannot be stored; their senders are to send them again", Ends: "messages are stored again"},
		lists:    ingest.Trouble{Log: set.Log, Begins: "lists for meters cannot be made; they keep those that they have", Ends: "lists for meters are made again"},
		sessions: map[string]*session{}, meters: map[string]*memory{}, shared: map[string]*shared{},
	}, nil
}

// Listen binds the address; from then on the system queues connections.
func (in *Inlet) Listen() error {
	if in.net != nil {
		return nil
	}
	n, err := ingest.Bind(in.cfg.Listen)
	if err != nil {
		return fmt.Errorf("inlet %s: %w", in.set.ID, err)
	}
	in.net = n
	return nil
}

// Addr is the bound address, "" before Listen.
func (in *Inlet) Addr() string {
	if in.net == nil {
		return ""
	}
	return in.net.Addr().String()
}

// Close gives up an address that was bound and never served.
func (in *Inlet) Close() error {
	if in.net != nil {
		_ = in.net.Close() // closed already after a run
	}
	return nil
}

// Run serves until ctx is done. Then each conversation is ended, and what is in
// hand is stored and answered, within a bounded time. Listen comes first.
func (in *Inlet) Run(ctx context.Context) error {
	if in.net == nil {
		return fmt.Errorf("inlet %s: Run before Listen", in.set.ID)
	}
	in.warn()
	server := &ingest.Server{
		Max: in.cfg.MaxConnections, Log: in.set.Log, Connections: in.set.Connections,
		Session: func(c net.Conn) ingest.Session { return newSession(in, c) },
		Refused: func(peer string) {
			in.notices.Record(peer, fmt.Sprintf("a connection was refused: all %d are in use", in.cfg.MaxConnections), nil)
		},
	}
	return server.Serve(ctx, in.net)
}

func (in *Inlet) warn() {
	switch {
	case in.tls == nil || in.tls.ClientCAs == nil:
		if !ingest.Loopback(in.Addr()) {
			in.set.Log.Warn().Str("listen", in.Addr()).Msg("meters are not authenticated: no tls.client_ca_file is set, and the address is not loopback")
		}
	case in.tls.Certificates[0].Leaf.NotAfter.Before(in.set.Now().AddDate(0, 0, 30)):
		in.set.Log.Warn().Time("expires", in.tls.Certificates[0].Leaf.NotAfter).Msg("the inlet's certificate expires within 30 days or has expired")
	}
}

// greeted makes s the one conversation with its meter. An older one is over: its
// meter would not begin anew if it still held it. What the older one has in hand
// is answered all the same.
func (in *Inlet) greeted(s *session, serial string) {
	in.mu.Lock()
	old := in.sessions[serial]
	if s.serial != "" && s.serial != serial && in.sessions[s.serial] == s {
		delete(in.sessions, s.serial)
	}
	s.serial = serial
	if serial == "" {
		in.mu.Unlock()
		return
	}
	in.sessions[serial] = s
	in.mu.Unlock()
	if old == nil || old == s {
		return
	}
	old.Drain()
	if old.host != s.host {
		in.notices.Record(s.peer, "the meter connected from another address while a connection under its serial number was open; the older one was ended", nil)
	}
}

func (in *Inlet) left(s *session) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.sessions[s.serial] == s {
		delete(in.sessions, s.serial)
	}
}
