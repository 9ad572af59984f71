package store

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"
)

const (
	ballastFile = "ballast"
	lookAgain   = 250 * time.Millisecond // how long an answer about free space is good
)

// space watches the volume and keeps the ballast.
type space struct {
	mu       sync.Mutex
	dir      string
	lowWater int64
	ballast  int64
	looked   time.Time
	low      bool
	gone     bool // the ballast was given up
}

func (s *space) init(dir string, lowWater, ballast int64) {
	s.dir, s.lowWater, s.ballast = dir, lowWater, ballast
}

// tight tells whether the volume is below its low-water mark. The clock is
// the machine's: it bounds how often the kernel is asked, nothing else.
func (s *space) tight() bool {
	if s.lowWater <= 0 {
		return false
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if time.Since(s.looked) < lookAgain {
		return s.low
	}
	free, err := freeBytes(s.dir)
	s.looked, s.low = time.Now(), err == nil && free < s.lowWater
	if s.gone && !s.low {
		s.fill()
	}
	return s.low
}

// refill makes the ballast if it is missing.
func (s *space) refill() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fill()
}

// fill makes the ballast if it is missing and the volume has room for it above
// the low-water mark. A ballast that cannot be made is none: the store works
// without.
func (s *space) fill() {
	if s.ballast <= 0 {
		return
	}
	path := filepath.Join(s.dir, ballastFile)
	if info, err := os.Stat(path); err == nil && info.Size() >= s.ballast {
		return
	}
	if free, err := freeBytes(s.dir); err != nil || free < s.ballast+s.lowWater {
		return
	}
	if err := writeBallast(path, s.ballast); err != nil {
		_ = os.Remove(path)
		return
	}
	s.gone = false
}

// writeBallast fills the file with bytes: a hole would reserve nothing.
func writeBallast(path string, size int64) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("make ballast: %w", err)
	}
	defer f.Close()
	chunk := make([]byte, 256<<10)
	for left := size; left > 0; left -= int64(len(chunk)) {
		if _, err := f.Write(chunk[:min(left, int64(len(chunk)))]); err != nil {
			return fmt.Errorf("fill ballast: %w", err)
		}
	}
	return nil
}

// giveUp frees the ballast's room and tells whether there was one.
func (s *space) giveUp() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ballast <= 0 || os.Remove(filepath.Join(s.dir, ballastFile)) != nil {
		return false
	}
	s.gone = true
	return true
}

func freeBytes(dir string) (int64, error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return 0, fmt.Errorf("ask for free space: %w", err)
	}
	return int64(st.Bavail) * int64(st.Bsize), nil //nolint:gosec // far below 2^63
}
