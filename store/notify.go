package store

import (
	"context"
	"fmt"

	"tidegate/poct"
)

// Notify puts notifications into the outbox. One that says what an earlier one
// said (kind, site, hold, code, about and step) is left out, so a caller may
// say everything again after a restart. A time of zero is now.
func (s *Store) Notify(ctx context.Context, list ...poct.Notification) error {
	return s.do(ctx, func(t *tx) error { return t.notify(list...) })
}

// notify does so with this transaction.
func (t *tx) notify(list ...poct.Notification) error {
	for _, n := range list {
		if n.At.IsZero() {
			n.At = t.at
		}
		seq := t.nextSeq()
		added, err := t.exec(`INSERT INTO notifications (seq, id, kind, site, hold, code, about, step, at) VALUES (?,?,?,?,?,?,?,?,?) ON CONFLICT DO NOTHING`,
			seq, t.newID(seq), n.Kind, n.Site, n.Hold, n.Code, n.About, n.Step, micros(n.At))
		if err != nil {
			return fmt.Errorf("write notification: %w", err)
		}
		if added > 0 {
			t.after = append(t.after, t.wakeNotifiers)
		}
	}
	return nil
}

func (s *Store) wakeNotifiers() { signal(s.notifying) }

// Notifying signals that there may be a notification that a channel was not
// told yet. One signal stands for all channels.
func (s *Store) Notifying() <-chan struct{} { return s.notifying }

// Notifications lists what a channel was not told yet, in order, at most so
// many. A channel asks before anything it is to be told happens: one that asks
// for the first time begins behind all that is there.
func (s *Store) Notifications(ctx context.Context, channel string, limit int) ([]poct.Notification, error) {
	q := s.read.with(ctx)
	var told int64
	err := q.row(`SELECT told FROM channels WHERE channel = ?`, channel).Scan(&told)
	if isNone(err) {
		return nil, s.do(ctx, func(t *tx) error {
			_, err := t.exec(`INSERT INTO channels (channel, told) SELECT ?, coalesce(max(seq), 0) FROM notifications WHERE true
				ON CONFLICT (channel) DO NOTHING`, channel)
			return err
		})
	}
	if err != nil {
		return nil, fmt.Errorf("read channel: %w", err)
	}
	list, err := collect(q, func(rows rowSet) (poct.Notification, error) {
		var n poct.Notification
		var at int64
		err := rows.Scan(&n.ID, &n.Kind, &n.Site, &n.Hold, &n.Code, &n.About, &n.Step, &at)
		n.At = fromMicros(at)
		return n, err
	}, `SELECT id, kind, site, hold, code, about, step, at FROM notifications WHERE seq > ? ORDER BY seq LIMIT ?`, told, limit)
	if err != nil {
		return nil, fmt.Errorf("read notifications: %w", err)
	}
	return list, nil
}

// Notified says that a channel was told this notification and all before it.
// One whose process ends before it says so is told again.
func (s *Store) Notified(ctx context.Context, channel, id string) error {
	return s.do(ctx, func(t *tx) error {
		var seq int64
		err := t.row(`SELECT seq FROM notifications WHERE seq = ? AND id = ?`, seqOf(id), id).Scan(&seq)
		if isNone(err) {
			return fmt.Errorf("notification %s: %w", id, poct.ErrNotFound)
		}
		if err == nil {
			_, err = t.exec(`INSERT INTO channels (channel, told) VALUES (?, ?)
				ON CONFLICT (channel) DO UPDATE SET told = max(told, excluded.told)`, channel, seq)
		}
		if err != nil {
			return fmt.Errorf("move channel: %w", err)
		}
		return nil
	})
}
