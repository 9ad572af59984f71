package folder_test

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest/folder"
	"tidegate/ingest/sourcetest"
)

// running is a folder inlet over an inbox in memory, stopped with the test.
func running(t *testing.T, dir string, log io.Writer) (*sourcetest.Inbox, context.Context) {
	t.Helper()
	box := sourcetest.NewInbox()
	in, err := folder.New(folder.Config{Path: dir, Poll: 50 * time.Millisecond, StableFor: 100 * time.Millisecond},
		folder.Settings{ID: "drop", Inbox: box, Log: zerolog.New(log)})
	require.NoError(t, err)
	require.NoError(t, in.Listen())
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-ended)
	})
	bounded, done := context.WithTimeout(t.Context(), time.Minute)
	t.Cleanup(done)
	return box, bounded
}

// appears waits until a file is there; nothing is decided by how long it takes.
func appears(ctx context.Context, t *testing.T, at string) {
	t.Helper()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for {
		if _, err := os.Stat(at); err == nil {
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal("the file is not where it should be: " + filepath.Base(filepath.Dir(at)))
		}
	}
}

// A program that keeps its export open and adds a row now and then goes on
// writing into the file wherever that was moved.
func TestWrittenToAfterItWasTaken(t *testing.T) {
	dir := t.TempDir()
	box, ctx := running(t, dir, io.Discard)
	f, err := os.OpenFile(filepath.Join(dir, "day.csv"), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	require.NoError(t, err)
	defer f.Close() //nolint:errcheck // written with WriteString, which is checked

	all := ""
	for n, row := range []string{"Serial;INR\n", "Q1;2,4\n", "Q1;2,5\n"} {
		_, err = f.WriteString(row)
		require.NoError(t, err)
		all += row
		require.NoError(t, box.AwaitStored(ctx, n+1))
		require.Equal(t, all, string(box.Stored()[n].Raw))
		require.Empty(t, box.Stored()[n].Fault)
		appears(ctx, t, filepath.Join(dir, "done", "day.csv"))
	}
}

// What was put aside as cut off and is completed after all is taken whole.
func TestCompletedAfterItWasGivenUp(t *testing.T) {
	dir := t.TempDir()
	box, ctx := running(t, dir, io.Discard)
	at := filepath.Join(dir, "day.csv")
	require.NoError(t, os.WriteFile(at, []byte("Serial;INR\nQ1;2"), 0o600))
	aside := filepath.Join(dir, "error", "day.csv")
	appears(ctx, t, aside)
	require.NotEmpty(t, box.Stored()[0].Fault)

	require.NoError(t, os.WriteFile(aside, []byte("Serial;INR\nQ1;2,4\n"), 0o600))
	appears(ctx, t, filepath.Join(dir, "done", "day.csv"))
	stored := box.Stored()
	require.Len(t, stored, 2)
	require.Empty(t, stored[1].Fault)
	require.Equal(t, "Serial;INR\nQ1;2,4\n", string(stored[1].Raw))
}

// told gets a value for each line about a folder that could not be made.
type told chan struct{}

func (c told) Write(line []byte) (int, error) {
	if bytes.Contains(line, []byte(`make folder`)) {
		c <- struct{}{}
	}
	return len(line), nil
}

// A folder that cannot be used is waited for, whatever is wrong with it.
func TestAnotherFolderThatCannotBeUsed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "drop")
	require.NoError(t, os.Mkdir(dir, 0o700))
	waits := make(told, 100)
	box, ctx := running(t, dir, waits)

	other := dir + "-other"
	require.NoError(t, os.Mkdir(other, 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(other, "work"), nil, 0o600)) // a file where a folder has to be
	require.NoError(t, os.WriteFile(filepath.Join(other, "a.csv.tmp"), []byte("Serial;INR\nQ1;2,4\n"), 0o600))
	require.NoError(t, os.Rename(dir, dir+"-away"))
	require.NoError(t, os.Rename(other, dir))
	require.NoError(t, os.Rename(filepath.Join(dir, "a.csv.tmp"), filepath.Join(dir, "a.csv")))
	select {
	case <-waits:
	case <-ctx.Done():
		t.Fatal("nothing was said of a folder that cannot be used")
	}
	require.NoError(t, os.Remove(filepath.Join(dir, "work")))
	require.NoError(t, box.AwaitStored(ctx, 1))
	require.Equal(t, "Serial;INR\nQ1;2,4\n", string(box.Stored()[0].Raw))
}
