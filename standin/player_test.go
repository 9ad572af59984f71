package standin

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"
)

// taker is a gateway that takes everything and remembers it; it is as simple
// as the framing rules of MLLP (HL7 implementation guide, appendix C.4) allow.
type taker struct {
	mu    sync.Mutex
	taken map[string]int // bytes -> how often
	busy  int            // so many negative answers first
}

func (k *taker) take(b []byte) (busy bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.busy > 0 {
		k.busy--
		return true
	}
	k.taken[string(b)]++
	return false
}

func (k *taker) mllp(t *testing.T) string {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = ln.Close() })
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			go k.session(c)
		}
	}()
	return ln.Addr().String()
}

func (k *taker) session(c net.Conn) {
	defer c.Close()
	r := bufio.NewReader(c)
	for {
		frame, err := r.ReadBytes(0x1c)
		if err != nil {
			return
		}
		if _, err := r.ReadByte(); err != nil {
			return
		}
		b := bytes.TrimPrefix(bytes.TrimSuffix(frame, []byte{0x1c}), []byte{0x0b})
		code := "AA"
		if strings.Contains(string(b), "|AL|NE") {
			code = "CA"
		}
		if !bytes.HasPrefix(b, []byte("MSH")) {
			code = "AR"
		}
		if k.take(b) {
			code = "AE"
		}
		fmt.Fprintf(c, "\x0bMSH|^~\\&|T|T|M|M|20260101||ACK|1|P|2.5.1\rMSA|%s|1\r\x1c\x0d", code)
	}
}

// lis takes frames as LIS01 has them: ENQ, frames that each begin with STX and
// end with LF, EOT. It keeps the texts, from H to L.
func (k *taker) lis(t *testing.T) string {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = ln.Close() })
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			go k.link(c)
		}
	}()
	return ln.Addr().String()
}

func (k *taker) link(c net.Conn) {
	defer c.Close()
	r := bufio.NewReader(c)
	var message []byte
	for {
		control, err := r.ReadByte()
		if err != nil {
			return
		}
		switch control {
		case 0x05: // ENQ
			message = nil
		case 0x02: // STX
			frame, err := r.ReadBytes('\n')
			if err != nil {
				return
			}
			message = append(message, frame[1:len(frame)-5]...) // number, text, ETX, two digits, CR, LF
			if bytes.HasSuffix(message, []byte("L|1|N\r")) && k.take(message) {
				message = message[:len(message)-len("L|1|N\r")]
				_, _ = c.Write([]byte{0x15}) // NAK
				continue
			}
		default: // EOT
			continue
		}
		if _, err := c.Write([]byte{0x06}); err != nil { // ACK
			return
		}
	}
}

func (k *taker) http(t *testing.T) string {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, err := io.ReadAll(r.Body)
		if err != nil || r.Header.Get("Authorization") != "Bearer word" {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		if k.take(b) {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		w.WriteHeader(http.StatusAccepted)
	}))
	t.Cleanup(s.Close)
	return s.URL
}

func (k *taker) folder(ctx context.Context, t *testing.T) (dir string, done chan struct{}) {
	dir, done = t.TempDir(), make(chan struct{})
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			files, _ := filepath.Glob(filepath.Join(dir, "*-*"))
			for _, f := range files {
				if b, err := os.ReadFile(f); err == nil && !strings.HasSuffix(f, ".tmp") {
					for k.take(b) { // a folder gives no answers: it only stays full
					}
					_ = os.Remove(f)
				}
			}
		}
	}()
	return dir, done
}

func queue(t *testing.T) (string, jetstream.Stream) {
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoLog: true, NoSigs: true})
	require.NoError(t, err)
	go s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	require.True(t, s.ReadyForConnections(10*time.Second))
	c, err := nats.Connect(s.ClientURL())
	require.NoError(t, err)
	t.Cleanup(c.Close)
	js, err := jetstream.New(c)
	require.NoError(t, err)
	stream, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "RESULTS", Subjects: []string{"results.>"}})
	require.NoError(t, err)
	return s.ClientURL(), stream
}

// Every message of the script reaches its inlet, as often as the script says,
// also where the first answers are negative; nobody is told anything that the
// script does not expect.
func TestPlayReachesEveryInlet(t *testing.T) {
	day, err := NewDay(3, time.Now())
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	k := &taker{taken: map[string]int{}, busy: 3}
	url, stream := queue(t)
	dir, done := k.folder(ctx, t)
	last := 0
	to := Targets{MLLP: k.mllp(t), HTTP: k.http(t), HTTPToken: "word", NATS: url, Drop: dir, LIS: k.lis(t)}
	told, err := day.Play(ctx, to, func(n, total int, _ Item, _ string) {
		last = n
		require.LessOrEqual(t, n, total)
	})
	require.NoError(t, err)
	for { // the last files
		if left, _ := filepath.Glob(filepath.Join(dir, "*")); len(left) == 0 {
			break
		}
		require.NoError(t, ctx.Err())
	}
	cancel()
	<-done
	info, err := stream.Info(t.Context())
	require.NoError(t, err)
	sent, queued, want := 0, 0, map[string]map[string]int{}
	for _, it := range day.Items {
		if !to.reach(it.Way) { // POCT1-A is a conversation, which a taker this simple cannot hold
			require.Equal(t, POCT1A, it.Way)
			continue
		}
		sent += it.Times
		if it.Way == Queue {
			queued += it.Times
		}
		if want[it.Meter] == nil {
			want[it.Meter] = map[string]int{}
		}
		want[it.Meter][it.Want.Answer] += it.Times
	}
	require.Equal(t, sent, last)
	require.EqualValues(t, queued, info.State.Msgs)
	got := 0
	for b, n := range k.taken {
		for _, place := range []string{sentAt, sentLocal, sentZoned} {
			require.NotContains(t, b, place)
		}
		got += n
	}
	require.Equal(t, sent-queued, got)
	refused := 0
	for _, answers := range told {
		for _, no := range again {
			refused += answers[no]
			delete(answers, no)
		}
	}
	require.LessOrEqual(t, refused, 3)
	require.Equal(t, want, map[string]map[string]int(told))
}

func TestSetupIsPrivate(t *testing.T) {
	day, err := NewDay(1, aDay)
	require.NoError(t, err)
	dir := t.TempDir()
	s, err := day.WriteSetup(dir, Ports{Web: "127.0.0.1:0", MLLP: "127.0.0.1:0", HTTP: "127.0.0.1:0", Record: "http://127.0.0.1:1/fhir"})
	require.NoError(t, err)
	b, err := os.ReadFile(s.Config)
	require.NoError(t, err)
	for who, word := range s.Tokens {
		require.NotContains(t, string(b), word)
		require.Contains(t, string(b), who)
	}
	require.NotContains(t, string(b), "<no value>")
	err = filepath.Walk(dir, func(path string, info os.FileInfo, err error) error {
		if err == nil && !info.IsDir() {
			require.Zero(t, info.Mode().Perm()&0o077, path)
		}
		return err
	})
	require.NoError(t, err)
}
