package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
)

// CopyTo writes a copy of the data folder's database, as of one moment, into
// another folder, made if it is missing, in which there must be none yet. The
// copy can be opened as a store of its own; it has no anchor.
func (s *Store) CopyTo(ctx context.Context, dir string) error {
	return CopyFolder(ctx, s.dir, dir, s.opt.Driver)
}

// CopyFolder is CopyTo for a folder that this process has not opened, also
// beside the daemon that owns it.
func CopyFolder(ctx context.Context, from, to string, driver Driver) error {
	source := filepath.Join(from, databaseFile)
	if _, err := os.Stat(source); err != nil {
		return fmt.Errorf("copy data folder: %w", err)
	}
	if err := os.MkdirAll(to, 0o700); err != nil {
		return fmt.Errorf("make folder for the copy: %w", err)
	}
	db, err := driver.open(source, toWrite)
	if err != nil {
		return fmt.Errorf("open database to copy: %w", err)
	}
	defer db.Close()
	target := filepath.Join(to, databaseFile)
	if _, err := db.ExecContext(ctx, `VACUUM INTO ?`, target); err != nil {
		return fmt.Errorf("copy database: %w", err)
	}
	if err := os.Chmod(target, 0o600); err != nil {
		return fmt.Errorf("close copy to others: %w", err)
	}
	return syncDir(to)
}
