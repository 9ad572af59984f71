package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"tidegate/ledger"
	"tidegate/poct"
)

// ErrUnsigned says that an event is younger than the newest signed head.
var ErrUnsigned = errors.New("not under a signed head yet")

// RolledBackError says that the data folder does not continue the ledger that
// its anchor knows: an older copy was put back, or the ledger was changed.
type RolledBackError struct {
	File   string // the anchor
	Anchor ledger.Head
	Have   ledger.Head // of the store: its head, or what it has at the anchor's size
	Why    string
}

func (e *RolledBackError) Error() string {
	return fmt.Sprintf("%s (anchor %s: %d events; data folder: %d). Bring back the newest copy of the data folder, "+
		"or ask the laboratory's director before going on without what is missing", e.Why, e.File, e.Anchor.Size, e.Have.Size)
}

// checkAnchor compares the ledger with the head that was anchored last.
func (s *Store) checkAnchor(q querier) error {
	if s.opt.AnchorFile == "" {
		return nil
	}
	tree := s.tree.Load()
	rolled := &RolledBackError{File: s.opt.AnchorFile, Have: tree.Head()}
	anchor, err := readAnchor(s.opt.AnchorFile)
	if errors.Is(err, os.ErrNotExist) {
		var signed int64
		if err := q.row(`SELECT count(*) FROM checkpoints`).Scan(&signed); err != nil {
			return fmt.Errorf("read checkpoints: %w", err)
		}
		if signed > 0 {
			rolled.Why = "the anchor is missing, although heads of this ledger were signed; put the file back where it was"
			return rolled
		}
		return nil
	}
	if err != nil {
		return err
	}
	rolled.Anchor = anchor.Head
	if anchor.Size > tree.Size() {
		rolled.Why = "the data folder is older than its anchor: it is a copy from before, or events were removed"
		return rolled
	}
	have, err := headAt(q, anchor.Size)
	if err != nil {
		return err
	}
	if have.Root != anchor.Root {
		rolled.Have = have
		rolled.Why = "the ledger is not the one that was anchored: events were changed, or this is another data folder"
		return rolled
	}
	return nil
}

func readAnchor(file string) (ledger.Checkpoint, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return ledger.Checkpoint{}, fmt.Errorf("read anchor: %w", err)
	}
	anchor, err := ledger.ParseText(string(text))
	if err != nil {
		return ledger.Checkpoint{}, fmt.Errorf("anchor file %s: %w", file, err)
	}
	return anchor, nil
}

// writeAnchor replaces the anchor file durably, and never with an older head.
func writeAnchor(file string, c ledger.Checkpoint) error {
	old, err := readAnchor(file)
	switch {
	case errors.Is(err, os.ErrNotExist):
	case err != nil:
		return err
	case old.Size > c.Size || old.Size == c.Size && old.Root != c.Root:
		return &RolledBackError{File: file, Anchor: old.Head, Have: c.Head, Why: "another process has anchored another head of this ledger"}
	case old == c:
		return nil
	}
	dir := filepath.Dir(file)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make anchor folder: %w", err)
	}
	f, err := os.CreateTemp(dir, ".head-*")
	if err != nil {
		return fmt.Errorf("write anchor: %w", err)
	}
	_, err = f.WriteString(c.Text())
	if err == nil {
		err = f.Sync()
	}
	err = errors.Join(err, f.Close())
	if err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("write anchor: %w", err), os.Remove(f.Name()))
	}
	return syncDir(dir)
}

// headAt is the head that the database gives for a size, rebuilt from its
// tiles and events.
func headAt(q querier, size int64) (ledger.Head, error) {
	tail, err := leafHashes(q, size-size%ledger.TileWidth, size)
	if err != nil {
		return ledger.Head{}, err
	}
	tree, err := ledger.Resume(size, tileReader(q), tail)
	if err != nil {
		return ledger.Head{}, fmt.Errorf("rebuild ledger: %w", err)
	}
	return tree.Head(), nil
}

func tileReader(q querier) ledger.TileFunc {
	return func(level int, n int64) ([]byte, error) {
		var data []byte
		err := q.row(`SELECT data FROM tiles WHERE level = ? AND n = ?`, level, n).Scan(&data)
		if isNone(err) {
			return nil, errors.New("it is missing")
		}
		return data, err
	}
}

// Seal signs the head of now and returns the checkpoint, in the order that
// leaves no way to sign two roots of one size: what is signed was read back
// from the database, after the commit; it is anchored outside before it is
// signed, and kept before it is handed out. An empty ledger gives nil.
func (s *Store) Seal(ctx context.Context, key *ledger.Key) ([]byte, error) {
	s.sealing.Lock()
	defer s.sealing.Unlock()
	head := s.tree.Load().Head()
	if head.Size == 0 {
		return nil, nil
	}
	q := s.read.with(ctx)
	if note, err := checkpointOf(q, head.Size); note != nil || err != nil {
		return note, err
	}
	s.point("seal.read")
	stored, err := headAt(q, head.Size)
	if err != nil {
		return nil, err
	}
	if stored != head {
		return nil, fmt.Errorf("the ledger on the disk is not the one that was written, at %d events; verify it", head.Size)
	}
	s.point("seal.appended")
	c := ledger.Checkpoint{Origin: key.Origin(), Head: head}
	if s.opt.AnchorFile != "" {
		if err := writeAnchor(s.opt.AnchorFile, c); err != nil {
			return nil, err
		}
	}
	s.point("seal.anchored")
	note, err := key.Sign(c)
	if err != nil {
		return nil, fmt.Errorf("sign head: %w", err)
	}
	s.point("seal.signed")
	if err := s.do(ctx, func(t *tx) error {
		_, err := t.exec(`INSERT INTO checkpoints (size, root, note) VALUES (?,?,?) ON CONFLICT (size) DO NOTHING`,
			head.Size, head.Root[:], note)
		return err
	}); err != nil {
		return nil, fmt.Errorf("keep checkpoint: %w", err)
	}
	return checkpointOf(q, head.Size)
}

func checkpointOf(q querier, size int64) ([]byte, error) {
	var note []byte
	err := q.row(`SELECT note FROM checkpoints WHERE size = ?`, size).Scan(&note)
	if isNone(err) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read checkpoint: %w", err)
	}
	return note, nil
}

// RunSealer seals whenever most events have come or, if any have, every so
// often, until ctx ends. A seal that fails is tried again; each time that its
// error changes (nil: it works again) Options.Sealing is told. It returns
// ctx's error, or a *RolledBackError at once.
func (s *Store) RunSealer(ctx context.Context, key *ledger.Key, every time.Duration, most int64) error {
	tick := time.NewTicker(every)
	defer tick.Stop()
	sealed, last := int64(0), ""
	for {
		due := false
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-s.grown:
			due = s.tree.Load().Size()-sealed >= most
		case <-tick.C:
			due = s.tree.Load().Size() > sealed
		}
		if !due {
			continue
		}
		size := s.tree.Load().Size()
		_, err := s.Seal(ctx, key)
		var rolled *RolledBackError
		if errors.As(err, &rolled) {
			return err
		}
		if err == nil {
			sealed = size
		}
		if text := fmt.Sprint(err); ctx.Err() == nil && s.opt.Sealing != nil && text != last {
			if last != "" || err != nil {
				s.opt.Sealing(err)
			}
			last = text
		}
	}
}

// Checkpoint is the newest signed head; poct.ErrNotFound before the first.
func (s *Store) Checkpoint(ctx context.Context) ([]byte, error) {
	note, _, err := newestCheckpoint(s.read.with(ctx))
	return note, err
}

func newestCheckpoint(q querier) ([]byte, ledger.Head, error) {
	var note, root []byte
	var head ledger.Head
	err := q.row(`SELECT note, size, root FROM checkpoints ORDER BY size DESC LIMIT 1`).Scan(&note, &head.Size, &root)
	if isNone(err) {
		return nil, head, fmt.Errorf("checkpoint: %w", poct.ErrNotFound)
	}
	if err != nil {
		return nil, head, fmt.Errorf("read checkpoint: %w", err)
	}
	copy(head.Root[:], root)
	return note, head, nil
}

// Proof is the evidence that an event stands in the ledger.
type Proof struct {
	Event      poct.Event
	Path       tlog.RecordProof
	Head       ledger.Head
	Checkpoint []byte // signed
}

// Proof proves an event under the newest signed head; ErrUnsigned if it is
// younger, poct.ErrNotFound if there is none with this index.
func (s *Store) Proof(ctx context.Context, index int64) (Proof, error) {
	q := s.read.with(ctx)
	e, err := s.Event(ctx, index)
	if err != nil {
		return Proof{}, err
	}
	note, head, err := newestCheckpoint(q)
	if errors.Is(err, poct.ErrNotFound) || err == nil && index >= head.Size {
		return Proof{}, fmt.Errorf("event %d: %w", index, ErrUnsigned)
	}
	if err != nil {
		return Proof{}, err
	}
	path, err := s.tree.Load().Prove(head, index, tileReader(q))
	if err != nil {
		return Proof{}, fmt.Errorf("prove event %d: %w", index, err)
	}
	return Proof{e, path, head, note}, nil
}

// Size is the number of events in the ledger.
func (s *Store) Size(context.Context) (int64, error) { return s.tree.Load().Size(), nil }

// Event is one event by its index; poct.ErrNotFound if there is none.
func (s *Store) Event(ctx context.Context, index int64) (poct.Event, error) {
	found, err := selectEvents(s.read.with(ctx), `WHERE idx = ?`, index)
	if err != nil {
		return poct.Event{}, err
	}
	if len(found) == 0 {
		return poct.Event{}, fmt.Errorf("event %d: %w", index, poct.ErrNotFound)
	}
	return found[0], nil
}

// Events returns at most n events from an index on; fewer at the end.
func (s *Store) Events(ctx context.Context, from int64, n int) ([]poct.Event, error) {
	return selectEvents(s.read.with(ctx), `WHERE idx >= ? ORDER BY idx LIMIT ?`, from, n)
}
