package folder

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
)

// patience is how many times as long as a whole file one that seems cut off
// is waited for before it is stored as it is.
const patience = 3

// scan looks through the drop folder and takes what is whole.
func (i *Inlet) scan(ctx, work context.Context, polled bool) error {
	entries, err := fs.ReadDir(i.root.FS(), ".")
	if err != nil {
		return fmt.Errorf("read folder: %w", plain(err))
	}
	names := map[string]fs.DirEntry{}
	for _, e := range entries {
		names[e.Name()] = e
	}
	for name := range i.seen {
		if names[name] == nil {
			delete(i.seen, name)
		}
	}
	var errs []error
	for _, e := range entries { // by name: exports are numbered
		if ctx.Err() != nil {
			break
		}
		if !e.Type().IsRegular() || skipped(e.Name()) || !i.cfg.wants(e.Name()) {
			continue
		}
		to, err := i.judge(e, names[marker(e.Name())], polled)
		if err == nil && to != "" {
			err = i.claim(work, e.Name(), to)
		}
		switch {
		case errors.Is(err, errStore):
			return err
		case err != nil && !errors.Is(err, fs.ErrNotExist): // gone meanwhile: somebody else's business
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// judge tells where a file goes: to workDir if it is whole, to cutDir if it is
// given up, "" if it still has to wait.
func (i *Inlet) judge(e, mark fs.DirEntry, polled bool) (dir string, err error) {
	info, err := e.Info()
	if err != nil {
		return "", plain(err)
	}
	now, s := lookOf(info), i.seen[e.Name()]
	if s.look != now {
		s.look, s.polls = now, 0
	} else if polled {
		s.polls++
	}
	i.seen[e.Name()] = s
	switch {
	case info.Size() == 0:
		return "", nil // only just made, or nothing to take
	case s.whole || marks(mark, info):
		return workDir, nil
	case s.polls < i.cfg.stablePolls():
		return "", nil
	case info.Size() > i.cfg.MaxSize:
		return workDir, nil // its end is of no interest: it is not taken whole anyway
	}
	raw, err := i.read(e.Name())
	if err != nil {
		return "", err
	}
	switch {
	case cutOff(format(e.Name(), raw), raw) == "":
		return workDir, nil
	case s.polls >= patience*i.cfg.stablePolls():
		return cutDir, nil
	}
	return "", nil
}

// marks tells whether a marker is there and is meant for this file: an older
// one was left over from the file before of the same name.
func marks(mark fs.DirEntry, file fs.FileInfo) bool {
	if mark == nil {
		return false
	}
	info, err := mark.Info()
	return err == nil && !info.ModTime().Before(file.ModTime())
}

func lookOf(info fs.FileInfo) look { return look{info.Size(), info.ModTime().UnixNano()} }

// claim moves a file to work, so that nobody else takes it, and takes it. A
// name that is still in work waits.
func (i *Inlet) claim(work context.Context, name, dir string) error {
	for _, busy := range []string{workDir, cutDir} {
		if _, err := i.root.Lstat(filepath.Join(busy, name)); err == nil {
			return nil
		}
	}
	f, err := i.root.Open(name)
	if err != nil {
		return fmt.Errorf("open file: %w", plain(err)) // and leave it where its owner sees it
	}
	_ = f.Close() // only looked whether it may be read
	if err := i.root.Rename(name, filepath.Join(dir, name)); err != nil {
		return fmt.Errorf("claim file: %w", plain(err))
	}
	delete(i.seen, name)
	_ = i.root.Remove(marker(name)) // it has done its work, if it was there
	if err := i.sync(".", dir); err != nil {
		return err
	}
	return i.take(work, dir, name)
}
