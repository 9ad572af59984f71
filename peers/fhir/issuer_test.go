//go:build peers

package fhir

import (
	"bufio"
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/outbound"
	"tidegate/outbound/outlettest"
	"tidegate/poct"
	"tidegate/standin"
)

const (
	client  = "tidegate-millrace"
	authSys = "https://millrace.example/mrn"
	scope   = "system/Observation.crus system/DiagnosticReport.crus system/Patient.rs"
)

// issuer is the running token endpoint and what it gave.
type issuer struct {
	url string
	mu  sync.Mutex
	got *sync.Cond
	all []string
}

// issue starts the token endpoint for a client with these public keys.
func issue(t *testing.T, keys ...jose.JSONWebKey) *issuer {
	t.Helper()
	if _, err := os.Stat("node_modules/oidc-provider"); err != nil {
		t.Fatal("the token endpoint is not installed: run ./test.sh in the root once, or npm ci here")
	}
	file := filepath.Join(t.TempDir(), "wanted.json")
	wanted, err := json.Marshal(map[string]any{"client_id": client, "keys": keys, "life": 60, "scopes": strings.Fields(scope)})
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file, wanted, 0o600))
	cmd := exec.CommandContext(t.Context(), "node", "issuer.mjs", file)
	_, err = cmd.StdinPipe() // it ends with us
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	i := &issuer{}
	i.got = sync.NewCond(&i.mu)
	lines := bufio.NewScanner(out)
	next := func() (line struct {
		URL   string `json:"token_url"`
		Token string `json:"token"`
	}) {
		for lines.Scan() {
			if json.Unmarshal(lines.Bytes(), &line) == nil && line.URL+line.Token != "" {
				return line
			}
		}
		return line
	}
	i.url = next().URL
	require.NotEmpty(t, i.url)
	go func() {
		for {
			line := next()
			i.mu.Lock()
			i.all = append(i.all, line.Token) // "" at its end lets nobody wait for ever
			i.got.Broadcast()
			i.mu.Unlock()
			if line.Token == "" {
				return
			}
		}
	}()
	return i
}

// gave tells whether it gave a token; one that is on its way here is waited for.
func (i *issuer) gave(token string) bool {
	i.mu.Lock()
	defer i.mu.Unlock()
	for {
		for _, t := range i.all {
			if t == token || t == "" {
				return t != ""
			}
		}
		if token == "" {
			return false
		}
		i.got.Wait()
	}
}

func (i *issuer) count() int {
	i.mu.Lock()
	defer i.mu.Unlock()
	return len(i.all)
}

// outlet is a worker that signs in there, and the record system behind it that
// takes those tokens only.
type outlet struct {
	store  *outlettest.Store
	record *standin.Record
	worker *outbound.Worker
	ahead  atomic.Int64 // of the worker's clock
}

func newOutlet(t *testing.T, i *issuer, key jose.JSONWebKey, scope string) *outlet {
	o := &outlet{record: standin.NewRecord(standin.Options{Patients: []standin.Patient{
		{ID: "p-1", System: authSys, Value: "1002", Family: "Testperson", Given: "Ada", BirthDate: "1950-01-01"},
	}})}
	server := httptest.NewServer(http.StripPrefix("/fhir", http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		token, ok := strings.CutPrefix(req.Header.Get("Authorization"), "Bearer ")
		if !ok || !i.gave(token) {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		o.record.ServeHTTP(w, req)
	})))
	t.Cleanup(server.Close)
	raw, err := key.MarshalJSON()
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "key.jwk")
	require.NoError(t, os.WriteFile(file, raw, 0o600))
	now := func() time.Time { return time.Now().Add(time.Duration(o.ahead.Load())) }
	o.store = outlettest.NewStore(now)
	o.worker, err = outbound.New(outbound.Config{
		ID: "record", Sites: []string{"*"}, Timeout: 5 * time.Second,
		FHIR: outbound.FHIR{BaseURL: server.URL + "/fhir", Auth: outbound.Auth{
			Kind: "smart", TokenURL: i.url, ClientID: client, KeyFile: file, KeyID: key.KeyID, Scope: scope,
		}},
	}, outbound.Settings{Store: o.store, Log: zerolog.Nop(), Now: now, Systems: map[string]string{"MILLRACE": authSys}, Wake: o.store.Wake(), Poll: 20 * time.Millisecond})
	require.NoError(t, err)
	return o
}

// run works until a condition holds.
func (o *outlet) run(t *testing.T, until func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- o.worker.Run(ctx) }()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for !until() && ctx.Err() == nil {
		select {
		case <-tick.C:
		case <-ctx.Done():
		}
	}
	require.NoError(t, ctx.Err(), "%+v", o.worker.Health())
	cancel()
	require.NoError(t, <-done)
}

func (o *outlet) add(n int) {
	at := time.Date(2026, 3, 4, 9, n, 0, 0, time.UTC)
	r := poct.Result{
		ID: "r-" + at.Format("1504"), Version: 1, Site: "millrace", SiteName: "Millrace Surgery", OperatorOK: true, LotOK: true,
		Patient: poct.Patient{Authority: "MILLRACE", ID: "1002", Family: "Testperson", BirthDate: "1950-01-01"}, Issued: at.Add(time.Minute),
		Reading: poct.Reading{
			Arrival: "0190c0de-0000-7000-8000-000000000001", Kind: poct.KindPatient, Status: poct.StatusFinal, Model: "Quill 3", Meter: "Q3-0118",
			Sequence: at.Format("1504"), Specimen: "capillary", Operator: "118", StripLot: "Q2411",
			TestedAt:     poct.Stamp{Raw: at.Format("20060102150405-0700"), At: at, Precision: "second"},
			Patient:      poct.PatientRef{Authority: "MILLRACE", ID: "1002"},
			Measurements: []poct.Measurement{{Analyte: "inr", Value: poct.MustNumber("2.5"), RawValue: "2.5", Unit: "{INR}", LOINC: "46418-0"}},
		},
	}
	r.Key = r.Reading.Key()
	o.store.Add("record", r, poct.Create)
}

func keyPair(t *testing.T, alg jose.SignatureAlgorithm, id string) (private, public jose.JSONWebKey) {
	var key crypto.Signer
	var err error
	if alg == jose.RS384 {
		key, err = rsa.GenerateKey(rand.Reader, 2048)
	} else {
		key, err = ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	}
	require.NoError(t, err)
	private = jose.JSONWebKey{Key: key, KeyID: id, Algorithm: string(alg), Use: "sig"}
	return private, private.Public()
}

// A token endpoint that nobody here wrote takes our assertions with both
// algorithms, gives one token for many results, and a new one in time; each of
// its checks on jti passes, since none is used twice.
func TestSignInAtAnotherIssuer(t *testing.T) {
	for _, alg := range []jose.SignatureAlgorithm{jose.RS384, jose.ES384} {
		t.Run(string(alg), func(t *testing.T) {
			private, public := keyPair(t, alg, "k1")
			i := issue(t, public)
			o := newOutlet(t, i, private, scope)
			for n := range 5 {
				o.add(n)
			}
			o.run(t, func() bool { return o.store.Open() == 0 })
			require.Equal(t, 1, i.count())
			require.Equal(t, 5, o.record.Scan().Observations)
			o.ahead.Store(int64(40 * time.Second)) // its tokens last 60 seconds
			o.add(10)
			o.run(t, func() bool { return o.store.Open() == 0 })
			require.Equal(t, 2, i.count())
		})
	}
}

// It answers 200 to a scope that it does not know, and grants less or nothing:
// nothing is sent then. A key that it does not know is refused.
func TestAnotherIssuerLetsUsNotIn(t *testing.T) {
	private, public := keyPair(t, jose.ES384, "k1")
	stranger, _ := keyPair(t, jose.ES384, "k1")
	for _, tt := range []struct {
		name, scope, reason string
		key                 jose.JSONWebKey
	}{
		{"unknown scope beside known ones", scope + " system/Observation.cruds", "forbidden", private},
		{"unknown scope alone", "system/Observation.cruds", "forbidden", private},
		{"unknown key", scope, "sign-in", stranger},
	} {
		t.Run(tt.name, func(t *testing.T) {
			o := newOutlet(t, issue(t, public), tt.key, tt.scope)
			o.add(1)
			o.run(t, func() bool { return !o.worker.Health().Up })
			require.True(t, strings.HasPrefix(o.worker.Health().Reason, tt.reason), o.worker.Health().Reason)
			require.Zero(t, o.record.Requests())
			require.Equal(t, 1, o.store.Open(), "nothing is lost by it")
		})
	}
}
