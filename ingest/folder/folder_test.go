package folder

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/fsnotify/fsnotify"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/sourcetest"
)

// bench is an inlet whose rounds the test plays by hand: no clock runs, a poll
// is a call.
type bench struct {
	*Inlet
	t   *testing.T
	dir string
	box *sourcetest.Inbox
	log bytes.Buffer
}

func newBench(t *testing.T, cfg Config) *bench {
	t.Helper()
	b := &bench{t: t, dir: t.TempDir(), box: sourcetest.NewInbox()}
	cfg.Path = filepath.Join(b.dir, "drop")
	if cfg.MaxSize == 0 {
		cfg.MaxSize = 4096
	}
	b.dir = cfg.Path
	var err error
	b.Inlet, err = New(cfg, Settings{ID: "drop", Inbox: b.box, Log: zerolog.New(&b.log)})
	require.NoError(t, err)
	require.NoError(t, b.Listen())
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	return b
}

func (b *bench) poll(times int) {
	for range times {
		b.round(b.t.Context(), b.t.Context(), true)
	}
}

// event plays a round that a change in the folder brings about.
func (b *bench) event() { b.round(b.t.Context(), b.t.Context(), false) }

func (b *bench) write(name, content string) {
	b.t.Helper()
	require.NoError(b.t, os.WriteFile(filepath.Join(b.dir, name), []byte(content), 0o600))
}

// files lists a folder; its own folders are left out.
func (b *bench) files(dir string) []string {
	b.t.Helper()
	entries, err := os.ReadDir(filepath.Join(b.dir, dir))
	require.NoError(b.t, err)
	names := []string{}
	for _, e := range entries {
		if !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return names
}

func (b *bench) stored() int { return len(b.box.Stored()) }

const table = "Serial;INR\nR-1;2,4\n"

// polls needed with the built-in times: 10s are 5 polls of 2s, from the first
// look to the last.
const polls = 1 + 5 + 1

func TestStablePolls(t *testing.T) {
	for _, tt := range []struct {
		poll, stable time.Duration
		want         int
	}{
		{2 * time.Second, 5 * time.Second, 4},
		{2 * time.Second, 10 * time.Second, 6},
		{5 * time.Second, 5 * time.Second, 2},
		{time.Minute, 5 * time.Second, 2},
		{50 * time.Millisecond, 100 * time.Millisecond, 3},
	} {
		assert.Equal(t, tt.want, Config{Poll: tt.poll, StableFor: tt.stable}.stablePolls(), "%v in %v", tt.stable, tt.poll)
	}
}

func TestWaitsUntilNothingChanges(t *testing.T) {
	b := newBench(t, Config{})
	b.write("a.csv", table)
	b.poll(polls - 1)
	for range 20 {
		b.event() // however often something happens elsewhere
	}
	require.Zero(t, b.stored())
	b.write("a.csv", table+"R-1;2,5\n")
	b.poll(polls - 1)
	require.Zero(t, b.stored(), "it has changed: waiting begins anew")
	require.NoError(t, os.Chtimes(filepath.Join(b.dir, "a.csv"), time.Time{}, time.Now().Add(time.Minute)))
	b.poll(polls - 1)
	require.Zero(t, b.stored(), "a new time is a change too, whatever the clock of the file server says")
	b.poll(1)
	require.Equal(t, 1, b.stored())
	assert.Equal(t, table+"R-1;2,5\n", string(b.box.Stored()[0].Raw))
	assert.Equal(t, "csv", b.box.Stored()[0].Format)
	assert.Equal(t, "a.csv", b.box.Stored()[0].Peer)
	assert.Equal(t, []string{"a.csv"}, b.files("done"))
	assert.Empty(t, b.files("."))
	assert.Empty(t, b.files("work"))
}

func TestWhole(t *testing.T) {
	for _, tt := range []struct {
		name    string
		prepare func(b *bench)
		taken   bool // in the first round
	}{
		{"renamed from .tmp", func(b *bench) { b.renamed("a.csv.tmp", "a.csv") }, true},
		{"renamed from .part, no line end", func(b *bench) { b.renamed("a.csv.part", "a.csv") }, true},
		{"renamed from x~", func(b *bench) { b.renamed("a.csv~", "a.csv") }, true},
		{"renamed from another name", func(b *bench) { b.renamed("b.old", "a.csv") }, false},
		{"renamed while nobody watched", func(b *bench) { b.write("a.csv", table) }, false},
		{"a marker", func(b *bench) { b.write("a.csv", table[:5]); b.write("a.done", "") }, true},
		{"a marker of another file", func(b *bench) { b.write("a.csv", table); b.write("b.done", "") }, false},
		{"a marker left over from before", func(b *bench) {
			b.write("a.done", "")
			require.NoError(b.t, os.Chtimes(filepath.Join(b.dir, "a.done"), time.Time{}, time.Now().Add(-time.Hour)))
			b.write("a.csv", table)
		}, false},
		{"a temporary name", func(b *bench) { b.write("a.csv.tmp", table); b.write("a.csv.done", "") }, false},
		{"a hidden name", func(b *bench) { b.write(".a.csv", table); b.write(".a.done", "") }, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, Config{})
			tt.prepare(b)
			b.event()
			want := 0
			if tt.taken {
				want = 1
			}
			assert.Equal(t, want, b.stored())
			if tt.taken {
				assert.Empty(t, b.box.Stored()[0].Fault)
				assert.Empty(t, b.files("."), "the marker goes too")
			}
		})
	}
}

func (b *bench) renamed(from, to string) {
	b.write(from, table[:len(table)-1])
	require.NoError(b.t, os.Rename(filepath.Join(b.dir, from), filepath.Join(b.dir, to)))
	b.note(fsnotify.Event{Name: filepath.Join(b.dir, from), Op: fsnotify.Rename})
}

// What stands in the folder and is no file to be taken stays there for good.
func TestLeftAlone(t *testing.T) {
	b := newBench(t, Config{Patterns: []string{"*.csv", "q-??.hl7"}})
	outside := filepath.Join(t.TempDir(), "outside.csv")
	require.NoError(t, os.WriteFile(outside, []byte(table), 0o600))
	require.NoError(t, os.Symlink(outside, filepath.Join(b.dir, "link.csv")))
	require.NoError(t, os.Mkdir(filepath.Join(b.dir, "folder.csv"), 0o700))
	b.write("empty.csv", "")
	b.write("readme.txt", "not a result\n")
	b.write("half.csv.part", table)
	b.write("q-123.hl7", table)
	before := b.files(".")
	b.poll(10 * polls)
	assert.Zero(t, b.stored())
	assert.Equal(t, before, b.files("."))
	b.write("q-12.hl7", string(sourcetest.Message(1)))
	b.poll(polls)
	assert.Equal(t, 1, b.stored(), "names of a pattern are taken")
}

func TestCutOff(t *testing.T) {
	batch := string(sourcetest.Batch(sourcetest.Message(1), sourcetest.Message(2)))
	for _, tt := range []struct {
		name, file, content string
	}{
		{"no line end", "a.csv", table[:len(table)-1]},
		{"an open quotation mark", "a.csv", "Serial;Note\nR-1;\"broken\n"},
		{"half a message", "a.hl7", string(sourcetest.Message(1)[:90])},
		{"a batch without its trailer", "a.hl7", batch[:strings.Index(batch, "BTS")]},
		{"a file without its trailer", "a.txt", "FHS|^~\\&|QUILL3\r" + batch},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, Config{})
			b.write(tt.file, tt.content)
			b.poll(2 * polls)
			require.Zero(t, b.stored(), "waited for")
			b.poll(2 * polls)
			require.Equal(t, 1, b.stored(), "and stored as it is, in one piece")
			got := b.box.Stored()[0]
			assert.Equal(t, tt.content, string(got.Raw))
			assert.Contains(t, got.Fault, "cut off")
			assert.Equal(t, []string{tt.file}, b.files("error"))
			assert.Empty(t, b.files("done"))
		})
	}
}

func TestCompletedInTime(t *testing.T) {
	b := newBench(t, Config{})
	b.write("a.csv", table[:len(table)-1])
	b.poll(2 * polls)
	b.write("a.csv", table)
	b.poll(polls)
	require.Equal(t, 1, b.stored())
	assert.Empty(t, b.box.Stored()[0].Fault)
	assert.Equal(t, []string{"a.csv"}, b.files("done"))
}

// A count that does not agree is told, and the messages are taken: nothing is
// cut off.
func TestCountThatDoesNotAgree(t *testing.T) {
	b := newBench(t, Config{})
	batch := string(sourcetest.Batch(sourcetest.Message(1), sourcetest.Message(2)))
	b.write("a.hl7", strings.Replace(batch, "BTS|2", "BTS|3", 1))
	b.poll(polls)
	assert.Equal(t, 2, b.stored())
	require.Len(t, b.box.Notices(), 1)
	assert.Contains(t, b.box.Notices()[0].What, "counts 3")
	assert.Equal(t, []string{"a.hl7"}, b.files("done"))
}

func TestTooLarge(t *testing.T) {
	b := newBench(t, Config{MaxSize: 1024})
	for n, end := range []string{"first\n", "second\n"} {
		b.write("export.csv", strings.Repeat("R-1;2,4\n", keptOfLarge)+end)
		b.poll(polls)
		require.Equal(t, 1, b.stored(), "the same beginning is the same arrival")
		require.Len(t, b.box.Notices(), n, "and the other file does not go unnoticed")
	}
	got := b.box.Stored()[0]
	assert.Contains(t, got.Fault, "larger than 1024 bytes")
	assert.Len(t, got.Raw, 1025)
	assert.Len(t, b.files("error"), 2)
	assert.Empty(t, b.files("done"))
}

// A store that is down: the file in hand stays in work, the others in the drop
// folder, attempts become rare, and one line is logged.
func TestStoreDown(t *testing.T) {
	b := newBench(t, Config{})
	b.box.FailBefore()
	for n := range 3 {
		b.write(fmt.Sprintf("lightkeeper-%d.csv", n), table+fmt.Sprintf("R-%d;2,6\n", n))
	}
	b.poll(polls)
	assert.Equal(t, []string{"lightkeeper-0.csv"}, b.files("work"))
	assert.Len(t, b.files("."), 2)
	b.poll(1000)
	tries := len(b.box.Tried)
	assert.Greater(t, tries, 1000/15, "tried again")
	assert.Less(t, tries, 1000/15+10, "but at most every 30s, which are 15 polls")
	for range 100 {
		b.event()
	}
	assert.Len(t, b.box.Tried, tries, "and not at every change in the folder")
	assert.Equal(t, 1, strings.Count(b.log.String(), "files wait"))
	assert.NotContains(t, b.log.String(), "lightkeeper", "a name may say whose result it is")

	b.box.Recover()
	b.poll(15 + polls)
	assert.Equal(t, 3, b.stored())
	assert.Len(t, b.files("done"), 3)
	assert.Equal(t, 1, strings.Count(b.log.String(), "taken again"))
}

// One file that is never taken keeps no other waiting for ever.
func TestOneFileFails(t *testing.T) {
	b := newBench(t, Config{})
	for n := range 3 {
		b.write(fmt.Sprintf("work/%d.hl7", n), string(sourcetest.Message(n)))
	}
	b.box.FailBefore()
	b.poll(1)
	require.Zero(t, b.stored())
	require.Equal(t, 1, b.skip)
	b.box.FailBehind(2) // the one that failed comes last now
	b.poll(1)
	assert.Equal(t, []string{"0.hl7"}, b.files("work"))
	assert.Equal(t, 2, b.stored())
}

// What a crash leaves in work is taken at the start, however far it had got.
func TestLeftInWork(t *testing.T) {
	b := newBench(t, Config{})
	b.write("work/a.hl7", string(sourcetest.Message(1)))
	b.write("work/b.csv", table[:len(table)-1]) // was said to be whole
	b.write("work/cut-off/c.csv", table[:len(table)-2])
	b.box.FailAfter() // killed behind the commit
	b.poll(1)
	b.box.Recover()
	b.poll(3)
	require.Equal(t, 3, b.stored(), "once each")
	assert.Equal(t, []string{"a.hl7", "b.csv"}, b.files("done"))
	assert.Equal(t, []string{"c.csv"}, b.files("error"))
	for _, a := range b.box.Stored() {
		assert.Equal(t, a.Peer == "c.csv", a.Fault != "", a.Peer)
	}
}

// A cut-off file that turns out whole after it was given up is still a doubt.
func TestCompletedTooLate(t *testing.T) {
	b := newBench(t, Config{})
	b.write("work/cut-off/c.csv", table)
	b.poll(1)
	require.Equal(t, 1, b.stored())
	assert.Contains(t, b.box.Stored()[0].Fault, "too late")
}

func TestSameBytesOtherName(t *testing.T) {
	b := newBench(t, Config{})
	b.write("a.csv", table)
	b.write("b.csv", table)
	b.poll(polls)
	assert.Equal(t, 1, b.stored())
	assert.Equal(t, []string{"a.csv", "b.csv"}, b.files("done"))
}

func TestSameNameOtherBytes(t *testing.T) {
	b := newBench(t, Config{})
	for _, content := range []string{table, table + "R-1;2,5\n", table, table + "R-1;2,5\n"} {
		b.write("a.csv", content)
		b.poll(polls)
	}
	assert.Equal(t, 2, b.stored())
	done := b.files("done")
	require.Len(t, done, 3, "the first, and each content under its digest")
	assert.Contains(t, done, "a.csv")
	for _, name := range done {
		assert.True(t, strings.HasPrefix(name, "a.") && strings.HasSuffix(name, ".csv"), name)
	}
}

func TestSameNameStillInWork(t *testing.T) {
	b := newBench(t, Config{})
	b.box.FailBefore()
	b.write("a.csv", table)
	b.poll(polls)
	b.write("a.csv", table+"R-1;2,5\n")
	b.box.Recover()
	b.poll(2 * polls)
	require.Equal(t, 2, b.stored())
	assert.Equal(t, table, string(b.box.Stored()[0].Raw), "in the order in which they came")
}

func TestLongNames(t *testing.T) {
	b := newBench(t, Config{})
	name := strings.Repeat("n", 251) + ".csv" // 255 bytes, the longest there is on ext4
	for _, content := range []string{table, table + "R-1;2,5\n"} {
		b.write(name, content)
		b.poll(polls)
	}
	assert.Equal(t, 2, b.stored())
	assert.Len(t, b.files("done"), 2)
	assert.Empty(t, b.files("work"))
}

// A file that is written to while it is being taken is taken again, all of it.
func TestGrowsInWork(t *testing.T) {
	b := newBench(t, Config{})
	b.write("a.csv", table)
	open := b.box.Block()
	took := make(chan struct{})
	go func() { defer close(took); b.poll(polls) }()
	<-b.box.Tried
	f, err := os.OpenFile(filepath.Join(b.dir, "work/a.csv"), os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = f.WriteString("R-1;2,5\n")
	require.NoError(t, err)
	require.NoError(t, f.Close())
	open()
	<-took
	b.poll(1)
	require.Equal(t, 2, b.stored())
	assert.Equal(t, table+"R-1;2,5\n", string(b.box.Stored()[1].Raw))
	assert.Equal(t, []string{"a.csv"}, b.files("done"))
}

// A file that is stored and cannot be moved is not stored over and over.
func TestCannotBeMoved(t *testing.T) {
	b := newBench(t, Config{})
	require.NoError(t, os.Remove(filepath.Join(b.dir, "done")))
	require.NoError(t, os.Symlink("nowhere", filepath.Join(b.dir, "done")))
	b.write("work/a.csv", table)
	b.poll(100)
	assert.Len(t, b.box.Tried, 1)
	assert.Contains(t, b.log.String(), "move file")
	assert.NotContains(t, b.log.String(), "a.csv")
	require.NoError(t, os.Remove(filepath.Join(b.dir, "done")))
	require.NoError(t, os.Mkdir(filepath.Join(b.dir, "done"), 0o700))
	b.poll(1)
	assert.Equal(t, []string{"a.csv"}, b.files("done"))
	assert.Len(t, b.box.Tried, 1)
}

// A link in the place of one of its own folders leads nowhere.
func TestFolderIsALink(t *testing.T) {
	b := newBench(t, Config{})
	outside := t.TempDir()
	require.NoError(t, os.Remove(filepath.Join(b.dir, "done")))
	require.NoError(t, os.Symlink(outside, filepath.Join(b.dir, "done")))
	b.write("work/a.csv", table)
	b.poll(3)
	entries, err := os.ReadDir(outside)
	require.NoError(t, err)
	assert.Empty(t, entries)
	assert.Equal(t, []string{"a.csv"}, b.files("work"))
}

// A share that is unmounted and mounted again is another folder of the same name.
func TestFolderIsReplaced(t *testing.T) {
	b := newBench(t, Config{})
	b.poll(1)
	require.NoError(t, os.Rename(b.dir, b.dir+".away"))
	b.poll(3)
	assert.Contains(t, b.log.String(), "the folder is away")
	require.NoError(t, os.Mkdir(b.dir, 0o700))
	b.write("a.csv", table)
	b.poll(polls)
	assert.Equal(t, 1, b.stored())
	assert.Equal(t, []string{"a.csv"}, b.files("done"))
}

func TestConfig(t *testing.T) {
	require.Empty(t, Config{Path: "drop"}.Validate())
	for key, c := range map[string]Config{
		"path":        {},
		"poll":        {Path: "drop", Poll: time.Millisecond},
		"stable_for":  {Path: "drop", StableFor: 2 * time.Hour},
		"max_size":    {Path: "drop", MaxSize: 1 << 40},
		"patterns[1]": {Path: "drop", Patterns: []string{"*.csv", "[a"}},
		"patterns[0]": {Path: "drop", Patterns: []string{"in/*.csv"}},
	} {
		faults := c.Validate()
		require.Len(t, faults, 1, key)
		assert.Equal(t, key, faults[0].Key)
		assert.NotEmpty(t, faults[0].What)
		assert.NotEmpty(t, faults[0].Instead)
	}
	_, err := New(Config{}, Settings{ID: "drop", Inbox: sourcetest.NewInbox()})
	require.ErrorContains(t, err, "path is missing")
	_, err = New(Config{Path: "drop"}, Settings{ID: "drop"})
	require.ErrorContains(t, err, "no inbox")
}

// FuzzCutOff: a file that is called whole does not change its mind when whole
// lines are appended to it, and one that lacks its end never passes.
func FuzzCutOff(f *testing.F) {
	f.Add([]byte(table))
	f.Add([]byte("a;\"b\"\"c\";d\r\n"))
	f.Add(sourcetest.Message(1))
	f.Add(sourcetest.Batch(sourcetest.Message(1)))
	f.Add([]byte("FHS|^~\\&\rBHS|^~\\&\rMSH|^~\\&\rBTS|1\rFTS|1\r"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, raw []byte) {
		for _, name := range []string{"a.csv", "a.hl7", "a.txt"} {
			kind := format(name, raw)
			if cutOff(kind, raw) != "" {
				continue
			}
			if kind == ingest.JSON || kind == ingest.XML || kind == ingest.POCT1A || kind == ingest.LIS02 || bytes.HasPrefix(raw, []byte("\xff\xfe")) {
				continue // end in their own ways: TestWholeOfEachFormat
			}
			last := raw[len(raw)-1]
			require.True(t, last == '\n' || last == '\r')
			require.NotEmpty(t, cutOff(kind, append(bytes.Clone(raw), 'x')), "no line end")
			if kind == "csv" {
				require.Empty(t, cutOff(kind, append(bytes.Clone(raw), "R-1;\"2,4\"\n"...)))
				require.NotEmpty(t, cutOff(kind, append(bytes.Clone(raw), "R-1;\"2\n"...)), "an open quotation mark")
			}
		}
	})
}

// The context of a round: files that are not begun stay where they are.
func TestStopsBetweenFiles(t *testing.T) {
	b := newBench(t, Config{})
	b.write("work/a.csv", table)
	b.write("work/b.csv", table+"R-1;2,5\n")
	ctx, cancel := context.WithCancel(t.Context())
	open := b.box.Block()
	ended := make(chan struct{})
	go func() { defer close(ended); b.round(ctx, t.Context(), true) }()
	<-b.box.Tried
	cancel()
	open()
	<-ended
	assert.Equal(t, 1, b.stored())
	assert.Equal(t, []string{"b.csv"}, b.files("work"))
}
