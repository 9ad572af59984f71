package folder

import (
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

	"tidegate/fault"
	"tidegate/ingest"
	"tidegate/poct"
)

// errStore is that the inbox did not take a file: the others need not be tried.
var errStore = errors.New("a file could not be stored")

// keptOfLarge is how many bytes of a file that is too large are stored; all of
// it stays in the error folder.
const keptOfLarge = 64 << 10

// takeWork takes what a crash or a store that was down has left in work. It
// begins behind the file that failed last, so that one that is never taken
// does not keep the others waiting.
func (i *Inlet) takeWork(ctx, work context.Context) error {
	var files []string
	for _, dir := range []string{cutDir, workDir} { // in the order of the paths
		entries, err := fs.ReadDir(i.root.FS(), dir)
		if err != nil {
			return fmt.Errorf("read folder: %w", plain(err))
		}
		for _, e := range entries {
			if e.Type().IsRegular() {
				files = append(files, dir+"/"+e.Name())
			}
		}
	}
	slices.Sort(files)
	at, found := slices.BinarySearch(files, i.next)
	if found {
		at++
	}
	var errs []error
	for _, file := range append(slices.Clone(files[at:]), files[:at]...) {
		if ctx.Err() != nil {
			break
		}
		err := i.take(work, filepath.Dir(file), filepath.Base(file))
		if errors.Is(err, errStore) {
			i.next = file
			return err
		}
		errs = append(errs, err)
	}
	i.next = ""
	return errors.Join(errs...)
}

// take stores a file's arrivals and then moves it on.
func (i *Inlet) take(work context.Context, dir, name string) error {
	at := filepath.Join(dir, name)
	info, err := i.root.Stat(at)
	if err != nil {
		return fmt.Errorf("read file: %w", plain(err))
	}
	raw, err := i.read(at)
	if err != nil {
		return err
	}
	a := poct.Arrival{Inlet: i.s.ID, Source: i.s.ID, Received: i.s.Now(), Peer: name, Format: format(name, raw), Raw: raw}
	to, large := doneDir, int64(len(raw)) > i.cfg.MaxSize
	switch {
	case large:
		a.Raw, a.Fault = raw[:min(len(raw), keptOfLarge)], fmt.Sprintf("it is larger than %d bytes; here is its beginning, and all of it lies in the error folder", i.cfg.MaxSize)
	case dir == cutDir:
		if a.Fault = cutOff(a.Format, raw); a.Fault == "" {
			a.Fault = "it seemed to be cut off, and was complete too late"
		}
	}
	if a.Fault != "" {
		to = errorDir
	}
	if i.stored[at] != lookOf(info) {
		if err := i.store(work, a, large); err != nil {
			return err
		}
		fault.Point("folder.accepted")
	}
	after, err := i.root.Stat(at)
	if err == nil && lookOf(after) != lookOf(info) {
		return nil // written to all the while: it is taken again as it is now
	}
	target, err := i.move(at, to, name)
	if err != nil {
		i.stored[at] = lookOf(info)
		return err
	}
	delete(i.stored, at)
	i.place(placed{look: lookOf(info), name: name, at: target})
	fault.Point("folder.moved")
	return i.sync(dir, to)
}

func (i *Inlet) store(work context.Context, a poct.Arrival, large bool) error {
	err := ingest.Guard(i.s.Log, func() error {
		got, err := ingest.Put(work, i.s.Inbox, a)
		if err != nil || !large || !got[0].Resent {
			return err
		}
		// Another file that is too large and begins like this one is no new
		// arrival, and must not go unnoticed.
		return i.s.Inbox.Notice(work, poct.Notice{Inlet: a.Inlet, Peer: a.Peer, At: a.Received,
			What: fmt.Sprintf("a file larger than %d bytes begins like one before; it lies in the error folder", i.cfg.MaxSize)})
	})
	if err != nil {
		return fmt.Errorf("%w: %w", errStore, err)
	}
	return nil
}

// move gives a file that was taken its place. Where its name is taken, part of
// its digest tells it apart; what has both in common is the same file.
func (i *Inlet) move(at, dir, name string) (target string, err error) {
	target = filepath.Join(dir, name)
	if _, err := i.root.Lstat(target); !errors.Is(err, fs.ErrNotExist) {
		digest, err := i.digest(at)
		if err != nil {
			return "", err
		}
		ext := filepath.Ext(name)
		base := strings.TrimSuffix(name, ext)
		base = base[:min(len(base), 200-min(len(ext), 100))] // names have 255 bytes
		target = filepath.Join(dir, base+"."+digest+ext)
	}
	if err := i.root.Rename(at, target); err != nil {
		return "", fmt.Errorf("move file: %w", plain(err))
	}
	return target, nil
}

// digest is the beginning of the SHA-256 of a file.
func (i *Inlet) digest(at string) (string, error) {
	f, err := i.root.Open(at)
	if err != nil {
		return "", fmt.Errorf("read file: %w", plain(err))
	}
	defer f.Close() //nolint:errcheck // only read
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", fmt.Errorf("read file: %w", plain(err))
	}
	return hex.EncodeToString(h.Sum(nil)[:8]), nil
}

// read takes the file's bytes, at most one more than allowed.
func (i *Inlet) read(name string) ([]byte, error) {
	f, err := i.root.Open(name)
	if err != nil {
		return nil, fmt.Errorf("read file: %w", plain(err))
	}
	defer f.Close() //nolint:errcheck // only read
	raw, err := io.ReadAll(io.LimitReader(f, i.cfg.MaxSize+1))
	if err != nil {
		return nil, fmt.Errorf("read file: %w", plain(err))
	}
	return raw, nil
}

// sync makes renames durable.
func (i *Inlet) sync(dirs ...string) error {
	for _, dir := range dirs {
		f, err := i.root.Open(dir)
		if err != nil {
			return fmt.Errorf("sync folder: %w", plain(err))
		}
		if err := errors.Join(f.Sync(), f.Close()); err != nil {
			return fmt.Errorf("sync folder: %w", plain(err))
		}
	}
	return nil
}

// plain leaves file names out of an error: they may say whose result it is.
func plain(err error) error {
	var path *fs.PathError
	var link *os.LinkError
	switch {
	case errors.As(err, &path):
		return fmt.Errorf("%s: %w", path.Op, path.Err)
	case errors.As(err, &link):
		return fmt.Errorf("%s: %w", link.Op, link.Err)
	}
	return err
}
