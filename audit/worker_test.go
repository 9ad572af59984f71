package audit

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/outbound"
	"tidegate/poct"
)

// outbox in memory, with the promises of Outbox.
type outbox struct {
	mu       sync.Mutex
	rows     []poct.AuditRecord
	refusals map[int64]int
	fail     error
}

func newOutbox(bodies ...string) *outbox {
	o := &outbox{refusals: map[int64]int{}}
	for i, b := range bodies {
		o.rows = append(o.rows, poct.AuditRecord{Seq: int64(i + 1), Body: []byte(b)})
	}
	return o
}

func (o *outbox) Audits(_ context.Context, outlet string, limit int) ([]poct.AuditRecord, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	var out []poct.AuditRecord
	for _, r := range o.rows {
		if o.refusals[r.Seq] < 3 && len(out) < limit && outlet == "record" {
			out = append(out, r)
		}
	}
	return out, o.fail
}

func (o *outbox) Audited(_ context.Context, seqs ...int64) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.rows = slices.DeleteFunc(o.rows, func(r poct.AuditRecord) bool { return slices.Contains(seqs, r.Seq) })
	return o.fail
}

func (o *outbox) AuditRefused(_ context.Context, seqs ...int64) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, s := range seqs {
		o.refusals[s]++
	}
	return o.fail
}

func (o *outbox) AuditAgain(context.Context, string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	clear(o.refusals)
	return o.fail
}

func (o *outbox) waiting() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.rows)
}

// repository answers each AuditEvent by its text; no network, so that the
// bubble's clock rules.
type repository struct {
	answer func(body string) int
	mu     sync.Mutex
	got    []string
}

func (r *repository) RoundTrip(req *http.Request) (*http.Response, error) {
	b, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	if req.Method != http.MethodPost || !strings.HasSuffix(req.URL.Path, "/fhir/AuditEvent") {
		return nil, errors.New("only AuditEvents are posted")
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got = append(r.got, string(b))
	w := httptest.NewRecorder()
	w.WriteHeader(r.answer(string(b)))
	return w.Result(), nil
}

func (r *repository) list() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

func start(t *testing.T, o *outbox, r *repository) (stop func()) {
	w, err := New(Settings{
		Outlet: outbound.Config{ID: "record", Sites: []string{"*"}, FHIR: outbound.FHIR{
			BaseURL: "https://record.example/fhir", Audit: outbound.Audit{BaseURL: "https://audit.example/fhir"},
		}},
		Outbox: o, Log: zerolog.Nop(), HTTP: &http.Client{Transport: r},
	})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	return func() { cancel(); require.NoError(t, <-done) }
}

func TestToldInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, r := newOutbox("a", "b", "c"), &repository{answer: func(string) int { return 201 }}
		stop := start(t, o, r)
		synctest.Wait()
		assert.Equal(t, []string{"a", "b", "c"}, r.list())
		assert.Zero(t, o.waiting())
		stop()
	})
}

// A repository that is away is asked again with growing pauses, and then told
// everything, in order.
func TestRepositoryAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		status := 503
		o := newOutbox("a", "b")
		r := &repository{answer: func(string) int { return status }}
		stop := start(t, o, r)
		time.Sleep(10 * time.Minute) // the bubble's clock
		asked := len(r.list())
		assert.Greater(t, asked, 8)
		assert.Less(t, asked, 20, "once a minute at last")
		assert.Equal(t, 2, o.waiting())
		r.mu.Lock()
		status = 201
		r.mu.Unlock()
		time.Sleep(2 * time.Minute)
		assert.Equal(t, []string{"a", "b"}, r.list()[asked:])
		assert.Zero(t, o.waiting())
		stop()
	})
}

// One that is refused as such stands in nobody's way, is offered three times,
// and again after a restart.
func TestRefusedEvent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox("a", "bad", "c")
		r := &repository{answer: func(b string) int {
			if b == "bad" {
				return 422
			}
			return 201
		}}
		stop := start(t, o, r)
		time.Sleep(time.Minute)
		assert.Equal(t, []string{"a", "bad", "c", "bad", "bad"}, r.list())
		assert.Equal(t, 1, o.waiting())
		stop()
		stop = start(t, o, r)
		time.Sleep(time.Minute)
		assert.Len(t, r.list(), 8)
		stop()
	})
}

// What was told but could not be marked is told again: at least once.
func TestOutboxFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, r := newOutbox("a"), &repository{answer: func(string) int { return 201 }}
		o.fail = errors.New("disk")
		stop := start(t, o, r)
		time.Sleep(time.Minute)
		assert.Empty(t, r.list(), "nothing can be read")
		o.mu.Lock()
		o.fail = nil
		o.mu.Unlock()
		time.Sleep(2 * time.Minute)
		assert.Equal(t, []string{"a"}, r.list())
		assert.Zero(t, o.waiting())
		stop()
	})
}

// Recording keeps AuditEvents in the very call that keeps the receipt.
func TestRecording(t *testing.T) {
	inner := &receipts{}
	r := Recording{Store: inner, Where: where}
	require.NoError(t, r.Finish(t.Context(), delivery(poct.Create), outcome(outbound.Done, 201)))
	require.NoError(t, r.Finish(t.Context(), delivery(poct.Create), outcome(outbound.Waiting, 0)))
	require.Len(t, inner.got, 2)
	assert.Len(t, inner.got[0].Audit, 3)
	assert.Empty(t, inner.got[1].Audit)
}

type receipts struct {
	outbound.Store
	got []poct.SendOutcome
}

func (r *receipts) Finish(_ context.Context, _ poct.Delivery, o poct.SendOutcome) error {
	r.got = append(r.got, o)
	return nil
}
