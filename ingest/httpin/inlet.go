package httpin

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"errors"
	"fmt"
	"log"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/ingest"
)

// Settings are what the daemon gives an inlet.
type Settings struct {
	ID    string
	Inbox ingest.Inbox
	Log   zerolog.Logger
	Now   func() time.Time // when an arrival came; deadlines go by the machine's clock
}

// Limits of a connection. A body of the largest size allowed by default comes
// in time over 150 kbit/s.
const (
	headerTime = 10 * time.Second
	readTime   = 60 * time.Second
	writeTime  = readTime + 30*time.Second // counted from the end of the header
	idleTime   = 2 * time.Minute
	maxHeader  = 16 << 10
	// grace is how long requests under way may take once the inlet is told to
	// stop.
	grace = 5 * time.Second
)

// Inlet is one HTTP endpoint.
type Inlet struct {
	cfg   Config
	s     Settings
	token [sha256.Size]byte
	tls   *tls.Config

	refused ingest.Trouble // with the store

	mu sync.Mutex
	ln net.Listener
}

// New checks the settings, reads the token and the certificate, and starts
// nothing.
func New(cfg Config, s Settings) (*Inlet, error) {
	if faults := cfg.Validate(); len(faults) > 0 {
		return nil, fmt.Errorf("inlet %s: %s %s; %s", s.ID, faults[0].Key, faults[0].What, faults[0].Instead)
	}
	if s.Inbox == nil {
		return nil, fmt.Errorf("inlet %s: no inbox", s.ID)
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	i := &Inlet{cfg: cfg.WithDefaults(), s: s, refused: ingest.Trouble{
		Log: s.Log, Begins: "messages cannot be stored; their senders are to send them again", Ends: "messages are stored again",
	}}
	token, err := readToken(cfg.TokenFile)
	if err != nil {
		return nil, fmt.Errorf("inlet %s: token_file: %w", s.ID, err)
	}
	if len(token) < shortToken {
		s.Log.Warn().Msgf("the token has fewer than %d characters and may be guessed; write a long random word into its file", shortToken)
	}
	// Digests of equal length are compared in constant time: neither the
	// token's length nor where a guess is wrong can be measured.
	i.token = sha256.Sum256([]byte(token))
	if cfg.TLS.CertFile != "" {
		cert, err := tls.LoadX509KeyPair(cfg.TLS.CertFile, cfg.TLS.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("inlet %s: read the certificate: %w", s.ID, err)
		}
		i.tls = &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}
	}
	return i, nil
}

// shortToken is the number of characters below which a token is warned of.
const shortToken = 16

func readToken(path string) (string, error) {
	info, err := os.Stat(path) // before opening: a named pipe would wait for a writer
	switch {
	case err != nil:
		return "", err
	case !info.Mode().IsRegular():
		return "", fmt.Errorf("%s is not a file", path)
	case info.Mode().Perm()&0o077 != 0:
		return "", fmt.Errorf("%s can be read by others; run chmod 600 on it", path)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	token := strings.TrimSpace(string(b))
	if token == "" {
		return "", fmt.Errorf("%s is empty; write a long random word into it", path)
	}
	return token, nil
}

// Listen binds the address.
func (i *Inlet) Listen() error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.ln != nil {
		return nil
	}
	ln, err := net.Listen("tcp", i.cfg.Listen)
	if err != nil {
		return fmt.Errorf("inlet %s: %w", i.s.ID, err)
	}
	if i.tls != nil {
		ln = tls.NewListener(ln, i.tls)
	}
	i.ln = ln
	return nil
}

// Addr is the bound address, "" before Listen.
func (i *Inlet) Addr() string {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.ln == nil {
		return ""
	}
	return i.ln.Addr().String()
}

// Close gives up an address that was bound and never served.
func (i *Inlet) Close() error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.ln != nil {
		_ = i.ln.Close() // closed already after a run
	}
	return nil
}

// Run serves until ctx ends; requests under way are answered first, within a
// bounded time.
func (i *Inlet) Run(ctx context.Context) error {
	if err := i.Listen(); err != nil {
		return err
	}
	work, done := ingest.Outlive(ctx, grace)
	defer done()
	var open sync.RWMutex // held for reading by each request under way
	srv := &http.Server{
		Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			open.RLock()
			defer open.RUnlock()
			// A mistake of ours ends the connection without an answer, so that
			// the message comes again. The server would log what it was, and
			// that may be a piece of the message.
			if ingest.Guard(i.s.Log, func() error { i.serve(work, w, r); return nil }) != nil {
				panic(http.ErrAbortHandler)
			}
		}),
		ReadHeaderTimeout: headerTime, ReadTimeout: readTime, WriteTimeout: writeTime, IdleTimeout: idleTime, MaxHeaderBytes: maxHeader,
		ErrorLog: log.New(debugLog{i.s.Log}, "", 0),
	}
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(i.ln) }()
	select {
	case err := <-ended:
		_ = srv.Close() // what is open was not answered, so it comes again
		done()
		open.Lock()
		return fmt.Errorf("inlet %s: serve: %w", i.s.ID, err)
	case <-ctx.Done():
	}
	bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace+2*time.Second)
	defer cancel()
	if err := srv.Shutdown(bounded); err != nil && !errors.Is(err, http.ErrServerClosed) {
		_ = srv.Close() // what is still open was not answered, so it comes again
	}
	<-ended
	open.Lock() // waits for the last of them
	return nil
}

// debugLog takes what the HTTP server says of connections that fail.
type debugLog struct{ log zerolog.Logger }

func (d debugLog) Write(p []byte) (int, error) {
	d.log.Debug().Msg(strings.TrimSpace(string(p)))
	return len(p), nil
}
