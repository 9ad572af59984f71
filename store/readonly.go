package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"
)

// OpenReadOnly opens a data folder to read it, also beside the daemon that owns
// it. It takes no ownership and changes nothing: every method that would write
// fails. What is read from the database is from the newest commit; registry,
// sums and contacts are as they were when it was opened. Options other than
// Now and Driver are not used.
func OpenReadOnly(dir string, opt Options) (*Store, error) {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	path := filepath.Join(dir, databaseFile)
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("open data folder: %w", err)
	}
	s := newStore(dir, Options{Now: opt.Now, Driver: opt.Driver})
	err := s.openReaders(path, toLook)
	if err == nil {
		err = checkSchema(s.read.with(context.Background()))
	}
	if err == nil {
		err = s.load()
	}
	if err != nil {
		s.release()
		return nil, err
	}
	return s, nil
}

// checkSchema tells a database of another version from ours.
func checkSchema(q querier) error {
	applied, err := collect(q, scanText, `SELECT name FROM migrations ORDER BY name`)
	if err != nil {
		return fmt.Errorf("read migrations: %w", err)
	}
	known, err := fs.Glob(migrations, "migration/*.sql")
	if err != nil {
		return fmt.Errorf("list migrations: %w", err)
	}
	if !slices.Equal(applied, known) {
		return errors.New("the data folder was written by another version of this program: start its daemon once with this one, or use that one")
	}
	return nil
}
