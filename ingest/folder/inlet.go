// Package folder takes files that are dropped in a folder: HL7 v2 messages and
// batches, and CSV files.
//
//	drop/x.csv ─► whole? ─► rename to drop/work/ ─► Inbox.Accept ─► drop/done/
//	                                                       └─ not whole, too large ─► drop/error/
//
// It promises: a file is moved to done or error only after its arrivals are
// stored; while the store is down it stays in work, and is taken again after a
// crash. A file that seems cut off is waited for, and in the end stored as it
// is, with a fault: it stands in the queue, and nothing of it is guessed at.
//
// A file counts as whole when it was renamed from a temporary name (x.csv.tmp,
// x.csv.part), when a marker stands beside it (x.csv and x.done), or when it
// has not changed for a while and ends with a line end.
package folder

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/fsnotify/fsnotify"
	"github.com/rs/zerolog"

	"tidegate/ingest"
)

// Settings are what the daemon gives an inlet.
type Settings struct {
	ID    string
	Inbox ingest.Inbox
	Log   zerolog.Logger
	Now   func() time.Time
}

// Folders inside the drop folder.
const (
	workDir  = "work"
	doneDir  = "done"
	errorDir = "error"
)

// Inlet watches one folder.
type Inlet struct {
	cfg  Config
	s    Settings
	path string
	root *os.Root // no link leads out of it
	seen map[string]sight
	last string // the last error that was logged

	watcher *fsnotify.Watcher // nil where the filesystem tells of no changes
}

// sight is what a file looked like at the scan before.
type sight struct {
	size    int64
	changed time.Time
	since   time.Time // of this look
	whole   bool      // it was renamed from a temporary name
}

// New checks the settings and starts nothing.
func New(cfg Config, s Settings) (*Inlet, error) {
	cfg = cfg.WithDefaults()
	if faults := cfg.Validate(); len(faults) > 0 {
		return nil, fmt.Errorf("%s %s; %s", faults[0].Key, faults[0].What, faults[0].Instead)
	}
	if s.Inbox == nil {
		return nil, errors.New("folder: an inlet needs an inbox")
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	path, err := filepath.Abs(cfg.Path)
	if err != nil {
		return nil, fmt.Errorf("path: %w", err)
	}
	return &Inlet{cfg: cfg, s: s, path: path, seen: map[string]sight{}}, nil
}

// Listen makes the folders if they are missing, and watches from then on:
// what is dropped before Run is noticed too.
func (i *Inlet) Listen() error {
	if i.root != nil {
		return nil
	}
	for _, dir := range []string{"", workDir, doneDir, errorDir} {
		if err := os.MkdirAll(filepath.Join(i.path, dir), 0o700); err != nil {
			return fmt.Errorf("make folder: %w", err)
		}
	}
	root, err := os.OpenRoot(i.path)
	if err != nil {
		return fmt.Errorf("open folder: %w", err)
	}
	i.root = root
	i.watcher, err = fsnotify.NewWatcher()
	if err == nil {
		err = i.watcher.Add(i.path)
	}
	if err != nil {
		i.s.Log.Info().Err(err).Msg("the folder tells of no changes; it is read every while instead")
		i.unwatch()
	}
	return nil
}

func (i *Inlet) unwatch() {
	if i.watcher != nil {
		_ = i.watcher.Close() // nothing is written through it
		i.watcher = nil
	}
}

// Addr is the folder's path.
func (i *Inlet) Addr() string { return i.path }

// Close gives the folder up.
func (i *Inlet) Close() error {
	i.unwatch()
	if i.root == nil {
		return nil
	}
	err := i.root.Close()
	i.root = nil
	return err
}

// Run takes files until ctx ends. A file in hand is finished first.
func (i *Inlet) Run(ctx context.Context) error {
	if err := i.Listen(); err != nil {
		return err
	}
	defer func() { _ = i.Close() }() // only read from
	events := i.events()
	tick := time.NewTicker(i.cfg.Poll)
	defer tick.Stop()
	for {
		i.report(errors.Join(i.takeWork(ctx), i.scan(ctx)))
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		case e := <-events:
			i.noteRename(e)
			i.drainEvents(events)
		}
	}
}

// events tell of changes at once where the filesystem does; polling finds
// them anyway, and makes up for lost ones.
func (i *Inlet) events() <-chan fsnotify.Event {
	if i.watcher == nil {
		return nil
	}
	go func(errs <-chan error) {
		for range errs { // closed with the watcher
		}
	}(i.watcher.Errors)
	return i.watcher.Events
}

// drainEvents takes what else has queued up: one scan serves all of it.
func (i *Inlet) drainEvents(events <-chan fsnotify.Event) {
	for {
		select {
		case e := <-events:
			i.noteRename(e)
		default:
			return
		}
	}
}

// noteRename marks a file as whole whose temporary name was just given up:
// renaming within a filesystem happens at once or not at all.
func (i *Inlet) noteRename(e fsnotify.Event) {
	if !e.Has(fsnotify.Rename) {
		return
	}
	if name, ok := stem(filepath.Base(e.Name)); ok {
		s := i.seen[name]
		s.whole = true
		i.seen[name] = s
	}
}

// report logs an error once, until it changes.
func (i *Inlet) report(err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	switch {
	case text == i.last:
	case text != "":
		i.s.Log.Warn().Err(err).Msg("files wait; tried again until it works")
	default:
		i.s.Log.Info().Msg("files are taken again")
	}
	i.last = text
}
