package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"tidegate/ledger"
)

const databaseFile = "tidegate.db"

// Options of a store. The zero value is a store with the built-in driver, the
// clock of the machine, no anchor and no reserve.
type Options struct {
	// Now is the clock; nil is time.Now.
	Now func() time.Time
	// Fatal is called once, after every waiting caller got its error, when a
	// commit failed in a way that leaves what is on the disk unknown. The
	// process must end then; nil panics.
	Fatal func(error)
	// LowWater is the number of free bytes on the volume below which arrivals
	// and notices are refused, so that work under way can still finish.
	LowWater int64
	// Ballast is the size in bytes of a file that is given up when the disk is
	// full, so that the database can be opened and drained on a full volume.
	Ballast int64
	// AnchorFile holds the last head that was or may have been signed, best on
	// another volume: a store that is behind it is an old copy. "" anchors
	// nothing.
	AnchorFile string
	// Sealing is told when sealing begins to fail, fails otherwise, or (nil)
	// works again; may be nil.
	Sealing func(error)
	// Driver opens the database; the zero value is the built-in one.
	Driver Driver
}

// Store is an open data folder. Its methods are safe for concurrent use.
type Store struct {
	opt    Options
	dir    string
	lock   *os.File
	writer *sql.DB // one connection, used by the writer goroutine alone
	conn   *sql.Conn
	read   *pool

	queue   chan *op
	stopped chan struct{} // closed when the writer goroutine has returned
	closing atomic.Bool
	senders sync.RWMutex // held shared while an op is queued, so that Close can end the queue
	dead    atomic.Pointer[error]
	space   space

	// Owned by the writer goroutine.
	raw     *rawConn
	lastSeq int64
	batch   batchMemo
	salts   randomPool
	packer  *packer

	tree     atomic.Pointer[ledger.Tree] // all committed leaves; what it points to never changes
	tally    tally
	registry atomic.Pointer[snapshot]
	versions *versionCache
	contacts contacts
	paused   pauses
	arrivals arrivalLeases
	sending  deliveryLeases
	arrived  chan struct{}
	due      signals

	sealing sync.Mutex
	grown   chan struct{} // events were appended

	notifying chan struct{}

	hook func(point string) // tests inside the package; nil otherwise
}

// Open takes ownership of a data folder, made if it is missing, and returns
// only when everything in it that can be seen is durable.
//
// Errors: *OwnedError if another process owns the folder, *RolledBackError if
// the store is behind its anchor.
func Open(dir string, opt Options) (*Store, error) {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Fatal == nil {
		opt.Fatal = func(err error) { panic(err) }
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("make data folder: %w", err)
	}
	lock, err := takeOwnership(dir, opt.Now())
	if err != nil {
		return nil, err
	}
	s := newStore(dir, opt)
	s.lock = lock
	s.queue = make(chan *op, 2*maxBatch)
	s.stopped = make(chan struct{})
	if err := s.open(); err != nil {
		s.release()
		return nil, err
	}
	go s.write()
	return s, nil
}

func newStore(dir string, opt Options) *Store {
	return &Store{
		opt: opt, dir: dir,
		versions:  newVersionCache(),
		arrivals:  arrivalLeases{leases: map[int64]*lease{}},
		sending:   deliveryLeases{leases: map[int64]*lease{}},
		arrived:   make(chan struct{}, 1),
		grown:     make(chan struct{}, 1),
		notifying: make(chan struct{}, 1),
		packer:    newPacker(),
	}
}

func (s *Store) open() error {
	path := filepath.Join(s.dir, databaseFile)
	s.space.init(s.dir, s.opt.LowWater, s.opt.Ballast)
	if err := createPrivate(path); err != nil {
		return err
	}
	if err := s.openWriter(path); err != nil {
		// A volume that is full to the brim cannot even be opened: the shared
		// memory file does not grow. Give up the ballast and try once more.
		if !s.space.giveUp() {
			return err
		}
		s.closeDatabases()
		if err := s.openWriter(path); err != nil {
			return err
		}
	}
	if err := s.openReaders(path, toRead); err != nil {
		return err
	}
	if err := s.load(); err != nil {
		return err
	}
	if err := s.checkAnchor(s.read.with(context.Background())); err != nil {
		return err
	}
	s.space.refill()
	return nil
}

func (s *Store) openReaders(path string, may access) error {
	read, err := s.opt.Driver.open(path, may)
	if err != nil {
		return fmt.Errorf("open database for reading: %w", err)
	}
	read.SetMaxOpenConns(readers)
	read.SetMaxIdleConns(readers)
	s.read = &pool{db: read, stmts: map[string]*sql.Stmt{}}
	return nil
}

// openWriter opens the writing connection, makes durable what a dead process
// left in the log, and brings the schema up to date.
func (s *Store) openWriter(path string) error {
	db, err := s.opt.Driver.open(path, toWrite)
	if err != nil {
		return fmt.Errorf("open database: %w", err)
	}
	db.SetMaxOpenConns(1)
	s.writer = db
	ctx := context.Background()
	if s.conn, err = db.Conn(ctx); err != nil {
		return fmt.Errorf("open database: %w", err)
	}
	if err := s.conn.Raw(func(conn any) error {
		_, err := newRawConn(conn)
		return err
	}); err != nil {
		return err
	}
	if err := s.checkpointLog(ctx); err != nil {
		return err
	}
	if err := migrate(ctx, s.conn, s.opt.Now()); err != nil {
		return err
	}
	return syncDir(s.dir)
}

// checkpointLog copies the write-ahead log into the database and empties it.
// A process killed between writing the log and syncing it leaves rows that
// are seen but not yet durable: a resend of such an arrival would be answered
// with yes, and a power cut would lose it.
func (s *Store) checkpointLog(ctx context.Context) error {
	var busy, logged, moved int64
	if err := s.conn.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &logged, &moved); err != nil {
		return fmt.Errorf("checkpoint the log at opening: %w", err)
	}
	if busy != 0 {
		return errors.New("checkpoint the log at opening: another program reads the database; end it and start again")
	}
	return nil
}

// load reads what is kept in memory: sequence, sums, ledger, registry.
func (s *Store) load() error {
	ctx := context.Background()
	q := s.read.with(ctx)
	for _, table := range []string{"arrivals", "results", "versions", "holds", "notifications", "lookbacks"} {
		var seq int64
		if err := q.row(`SELECT coalesce(max(seq), 0) FROM ` + table).Scan(&seq); err != nil {
			return fmt.Errorf("read last row of %s: %w", table, err)
		}
		s.lastSeq = max(s.lastSeq, seq)
	}
	if err := s.tally.load(q, s.opt.Now()); err != nil {
		return err
	}
	if err := s.contacts.load(q); err != nil {
		return err
	}
	if err := s.paused.load(q); err != nil {
		return err
	}
	tree, err := loadTree(q)
	if err != nil {
		return err
	}
	s.tree.Store(tree)
	reg, err := loadRegistry(q)
	if err != nil {
		return err
	}
	s.registry.Store(reg)
	s.arrivals.cursor = s.tally.get(judgedThrough).n
	s.arrivals.epoch = s.opt.Now().UnixNano()
	s.sending.epoch = s.opt.Now().UnixNano()
	return nil
}

// Close waits for what is queued, then lets the folder go. Nothing may be
// called afterwards.
func (s *Store) Close() error {
	if s.closing.Swap(true) {
		return nil
	}
	if s.queue != nil {
		s.senders.Lock()
		close(s.queue)
		s.senders.Unlock()
		<-s.stopped
	}
	return s.release()
}

func (s *Store) release() error {
	err := s.closeDatabases()
	if s.lock != nil {
		err = errors.Join(err, s.lock.Close()) // closing gives up the lock
	}
	return err
}

func (s *Store) closeDatabases() error {
	var errs []error
	if s.read != nil {
		errs = append(errs, s.read.db.Close())
		s.read = nil
	}
	if s.conn != nil {
		errs = append(errs, s.conn.Close())
		s.conn = nil
	}
	if s.writer != nil {
		errs = append(errs, s.writer.Close())
		s.writer = nil
	}
	return errors.Join(errs...)
}

// loadTree rebuilds the growing end of the ledger from its full tiles and the
// events after the last one.
func loadTree(q querier) (*ledger.Tree, error) {
	var size int64
	if err := q.row(`SELECT coalesce(max(idx) + 1, 0) FROM events`).Scan(&size); err != nil {
		return nil, fmt.Errorf("read ledger size: %w", err)
	}
	tail, err := leafHashes(q, size-size%ledger.TileWidth, size)
	if err != nil {
		return nil, err
	}
	tree, err := ledger.Resume(size, tileReader(q), tail)
	if err != nil {
		return nil, fmt.Errorf("rebuild ledger: %w", err)
	}
	return tree, nil
}

// leafHashes are those of the events in [from, to).
func leafHashes(q querier, from, to int64) ([]tlog.Hash, error) {
	events, err := selectEvents(q, `WHERE idx >= ? AND idx < ? ORDER BY idx`, from, to)
	if err != nil {
		return nil, err
	}
	hashes := make([]tlog.Hash, len(events))
	for i, e := range events {
		hashes[i] = ledger.LeafHash(e)
	}
	return hashes, nil
}

func (s *Store) now() time.Time { return s.opt.Now() }

func (s *Store) point(name string) {
	pass(name)
	if s.hook != nil {
		s.hook(name)
	}
}
