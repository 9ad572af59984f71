package folder

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
)

// watched is how many of the files that were moved on last are looked at once
// more at each poll.
const watched = 1000

// placed is a file that was moved on, and what it looked like when it was read.
type placed struct {
	look
	name string // under which it was dropped
	at   string // where it lies now
}

// place remembers a file that was moved on, in the place of one that it has
// overwritten.
func (i *Inlet) place(p placed) {
	i.placed = slices.DeleteFunc(i.placed, func(other placed) bool { return other.at == p.at })
	if len(i.placed) == watched {
		i.placed = i.placed[1:]
	}
	i.placed = append(i.placed, p)
}

// late brings back what was written to after it was moved on: an exporting
// program that keeps its file open and adds to it between pauses goes on
// writing wherever the file lies, and nobody would ever read that. It is
// dropped anew, and taken as a whole when it is quiet again; the rows that came
// before are told apart as duplicates.
func (i *Inlet) late() error {
	var errs []error
	keep := i.placed[:0]
	for _, p := range i.placed {
		info, err := i.root.Lstat(p.at)
		switch {
		case err != nil || !info.Mode().IsRegular():
			continue // somebody has put it away
		case lookOf(info) == p.look:
			keep = append(keep, p)
			continue
		}
		if err := i.back(p); err != nil {
			keep = append(keep, p)
			errs = append(errs, err)
		}
	}
	i.placed = keep
	return errors.Join(errs...)
}

// errNameTaken is that another file of the name is in the drop folder.
var errNameTaken = errors.New("a file that was written to late waits for its name to be free")

func (i *Inlet) back(p placed) error {
	if _, err := i.root.Lstat(p.name); !errors.Is(err, fs.ErrNotExist) {
		return errNameTaken
	}
	if err := i.root.Rename(p.at, p.name); err != nil {
		return fmt.Errorf("bring file back: %w", plain(err))
	}
	return i.sync(filepath.Dir(p.at), ".")
}
