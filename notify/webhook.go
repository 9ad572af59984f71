package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"sync"
	"syscall"
	"time"
)

// webhook posts notices to one address.
type webhook struct {
	cfg    Config
	secret func(path string) (string, error)
	client *http.Client
	now    func() time.Time

	mu    sync.Mutex
	token string
}

func newWebhook(c Config, s Settings) (*webhook, error) {
	w := &webhook{cfg: c, secret: s.Secret, client: s.HTTP, now: s.Now}
	if w.client == nil {
		w.client = &http.Client{Transport: transport()}
	}
	own := *w.client // a client given by a test keeps its own settings
	own.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	w.client = &own
	_, err := w.signIn()
	return w, err
}

// transport goes where the configuration says and nowhere else: no proxy from
// the environment, and no name that leads to an address of no single host.
func transport() *http.Transport {
	dialer := &net.Dialer{Timeout: 5 * time.Second, Control: func(_, address string, _ syscall.RawConn) error {
		if at, err := netip.ParseAddrPort(address); err == nil && nowhere(at.Addr()) {
			return errors.New("the name leads to an address of no single host")
		}
		return nil
	}}
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.Proxy, t.DialContext = nil, dialer.DialContext
	t.MaxIdleConnsPerHost, t.MaxConnsPerHost, t.MaxResponseHeaderBytes = 1, 2, 64<<10
	return t
}

// signIn reads the token's file and tells whether it changed.
func (w *webhook) signIn() (changed bool, err error) {
	if w.cfg.TokenFile == "" {
		return false, nil
	}
	token, err := w.secret(w.cfg.TokenFile)
	if err != nil {
		return false, fmt.Errorf("token_file: %w", err)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	changed = token != w.token
	w.token = token
	return changed, nil
}

// send posts once, and once more with a token that was changed meanwhile.
func (w *webhook) send(ctx context.Context, id string, body []byte) error {
	err := w.post(ctx, id, body)
	if classOf(err) != Denied {
		return err
	}
	if changed, readErr := w.signIn(); readErr != nil || !changed {
		return err // the old token is as good as the file that cannot be read
	}
	return w.post(ctx, id, body)
}

func (w *webhook) post(ctx context.Context, id string, body []byte) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.cfg.URL, bytes.NewReader(body))
	if err != nil {
		return &failure{class: Misplaced, text: "the address cannot be used"}
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "tidegate")
	// A structured header string, as draft-ietf-httpapi-idempotency-key-header
	// has it; ids are UUIDs and need no escape.
	req.Header.Set("Idempotency-Key", strconv.Quote(id))
	w.mu.Lock()
	if w.token != "" {
		req.Header.Set("Authorization", "Bearer "+w.token)
	}
	w.mu.Unlock()
	res, err := w.client.Do(req)
	if err != nil {
		return &failure{class: Unreachable, text: withoutAddress(err).Error()}
	}
	_, _ = io.CopyN(io.Discard, res.Body, 64<<10) // so that the connection can be used again
	_ = res.Body.Close()
	return judge(res, w.now())
}

// withoutAddress takes the address off: webhook addresses are often secrets.
func withoutAddress(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

// judge tells what a status means for the notification (RFC 9110 15, RFC 6585
// 4 for 429, RFC 8470 5.2 for 425).
func judge(res *http.Response, now time.Time) error {
	f := &failure{text: "status " + strconv.Itoa(res.StatusCode), pause: retryAfter(res.Header.Get("Retry-After"), now)}
	switch code := res.StatusCode; {
	case code >= 200 && code < 300:
		return nil
	case code == http.StatusTooManyRequests || code == http.StatusServiceUnavailable:
		f.class = Throttled
	case code == http.StatusUnauthorized || code == http.StatusForbidden || code == http.StatusProxyAuthRequired:
		f.class = Denied
	case code >= 500 || code == http.StatusRequestTimeout || code == http.StatusTooEarly:
		f.class = Failing
	case code < 400 || code == http.StatusNotFound || code == http.StatusMethodNotAllowed || code == http.StatusGone || code == http.StatusMisdirectedRequest:
		f.class = Misplaced // redirects too: hosts come from the configuration
	default:
		f.class = Refused
	}
	return f
}

// retryAfter reads seconds or a date (RFC 9110 10.2.3); 0 if it is neither.
func retryAfter(text string, now time.Time) time.Duration {
	if n, err := strconv.ParseUint(text, 10, 31); err == nil {
		return time.Duration(n) * time.Second
	}
	if at, err := http.ParseTime(text); err == nil {
		return max(at.Sub(now), 0)
	}
	return 0
}

func (w *webhook) close() { w.client.CloseIdleConnections() }
