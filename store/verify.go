package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"tidegate/ledger"
	"tidegate/poct"
)

const (
	maxFaults  = 1000 // listed; more are only counted as not verified
	eventsPage = 4096
)

// Verify recomputes everything that the ledger vouches for, as of one moment:
//
//   - the events: their numbers, leaves, tiles, and the root at every head
//     that was ever handed out, with its signature, and at the anchor;
//   - the rows: each names the event that put it into its state; that event
//     must be about this row, of a fitting kind, and hold the digest of what
//     the row says; and each event of that kind must have its row;
//   - the sums.
//
// Contacts and notifications are working data that no event vouches for: what
// they tell of stands in readings, holds and calls.
//
// keys are the public keys to check signatures with, one a line; "" checks
// none and says so in a note. progress may be nil.
func (s *Store) Verify(ctx context.Context, keys string, progress func(done, of int64)) (ledger.Verification, error) {
	return VerifyFolder(ctx, s.dir, s.opt, keys, progress)
}

// VerifyFolder verifies a data folder, also beside the daemon that owns it. It
// changes nothing.
func VerifyFolder(ctx context.Context, dir string, opt Options, keys string, progress func(done, of int64)) (ledger.Verification, error) {
	if progress == nil {
		progress = func(int64, int64) {}
	}
	v := &verifier{ctx: ctx, report: ledger.Verification{Faults: []ledger.Fault{}}, packer: newPacker(), opt: opt, progress: progress}
	if strings.TrimSpace(keys) != "" {
		trusted, err := ledger.Keys(keys)
		if err != nil {
			return v.report, err
		}
		v.keys, v.report.Trusted = trusted, true
	} else {
		v.report.Notes = append(v.report.Notes, "No public key was given: the signatures of the heads were not checked.")
	}
	path := filepath.Join(dir, databaseFile)
	if _, err := os.Stat(path); err != nil {
		return v.report, fmt.Errorf("open data folder: %w", err)
	}
	db, err := opt.Driver.open(path, toLook)
	if err != nil {
		return v.report, fmt.Errorf("open database: %w", err)
	}
	defer db.Close()
	one, err := db.Conn(ctx)
	if err != nil {
		return v.report, fmt.Errorf("open database: %w", err)
	}
	defer one.Close()
	if err := one.Raw(func(conn any) error { return v.within(conn) }); err != nil {
		return v.report, err
	}
	v.report.Verified = v.faults == 0
	return v.report, nil
}

// within verifies in one reading transaction: one snapshot for everything.
func (v *verifier) within(conn any) error {
	raw, err := newRawConn(conn)
	if err != nil {
		return err
	}
	defer raw.close()
	if _, err := raw.run(`BEGIN`); err != nil {
		return fmt.Errorf("open database: %w", err)
	}
	v.q = raw
	if err = checkSchema(raw); err == nil {
		err = v.run()
	}
	_, undone := raw.run(`ROLLBACK`)
	return errors.Join(err, undone)
}

type verifier struct {
	ctx      context.Context
	q        querier
	opt      Options
	report   ledger.Verification
	faults   int
	keys     []note.Verifier
	packer   *packer
	progress func(done, of int64)
	kinds    map[poct.EventKind]int64    // how many events of each
	versions int64                       // decided, by the events
	sends    int64                       // deliveries queued, by the events
	sent     map[int64][sha256.Size]byte // what each delivery sent, by the events
	tiles    map[tileKey][sha256.Size]byte
}

type tileKey struct {
	level int
	n     int64
}

func (v *verifier) fault(index int64, format string, args ...any) {
	v.faults++
	if len(v.report.Faults) < maxFaults {
		v.report.Faults = append(v.report.Faults, ledger.Fault{Index: index, What: fmt.Sprintf(format, args...)})
	}
}

func (v *verifier) run() error {
	for _, step := range []func() error{
		v.ledger, v.storedTiles, v.arrivals, v.results, v.deliveries, v.holds, v.smaller, v.counters,
	} {
		if err := firstOf(v.ctx.Err(), step()); err != nil {
			return fmt.Errorf("verify: %w", err)
		}
	}
	return nil
}

// head is a head that was handed out or anchored.
type head struct {
	ledger.Head
	note   []byte
	anchor bool
}

func (v *verifier) heads() ([]head, error) {
	heads, err := collect(v.q, func(rows rowSet) (head, error) {
		var h head
		var root []byte
		err := rows.Scan(&h.Size, &root, &h.note)
		copy(h.Root[:], root)
		return h, err
	}, `SELECT size, root, note FROM checkpoints ORDER BY size`)
	if err != nil || v.opt.AnchorFile == "" {
		return heads, err
	}
	anchor, err := readAnchor(v.opt.AnchorFile)
	if errors.Is(err, os.ErrNotExist) {
		if len(heads) > 0 {
			v.fault(-1, "the anchor is missing, although heads were signed")
		}
		return heads, nil
	}
	if err != nil {
		v.fault(-1, "%v", err)
		return heads, nil
	}
	at := 0
	for at < len(heads) && heads[at].Size <= anchor.Size {
		at++
	}
	heads = append(heads[:at], append([]head{{Head: anchor.Head, anchor: true}}, heads[at:]...)...)
	return heads, nil
}

// ledger goes through all events once, in order, and grows the tree anew.
func (v *verifier) ledger() error {
	heads, err := v.heads()
	if err != nil {
		return err
	}
	var size int64
	if err := v.q.row(`SELECT coalesce(max(idx) + 1, 0) FROM events`).Scan(&size); err != nil {
		return err
	}
	tree := &ledger.Tree{}
	v.kinds, v.tiles = map[poct.EventKind]int64{}, map[tileKey][sha256.Size]byte{}
	v.sent = map[int64][sha256.Size]byte{}
	pages, failed := v.pages(size)
	heads = v.passed(tree, heads)
	for page := range pages {
		for _, e := range page {
			for missing := tree.Size(); missing < e.Index; missing++ {
				v.fault(missing, "event %d is missing", missing)
				v.grow(tree, poct.Event{Index: missing})
				heads = v.passed(tree, heads)
			}
			v.seen(e)
			v.grow(tree, e)
			heads = v.passed(tree, heads)
		}
		v.progress(tree.Size(), size)
	}
	if err := <-failed; err != nil {
		return err
	}
	for _, h := range heads {
		v.fault(-1, "a head of %d events was %s, but only %d events are here", h.Size, h.origin(), tree.Size())
	}
	v.report.Size, v.report.Root = tree.Size(), base64.StdEncoding.EncodeToString(rootOf(tree))
	return nil
}

func rootOf(t *ledger.Tree) []byte {
	h := t.Head()
	return h.Root[:]
}

// pages reads the events ahead while earlier ones are hashed.
func (v *verifier) pages(size int64) (<-chan []poct.Event, <-chan error) {
	pages, failed := make(chan []poct.Event, 2), make(chan error, 1)
	go func() {
		defer close(pages)
		for from := int64(0); from < size; from += eventsPage {
			if v.ctx.Err() != nil {
				failed <- v.ctx.Err()
				return
			}
			page, err := selectEvents(v.q, `WHERE idx >= ? AND idx < ? ORDER BY idx`, from, from+eventsPage)
			if err != nil {
				failed <- err
				return
			}
			pages <- page
		}
		failed <- nil
	}()
	return pages, failed
}

func (v *verifier) seen(e poct.Event) {
	v.report.Events++
	v.kinds[e.Kind]++
	switch e.Kind {
	case poct.EventReleased, poct.EventHeld, poct.EventFiled, poct.EventDuplicate, poct.EventIgnored:
		if e.Version > 0 {
			v.versions++
		}
	}
	switch e.Kind {
	case poct.EventReleased, poct.EventCancelled:
		v.sends += int64(bytes.Count(e.Payload, []byte(`{"outlet":"`)))
	case poct.EventIntent:
		id, ok1 := deliveryIn(e.Payload)
		sum, ok2 := sumIn(e.Payload)
		if was, again := v.sent[id]; again && was != sum {
			v.fault(e.Index, "delivery %d was sent with other bytes before", id)
		}
		if ok1 && ok2 {
			v.sent[id] = sum
		}
	}
	if e.Payload == nil && e.Digest != "" {
		v.report.Erased++
	}
}

func (v *verifier) grow(tree *ledger.Tree, e poct.Event) {
	for _, tile := range tree.Append(ledger.LeafHash(e)) {
		v.tiles[tileKey{tile.Level, tile.N}] = sha256.Sum256(tile.Data)
	}
}

// passed checks the heads of this size and returns the others.
func (v *verifier) passed(tree *ledger.Tree, heads []head) []head {
	for len(heads) > 0 && heads[0].Size == tree.Size() {
		h := heads[0]
		heads = heads[1:]
		if h.Root != tree.Head().Root {
			v.fault(h.Size-1, "the events up to %d do not lead to the head that was %s: one of them was changed", h.Size-1, h.origin())
		}
		if !h.anchor {
			v.signature(h)
		}
	}
	return heads
}

func (h head) origin() string {
	if h.anchor {
		return "anchored"
	}
	return "handed out"
}

func (v *verifier) signature(h head) {
	c, err := ledger.ParseText(noteText(h.note))
	if err != nil || c.Head != h.Head {
		v.fault(-1, "the kept checkpoint of %d events says something else than its row", h.Size)
		return
	}
	v.report.Origin = c.Origin
	if v.keys == nil {
		return
	}
	_, by, err := ledger.Open(h.note, v.keys...)
	if err != nil {
		v.fault(-1, "the checkpoint of %d events: %v", h.Size, err)
		return
	}
	v.report.SignedBy = by
}

// storedTiles compares the kept tiles with the ones grown anew.
func (v *verifier) storedTiles() error {
	rows, err := v.q.rows(`SELECT level, n, data FROM tiles`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var k tileKey
		var data sql.RawBytes
		if err := rows.Scan(&k.level, &k.n, &data); err != nil {
			return err
		}
		want, ok := v.tiles[k]
		if !ok || want != sha256.Sum256(data) {
			v.fault(k.first(), "tile %d/%d is not what the events lead to: it or one of its events was changed", k.level, k.n)
		}
		delete(v.tiles, k)
	}
	for k := range v.tiles {
		v.fault(k.first(), "tile %d/%d is missing", k.level, k.n)
	}
	return rows.Err()
}

// first is the first event under a tile.
func (k tileKey) first() int64 {
	n := k.n
	for range k.level + 1 {
		n *= ledger.TileWidth
	}
	return n
}
