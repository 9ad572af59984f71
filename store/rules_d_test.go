package store

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ledger"
	"tidegate/poct"
)

func newKey(t testing.TB) (*ledger.Key, string) {
	t.Helper()
	private, public, err := ledger.NewKey("millrace.example/1", rand.Reader)
	require.NoError(t, err)
	key, err := ledger.ParseKey(private)
	require.NoError(t, err)
	return key, public
}

// signedRoots are all roots that were ever handed out, by size.
type signedRoots struct {
	mu    sync.Mutex
	roots map[int64]string
}

func (r *signedRoots) add(t *testing.T, note []byte) {
	t.Helper()
	c, err := ledger.ParseText(noteText(note))
	require.NoError(t, err)
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.roots == nil {
		r.roots = map[int64]string{}
	}
	if was, ok := r.roots[c.Size]; ok && was != c.Root.String() {
		t.Errorf("two roots of size %d were signed", c.Size)
	}
	r.roots[c.Size] = c.Root.String()
}

// Several sealers on one growing store: one root per size, whatever they stop at.
func TestRuleD1OneRootPerSize(t *testing.T) {
	key, public := newKey(t)
	s := openIn(t, t.TempDir(), Options{AnchorFile: filepath.Join(t.TempDir(), "head")})
	var roots signedRoots
	var wg sync.WaitGroup
	for n := range 3 {
		wg.Go(func() {
			for range 20 {
				if n == 0 {
					_, err := s.Accept(ctx, arrival(fmt.Sprint(time.Now().UnixNano())))
					assert.NoError(t, err)
				}
				note, err := s.Seal(ctx, key)
				if assert.NoError(t, err) && note != nil {
					roots.add(t, note)
				}
			}
		})
	}
	wg.Wait()
	v, err := s.Verify(ctx, public, nil)
	require.NoError(t, err)
	assert.True(t, v.Verified, "%+v", v.Faults)
	assert.Equal(t, key.String(), v.SignedBy)
}

// Only a committed event is under a head: one that is being written is not.
func TestRuleD2SignsOnlyWhatIsCommitted(t *testing.T) {
	key, _ := newKey(t)
	s := openIn(t, t.TempDir(), Options{})
	_, err := s.Accept(ctx, arrival("one"))
	require.NoError(t, err)
	var during []byte
	s.hook = func(point string) {
		if point == "store.inserted" {
			s.hook = nil
			c, err := headAt(s.read.with(ctx), 1)
			assert.NoError(t, err)
			during, err = key.Sign(ledger.Checkpoint{Origin: key.Origin(), Head: c})
			assert.NoError(t, err)
			assert.EqualValues(t, 1, s.tree.Load().Size())
		}
	}
	_, err = s.Accept(ctx, arrival("two"))
	require.NoError(t, err)
	require.NotNil(t, during)
	note, err := s.Seal(ctx, key)
	require.NoError(t, err)
	c, err := ledger.ParseText(noteText(note))
	require.NoError(t, err)
	assert.EqualValues(t, 2, c.Size)
}

// copyFolder is an old copy of a data folder, as somebody might put it back.
func copyFolder(t *testing.T, s *Store) string {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, s.CopyTo(ctx, dir))
	return dir
}

// The order append, anchor, sign, hand out, broken off after each step and
// followed by an old copy: the copy is refused as soon as anything of the lost
// head can have been signed, and signs no second root of that size before.
func TestRuleD3OldCopyIsRefused(t *testing.T) {
	errStopped := errors.New("stopped")
	for _, c := range []struct {
		point   string
		refused bool
	}{
		{"seal.read", false},
		{"seal.appended", false},
		{"seal.anchored", true},
		{"seal.signed", true},
		{"", true},
	} {
		t.Run("stopped at "+c.point, func(t *testing.T) {
			key, _ := newKey(t)
			anchor := filepath.Join(t.TempDir(), "anchors", "head")
			dir := t.TempDir()
			s := openIn(t, dir, Options{AnchorFile: anchor})
			var roots signedRoots
			_, err := s.Accept(ctx, arrival("one"))
			require.NoError(t, err)
			note, err := s.Seal(ctx, key)
			require.NoError(t, err)
			roots.add(t, note)
			old := copyFolder(t, s)

			_, err = s.Accept(ctx, arrival("two"))
			require.NoError(t, err)
			s.hook = func(point string) {
				if point == c.point {
					panic(errStopped)
				}
			}
			func() {
				defer func() { _ = recover() }()
				note, err := s.Seal(ctx, key)
				require.NoError(t, err)
				roots.add(t, note)
			}()
			s.hook = nil

			restored, err := Open(old, Options{AnchorFile: anchor})
			if c.refused {
				var rolled *RolledBackError
				require.ErrorAs(t, err, &rolled)
				assert.EqualValues(t, 2, rolled.Anchor.Size)
				assert.EqualValues(t, 1, rolled.Have.Size)
				return
			}
			require.NoError(t, err)
			defer restored.Close()
			_, err = restored.Accept(ctx, arrival("another second one"))
			require.NoError(t, err)
			note, err = restored.Seal(ctx, key)
			require.NoError(t, err)
			roots.add(t, note)
		})
	}
}

func TestRuleD3AnotherLedgerUnderTheAnchorIsRefused(t *testing.T) {
	key, _ := newKey(t)
	anchor := filepath.Join(t.TempDir(), "head")
	s := openIn(t, t.TempDir(), Options{AnchorFile: anchor})
	_, err := s.Accept(ctx, arrival("one"))
	require.NoError(t, err)
	_, err = s.Seal(ctx, key)
	require.NoError(t, err)

	other := t.TempDir()
	o := openIn(t, other, Options{})
	for i := range 3 {
		_, err := o.Accept(ctx, arrival(fmt.Sprint("other", i)))
		require.NoError(t, err)
	}
	require.NoError(t, o.Close())
	var rolled *RolledBackError
	_, err = Open(other, Options{AnchorFile: anchor})
	require.ErrorAs(t, err, &rolled)
	assert.ErrorContains(t, err, "not the one that was anchored")

	dir := s.dir
	require.NoError(t, s.Close())
	require.NoError(t, os.Rename(anchor, anchor+".moved"))
	_, err = Open(dir, Options{AnchorFile: anchor})
	require.ErrorAs(t, err, &rolled)
	assert.ErrorContains(t, err, "anchor is missing")
	require.NoError(t, os.Rename(anchor+".moved", anchor))
	openIn(t, dir, Options{AnchorFile: anchor})
}

// A head that was appended and not signed is signed by whoever comes next,
// with the same bytes.
func TestRuleD5UnsignedHeadIsSignedLater(t *testing.T) {
	key, _ := newKey(t)
	anchor := filepath.Join(t.TempDir(), "head")
	dir := t.TempDir()
	s := openIn(t, dir, Options{AnchorFile: anchor})
	_, err := s.Accept(ctx, arrival("one"))
	require.NoError(t, err)
	c := ledger.Checkpoint{Origin: key.Origin(), Head: s.tree.Load().Head()}
	lost, err := key.Sign(c) // signed by one that died before it was kept
	require.NoError(t, err)
	require.NoError(t, writeAnchor(anchor, c))
	require.NoError(t, s.Close())
	again := openIn(t, dir, Options{AnchorFile: anchor})
	note, err := again.Seal(ctx, key)
	require.NoError(t, err)
	assert.Equal(t, string(lost), string(note))
}

func TestAnchorIsReplacedWhole(t *testing.T) {
	key, _ := newKey(t)
	file := filepath.Join(t.TempDir(), "deep", "head")
	one := ledger.Checkpoint{Origin: key.Origin(), Head: ledger.Head{Size: 1}}
	two := ledger.Checkpoint{Origin: key.Origin(), Head: ledger.Head{Size: 2}}
	require.NoError(t, writeAnchor(file, two))
	require.NoError(t, writeAnchor(file, two))
	var rolled *RolledBackError
	assert.ErrorAs(t, writeAnchor(file, one), &rolled, "never an older one")
	two.Root[0] = 1
	assert.ErrorAs(t, writeAnchor(file, two), &rolled, "never another one of the same size")
	entries, err := os.ReadDir(filepath.Dir(file))
	require.NoError(t, err)
	assert.Len(t, entries, 1, "no temporary file stays")
	require.NoError(t, os.WriteFile(file, []byte("not a head"), 0o600))
	assert.ErrorContains(t, writeAnchor(file, one), "three lines")
}

func TestRunSealer(t *testing.T) {
	key, _ := newKey(t)
	dir := t.TempDir()
	anchor := filepath.Join(t.TempDir(), "head")
	synctest.Test(t, func(t *testing.T) {
		var told []string
		s := openIn(t, dir, Options{AnchorFile: anchor, Sealing: func(err error) { told = append(told, fmt.Sprint(err)) }})
		run, stop := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- s.RunSealer(run, key, time.Second, 3) }()
		sealed := func() int64 {
			_, head, err := newestCheckpoint(s.read.with(ctx))
			if errors.Is(err, poct.ErrNotFound) {
				return 0
			}
			require.NoError(t, err)
			return head.Size
		}
		record := func(n int) {
			for range n {
				require.NoError(t, s.Record(ctx, poct.EventStarted, "", ""))
			}
		}
		record(1)
		synctest.Wait()
		assert.EqualValues(t, 0, sealed(), "one event waits for the clock")
		time.Sleep(time.Second) // of the bubble's clock: no time passes
		synctest.Wait()
		assert.EqualValues(t, 1, sealed())
		record(3)
		synctest.Wait()
		assert.EqualValues(t, 4, sealed(), "three do not")
		require.NoError(t, os.WriteFile(anchor, []byte("damaged"), 0o600))
		record(3)
		time.Sleep(3 * time.Second)
		synctest.Wait()
		assert.Len(t, told, 1, "told once")
		assert.EqualValues(t, 4, sealed())
		require.NoError(t, os.Remove(anchor))
		time.Sleep(time.Second)
		synctest.Wait()
		assert.Equal(t, "<nil>", told[1])
		assert.EqualValues(t, 7, sealed())
		stop()
		assert.ErrorIs(t, <-ended, context.Canceled)
		require.NoError(t, s.Close())
	})
}

// Every way in which somebody with the database in hand may change it is found,
// and the row or event named.
func TestVerifyFindsWhatWasChanged(t *testing.T) {
	key, public := newKey(t)
	anchor := filepath.Join(t.TempDir(), "head")
	s := openIn(t, t.TempDir(), Options{AnchorFile: anchor})
	fillForVerify(t, s)
	_, err := s.Seal(ctx, key)
	require.NoError(t, err)
	v, err := s.Verify(ctx, public, nil)
	require.NoError(t, err)
	require.True(t, v.Verified, "%+v", v.Faults)
	whole, err := os.ReadFile(filepath.Join(copyFolder(t, s), databaseFile))
	require.NoError(t, err)
	for _, c := range []struct{ name, sql, want string }{
		{"an event's time", `UPDATE events SET at = at + 1 WHERE idx = 5`, "was changed"},
		{"an event's actor", `UPDATE events SET actor = 'nobody' WHERE idx = 0`, "tile 0/0"},
		{"an event's payload", `UPDATE events SET payload = '{}' WHERE idx = 2`, "was changed"},
		{"an event removed", `DELETE FROM events WHERE idx = 7`, "event 7 is missing"},
		{"the last event removed", `DELETE FROM events WHERE idx = (SELECT max(idx) FROM events)`, "only"},
		{"an event slipped in", `INSERT INTO events SELECT max(idx) + 1, 1, 'looked', 'x', '', '', 0, '', '', NULL, NULL, NULL FROM events`, ""},
		{"an arrival's bytes", `UPDATE arrivals SET raw = 'other' WHERE seq = (SELECT min(seq) FROM arrivals)`, "are not those that came"},
		{"an arrival's bytes and digest", `UPDATE arrivals SET raw = 'other', digest = x'd9298a10d1b0735837dc4bd85dac641b0f3cef27a47e5d53a54f2f3f5b2fcffa' WHERE seq = (SELECT min(seq) FROM arrivals)`, "is not the one that was received"},
		{"an arrival removed", `PRAGMA foreign_keys = OFF; DELETE FROM arrivals WHERE seq = (SELECT max(seq) FROM arrivals)`, "is not in the table arrivals"},
		{"an arrival slipped in", `INSERT INTO arrivals SELECT seq + 1, id, inlet, 'x', digest, received, peer, format, control, batch, position, fault, event, packed, raw FROM arrivals LIMIT 1`, "has no event"},
		{"a version's reading", `UPDATE versions SET reading = replace(reading, '2.5', '2.6')`, "is not the one that was decided"},
		{"a version's checks", `UPDATE versions SET checks = '[]'`, "is not the one that was decided"},
		{"a version removed", `PRAGMA foreign_keys = OFF; DELETE FROM versions WHERE seq = (SELECT min(seq) FROM versions)`, "decided versions"},
		{"a result's patient", `UPDATE results SET patient = '1'`, "says something else"},
		{"a result's strip lot", `UPDATE results SET strip_lot = 'x'`, "another lot"},
		{"a control's chain", `UPDATE results SET chain = 'x'`, "another lot"},
		{"a result's state", `UPDATE results SET state = 'filed' WHERE state = 'delivered'`, "no event says so"},
		{"a result's version", `UPDATE results SET version = version + 1`, "newest version"},
		{"a delivery's state", `UPDATE deliveries SET state = 'ready' WHERE state = 'delivered'`, "no event says so"},
		{"a delivery's bytes", `UPDATE deliveries SET body = (SELECT body FROM deliveries WHERE body IS NOT NULL ORDER BY id DESC LIMIT 1) WHERE id = 1`, "are not those that were sent"},
		{"a delivery's digest", `UPDATE deliveries SET sha256 = x'00' WHERE id = 1`, "sent"},
		{"a delivery removed", `DELETE FROM deliveries WHERE id = 1`, "deliveries"},
		{"a delivery slipped in", `INSERT INTO deliveries SELECT 99, result, version, content, 'elsewhere', action, filing, issued, 'ready', 0, 0, 0, 0, 0, 0, NULL, NULL, '', '',
			(SELECT event FROM versions v WHERE v.seq = content) FROM deliveries WHERE id = 1`, "deliveries"},
		{"a hold opened again", `UPDATE holds SET open = 1 WHERE open = 0`, "no event says so"},
		{"a hold closed", `UPDATE holds SET open = 0, settled = '{}', version = 2 WHERE open = 1`, "no event says so"},
		{"a hold removed", `DELETE FROM holds WHERE open = 1`, "holds"},
		{"a call answered", `UPDATE criticals SET told = 'nobody'`, "no event says so"},
		{"a call not answered", `UPDATE criticals SET told = ''`, "no event says so"},
		{"who was told", `UPDATE calls SET told = 'another ward'`, "not the one that was made"},
		{"what was read back", `UPDATE calls SET read_back = '5.2' WHERE reached = 1`, "not the one that was made"},
		{"a call that reached nobody, as one that did", `UPDATE calls SET reached = 1`, "not the one that was made"},
		{"a call removed", `DELETE FROM calls WHERE reached = 0`, "is not in the table calls"},
		{"a pause taken back", `UPDATE outlet_pauses SET paused = 0`, "not the one that was asked for"},
		{"why an outlet was paused", `UPDATE outlet_pauses SET reason = 'no reason'`, "not the one that was asked for"},
		{"when an outlet was paused", `UPDATE outlet_pauses SET at = at + 1`, "not the one that was asked for"},
		{"a pause removed", `DELETE FROM outlet_pauses`, "is not in the table outlet_pauses"},
		{"a look-back's span", `UPDATE lookbacks SET since = since + 1`, "not the one that was opened"},
		{"a look-back removed", `DELETE FROM lookback_items; DELETE FROM lookbacks`, "look-backs"},
		{"a result taken off a look-back", `DELETE FROM lookback_items WHERE judged = ''`, "results looked back on"},
		{"a result judged", `UPDATE lookback_items SET judged = 'stands' WHERE judged = ''`, "no event says so"},
		{"a judgement", `UPDATE lookback_items SET judged = 'withdraw' WHERE judged = 'stands'`, "no event says so"},
		{"who judged", `UPDATE lookback_items SET actor = 'nobody' WHERE judged <> ''`, "no event says so"},
		{"why it was judged so", `UPDATE lookback_items SET reason = 'no reason' WHERE judged <> ''`, "no event says so"},
		{"a hold queued to be judged again", `INSERT INTO rejudgements SELECT seq, result, 0 FROM holds WHERE open = 0`, "waits to be judged again"},
		{"a notice", `UPDATE notices SET bytes = 'x'`, "notice"},
		{"a registry row", `UPDATE registry SET row = replace(row, '1951', '1952')`, "not as the history left them"},
		{"a registry row removed", `DELETE FROM registry WHERE kind = 'patients'`, "not as the history left them"},
		{"the registry and its history", `UPDATE registry SET row = replace(row, '1951', '1952'); UPDATE registry_history SET row = replace(row, '1951', '1952')`, "history at this event"},
		{"a reading's ending", `UPDATE readings SET ending = 'filed' WHERE ending = 'delivered'`, "counted again"},
		{"a sum", `UPDATE counters SET n = n + 1 WHERE name = 'arrivals/held'`, "counted again"},
		{"resends", `UPDATE resends SET count = count + 1`, "resends"},
		{"a tile", `UPDATE tiles SET data = zeroblob(8192)`, "tile 0/0"},
		{"a tile removed", `DELETE FROM tiles`, "tile 0/0 is missing"},
		{"a checkpoint's root", `UPDATE checkpoints SET root = zeroblob(32)`, "do not lead to the head"},
		{"a checkpoint's signature", `UPDATE checkpoints SET note = replace(CAST(note AS TEXT), '— millrace.example/1 ', '— millrace.example/1 AAAA')`, "checkpoint"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(dir, databaseFile), whole, 0o600))
			tamper(t, dir, c.sql)
			v, err := VerifyFolder(ctx, dir, Options{AnchorFile: anchor}, public, nil)
			require.NoError(t, err)
			if c.name == "an event slipped in" {
				// Behind the newest head nothing vouches for the end of the log.
				assert.True(t, v.Verified, "%+v", v.Faults)
				return
			}
			assert.False(t, v.Verified)
			found := false
			for _, f := range v.Faults {
				found = found || strings.Contains(f.What, c.want)
			}
			assert.True(t, found, "want a fault with %q, got %+v", c.want, v.Faults)
		})
	}
}

func tamper(t *testing.T, dir, text string) {
	t.Helper()
	db, err := Driver{}.open(filepath.Join(dir, databaseFile), toWrite)
	require.NoError(t, err)
	defer db.Close()
	db.SetMaxOpenConns(1)
	_, err = db.Exec(text)
	require.NoError(t, err)
}

// fillForVerify leaves a row of every kind, and more than one tile of events.
func fillForVerify(t *testing.T, s *Store) {
	t.Helper()
	_, _, err := s.Upsert(ctx, "r.ito", poct.RegistryRows{Patients: []poct.Patient{{Authority: "MILLRACE", ID: "40721", BirthDate: "1951-04-02"}}})
	require.NoError(t, err)
	require.NoError(t, s.Notice(ctx, poct.Notice{Inlet: "in", What: "cut off", Bytes: []byte("MSH")}))
	outcome := func(seq string, v poct.Verdict) poct.Outcome {
		r := poct.Reading{Kind: poct.KindPatient, Meter: "Q1", Sequence: seq, TestedAt: poct.Stamp{Raw: "20260302"},
			Measurements: []poct.Measurement{{Analyte: "inr", RawValue: "2.5", Value: poct.MustNumber("2.5")}}}
		o := poct.Outcome{Verdict: v, Result: poct.Result{Key: r.Key(), Site: "saltmarsh", Reading: r, Patient: poct.Patient{ID: "40721"}},
			Checks: []poct.CheckAnswer{{Check: "1", Answer: poct.Pass}}}
		if v == poct.Release {
			o.Action, o.Outlets = poct.Create, []string{"record"}
		}
		if v == poct.HoldIt {
			o.Critical, o.Problems = true, []poct.Problem{{Code: "lot-unknown", Severity: poct.Hold}}
		}
		return o
	}
	take := func(o poct.Outcome) string {
		_, err := s.Accept(ctx, arrival("message "+o.Result.Key))
		require.NoError(t, err)
		claims, err := s.ClaimArrivals(ctx, "w", 10, time.Minute)
		require.NoError(t, err)
		ds, errs, err := s.Decide(ctx, claims, func(poct.Book, poct.Arrival) (poct.Decision, error) {
			return poct.Decision{Outcomes: []poct.Outcome{o}}, nil
		})
		require.NoError(t, errors.Join(append(errs, err)...))
		return ds[0].Outcomes[0].Result.ID
	}
	for i := range 50 {
		take(outcome(fmt.Sprint(i), poct.Release))
		ds, err := s.ClaimDeliveries(ctx, "record", "w", 10, time.Minute)
		require.NoError(t, err)
		require.NoError(t, s.Intent(ctx, ds[0], fmt.Appendf(nil, "bytes of %d", i), nil))
		require.NoError(t, s.Finish(ctx, ds[0], poct.SendOutcome{Done: true}))
	}
	take(outcome("held", poct.HoldIt))
	id := take(outcome("settled", poct.HoldIt))
	holds, err := s.Holds(ctx, HoldFilter{Result: id})
	require.NoError(t, err)
	_, err = s.Settle(ctx, holds[0].ID, poct.Settlement{Act: poct.ActDiscard, Version: 1, Actor: "r.ito"}, nil)
	require.NoError(t, err)
	require.NoError(t, s.Call(ctx, poct.CallTry{Result: id, By: "r.ito", To: "ward", Comment: "no answer"}))
	require.NoError(t, s.Call(ctx, poct.CallTry{Result: id, By: "r.ito", To: "ward", Reached: true, ReadBack: "2.5", Comment: "told"}))
	require.NoError(t, s.PauseOutlet(ctx, "second", "k.osei", "being moved"))
	_, err = s.Accept(ctx, arrival("message "+outcome("held", poct.HoldIt).Result.Key))
	require.NoError(t, err)
	failed := outcome("control", poct.File)
	failed.Result.Reading.Kind, failed.Result.Reading.ControlLevel = poct.KindControl, "1"
	failed.Result.Reading.TestedAt.At = time.Now()
	for _, seq := range []string{"50", "51"} {
		o := outcome(seq, poct.Release)
		o.Result.Reading.TestedAt.At = time.Now().Add(-time.Hour)
		take(o)
	}
	take(failed)
	lists, err := s.LookBacks(ctx, true, "", 0)
	require.NoError(t, err)
	require.Len(t, lists, 1)
	b, err := s.LookBack(ctx, lists[0].ID, "", 0)
	require.NoError(t, err)
	require.NoError(t, s.JudgeItem(ctx, b.ID, poct.Judgement{Result: b.Items[0].Result, Version: 1, Judged: poct.Stands, Actor: "k.osei", Reason: "vial was fine"}, nil))
}

// Erasing payloads keeps every proof, and verification says how many.
func TestErasedPayloadsVerify(t *testing.T) {
	key, public := newKey(t)
	s := openIn(t, t.TempDir(), Options{})
	fillForVerify(t, s)
	_, err := s.Seal(ctx, key)
	require.NoError(t, err)
	events, err := s.Events(ctx, 0, 10)
	require.NoError(t, err)
	e := events[2]
	require.NoError(t, s.Close())
	tamper(t, s.dir, fmt.Sprintf(`UPDATE events SET payload = NULL, salt = NULL, digest = '%s' WHERE idx = 2`, e.Digest))
	v, err := VerifyFolder(ctx, s.dir, Options{}, public, nil)
	require.NoError(t, err)
	assert.True(t, v.Verified, "%+v", v.Faults)
	assert.EqualValues(t, 1, v.Erased)
}

func TestVerifyFolderBesideItsOwner(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{})
	fillForVerify(t, s)
	last := int64(0)
	v, err := VerifyFolder(ctx, s.dir, Options{}, "", func(done, of int64) {
		assert.LessOrEqual(t, done, of)
		last = done
	})
	require.NoError(t, err)
	assert.True(t, v.Verified)
	assert.Equal(t, v.Size, last)
	assert.Len(t, v.Notes, 1)
	_, err = VerifyFolder(ctx, t.TempDir(), Options{}, "", nil)
	assert.ErrorIs(t, err, os.ErrNotExist)
	_, err = VerifyFolder(ctx, s.dir, Options{}, "not a key", nil)
	assert.Error(t, err)
}

func TestCopyTo(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{})
	fillForVerify(t, s)
	dir := copyFolder(t, s)
	info, err := os.Stat(filepath.Join(dir, databaseFile))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	c := openIn(t, dir, Options{})
	want, err := s.Account(ctx)
	require.NoError(t, err)
	got, err := c.Account(ctx)
	require.NoError(t, err)
	assert.Equal(t, want, got)
	verifies(t, c)
	_, err = c.Accept(ctx, arrival("only in the copy"))
	require.NoError(t, err)
	assert.Error(t, s.CopyTo(ctx, dir), "never over another one")
}
