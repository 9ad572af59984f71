package notify_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/notify"
	"tidegate/poct"
)

func TestWebhookGetsTheNotice(t *testing.T) {
	r, o := newReceiver(t, ok), newOutbox()
	token := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(token, []byte("sesame"), 0o600))
	cfg := channelTo("duty", r.URL+"/hook")
	cfg.TokenFile = token
	s := settings(t, o)
	s.Secret = readFile
	start(t, s, cfg)

	n := note(1, poct.NotifyCritical, "saltmarsh")
	n.At = time.Now().Round(time.Second)
	o.add(n)
	got := <-r.got
	require.Equal(t, "application/json", got.header.Get("Content-Type"))
	require.Equal(t, "Bearer sesame", got.header.Get("Authorization"))
	// A string of structured fields, RFC 8941 3.3.3.
	require.Equal(t, `"`+n.ID+`"`, got.header.Get("Idempotency-Key"))
	require.JSONEq(t, `{"id":"`+n.ID+`","kind":"critical","site":"saltmarsh","hold":"H-1","code":"critical","step":1,"at":"`+
		n.At.UTC().Format(time.RFC3339)+`"}`, string(got.body))
	require.Equal(t, "duty "+n.ID, <-o.moved)
}

func readFile(path string) (string, error) {
	b, err := os.ReadFile(path)
	return string(b), err
}

// Only these keys leave, whatever a notification is made of: a field that is
// added to it later, and filled with a patient's name, stays here.
func TestOnlyTheListedKeysLeave(t *testing.T) {
	r, o := newReceiver(t, ok), newOutbox()
	var log bytes.Buffer
	t.Cleanup(func() { // the worker has ended
		require.Contains(t, log.String(), "do not get through")
		require.NotContains(t, log.String(), "CANARY", "addresses of webhooks are often secrets")
	})
	w := start(t, notify.Settings{Outbox: o, Log: zerolog.New(&log)}, channelTo("duty", r.URL+"/CANARY-PATH"))

	n := note(1, poct.NotifyCritical, "saltmarsh")
	listed := []string{"ID", "Kind", "Site", "Hold", "Code", "Step", "At"}
	v := reflect.ValueOf(&n).Elem()
	for i := range v.NumField() {
		if f := v.Field(i); f.Kind() == reflect.String && !slices.Contains(listed, v.Type().Field(i).Name) {
			f.SetString("CANARY")
		}
	}
	o.add(n)
	got := <-r.got
	<-o.moved
	var body map[string]any
	require.NoError(t, json.Unmarshal(got.body, &body))
	require.Equal(t, []string{"at", "code", "hold", "id", "kind", "site", "step"}, slices.Sorted(maps.Keys(body)))
	require.NotContains(t, string(got.body), "CANARY")
	require.Contains(t, w.Health()[0].Attempts, notify.Sent)
	for name := range got.header {
		require.Contains(t, []string{"Accept-Encoding", "Content-Length", "Content-Type", "Idempotency-Key", "User-Agent"}, name)
	}

	r.Close()
	o.add(note(2, poct.NotifyCritical, "saltmarsh"))
	await(t, w, notify.Unreachable)
	require.NotContains(t, w.Health()[0].Reason, "CANARY")
}

// Whatever fails, before or after the other side took the notice, it comes
// again with the same id and the same bytes, and none comes before it.
func TestFaultsBeforeAndAfterTheEffect(t *testing.T) {
	for _, tt := range []struct {
		name   string
		answer func(n int, w http.ResponseWriter)
		outbox func(*outbox)
		want   []int // which notification each request carries
		class  string
	}{
		{name: "cut off before the answer", answer: func(n int, _ http.ResponseWriter) {
			if n <= 2 {
				cut()
			}
		}, want: []int{1, 1, 1, 2}, class: notify.Unreachable},
		{name: "500 at first", answer: func(n int, w http.ResponseWriter) {
			if n == 1 {
				w.WriteHeader(500)
			}
		}, want: []int{1, 1, 2}, class: notify.Failing},
		{name: "too many", answer: func(n int, w http.ResponseWriter) {
			if n == 1 {
				w.Header().Set("Retry-After", "86400") // kept no longer than retry.max
				w.WriteHeader(429)
			}
		}, want: []int{1, 1, 2}, class: notify.Throttled},
		{name: "a redirect is not followed", answer: func(n int, w http.ResponseWriter) {
			if n == 1 {
				w.Header().Set("Location", "/elsewhere")
				w.WriteHeader(307)
			}
		}, want: []int{1, 1, 2}, class: notify.Misplaced},
		{name: "the cursor is not written", answer: ok, outbox: func(o *outbox) { o.failBefore = 2 }, want: []int{1, 1, 1, 2}},
		{name: "the cursor is written, its answer lost", answer: ok, outbox: func(o *outbox) { o.failAfter = 1 }, want: []int{1, 2}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r, o := newReceiver(t, tt.answer), newOutbox()
			if tt.outbox != nil {
				tt.outbox(o)
			}
			w := start(t, settings(t, o), channelTo("duty", r.URL))
			notes := []poct.Notification{note(1, poct.NotifyCritical, "saltmarsh"), note(2, poct.NotifyAgeing, "harbour")}
			o.add(notes...)
			bodies := map[int][]byte{}
			for i, want := range tt.want {
				got := <-r.got
				require.Equal(t, `"`+notes[want-1].ID+`"`, got.header.Get("Idempotency-Key"), "request %d", i+1)
				if first, again := bodies[want]; again {
					require.Equal(t, string(first), string(got.body))
				}
				bodies[want] = got.body
			}
			for id := ""; id != "duty "+notes[1].ID; {
				id = <-o.moved
			}
			if tt.class != "" {
				require.Positive(t, w.Health()[0].Attempts[tt.class])
			}
			require.True(t, w.Health()[0].Up)
			require.Zero(t, w.Health()[0].Oldest)
			require.Empty(t, r.got, "nothing more was sent")
		})
	}
}

// A receiver that takes the connection and never answers is left after the
// timeout, and holds up nobody else.
func TestAHangingChannelHoldsUpNoOther(t *testing.T) {
	o, free := newOutbox(), make(chan struct{})
	hangs := newReceiver(t, func(int, http.ResponseWriter) { <-free })
	well := newReceiver(t, ok)
	t.Cleanup(func() { close(free) })
	w := start(t, settings(t, o), channelTo("hangs", hangs.URL), channelTo("well", well.URL))
	const many = 150 // more than a batch
	var all []poct.Notification
	for n := range many {
		all = append(all, note(n, poct.NotifyCritical, "saltmarsh"))
	}
	o.add(all...)
	<-hangs.got
	for n := range many {
		got := <-well.got
		require.Equal(t, `"`+all[n].ID+`"`, got.header.Get("Idempotency-Key"))
	}
	require.Equal(t, all[0].At, w.Health()[0].Oldest)
}

func TestATimeoutIsUnreachable(t *testing.T) {
	o, free := newOutbox(), make(chan struct{})
	r := newReceiver(t, func(n int, _ http.ResponseWriter) {
		if n == 1 {
			<-free
		}
	})
	t.Cleanup(func() { close(free) })
	cfg := channelTo("duty", r.URL)
	cfg.Timeout = 100 * time.Millisecond
	w := start(t, settings(t, o), cfg)
	o.add(note(1, poct.NotifyCritical, "saltmarsh"))
	<-r.got
	<-r.got // again, after the first was given up
	<-o.moved
	require.Positive(t, w.Health()[0].Attempts[notify.Unreachable])
}

// What is filtered out by kind or site moves the cursor and is never sent.
func TestFilter(t *testing.T) {
	r, o := newReceiver(t, ok), newOutbox()
	cfg := channelTo("duty", r.URL)
	cfg.On, cfg.Sites = []string{poct.NotifyCritical, poct.NotifyOutlet}, []string{"saltmarsh"}
	start(t, settings(t, o), cfg)
	list := []poct.Notification{
		note(1, poct.NotifyCritical, "harbour"),   // another site
		note(2, poct.NotifyAgeing, "saltmarsh"),   // another kind
		note(3, poct.NotifyCritical, "saltmarsh"), // sent
		note(4, poct.NotifyOutlet, ""),            // of no one site: sent
		note(5, poct.NotifyMeter, ""),             // another kind
	}
	o.add(list...)
	require.Equal(t, `"`+list[2].ID+`"`, (<-r.got).header.Get("Idempotency-Key"))
	require.Equal(t, `"`+list[3].ID+`"`, (<-r.got).header.Get("Idempotency-Key"))
	for _, n := range []int{1, 2, 3, 4} { // over 1 and 2 at once
		require.Equal(t, "duty "+list[n].ID, <-o.moved)
	}
	require.Empty(t, r.got)
}

// What the other side refuses as such, or nobody took in time, does not stand
// before the next critical result.
func TestLeftUntold(t *testing.T) {
	t.Run("refused", func(t *testing.T) {
		r, o := newReceiver(t, func(n int, w http.ResponseWriter) {
			if n <= 3 {
				w.WriteHeader(422)
			}
		}), newOutbox()
		w := start(t, settings(t, o), channelTo("duty", r.URL))
		one, two := note(1, poct.NotifyLookBack, "saltmarsh"), note(2, poct.NotifyCritical, "saltmarsh")
		o.add(one, two)
		for _, want := range []poct.Notification{one, one, one, two} {
			require.Equal(t, `"`+want.ID+`"`, (<-r.got).header.Get("Idempotency-Key"))
		}
		require.Equal(t, "duty "+one.ID, <-o.moved)
		require.Equal(t, "duty "+two.ID, <-o.moved)
		require.Equal(t, map[string]int64{notify.Refused: 3, notify.GivenUp: 1, notify.Sent: 1}, w.Health()[0].Attempts)
	})
	t.Run("too old", func(t *testing.T) {
		r, o := newReceiver(t, ok), newOutbox()
		w := start(t, settings(t, o), channelTo("duty", r.URL))
		old, two := note(1, poct.NotifyCritical, "saltmarsh"), note(2, poct.NotifyCritical, "saltmarsh")
		old.At = old.At.Add(-25 * time.Hour) // give_up is 24h if left out
		o.add(old, two)
		require.Equal(t, `"`+two.ID+`"`, (<-r.got).header.Get("Idempotency-Key"))
		require.Equal(t, "duty "+old.ID, <-o.moved)
		<-o.moved
		require.Equal(t, map[string]int64{notify.GivenUp: 1, notify.Sent: 1}, w.Health()[0].Attempts)
	})
}

// A token that was changed in its file is taken without a restart.
func TestTokenIsReadAgain(t *testing.T) {
	o, path := newOutbox(), filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(path, []byte("old"), 0o600))
	got := make(chan string, 10)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got <- r.Header.Get("Authorization")
		if r.Header.Get("Authorization") != "Bearer new" {
			w.WriteHeader(401)
		}
	}))
	defer server.Close()
	cfg := channelTo("duty", server.URL)
	cfg.TokenFile = path
	s := settings(t, o)
	s.Secret = readFile
	start(t, s, cfg)
	o.add(note(1, poct.NotifyCritical, "saltmarsh"))
	require.Equal(t, "Bearer old", <-got)
	require.NoError(t, os.WriteFile(path+".new", []byte("new"), 0o600))
	require.NoError(t, os.Rename(path+".new", path))
	for word := ""; word != "Bearer new"; {
		word = <-got
	}
	<-o.moved
}

func TestNewRefuses(t *testing.T) {
	cfg := channelTo("duty", "https://duty.example/hook")
	cfg.TokenFile = "s/duty"
	secret := func(string) (string, error) { return "", errors.New("may be read by others than its owner") }
	for _, tt := range []struct {
		name string
		cfg  notify.Config
		s    notify.Settings
		want string
	}{
		{"no outbox", cfg, notify.Settings{}, "needs an outbox"},
		{"secret not readable", cfg, notify.Settings{Outbox: newOutbox(), Secret: secret}, "may be read by others"},
		{"no reader of secrets", cfg, notify.Settings{Outbox: newOutbox()}, "no way to read secrets"},
		{"not a channel", notify.Config{ID: "duty"}, notify.Settings{Outbox: newOutbox()}, "write webhook or jetstream"},
	} {
		_, err := notify.New([]notify.Config{tt.cfg}, tt.s)
		require.ErrorContains(t, err, tt.want, tt.name)
	}
}

func TestConfig(t *testing.T) {
	hook := channelTo("duty", "https://duty.example/hook")
	bus := notify.Config{ID: "bus", Kind: notify.JetStream, URL: "nats://bus.example:4222", Subject: "tidegate.notices", On: notify.Told, Sites: []string{"*"}}
	require.Empty(t, hook.Validate())
	require.Empty(t, bus.Validate())
	for _, tt := range []struct {
		name   string
		from   notify.Config
		change func(*notify.Config)
		want   []string // keys
	}{
		{"http on this machine", hook, func(c *notify.Config) { c.URL = "http://127.0.0.1:9000/x" }, nil},
		{"http on IPv6 loopback", hook, func(c *notify.Config) { c.URL = "http://[::1]:9000/x" }, nil},
		{"http elsewhere", hook, func(c *notify.Config) { c.URL = "http://duty.example/hook" }, []string{"url"}},
		{"a query", hook, func(c *notify.Config) { c.URL = "https://duty.example/hook?key=1" }, []string{"url"}},
		{"a password", hook, func(c *notify.Config) { c.URL = "https://a:b@duty.example/hook" }, []string{"url"}},
		{"link-local", hook, func(c *notify.Config) { c.URL = "https://169.254.169.254/" }, []string{"url"}}, // RFC 3927
		{"no address", hook, func(c *notify.Config) { c.URL = "" }, []string{"url"}},
		{"not an address", hook, func(c *notify.Config) { c.URL = "duty" }, []string{"url"}},
		{"no id", hook, func(c *notify.Config) { c.ID = "" }, []string{"id"}},
		{"no kind", hook, func(c *notify.Config) { c.Kind = "" }, []string{"kind"}},
		{"nothing to tell", hook, func(c *notify.Config) { c.On = nil }, []string{"on"}},
		{"unknown event", hook, func(c *notify.Config) { c.On = []string{"lunch"} }, []string{"on"}},
		{"no site", hook, func(c *notify.Config) { c.Sites = nil }, []string{"sites"}},
		{"a subject for a webhook", hook, func(c *notify.Config) { c.Subject = "x" }, []string{"subject"}},
		{"give up at once", hook, func(c *notify.Config) { c.GiveUp = time.Second }, []string{"give_up"}},
		{"hours of timeout", hook, func(c *notify.Config) { c.Timeout = time.Hour }, []string{"timeout"}},
		{"retry ends before it begins", hook, func(c *notify.Config) { c.Retry.First, c.Retry.Max = time.Minute, time.Second }, []string{"retry.max"}},
		{"a cluster", bus, func(c *notify.Config) { c.URL = "tls://a.example:4222, tls://b.example:4222" }, nil},
		{"http for a stream", bus, func(c *notify.Config) { c.URL = "https://bus.example" }, []string{"url"}},
		{"a password for a stream", bus, func(c *notify.Config) { c.URL = "nats://a:b@bus.example:4222" }, []string{"url"}},
		{"no subject", bus, func(c *notify.Config) { c.Subject = "" }, []string{"subject"}},
		{"wildcards", bus, func(c *notify.Config) { c.Subject = "tidegate.>" }, []string{"subject"}},
		{"an empty part", bus, func(c *notify.Config) { c.Subject = "tidegate..x" }, []string{"subject"}},
		{"a stream's name", bus, func(c *notify.Config) { c.Stream = "a b" }, []string{"stream"}},
		{"a token for a stream", bus, func(c *notify.Config) { c.TokenFile = "s/bus" }, []string{"token_file"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.change(&tt.from)
			var got []string
			for _, f := range tt.from.Validate() {
				got = append(got, f.Key)
				require.NotEmpty(t, f.Instead)
				require.False(t, strings.HasSuffix(f.What, "."), f.What)
			}
			require.Equal(t, tt.want, got)
		})
	}
}
