//go:build failpoints

package powercut

import (
	"database/sql"
	"database/sql/driver"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"

	"github.com/ncruces/go-sqlite3"
	sqlitedriver "github.com/ncruces/go-sqlite3/driver"
	"github.com/ncruces/go-sqlite3/util/vfsutil"
	"github.com/ncruces/go-sqlite3/vfs"

	"tidegate/store"
)

// sector is what a disk writes whole or not at all.
const sector = 512

// disk is a file system in which only what was synced is sure. It keeps, for
// each file, the bytes as of the last sync and what was written since.
type disk struct {
	mu     sync.Mutex
	files  map[string]*file // by base name
	ops    int              // writes, truncations and syncs so far
	syncs  int
	lies   bool        // a sync does nothing and says yes
	broken error       // what syncs answer, nil if they work
	step   func(n int) // told after each op, under the lock
	atSync func()      // told before each sync, under the lock
}

type file struct {
	durable []byte
	pending []change
	gone    bool // deleted; the deletion is durable
}

// change is a write, or a truncation to a size.
type change struct {
	at   int64
	data []byte // nil: truncation
}

func newDisk() *disk { return &disk{files: map[string]*file{}} }

func (d *disk) file(name string) *file {
	f := d.files[filepath.Base(name)]
	if f == nil {
		f = &file{}
		d.files[filepath.Base(name)] = f
	}
	return f
}

func (d *disk) did() {
	d.ops++
	if d.step != nil {
		d.step(d.ops)
	}
}

// seen is what other programs of the same machine see now, synced or not.
func (f *file) seen() []byte {
	b := append([]byte(nil), f.durable...)
	for _, c := range f.pending {
		if c.data == nil {
			b = truncated(b, c.at)
		} else {
			b = written(b, c.at, c.data)
		}
	}
	return b
}

// killed is the disk as a process leaves it that is killed now, while the
// machine goes on; its files are written into a folder. The caller holds the
// lock.
func (d *disk) killed(dir string) (*disk, error) {
	after, files := newDisk(), map[string][]byte{}
	for name, f := range d.files {
		if f.gone {
			continue
		}
		after.files[name] = &file{durable: append([]byte(nil), f.durable...), pending: append([]change(nil), f.pending...)}
		files[name] = f.seen()
	}
	return after, writeImage(dir, files)
}

// worst is what is left when the power goes and nothing unsynced was written.
func (d *disk) worst() map[string][]byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	image := map[string][]byte{}
	for name, f := range d.files {
		if !f.gone {
			image[name] = append([]byte(nil), f.durable...)
		}
	}
	return image
}

// image is what is on the disk after the power went now: of what was not
// synced, each sector is there or not. dropped counts those that are not. The
// caller holds the lock.
func (d *disk) image(rnd *rand.Rand) (image map[string][]byte, dropped int) {
	image = map[string][]byte{}
	for name, f := range d.files {
		if f.gone {
			continue
		}
		b := append([]byte(nil), f.durable...)
		for _, c := range f.pending {
			if c.data == nil {
				if rnd.IntN(2) == 0 {
					b = truncated(b, c.at)
				}
				continue
			}
			for from := 0; from < len(c.data); {
				to := min(len(c.data), from+sector-int(c.at+int64(from))%sector)
				if rnd.IntN(2) == 0 {
					b = written(b, c.at+int64(from), c.data[from:to])
				} else {
					dropped++
				}
				from = to
			}
		}
		image[name] = b
	}
	return image, dropped
}

func truncated(b []byte, size int64) []byte {
	if size <= int64(len(b)) {
		return b[:size]
	}
	return append(b, make([]byte, size-int64(len(b)))...)
}

func written(b []byte, at int64, data []byte) []byte {
	if end := at + int64(len(data)); end > int64(len(b)) {
		b = truncated(b, end)
	}
	copy(b[at:], data)
	return b
}

func writeImage(dir string, image map[string][]byte) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	for name, b := range image {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// drive is a disk as SQLite sees it: real files for reading, locks and shared
// memory, and a record of what would be durable.
type drive struct {
	*disk
	vfs.VFS
}

func (d drive) Open(name string, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	f, flags, err := d.VFS.Open(name, flags)
	return d.watched(name, f, flags, err)
}

func (d drive) OpenFilename(name *vfs.Filename, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	f, flags, err := vfsutil.WrapOpenFilename(d.VFS, name, flags)
	if name == nil {
		return f, flags, err // a temporary file
	}
	return d.watched(name.String(), f, flags, err)
}

func (d drive) watched(name string, f vfs.File, flags vfs.OpenFlag, err error) (vfs.File, vfs.OpenFlag, error) {
	if err != nil || flags&(vfs.OPEN_MAIN_DB|vfs.OPEN_WAL|vfs.OPEN_MAIN_JOURNAL) == 0 {
		return f, flags, err
	}
	d.mu.Lock()
	d.file(name).gone = false
	d.mu.Unlock()
	return &watched{f, d.disk, filepath.Base(name)}, flags, nil
}

func (d drive) Delete(name string, syncDir bool) error {
	err := d.VFS.Delete(name, syncDir)
	if err == nil {
		d.mu.Lock()
		*d.file(name) = file{gone: true}
		d.did()
		d.mu.Unlock()
	}
	return err
}

type watched struct {
	vfs.File
	disk *disk
	name string
}

func (w *watched) WriteAt(p []byte, at int64) (int, error) {
	w.disk.mu.Lock()
	defer w.disk.mu.Unlock()
	f := w.disk.file(w.name)
	f.pending = append(f.pending, change{at, append([]byte{}, p...)})
	n, err := w.File.WriteAt(p, at)
	w.disk.did()
	return n, err
}

func (w *watched) Truncate(size int64) error {
	w.disk.mu.Lock()
	defer w.disk.mu.Unlock()
	f := w.disk.file(w.name)
	f.pending = append(f.pending, change{at: size})
	err := w.File.Truncate(size)
	w.disk.did()
	return err
}

// Sync makes durable what was written, unless the disk lies or is broken; the
// pages of a failed sync count as clean and are never written again.
func (w *watched) Sync(vfs.SyncFlag) error {
	w.disk.mu.Lock()
	defer w.disk.mu.Unlock()
	if w.disk.atSync != nil {
		w.disk.atSync()
	}
	w.disk.syncs++
	f := w.disk.file(w.name)
	switch {
	case w.disk.broken != nil:
		err := w.disk.broken
		w.disk.broken = nil
		f.pending = lostPages(f.pending)
		w.disk.did()
		return err
	case !w.disk.lies:
		for _, c := range f.pending {
			if c.data == nil {
				f.durable = truncated(f.durable, c.at)
			} else {
				f.durable = written(f.durable, c.at, c.data)
			}
		}
		f.pending = nil
	}
	w.disk.did()
	return nil
}

// lostPages is nothing: what a failed sync had to write is forgotten.
func lostPages([]change) []change { return nil }

func (w *watched) SharedMemory() vfs.SharedMemory { return vfsutil.WrapSharedMemory(w.File) }
func (w *watched) LockState() vfs.LockLevel       { return vfsutil.WrapLockState(w.File) }
func (w *watched) PersistWAL() bool               { return vfsutil.WrapPersistWAL(w.File) }
func (w *watched) SetPersistWAL(keep bool)        { vfsutil.WrapSetPersistWAL(w.File, keep) }

// driverOf makes a disk the place of a store's database.
func driverOf(d *disk, name string, normal bool) store.Driver {
	vfs.Register(name, drive{d, vfs.Find("os")})
	via := "sqlite3"
	if normal {
		via = normalDriver
	}
	return store.Driver{Name: via, Query: "vfs=" + name, Code: func(err error) int {
		var e *sqlite3.Error
		if errors.As(err, &e) {
			return int(e.ExtendedCode())
		}
		return 0
	}}
}

// normalDriver opens databases with synchronous=NORMAL whatever is asked: the
// setting under which SQLite may lose what it committed last.
const normalDriver = "sqlite3-normal"

func init() { sql.Register(normalDriver, &lax{}) }

type lax struct{ sqlitedriver.SQLite }

func (l *lax) Open(name string) (driver.Conn, error) { return l.SQLite.Open(laxName(name)) }

func (l *lax) OpenConnector(name string) (driver.Connector, error) {
	return l.SQLite.OpenConnector(laxName(name))
}

func laxName(name string) string {
	changed := strings.Replace(name, "synchronous%28FULL%29", "synchronous%28NORMAL%29", 1)
	if changed == name {
		panic("the name of the database does not set synchronous: " + name)
	}
	return changed
}
