package folder_test

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/folder"
	"tidegate/ingest/sourcetest"
	"tidegate/testkit/durable"
)

const largest = 64 << 10

// drop is a folder as an exporting program uses it: a temporary name, renamed
// when the file is whole. Its names speak of the patient, as such names do.
type drop struct {
	dir   string
	files atomic.Int64
}

func (d *drop) New(t *testing.T, box ingest.Inbox, log io.Writer) sourcetest.Inlet {
	in, err := folder.New(folder.Config{Path: d.dir, Poll: 50 * time.Millisecond, StableFor: 100 * time.Millisecond, MaxSize: largest},
		folder.Settings{ID: "inlet", Inbox: box, Log: zerolog.New(log)})
	require.NoError(t, err)
	return in
}

func (d *drop) Close() {}

func (d *drop) Send(ctx context.Context, _ sourcetest.Inlet, raw []byte) sourcetest.Answer {
	name := fmt.Sprintf("lightkeeper-%04d.hl7", d.files.Add(1))
	at := filepath.Join(d.dir, name)
	if os.WriteFile(at+".tmp", raw, 0o600) != nil || os.Rename(at+".tmp", at) != nil || len(raw) == 0 {
		return sourcetest.None // an empty file is left lying
	}
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for {
		if _, err := os.Stat(filepath.Join(d.dir, "done", name)); err == nil {
			return sourcetest.Positive
		}
		if _, err := os.Stat(filepath.Join(d.dir, "error", name)); err == nil {
			return sourcetest.Negative
		}
		select {
		case <-ctx.Done():
			return sourcetest.None
		case <-tick.C:
		}
	}
}

func (d *drop) Half(_ context.Context, _ sourcetest.Inlet, raw []byte) (hangUp func()) {
	_ = os.WriteFile(filepath.Join(d.dir, "half.hl7.part"), raw[:len(raw)/2], 0o600) // nothing is expected of it
	return func() {}
}

func TestConformance(t *testing.T) {
	h := sourcetest.Harness{
		Way:   func(t *testing.T) sourcetest.Way { return &drop{dir: t.TempDir()} },
		Keeps: true, Largest: largest,
	}
	t.Run("memory", func(t *testing.T) { sourcetest.Run(t, h) })
	h.Keep = func(t *testing.T) sourcetest.Keeper { return durable.Open(t) }
	t.Run("store", func(t *testing.T) { sourcetest.Run(t, h) })
}
