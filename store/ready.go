package store

import (
	"context"

	"tidegate/poct"
)

// NotReady says why the store should get no arrivals now, in words for the
// operator; "" if it may.
func (s *Store) NotReady(context.Context) string {
	switch {
	case s.dead.Load() != nil:
		return "the store has failed and the process is about to end"
	case s.closing.Load():
		return "the store is closing"
	case s.space.tight():
		return "the data volume is nearly full: free some room, arrivals are refused until then"
	}
	return ""
}

// Differs tells what Upsert would add and change, and changes nothing.
func (s *Store) Differs(ctx context.Context, rows poct.RegistryRows) (added, changed int, err error) {
	flat, err := flatten(rows)
	if err != nil {
		return 0, 0, err
	}
	q := s.read.with(ctx)
	for _, r := range flat {
		var was string
		err := q.row(`SELECT row FROM registry WHERE kind = ? AND key = ?`, string(r.Kind), r.Key).Scan(&was)
		switch {
		case isNone(err):
			added++
		case err != nil:
			return 0, 0, err
		case was != string(r.Row):
			changed++
		}
	}
	return added, changed, nil
}
