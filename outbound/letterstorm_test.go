package outbound

import (
	"crypto/tls"
	"crypto/x509"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/outbound/outlettest"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

// Results with corrections and withdrawals through a line on which a fifth of
// all messages fails and some answers are lost, with outages between: what stands at last is
// the last version of each, none lost and none twice.
func TestHL7v2Storm(t *testing.T) {
	for _, inFlight := range []int{1, 8} {
		inBubble(t, func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(7, uint64(inFlight)))
			l := newLab(t)
			luck := func() int {
				l.mu.Lock()
				defer l.mu.Unlock()
				return rnd.IntN(10)
			}
			l.answer = func(h hl7.Header, say func(string)) {
				switch luck() {
				case 0: // neither taken nor answered
				case 1:
					say(ackOf(h, "AE", "207"))
				default:
					say(ackOf(h, "AA"))
				}
			}
			store := outlettest.NewStore(time.Now)
			cfg, s := l.config(), l.settings(store, "one")
			cfg.InFlight = inFlight
			to, err := cfg.HL7v2.open(cfg, s)
			require.NoError(t, err)
			to.(*hl7Receiver).lines.dial = l.dial
			w := l.worker(cfg, s, to)
			const results = 60
			for n := range results {
				store.Add(outletID, l.Result(n, 1), poct.Create)
				store.Add(outletID, l.Result(n, 2), poct.Correct)
				if n%3 == 0 {
					store.Add(outletID, l.Result(n, 3), poct.Withdraw)
				}
			}
			for i := range 12 {
				l.Break([]outlettest.Break{outlettest.LoseAnswer, outlettest.LoseRequest}[i%2])
				if i%4 == 3 {
					l.Break(outlettest.Down)
				}
				(&bench{t: t, store: store}).run(w, 3*time.Minute)
				l.Mend()
			}
			(&bench{t: t, store: store}).run(w, 48*time.Hour)
			require.Zero(t, store.Open())
			for n := range results {
				want := []int{2}
				if n%3 == 0 {
					want = nil
				}
				require.Equal(t, want, l.Holds(n), "result %d", n)
			}
			l.mu.Lock()
			defer l.mu.Unlock()
			require.Greater(t, l.met, len(l.names), "some came more than once")
		})
	}
}

// A receiver behind TLS that demands a certificate gets ours; one whose own
// nobody we believe vouches for gets nothing.
func TestHL7v2OverTLS(t *testing.T) {
	ours, theirs := newAuthority(t), newAuthority(t)
	ours.issue(t, "client", false)
	ours.issue(t, "server", false)
	pair, err := tls.LoadX509KeyPair(ours.path("server.pem"), ours.path("server.key"))
	require.NoError(t, err)
	pool := x509.NewCertPool()
	pool.AddCert(ours.cert)
	ln, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool, MinVersion: tls.VersionTLS12})
	require.NoError(t, err)
	l := newLab(t)
	serving := make(chan struct{})
	go func() {
		defer close(serving)
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			l.serve(c)
		}
	}()
	t.Cleanup(func() { _ = ln.Close(); <-serving })
	send := func(files TLS) Class {
		cfg := Config{ID: outletID, Kind: "hl7v2", Sites: []string{"*"}, Timeout: 10 * time.Second, HL7v2: HL7v2{Address: ln.Addr().String(), TLS: &files}}.WithDefaults()
		require.Empty(t, cfg.Validate())
		to, err := cfg.HL7v2.open(cfg, Settings{})
		require.NoError(t, err)
		defer func() { require.NoError(t, to.(*hl7Receiver).Close()) }()
		return to.Send(t.Context(), prepared(t, to, 1)).Class
	}
	good := TLS{CAFile: ours.path("ca.pem"), CertFile: ours.path("client.pem"), KeyFile: ours.path("client.key")}
	require.Equal(t, Done, send(good))
	require.Len(t, l.names, 1)
	require.Equal(t, NotSent, send(TLS{CAFile: theirs.path("ca.pem"), CertFile: good.CertFile, KeyFile: good.KeyFile}), "not whom we believe")
	require.Equal(t, Unknown, send(TLS{CAFile: good.CAFile}), "refused after the first bytes left")
	good.ServerName = "lab.example"
	require.Equal(t, NotSent, send(good), "another name than its certificate says")
	require.Len(t, l.names, 1)
}
