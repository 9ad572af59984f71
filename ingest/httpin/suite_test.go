package httpin_test

import (
	"bytes"
	"context"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/httpin"
	"tidegate/ingest/sourcetest"
)

const token = "a-long-enough-word-for-a-token"

type sender struct {
	url    string
	client *http.Client
	stop   func()
}

func begin(t *testing.T, box ingest.Inbox) *sender {
	t.Helper()
	file := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(file, []byte(token+"\n"), 0o600))
	in, err := httpin.New(httpin.Config{Listen: "127.0.0.1:0", TokenFile: file, MaxBody: 64 << 10},
		httpin.Settings{ID: "push", Inbox: box, Log: zerolog.Nop()})
	require.NoError(t, err)
	require.NoError(t, in.Listen())
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx) }()
	client := &http.Client{Transport: &http.Transport{}}
	return &sender{url: "http://" + in.Addr() + "/messages", client: client, stop: sync.OnceFunc(func() {
		cancel()
		client.CloseIdleConnections()
		require.NoError(t, <-ended)
		client.CloseIdleConnections()
	})}
}

func (s *sender) Stop() { s.stop() }

func (s *sender) Send(ctx context.Context, raw []byte) sourcetest.Answer {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, s.url, bytes.NewReader(raw))
	if err != nil {
		return sourcetest.None
	}
	req.Header.Set("Authorization", "Bearer "+token)
	res, err := s.client.Do(req)
	if err != nil {
		return sourcetest.None
	}
	defer res.Body.Close()
	if res.StatusCode == http.StatusAccepted {
		return sourcetest.Positive
	}
	return sourcetest.Negative
}

func TestConformance(t *testing.T) {
	sourcetest.Run(t, sourcetest.Harness{
		Largest: 64 << 10,
		Start:   func(t *testing.T, box ingest.Inbox) sourcetest.Sender { return begin(t, box) },
	})
}

func TestAnswers(t *testing.T) {
	box := sourcetest.NewInbox()
	s := begin(t, box)
	defer s.Stop()
	for _, c := range []struct {
		name, method, path, auth, kind string
		body                           []byte
		want                           int
	}{
		{name: "no token", method: "POST", path: "/messages", body: sourcetest.Message(1), want: 401},
		{name: "wrong token", method: "POST", path: "/messages", auth: "Bearer nearly", body: sourcetest.Message(1), want: 401},
		{name: "token without its scheme", method: "POST", path: "/messages", auth: token, body: sourcetest.Message(1), want: 401},
		{name: "another method", method: "GET", path: "/messages", auth: "Bearer " + token, want: 405},
		{name: "another path", method: "POST", path: "/elsewhere", auth: "Bearer " + token, want: 404},
		{name: "too large", method: "POST", path: "/messages", auth: "Bearer " + token, body: make([]byte, 65<<10), want: 413},
		{name: "a picture", method: "POST", path: "/messages", auth: "Bearer " + token, kind: "image/png", body: []byte("x"), want: 415},
		{name: "nothing", method: "POST", path: "/messages", auth: "Bearer " + token, want: 400},
		{name: "a message", method: "POST", path: "/messages", auth: "Bearer " + token, kind: "x-application/hl7-v2+er7", body: sourcetest.Message(1), want: 202},
	} {
		t.Run(c.name, func(t *testing.T) {
			req, err := http.NewRequestWithContext(t.Context(), c.method, s.url[:len(s.url)-len("/messages")]+c.path, bytes.NewReader(c.body))
			require.NoError(t, err)
			if c.auth != "" {
				req.Header.Set("Authorization", c.auth)
			}
			if c.kind != "" {
				req.Header.Set("Content-Type", c.kind)
			}
			res, err := s.client.Do(req)
			require.NoError(t, err)
			defer res.Body.Close()
			require.Equal(t, c.want, res.StatusCode)
			if c.want != 202 && c.want != 404 {
				require.Equal(t, "application/problem+json", res.Header.Get("Content-Type"))
			}
		})
	}
	require.Len(t, box.Stored(), 1, "only the last one was a message")
}

func TestTokenFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(file, []byte(token), 0o644)) //nolint:gosec // the very fault under test
	_, err := httpin.New(httpin.Config{Listen: "127.0.0.1:0", TokenFile: file}, httpin.Settings{ID: "push", Inbox: sourcetest.NewInbox()})
	require.ErrorContains(t, err, "chmod 600")
}

func TestOffLoopbackNeedsTLS(t *testing.T) {
	faults := httpin.Config{Listen: "0.0.0.0:8461", TokenFile: "x"}.Validate()
	require.Len(t, faults, 1)
	require.Equal(t, "tls", faults[0].Key)
}
