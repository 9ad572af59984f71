// Package httpin takes one message, or one HL7 batch, in the body of a POST.
//
// It promises: 202 only after the store's commit, with the arrival's id; the
// same bytes again get the same id and "resent". Whoever cannot show the token
// is answered 401 before the body is read. A store that cannot take it is 503
// with Retry-After, and the sender keeps it. Answers never quote the message.
package httpin

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/ingest"
	"tidegate/poct"
)

// Settings are what the daemon gives an inlet.
type Settings struct {
	ID    string
	Inbox ingest.Inbox
	Log   zerolog.Logger
	Now   func() time.Time
}

// Inlet is one HTTP endpoint.
type Inlet struct {
	cfg   Config
	s     Settings
	token [sha256.Size]byte
	tls   *tls.Config

	mu sync.Mutex
	ln net.Listener
}

// New checks the settings, reads the token and the certificate, and starts nothing.
func New(cfg Config, s Settings) (*Inlet, error) {
	cfg = cfg.WithDefaults()
	if faults := cfg.Validate(); len(faults) > 0 {
		return nil, fmt.Errorf("%s %s; %s", faults[0].Key, faults[0].What, faults[0].Instead)
	}
	if s.Inbox == nil {
		return nil, errors.New("httpin: an inlet needs an inbox")
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	i := &Inlet{cfg: cfg, s: s}
	token, err := readToken(cfg.TokenFile)
	if err != nil {
		return nil, err
	}
	// Digests of equal length, compared in constant time: neither the token's
	// length nor where a guess is wrong can be measured.
	i.token = sha256.Sum256([]byte(token))
	if cfg.TLS.CertFile != "" {
		cert, err := tls.LoadX509KeyPair(cfg.TLS.CertFile, cfg.TLS.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("read the certificate: %w", err)
		}
		i.tls = &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}
	}
	return i, nil
}

func readToken(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", fmt.Errorf("token_file: %w", err)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return "", fmt.Errorf("token_file %s can be read by others; run chmod 600 on it", path)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("token_file: %w", err)
	}
	token := strings.TrimSpace(string(b))
	if len(token) < 16 {
		return "", fmt.Errorf("token_file %s holds fewer than 16 characters; write a long random word into it", path)
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
		return fmt.Errorf("listen: %w", err)
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

// drain bounds how long requests under way may take at the end.
const drain = 10 * time.Second

// Run serves until ctx ends; requests under way are answered first.
func (i *Inlet) Run(ctx context.Context) error {
	if err := i.Listen(); err != nil {
		return err
	}
	mux := http.NewServeMux()
	mux.HandleFunc(i.cfg.Path, i.post)
	srv := &http.Server{
		Handler: mux, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 60 * time.Second,
		WriteTimeout: 90 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
	}
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(i.ln) }()
	select {
	case err := <-ended:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), drain)
	defer cancel()
	if srv.Shutdown(bounded) != nil {
		_ = srv.Close() // cut what is still open: it was not answered, so it comes again
	}
	<-ended
	return nil
}

// answer is what a sender is told about one message.
type answer struct {
	Arrival string `json:"arrival"`
	Resent  bool   `json:"resent"`
}

func (i *Inlet) post(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	switch {
	case r.URL.Path != i.cfg.Path:
		refuse(w, http.StatusNotFound, "Nothing is at this address.")
		return
	case !i.known(r):
		w.Header().Set("WWW-Authenticate", `Bearer realm="tidegate"`)
		refuse(w, http.StatusUnauthorized, "Send the header Authorization: Bearer, followed by the inlet's token.")
		return
	case r.Method != http.MethodPost:
		w.Header().Set("Allow", http.MethodPost)
		refuse(w, http.StatusMethodNotAllowed, "Send one message as the body of a POST.")
		return
	}
	format, ok := formatOf(r.Header.Get("Content-Type"))
	if !ok {
		refuse(w, http.StatusUnsupportedMediaType, "Send x-application/hl7-v2+er7, text/csv, or no Content-Type.")
		return
	}
	raw, err := io.ReadAll(http.MaxBytesReader(w, r.Body, i.cfg.MaxBody))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		refuse(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("A message may have %d bytes here.", i.cfg.MaxBody))
		return
	case err != nil:
		return // the sender hung up half way: nothing was taken
	case len(raw) == 0:
		refuse(w, http.StatusBadRequest, "The body is empty.")
		return
	}
	i.take(w, r, format, raw)
}

// take stores every part before it answers.
func (i *Inlet) take(w http.ResponseWriter, r *http.Request, format string, raw []byte) {
	whole := poct.Arrival{Inlet: i.s.ID, Source: i.s.ID, Received: i.s.Now(), Peer: r.RemoteAddr, Format: format, Raw: raw}
	parts, warn := ingest.Split(whole)
	// A sender that hangs up now must not undo what is being stored.
	ctx := context.WithoutCancel(r.Context())
	if warn != "" {
		if err := i.s.Inbox.Notice(ctx, poct.Notice{Inlet: i.s.ID, Peer: whole.Peer, At: whole.Received, What: warn}); err != nil {
			i.down(w)
			return
		}
	}
	answers := make([]answer, 0, len(parts))
	for _, p := range parts {
		got, err := i.s.Inbox.Accept(ctx, p)
		if err != nil {
			i.down(w)
			return
		}
		answers = append(answers, answer(got))
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(http.StatusAccepted)
	var out any = answers
	if len(answers) == 1 {
		out = answers[0]
	}
	_ = json.NewEncoder(w).Encode(out) // a lost answer only means that it comes once more
}

func (i *Inlet) down(w http.ResponseWriter) {
	w.Header().Set("Retry-After", "5")
	refuse(w, http.StatusServiceUnavailable, "It cannot be stored just now. Keep it and send it again.")
}

func (i *Inlet) known(r *http.Request) bool {
	token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	digest := sha256.Sum256([]byte(strings.TrimSpace(token)))
	return subtle.ConstantTimeCompare(digest[:], i.token[:]) == 1 && ok
}

// formatOf reads the Content-Type; "" lets the bytes tell.
func formatOf(header string) (format string, ok bool) {
	if header == "" {
		return "", true
	}
	t, _, err := mime.ParseMediaType(header)
	if err != nil {
		return "", false
	}
	switch t {
	case "x-application/hl7-v2+er7", "application/hl7-v2", "application/hl7-v2+er7":
		return "hl7v2", true
	case "text/csv":
		return "csv", true
	case "text/plain", "application/octet-stream", "application/x-www-form-urlencoded":
		return "", true
	}
	return "", false
}

// refuse answers with problem details (RFC 9457).
func refuse(w http.ResponseWriter, status int, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(map[string]any{
		"type": "about:blank", "title": http.StatusText(status), "status": status, "detail": detail,
	})
}
