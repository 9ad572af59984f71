package web

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/poct"
	"tidegate/review"
)

// Reader is what the pages and the API read. Every method is safe for
// concurrent use; not found is poct.ErrNotFound.
type Reader interface {
	Account(ctx context.Context) (poct.Account, error)
	Holds(ctx context.Context, f HoldFilter) ([]poct.HoldRecord, error)
	Hold(ctx context.Context, id string) (poct.HoldRecord, error)
	Arrival(ctx context.Context, id string) (poct.Arrival, poct.State, error)
	Trace(ctx context.Context, id string) (poct.Trace, error)
	// Find returns result or arrival ids, newest first.
	Find(ctx context.Context, q Query) ([]string, error)
	Criticals(ctx context.Context, open bool) ([]poct.Critical, error)
	// LookBacks lists look-backs and recalls without their results: those with
	// a result to be judged, or the others. after is an id; limit 0 is 100.
	LookBacks(ctx context.Context, open bool, after string, limit int) ([]poct.LookBack, error)
	// LookBack is one with a page of its results; after is a result, limit 0 is 100.
	LookBack(ctx context.Context, id, after string, limit int) (poct.LookBack, error)
	// Meters lists the registered meters by serial.
	Meters(ctx context.Context) ([]poct.Meter, error)
	// Events returns at most n events from an index on; fewer at the end.
	Events(ctx context.Context, from int64, n int) ([]poct.Event, error)
	// Size is the number of events in the ledger.
	Size(ctx context.Context) (int64, error)
	Book() poct.Book
}

// HoldFilter chooses rows of the queue, oldest first.
type HoldFilter struct {
	Settled bool   // settled holds instead of open ones
	Result  string // of this result alone
	After   string // the id of the last hold of the page before
	Limit   int    // 0: all
}

// Query is what somebody searches for: Text is any id but a patient's, or the
// patient's number, alone or together with the birth date.
type Query struct {
	Text      string
	Patient   string
	BirthDate string // YYYY-MM-DD
}

// Desk is where acts and looks go; *review.Desk is one.
type Desk interface {
	Settle(ctx context.Context, actor poct.Actor, hold string, st poct.Settlement) (poct.HoldRecord, error)
	Acts(ctx context.Context, actor poct.Actor, h poct.HoldRecord) ([]review.Offer, error)
	Mine(actor poct.Actor, h poct.HoldRecord) bool
	Preview(ctx context.Context, actor poct.Actor, book poct.Book, h poct.HoldRecord, a poct.Arrival) (poct.Decision, error)
	Call(ctx context.Context, actor poct.Actor, c poct.CallTry) error
	JudgeItem(ctx context.Context, actor poct.Actor, lookback string, j poct.Judgement, carry bool) error
	WidenLookBack(ctx context.Context, actor poct.Actor, id string, from time.Time, reason string) error
	Withdraw(ctx context.Context, actor poct.Actor, result string, version int, reason string) error
	Look(ctx context.Context, actor poct.Actor, ids, fields []string) error
}

var _ Desk = (*review.Desk)(nil)

// Person is one who may sign in, by a token.
type Person struct {
	Token string // never shown or logged
	Actor poct.Actor
}

// CheckInfo is a row of the table of checks.
type CheckInfo struct {
	Number string `json:"number"` // "1" ... "46", "16a"; of a laboratory's own rule its name
	Code   string `json:"code"`
	Title  string `json:"title"`
	Asks   string `json:"asks,omitempty"`  // what it asks, as a clause
	Acts   string `json:"acts"`            // what a person may do: letters of "CRD"
	Desk   string `json:"desk,omitempty"`  // role that settles it: reviewer, coordinator or clinician
	Local  bool   `json:"local,omitempty"` // the laboratory's own rule
}

// Proof that an event stands in the ledger, as far as a page shows it.
type Proof struct {
	Index      int64     `json:"index"`
	Leaf       []byte    `json:"leaf"` // the leaf's bytes
	LeafHash   string    `json:"leaf_hash"`
	Size       int64     `json:"size"` // of the signed head
	Root       string    `json:"root"` // hex
	Path       []string  `json:"path"` // hex, leaf side first
	Key        string    `json:"key"`  // name and hash of the signing key
	Checkpoint string    `json:"checkpoint"`
	SignedAt   time.Time `json:"signed_at,omitzero"`
}

// ErrUnsigned: the event is younger than the newest signed head.
var ErrUnsigned = errors.New("not under a signed head yet")

// Refusal is a registry line that was not taken.
type Refusal struct {
	Line   int    `json:"line"`
	Column string `json:"column,omitempty"`
	Reason string `json:"reason"`
}

// ImportReport tells what became of registry rows.
type ImportReport struct {
	Added   int       `json:"added"`
	Changed int       `json:"changed"`
	Refused []Refusal `json:"refused"`
	DryRun  bool      `json:"dry_run,omitempty"`
}

// Wire is the state of one inlet or outlet.
type Wire struct {
	ID    string    `json:"id"`
	Kind  string    `json:"kind"`
	Well  bool      `json:"well"`
	Since time.Time `json:"since,omitzero"`
	Why   string    `json:"why,omitempty"` // what is not well, without patient data
}

// Settings of the server. Reader, Desk, Facts and Now are needed; whatever
// else is nil is answered as not there.
type Settings struct {
	Reader Reader
	Desk   Desk
	People []Person
	Now    func() time.Time
	Log    zerolog.Logger
	Listen string // beyond this machine only with TLS or Behind
	// Access keeps users, sessions and tokens. Without it people sign in by
	// token alone, and sessions end with the process.
	Access Access
	// TLS is nil where the pages are served to this machine or to a proxy.
	TLS *TLSFiles
	// Behind lists the proxies whose X-Forwarded headers are believed.
	Behind []netip.Prefix
	// Provider is nil where nobody signs in through an identity provider.
	Provider *Provider
	Limits   Limits
	Group    string // name of the site group, shown in the band
	Version  string
	Checks   []CheckInfo // with the laboratory's own rules

	// Facts looks a reading up as the checks would; the registry provides it.
	Facts func(book poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error)
	// Coordinator answers about controls, lots, agreement and training.
	Coordinator Coordinator
	// Readiness answers whether a registered meter may be used now.
	Readiness func(ctx context.Context, serial string) (poct.Readiness, error)
	// Listeners gives the bound address of each inlet by its id.
	Listeners func() map[string]string
	// Wiring gives the state of every inlet and outlet.
	Wiring func() []Wire
	// Outlets tells how outlets do, and pauses them.
	Outlets Outlets
	// Inlets tells how messages come in, and tries one out.
	Inlets Inlets
	// Registry reads what is believed.
	Registry Registry
	// Ledger tells how the ledger stands, and verifies it.
	Ledger Ledger
	// Import takes registry rows of one kind; contentType is text/csv or application/json.
	Import func(ctx context.Context, actor string, kind poct.RegistryKind, rows io.Reader, contentType string, dryRun bool) (ImportReport, error)
	// Export writes the auditor's pack of these results.
	Export func(ctx context.Context, actor string, ids []string, w io.Writer) error
	// Checkpoint is the newest signed head, as text.
	Checkpoint func(ctx context.Context) (string, error)
	// Prove proves one event under the newest signed head and has checked it.
	Prove func(ctx context.Context, index int64) (Proof, error)
	// Ready lists why this daemon should get no work now; nothing if it may.
	Ready   func(ctx context.Context) []string
	Metrics http.Handler
}

// Server serves the pages and the API. Make one with New.
type Server struct {
	s        Settings
	handler  http.Handler
	people   []digestedPerson
	sessions *sessions
	causes   causeNames
	queue    queue
	rates    rates
	imports  imports
	verifies verifies
	checks   map[string]CheckInfo // by code
	provider *provider
	cert     *certificate
	byPlace  *requestRates // requests from one address
	byPerson *requestRates

	over   context.Context // done when the server ends: for what goes on beside its requests
	end    context.CancelFunc
	beside sync.WaitGroup

	mu       sync.Mutex
	listener net.Listener
}

// New checks the settings, parses the pages and starts nothing.
func New(s Settings) (*Server, error) {
	if s.Reader == nil || s.Desk == nil || s.Now == nil || s.Facts == nil {
		return nil, errors.New("web: a server needs a reader, a desk, facts and a clock")
	}
	w := &Server{s: s, checks: map[string]CheckInfo{}, byPlace: newRequestRates(s.Limits.Address, s.Now), byPerson: newRequestRates(s.Limits.Person, s.Now)}
	w.over, w.end = context.WithCancel(context.Background())
	if s.Access != nil {
		w.sessions = newSessions(s.Now, s.Access)
	} else {
		w.sessions = newSessions(s.Now, nil)
	}
	for _, c := range s.Checks {
		w.checks[c.Code] = c
	}
	var err error
	if w.people, err = digest(s.People); err != nil {
		return nil, err
	}
	if w.causes, err = newCauseNames(); err != nil {
		return nil, err
	}
	if s.TLS != nil {
		if w.cert, err = newCertificate(*s.TLS, s.Now, s.Log); err != nil {
			return nil, err
		}
	}
	if s.Provider != nil {
		if w.provider, err = newProvider(*s.Provider, s.Now); err != nil {
			return nil, err
		}
	}
	w.handler = w.guard(w.mux())
	return w, nil
}

// Handler serves all routes.
func (w *Server) Handler() http.Handler { return w.handler }

// As serves every request as this person, without a token: for a socket that
// only they can open.
func (w *Server) As(actor poct.Actor) http.Handler {
	return http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		w.handler.ServeHTTP(rw, r.WithContext(context.WithValue(r.Context(), asKey{}, actor)))
	})
}

// Listen binds the address. Beyond this machine it takes TLS, or proxies that
// are named and bring it.
func (w *Server) Listen() error {
	if what := Exposed(w.s.Listen, w.cert != nil, len(w.s.Behind) > 0); what != "" {
		return fmt.Errorf("web.listen %q %s; write web.tls or web.behind, or a loopback address such as 127.0.0.1:8460", w.s.Listen, what)
	}
	l, err := net.Listen("tcp", w.s.Listen)
	if err != nil {
		return fmt.Errorf("web.listen: %w", err)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.listener = l
	return nil
}

// Close gives back what Listen bound, for a server that never ran. Safe twice.
func (w *Server) Close() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.listener == nil {
		return nil
	}
	if err := w.listener.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
		return fmt.Errorf("close pages: %w", err)
	}
	return nil
}

// Loopback tells whether a host names this machine alone.
func Loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}

// Addr is the bound address, "" before Listen.
func (w *Server) Addr() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.listener == nil {
		return ""
	}
	return w.listener.Addr().String()
}

// URL of the pages on this machine; the scheme tells whether they have TLS.
func (w *Server) URL() string {
	if w.cert != nil {
		return "https://" + w.Addr() + "/"
	}
	return "http://" + w.Addr() + "/"
}

// Run serves until ctx ends, then lets open requests finish for at most five
// seconds. It returns nil after a stop that was asked for.
func (w *Server) Run(ctx context.Context) error {
	w.mu.Lock()
	l := w.listener
	w.mu.Unlock()
	if l == nil {
		return errors.New("web: Listen comes before Run")
	}
	srv := &http.Server{
		Handler:           w.handler,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       60 * time.Second,
		WriteTimeout:      120 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
	}
	srv.ErrorLog = log.New(w.s.Log, "", 0) // of connections: addresses, no content
	serve := srv.Serve
	if w.cert != nil {
		srv.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: w.cert.get}
		serve = func(l net.Listener) error { return srv.ServeTLS(l, "", "") }
	}
	stopped := make(chan error, 1)
	go func() { stopped <- serve(l) }()
	select {
	case err := <-stopped:
		return fmt.Errorf("serve pages: %w", err)
	case <-ctx.Done():
	}
	w.end()
	defer w.beside.Wait()
	end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := srv.Shutdown(end); err != nil {
		_ = srv.Close() // what is still open after five seconds is cut
	}
	<-stopped
	return nil
}
