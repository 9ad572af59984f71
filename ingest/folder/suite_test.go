package folder_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/folder"
	"tidegate/ingest/sourcetest"
)

type sender struct {
	dir  string
	n    atomic.Int64
	stop func()
}

func begin(t *testing.T, box ingest.Inbox, dir string) *sender {
	t.Helper()
	in, err := folder.New(folder.Config{Path: dir, Poll: 50 * time.Millisecond, StableFor: 100 * time.Millisecond, MaxSize: 64 << 10},
		folder.Settings{ID: "drop", Inbox: box, Log: zerolog.Nop()})
	require.NoError(t, err)
	require.NoError(t, in.Listen())
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx) }()
	return &sender{dir: dir, stop: sync.OnceFunc(func() {
		cancel()
		require.NoError(t, <-ended)
	})}
}

func (s *sender) Stop() { s.stop() }

// Send writes beside the file, renames it, and waits until it is done with.
func (s *sender) Send(ctx context.Context, raw []byte) sourcetest.Answer {
	name := fmt.Sprintf("m-%04d.hl7", s.n.Add(1))
	at := filepath.Join(s.dir, name)
	if os.WriteFile(at+".tmp", raw, 0o600) != nil || os.Rename(at+".tmp", at) != nil {
		return sourcetest.None
	}
	return s.await(ctx, name)
}

func (s *sender) await(ctx context.Context, name string) sourcetest.Answer {
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for {
		if _, err := os.Stat(filepath.Join(s.dir, "done", name)); err == nil {
			return sourcetest.Positive
		}
		if _, err := os.Stat(filepath.Join(s.dir, "error", name)); err == nil {
			return sourcetest.Negative
		}
		select {
		case <-ctx.Done():
			return sourcetest.None
		case <-tick.C:
		}
	}
}

func TestConformance(t *testing.T) {
	sourcetest.Run(t, sourcetest.Harness{
		Keeps: true, Largest: 64 << 10,
		Start: func(t *testing.T, box ingest.Inbox) sourcetest.Sender { return begin(t, box, t.TempDir()) },
	})
}

func TestWholeFiles(t *testing.T) {
	csv := []byte("Serial;INR\nR-1;2,4\n")
	for _, c := range []struct {
		name, file string
		raw        []byte
		marker     string
		fault      bool
	}{
		{name: "unchanged for a while, ends with a line end", file: "a.csv", raw: csv},
		{name: "a marker stands beside it, no line end needed", file: "b.csv", raw: csv[:len(csv)-1], marker: "b.done"},
		{name: "does not end with a line end", file: "c.csv", raw: csv[:len(csv)-1], fault: true},
		{name: "a quotation mark is open", file: "d.csv", raw: []byte("Serial;INR\nR-1;\"2,4\n"), fault: true},
		{name: "too large", file: "e.csv", raw: append([]byte("Serial;INR\n"), make([]byte, 65<<10)...), fault: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir, box := t.TempDir(), sourcetest.NewInbox()
			s := begin(t, box, dir)
			defer s.Stop()
			require.NoError(t, os.WriteFile(filepath.Join(dir, c.file), c.raw, 0o600))
			if c.marker != "" {
				require.NoError(t, os.WriteFile(filepath.Join(dir, c.marker), nil, 0o600))
			}
			ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
			defer cancel()
			want := sourcetest.Positive
			if c.fault {
				want = sourcetest.Negative
			}
			require.Equal(t, want, s.await(ctx, c.file))
			got := box.Stored()
			require.Len(t, got, 1)
			require.Equal(t, c.fault, got[0].Fault != "")
			require.Equal(t, "csv", got[0].Format)
			require.Equal(t, c.file, got[0].Peer)
		})
	}
}

// TestLeftInWork: a file that a crash left claimed is taken at the next start.
func TestLeftInWork(t *testing.T) {
	dir, box := t.TempDir(), sourcetest.NewInbox()
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "work"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "work", "x.hl7"), sourcetest.Message(1), 0o600))
	s := begin(t, box, dir)
	defer s.Stop()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	require.Equal(t, sourcetest.Positive, s.await(ctx, "x.hl7"))
	require.Len(t, box.Stored(), 1)
}

// TestLinksStayInside: a link out of the folder is not followed.
func TestLinksStayInside(t *testing.T) {
	outside := filepath.Join(t.TempDir(), "secret.csv")
	require.NoError(t, os.WriteFile(outside, []byte("a;b\n1;2\n"), 0o600))
	dir, box := t.TempDir(), sourcetest.NewInbox()
	require.NoError(t, os.Symlink(outside, filepath.Join(dir, "a.csv")))
	s := begin(t, box, dir)
	defer s.Stop()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	require.Equal(t, sourcetest.Positive, s.Send(ctx, sourcetest.Message(1)))
	require.Len(t, box.Stored(), 1)
	require.FileExists(t, outside)
}

// TestSameName: a second file of the same name pushes nothing out.
func TestSameName(t *testing.T) {
	dir, box := t.TempDir(), sourcetest.NewInbox()
	s := begin(t, box, dir)
	defer s.Stop()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	require.Equal(t, sourcetest.Positive, s.Send(ctx, sourcetest.Message(1)))
	s.n.Store(0)
	at := filepath.Join(dir, "m-0001.hl7")
	require.NoError(t, os.WriteFile(at+".tmp", sourcetest.Message(2), 0o600))
	require.NoError(t, os.Rename(at+".tmp", at))
	for len(box.Stored()) < 2 && ctx.Err() == nil {
		<-box.Tried
	}
	s.Stop()
	done, err := os.ReadDir(filepath.Join(dir, "done"))
	require.NoError(t, err)
	require.Len(t, done, 2)
}
