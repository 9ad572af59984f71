package store

import (
	"context"
	"fmt"

	"tidegate/poct"
)

// mostRefusals is how often an AuditEvent is offered that the repository
// refuses as such: it would stand before those that come after it.
const mostRefusals = 3

// audit keeps what an audit repository is to be told of a sending, in the same
// transaction as its receipt.
func (t *tx) audit(outlet string, bodies [][]byte) error {
	for _, body := range bodies {
		if _, err := t.exec(`INSERT INTO audits (outlet, at, body) VALUES (?,?,?)`, outlet, micros(t.at), body); err != nil {
			return fmt.Errorf("keep audit event: %w", err)
		}
	}
	return nil
}

// Audits lists what the audit repository of an outlet was not told yet, oldest
// first, at most so many, without what it refused too often.
func (s *Store) Audits(ctx context.Context, outlet string, limit int) ([]poct.AuditRecord, error) {
	list, err := collect(s.read.with(ctx), func(rows rowSet) (poct.AuditRecord, error) {
		var r poct.AuditRecord
		err := rows.Scan(&r.Seq, &r.Body)
		return r, err
	}, `SELECT seq, body FROM audits WHERE outlet = ? AND refusals < ? ORDER BY seq LIMIT ?`, outlet, mostRefusals, limit)
	if err != nil {
		return nil, fmt.Errorf("read audit events: %w", err)
	}
	return list, nil
}

// Audited says that these were taken. A process that ends before it says so
// has them offered again.
func (s *Store) Audited(ctx context.Context, seqs ...int64) error {
	return s.eachAudit(ctx, `DELETE FROM audits WHERE seq = ?`, seqs)
}

// AuditRefused says that these were refused as such.
func (s *Store) AuditRefused(ctx context.Context, seqs ...int64) error {
	return s.eachAudit(ctx, `UPDATE audits SET refusals = refusals + 1 WHERE seq = ?`, seqs)
}

func (s *Store) eachAudit(ctx context.Context, query string, seqs []int64) error {
	if len(seqs) == 0 {
		return nil
	}
	return s.do(ctx, func(t *tx) error {
		for _, seq := range seqs {
			if _, err := t.exec(query, seq); err != nil {
				return fmt.Errorf("mark audit event: %w", err)
			}
		}
		return nil
	})
}

// AuditAgain has everything offered again that was refused; for the start of a
// daemon, whose configuration may have been mended.
func (s *Store) AuditAgain(ctx context.Context, outlet string) error {
	return s.do(ctx, func(t *tx) error {
		if _, err := t.exec(`UPDATE audits SET refusals = 0 WHERE outlet = ? AND refusals > 0`, outlet); err != nil {
			return fmt.Errorf("offer audit events again: %w", err)
		}
		return nil
	})
}

// AuditBacklogs tells of each outlet whose audit repository has not been told
// everything.
func (s *Store) AuditBacklogs(ctx context.Context) ([]poct.AuditBacklog, error) {
	list, err := collect(s.read.with(ctx), func(rows rowSet) (poct.AuditBacklog, error) {
		var b poct.AuditBacklog
		var oldest int64
		err := rows.Scan(&b.Outlet, &b.Waiting, &b.Refused, &oldest)
		b.Oldest = fromMicros(oldest)
		return b, err
	}, `SELECT outlet, count(*), sum(refusals >= ?), min(at) FROM audits GROUP BY outlet ORDER BY outlet`, mostRefusals)
	if err != nil {
		return nil, fmt.Errorf("count audit events: %w", err)
	}
	return list, nil
}
