package httpin_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/httpin"
	"tidegate/ingest/sourcetest"
	"tidegate/testkit/durable"
)

const (
	token   = "a-long-enough-word-for-a-token"
	largest = 64 << 10
)

func tokenFile(t *testing.T) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(file, []byte(token+"\n"), 0o600))
	return file
}

// push is HTTP as a program uses it.
type push struct{ client *http.Client }

func (push) New(t *testing.T, box ingest.Inbox, log io.Writer) sourcetest.Inlet {
	in, err := httpin.New(httpin.Config{Listen: "127.0.0.1:0", TokenFile: tokenFile(t), MaxBody: largest},
		httpin.Settings{ID: "inlet", Inbox: box, Log: zerolog.New(log)})
	require.NoError(t, err)
	return in
}

func (p push) Close() { p.client.CloseIdleConnections() }

func (p push) Send(ctx context.Context, in sourcetest.Inlet, raw []byte) sourcetest.Answer {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+in.Addr()+"/messages", bytes.NewReader(raw))
	if err != nil {
		return sourcetest.None
	}
	req.Header.Set("Authorization", "Bearer "+token)
	res, err := p.client.Do(req)
	if err != nil {
		return sourcetest.None
	}
	defer res.Body.Close() //nolint:errcheck // only read
	_, _ = io.Copy(io.Discard, res.Body)
	switch res.StatusCode / 100 {
	case 2:
		return sourcetest.Positive
	case 4, 5:
		return sourcetest.Negative
	}
	return sourcetest.None
}

func (push) Half(ctx context.Context, in sourcetest.Inlet, raw []byte) (hangUp func()) {
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", in.Addr())
	if err != nil {
		return func() {}
	}
	_, _ = fmt.Fprintf(c, "POST /messages HTTP/1.1\r\nHost: tidegate\r\nAuthorization: Bearer %s\r\nContent-Length: %d\r\n\r\n%s",
		token, len(raw), raw[:len(raw)/2]) // nothing is expected of it
	return func() { _ = c.Close() }
}

func TestConformance(t *testing.T) {
	h := sourcetest.Harness{
		Way:     func(*testing.T) sourcetest.Way { return push{&http.Client{Transport: &http.Transport{}}} },
		Largest: largest,
	}
	t.Run("memory", func(t *testing.T) { sourcetest.Run(t, h) })
	h.Keep = func(t *testing.T) sourcetest.Keeper { return durable.Open(t) }
	t.Run("store", func(t *testing.T) { sourcetest.Run(t, h) })
}
