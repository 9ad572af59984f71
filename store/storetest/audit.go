package storetest

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// testAudit: what an audit repository is to be told comes and goes with the
// receipt that it tells of, waits until it was taken, and is set aside when it
// was refused too often.
func testAudit(t *testing.T, open Open) {
	w := NewWorld(t, open)
	w.Take(Released("Q1", "1", "2.5"))
	d := w.Sent(w.One())
	w.ok(w.Finish(w.Ctx, d, poct.SendOutcome{
		RetryAt: w.Clock.Now().Add(time.Second), KeepSent: true, Receipt: poct.Receipt{Class: "unknown"}, Audit: [][]byte{[]byte("one"), []byte("two")},
	}))
	fenced := w.Finish(w.Ctx, d, poct.SendOutcome{Done: true, Audit: [][]byte{[]byte("late")}})
	assert.ErrorIs(t, fenced, poct.ErrFenced)
	w.Clock.Move(time.Minute)
	again := w.One()
	w.ok(w.Finish(w.Ctx, again, poct.SendOutcome{Done: true, Receipt: poct.Receipt{Status: 201, Class: "delivered"}, Audit: [][]byte{[]byte("three")}}))

	list := func() (texts []string) {
		rows, err := w.Audits(w.Ctx, "record", 10)
		require.NoError(t, err)
		for _, r := range rows {
			texts = append(texts, string(r.Body))
		}
		return texts
	}
	assert.Equal(t, []string{"one", "two", "three"}, list(), "nothing of the late worker")
	other, err := w.Audits(w.Ctx, "second", 10)
	require.NoError(t, err)
	assert.Empty(t, other)

	rows, err := w.Audits(w.Ctx, "record", 2)
	require.NoError(t, err)
	require.Len(t, rows, 2)
	w.ok(w.Audited(w.Ctx, rows[0].Seq))
	w.ok(w.Audited(w.Ctx)) // none
	for range 3 {
		w.ok(w.AuditRefused(w.Ctx, rows[1].Seq))
	}
	assert.Equal(t, []string{"three"}, list())
	backlog, err := w.AuditBacklogs(w.Ctx)
	require.NoError(t, err)
	assert.Equal(t, []poct.AuditBacklog{{Outlet: "record", Waiting: 2, Refused: 1, Oldest: Begin}}, backlog)

	w.ok(w.AuditAgain(w.Ctx, "record"))
	assert.Equal(t, []string{"two", "three"}, list())
	w.Verifies()
}

// Auditing is what a store does for audit repositories.
type Auditing interface {
	Audits(ctx context.Context, outlet string, limit int) ([]poct.AuditRecord, error)
	Audited(ctx context.Context, seqs ...int64) error
	AuditRefused(ctx context.Context, seqs ...int64) error
	AuditAgain(ctx context.Context, outlet string) error
	AuditBacklogs(context.Context) ([]poct.AuditBacklog, error)
}
