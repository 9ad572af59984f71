package folder

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"tidegate/ingest"
	"tidegate/poct"
)

// patience is how many times StableFor a file that seems cut off is waited
// for before it is stored as it is.
const patience = 3

// scan looks through the drop folder and takes what is whole.
func (i *Inlet) scan(ctx context.Context) error {
	entries, err := fs.ReadDir(i.root.FS(), ".")
	if err != nil {
		return fmt.Errorf("read folder: %w", err)
	}
	names := map[string]bool{}
	for _, e := range entries {
		names[e.Name()] = true
	}
	for name := range i.seen {
		if !names[name] {
			delete(i.seen, name)
		}
	}
	var errs []error
	for _, e := range entries { // by name: exports are numbered
		if ctx.Err() != nil {
			return nil
		}
		if !e.Type().IsRegular() || skipped(e.Name()) {
			continue
		}
		fault, ready, err := i.ready(e, names[marker(e.Name())])
		if err == nil && ready {
			err = i.claim(ctx, e.Name(), fault)
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) { // gone meanwhile: somebody else's business
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// ready tells whether a file may be taken, and with what fault.
func (i *Inlet) ready(e fs.DirEntry, marked bool) (fault string, ready bool, err error) {
	info, err := e.Info()
	if err != nil || info.Size() == 0 {
		return "", false, err
	}
	now, name := i.s.Now(), e.Name()
	s, known := i.seen[name]
	if !known || s.size != info.Size() || !s.changed.Equal(info.ModTime()) {
		i.seen[name] = sight{size: info.Size(), changed: info.ModTime(), since: now, whole: s.whole}
		if !s.whole && !marked {
			return "", false, nil
		}
	}
	if info.Size() > i.cfg.MaxSize {
		return fmt.Sprintf("it is larger than %d bytes", i.cfg.MaxSize), true, nil
	}
	if s.whole || marked {
		return "", true, nil
	}
	// Unchanged since the scan before, and for long enough by its own time.
	quiet := min(now.Sub(s.since), now.Sub(info.ModTime()))
	if now.Before(info.ModTime()) {
		quiet = now.Sub(s.since) // a clock elsewhere is ahead of ours
	}
	if old := now.Sub(info.ModTime()); old > patience*i.cfg.StableFor {
		quiet = max(quiet, i.cfg.StableFor) // has lain here since before we looked
	}
	if quiet < i.cfg.StableFor {
		return "", false, nil
	}
	raw, err := i.read(name)
	if err != nil {
		return "", false, err
	}
	if fault = cutOff(raw); fault == "" {
		return "", true, nil
	}
	return fault, now.Sub(s.since) >= patience*i.cfg.StableFor || now.Sub(info.ModTime()) >= patience*i.cfg.StableFor, nil
}

// read takes the file's bytes, at most one more than allowed.
func (i *Inlet) read(name string) ([]byte, error) {
	f, err := i.root.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // only read
	return io.ReadAll(io.LimitReader(f, i.cfg.MaxSize+1))
}

// claim moves a file to work, so that nobody else takes it, and takes it. A
// fault goes along in the name: it must survive a crash.
func (i *Inlet) claim(ctx context.Context, name, fault string) error {
	to := name
	if fault != "" {
		to = faultPrefix + name
	}
	target, err := i.free(workDir, to)
	if err != nil {
		return err
	}
	if err := i.root.Rename(name, target); err != nil {
		return err
	}
	delete(i.seen, name)
	_ = i.root.Remove(marker(name)) // it has done its work, if it was there
	if err := i.sync("", workDir); err != nil {
		return err
	}
	return i.take(ctx, filepath.Base(target))
}

const faultPrefix = "cut-off--"

// takeWork takes what a crash or a store that was down has left in work.
func (i *Inlet) takeWork(ctx context.Context) error {
	entries, err := fs.ReadDir(i.root.FS(), workDir)
	if err != nil {
		return fmt.Errorf("read folder: %w", err)
	}
	for _, e := range entries {
		if ctx.Err() != nil || !e.Type().IsRegular() {
			continue
		}
		if err := i.take(ctx, e.Name()); err != nil {
			return err // the store is down: the others can wait too
		}
	}
	return nil
}

// take stores a file's arrivals and then moves it on.
func (i *Inlet) take(ctx context.Context, name string) error {
	at := filepath.Join(workDir, name)
	raw, err := i.read(at)
	if err != nil {
		return fmt.Errorf("read file: %w", err)
	}
	shown, marked := strings.CutPrefix(name, faultPrefix)
	whole := poct.Arrival{Inlet: i.s.ID, Source: i.s.ID, Received: i.s.Now(), Peer: shown, Format: formatOf(shown, raw), Raw: raw}
	switch {
	case int64(len(raw)) > i.cfg.MaxSize:
		whole.Raw, whole.Fault = raw[:min(len(raw), 64<<10)], fmt.Sprintf("it is larger than %d bytes; only its beginning is kept", i.cfg.MaxSize)
	case marked:
		if whole.Fault = cutOff(raw); whole.Fault == "" {
			whole.Fault = "it seemed to be cut off"
		}
	}
	parts, warn := ingest.Split(whole)
	// A file in hand is finished even while shutting down.
	ctx = context.WithoutCancel(ctx)
	if warn != "" {
		if err := i.s.Inbox.Notice(ctx, poct.Notice{Inlet: i.s.ID, Peer: shown, At: whole.Received, What: warn}); err != nil {
			return fmt.Errorf("store notice: %w", err)
		}
	}
	for _, p := range parts {
		if _, err := i.s.Inbox.Accept(ctx, p); err != nil {
			return fmt.Errorf("store file: %w", err)
		}
	}
	to := doneDir
	if whole.Fault != "" {
		to = errorDir
	}
	target, err := i.free(to, shown)
	if err != nil {
		return err
	}
	if err := i.root.Rename(at, target); err != nil {
		return fmt.Errorf("move file: %w", err)
	}
	return i.sync(workDir, to)
}

// formatOf goes by the bytes; a file named .hl7 that does not begin like a
// message is still meant as one.
func formatOf(name string, raw []byte) string {
	if slices.Contains([]string{".hl7", ".er7"}, strings.ToLower(filepath.Ext(name))) {
		return "hl7v2"
	}
	return ingest.Format(bytes.TrimPrefix(raw, []byte{0x0b}))
}

// free is a name in a folder that nothing has yet: a name that is taken gets
// the digest of the bytes behind it.
func (i *Inlet) free(dir, name string) (string, error) {
	target := filepath.Join(dir, name)
	for n := 0; n < 100; n++ {
		if _, err := i.root.Lstat(target); errors.Is(err, fs.ErrNotExist) {
			return target, nil
		} else if err != nil {
			return "", fmt.Errorf("look for a free name: %w", err)
		}
		sum := sha256.Sum256(fmt.Appendf(nil, "%s %d %d", name, n, i.s.Now().UnixNano()))
		target = filepath.Join(dir, name+"."+hex.EncodeToString(sum[:4]))
	}
	return "", fmt.Errorf("folder %s has no free name for another file of the same name", dir)
}

// sync makes renames durable.
func (i *Inlet) sync(dirs ...string) error {
	for _, dir := range dirs {
		f, err := os.Open(filepath.Join(i.path, dir))
		if err != nil {
			return fmt.Errorf("sync folder: %w", err)
		}
		if err := errors.Join(f.Sync(), f.Close()); err != nil {
			return fmt.Errorf("sync folder: %w", err)
		}
	}
	return nil
}
