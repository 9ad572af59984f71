//go:build failpoints

package powercut

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	_ "modernc.org/sqlite" // another driver than the one that wrote

	"golang.org/x/mod/sumdb/tlog"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/store"
)

// verdict is what is wrong with an image.
type verdict struct {
	lost    []string // steps that were said to be done, and are not there
	unsound []string // what does not fit together
}

func (v verdict) clean() bool { return len(v.lost)+len(v.unsound) == 0 }

func (v verdict) String() string {
	return fmt.Sprintf("lost %d (%s), unsound %d (%s)", len(v.lost), first(v.lost), len(v.unsound), first(v.unsound))
}

func first(list []string) string { return strings.Join(list[:min(3, len(list))], "; ") }

// judge opens an image as a machine would after the cut and compares it with
// what had been said until then.
func judge(dir, anchor, keys string, said *told) (v verdict) {
	s, err := store.Open(dir, store.Options{AnchorFile: anchor, Fatal: func(error) {}})
	var back *store.RolledBackError
	switch {
	case errors.As(err, &back):
		v.lost = append(v.lost, err.Error()) // and noticed: what was signed is missing
		return v
	case err != nil:
		v.unsound = append(v.unsound, err.Error())
		return v
	}
	v.account(s)
	v.ledger(s, said.heads)
	if err := s.Close(); err != nil {
		v.unsound = append(v.unsound, err.Error())
	}
	report, err := store.VerifyFolder(context.Background(), dir, store.Options{AnchorFile: anchor}, keys, nil)
	if err != nil {
		v.unsound = append(v.unsound, err.Error())
	}
	for _, f := range report.Faults {
		v.unsound = append(v.unsound, f.What)
	}
	if err := v.rows(dir, said); err != nil {
		v.unsound = append(v.unsound, err.Error())
	}
	return v
}

func (v *verdict) account(s *store.Store) {
	a, err := s.Account(context.Background())
	sum := a.Waiting + a.Delivering + a.Delivered + a.Filed + a.Held + a.Duplicate + a.Ignored + a.Discarded
	if err != nil || a.Arrivals != sum || a.Lost != 0 {
		v.unsound = append(v.unsound, fmt.Sprintf("the account does not add up: %+v %v", a, err))
	}
}

// ledger recomputes the roots of the heads that were handed out.
func (v *verdict) ledger(s *store.Store, heads []ledger.Head) {
	events := make([]poct.Event, 0, 4096)
	for {
		more, err := s.Events(context.Background(), int64(len(events)), 5000)
		if err != nil {
			v.unsound = append(v.unsound, err.Error())
			return
		}
		if len(more) == 0 {
			break
		}
		events = append(events, more...)
	}
	if len(heads) == 0 {
		return
	}
	head := heads[len(heads)-1]
	if head.Size > int64(len(events)) {
		v.lost = append(v.lost, fmt.Sprintf("head of size %d was signed, %d events are there", head.Size, len(events)))
		return
	}
	var hashes hashList
	for i, e := range events[:head.Size] {
		grown, err := tlog.StoredHashesForRecordHash(int64(i), ledger.LeafHash(e), &hashes)
		if err != nil {
			v.unsound = append(v.unsound, err.Error())
			return
		}
		hashes = append(hashes, grown...)
	}
	if root, err := tlog.TreeHash(head.Size, &hashes); err != nil || root != head.Root {
		v.unsound = append(v.unsound, fmt.Sprintf("the root of size %d is another than was signed", head.Size))
	}
}

type hashList []tlog.Hash

// ReadHashes gives stored hashes by index.
func (l *hashList) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, at := range indexes {
		out[i] = (*l)[at]
	}
	return out, nil
}

// rows looks for each step that was said to be done.
func (v *verdict) rows(dir string, said *told) (err error) {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "tidegate.db"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	arrivals, decided := map[string][32]byte{}, map[string]bool{}
	if err := each(db, `SELECT arrivals.id, raw, readings.arrival IS NOT NULL FROM arrivals LEFT JOIN readings ON readings.arrival = arrivals.seq`,
		func(rows *sql.Rows) error {
			var id string
			var raw []byte
			var done bool
			err := rows.Scan(&id, &raw, &done)
			arrivals[id], decided[id] = sha256.Sum256(raw), done
			return err
		}); err != nil {
		return err
	}
	intended, finished := map[int64][32]byte{}, map[int64]bool{}
	if err := each(db, `SELECT id, sha256, state FROM deliveries`, func(rows *sql.Rows) error {
		var id int64
		var digest []byte
		var state string
		err := rows.Scan(&id, &digest, &state)
		if len(digest) == 32 {
			intended[id] = [32]byte(digest)
		}
		finished[id] = state == "delivered"
		return err
	}); err != nil {
		return err
	}
	for id, digest := range said.arrivals {
		if arrivals[id] != digest {
			v.lost = append(v.lost, "arrival "+id)
		}
	}
	for id := range said.decided {
		if !decided[id] {
			v.lost = append(v.lost, "decision on "+id)
		}
	}
	for id, digest := range said.intended {
		if intended[id] != digest {
			v.lost = append(v.lost, fmt.Sprintf("intent of delivery %d", id))
		}
	}
	for id := range said.finished {
		if !finished[id] {
			v.lost = append(v.lost, fmt.Sprintf("receipt of delivery %d", id))
		}
	}
	return nil
}

func each(db *sql.DB, query string, row func(*sql.Rows) error) error {
	rows, err := db.Query(query)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
