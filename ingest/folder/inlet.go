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
	Now   func() time.Time // when an arrival came; waiting goes by polls
}

// Folders inside the drop folder. What lies in cutDir waits to be stored with
// a fault: that it was given up must survive a crash.
const (
	workDir  = "work"
	cutDir   = "work/cut-off"
	doneDir  = "done"
	errorDir = "error"
)

// grace is how long a file in hand may take once the inlet is told to stop.
const grace = 5 * time.Second

// longestPause is how long a store that fails is left alone at most.
const longestPause = 30 * time.Second

// Inlet watches one folder.
type Inlet struct {
	cfg     Config
	s       Settings
	path    string
	root    *os.Root          // no link leads out of it
	watcher *fsnotify.Watcher // nil where the filesystem tells of no changes

	seen   map[string]sight // files in the drop folder
	stored map[string]look  // files in work whose arrivals are stored, and only the move failed
	placed []placed         // files that were moved on last, oldest first
	waits  ingest.Trouble   // what keeps files from being taken
	pause  int              // polls between attempts while the store fails
	skip   int              // polls until the next attempt
	next   string           // where in work the next attempt begins
}

// look is what a file looks like from outside.
type look struct {
	size    int64
	changed int64 // nanoseconds
}

// sight is what a file has looked like so far.
type sight struct {
	look
	polls int  // in a row at which it looked like this, after the first
	whole bool // it was renamed from a temporary name
}

// New checks the settings and starts nothing.
func New(cfg Config, s Settings) (*Inlet, error) {
	if faults := cfg.Validate(); len(faults) > 0 {
		return nil, fmt.Errorf("inlet %s: %s %s; %s", s.ID, faults[0].Key, faults[0].What, faults[0].Instead)
	}
	if s.Inbox == nil {
		return nil, fmt.Errorf("inlet %s: no inbox", s.ID)
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	path, err := filepath.Abs(cfg.Path)
	if err != nil {
		return nil, fmt.Errorf("inlet %s: path: %w", s.ID, err)
	}
	return &Inlet{
		cfg: cfg.WithDefaults(), s: s, path: path, seen: map[string]sight{}, stored: map[string]look{},
		waits: ingest.Trouble{Log: s.Log, Begins: "files wait; tried again until it works", Ends: "files are taken again"},
	}, nil
}

// Listen makes the folders if they are missing, and watches from then on:
// what is dropped before Run is noticed too.
func (i *Inlet) Listen() error {
	if i.root != nil {
		return nil
	}
	for _, dir := range []string{"", workDir, cutDir, doneDir, errorDir} {
		if err := os.MkdirAll(filepath.Join(i.path, dir), 0o700); err != nil {
			return fmt.Errorf("inlet %s: make folder: %w", i.s.ID, err)
		}
	}
	root, err := os.OpenRoot(i.path)
	if err != nil {
		return fmt.Errorf("inlet %s: open folder: %w", i.s.ID, err)
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
	work, done := ingest.Outlive(ctx, grace)
	defer done()
	tick := time.NewTicker(i.cfg.Poll)
	defer tick.Stop()
	i.round(ctx, work, false)
	for {
		var events <-chan fsnotify.Event
		var errs <-chan error
		if i.watcher != nil {
			events, errs = i.watcher.Events, i.watcher.Errors
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			i.round(ctx, work, true)
		case e := <-events:
			i.note(e)
			i.noteWaiting(events)
			i.round(ctx, work, false)
		case <-errs: // such as too many events at once: the next poll finds the files
		}
	}
}

// note marks a file as whole whose temporary name was just given up: renaming
// within a filesystem happens at once or not at all.
func (i *Inlet) note(e fsnotify.Event) {
	if !e.Has(fsnotify.Rename) {
		return
	}
	if name, ok := stem(filepath.Base(e.Name)); ok {
		s := i.seen[name]
		s.whole = true
		i.seen[name] = s
	}
}

// noteWaiting takes what else has queued up: one round serves all of it.
func (i *Inlet) noteWaiting(events <-chan fsnotify.Event) {
	for {
		select {
		case e := <-events:
			i.note(e)
		default:
			return
		}
	}
}

// round looks once through everything. polled tells that a poll's time has
// gone by since the last one that was. ctx ends the round between files, work
// ends a file in hand.
func (i *Inlet) round(ctx, work context.Context, polled bool) {
	if i.skip > 0 {
		if polled {
			i.skip--
		}
		if i.skip > 0 {
			return
		}
	}
	err := i.follow()
	if err == nil {
		err = i.pass(ctx, work, polled)
	}
	if errors.Is(err, errStore) {
		i.pause = max(1, min(2*i.pause, int(longestPause/i.cfg.Poll)))
		i.skip = i.pause
	} else {
		i.pause = 0
	}
	i.waits.Is(err)
}

// pass takes what is in work, then what has become whole. A store that fails
// ends it: the other files need not be tried.
func (i *Inlet) pass(ctx, work context.Context, polled bool) error {
	err := i.takeWork(ctx, work)
	if errors.Is(err, errStore) {
		return err
	}
	if polled {
		err = errors.Join(err, i.late())
	}
	return errors.Join(err, i.scan(ctx, work, polled))
}

// follow goes over to the folder that now has the path, where another one has
// taken its place: a share that was mounted anew.
func (i *Inlet) follow() error {
	now, err := os.Stat(i.path)
	if err != nil {
		return fmt.Errorf("the folder is away: %w", plain(err))
	}
	if i.root != nil {
		if then, err := i.root.Stat("."); err == nil && os.SameFile(now, then) {
			return nil
		}
		_ = i.Close() // what it held is gone
		clear(i.seen)
		clear(i.stored)
		i.placed = nil
		i.s.Log.Info().Msg("another folder has taken the place of the one before; files are taken from it")
	}
	return i.Listen()
}
