package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

const ownerFile = "owner.lock"

// OwnedError says that another process owns the data folder.
type OwnedError struct {
	Dir   string
	PID   int       // 0 if it has not written its number yet
	Since time.Time // when it took the folder; zero if not known
}

func (e *OwnedError) Error() string {
	if e.PID == 0 {
		return fmt.Sprintf("data folder %s belongs to another process; end that one first", e.Dir)
	}
	return fmt.Sprintf("data folder %s belongs to process %d since %s; end that one first",
		e.Dir, e.PID, e.Since.Format(time.RFC3339))
}

// takeOwnership locks a file of its own in the folder. The lock is the
// kernel's: it ends with the process, however that ends, so a file left
// behind owns nothing.
func takeOwnership(dir string, now time.Time) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, ownerFile), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open owner file: %w", err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		held := &OwnedError{Dir: dir}
		text := make([]byte, 128)
		n, _ := f.ReadAt(text, 0)
		var since string
		if k, _ := fmt.Sscanf(string(text[:n]), "pid %d\nsince %s\n", &held.PID, &since); k == 2 {
			held.Since, _ = time.Parse(time.RFC3339, since)
		}
		return nil, errors.Join(held, f.Close())
	}
	if err == nil {
		err = f.Truncate(0)
	}
	if err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "pid %d\nsince %s\n", os.Getpid(), now.UTC().Format(time.RFC3339)), 0)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("lock owner file: %w", err), f.Close())
	}
	return f, nil
}
