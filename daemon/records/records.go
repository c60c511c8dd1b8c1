// Package records is the memory of rearguard: one SQLite file that holds the
// history of readings, cohorts and counts, alarms and their notices, the
// journal of what people did, and the engine's checkpoints.
//
// A Store is the one writer of a file. The engine commits a Batch, or some
// that wait, in one transaction; the notifier marks notices and housekeeping
// rolls and retains history beside it, each in short transactions of their
// own. A Reader reads the same file at the same time, also from another
// process.
//
// All times are kept as UTC at millisecond resolution; the zero time is kept
// as such.
package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"time"

	"rearguard/daemon/records/damage"
	"rearguard/daemon/records/migrations"
)

// Synchronous says how far a commit waits for the disk.
type Synchronous string

const (
	// Full waits for every commit to reach the disk: a committed batch
	// survives the loss of mains power. This is the default.
	Full Synchronous = "FULL"
	// Normal waits only now and then: a committed batch survives the death of
	// the process, but the newest ones may be lost with the power. The file
	// stays whole.
	Normal Synchronous = "NORMAL"
)

// Options are settings of a Store; the zero value is what a facility needs.
type Options struct {
	// Synchronous is Full when empty.
	Synchronous Synchronous
	// BusyTimeout is how long to wait for another program that has the file
	// locked, for example a backup tool; 5 s when zero.
	BusyTimeout time.Duration
	// Readers is the greatest number of simultaneous reads, for the Store and
	// for its Pages each; 4 when zero.
	Readers int
}

func (o Options) withDefaults() (Options, error) {
	switch o.Synchronous {
	case "":
		o.Synchronous = Full
	case Full, Normal:
	default:
		return o, fmt.Errorf("unknown synchronous setting %q (want %s or %s)", o.Synchronous, Full, Normal)
	}
	if o.BusyTimeout <= 0 {
		o.BusyTimeout = 5 * time.Second
	}
	if o.Readers <= 0 {
		o.Readers = 4
	}
	return o, nil
}

// Querier is what a pool, a connection and a transaction have in common.
type Querier interface {
	// QueryContext is that of database/sql.
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	// QueryRowContext is that of database/sql.
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// Reader reads a records file. It is safe for use by several goroutines.
type Reader struct {
	path   string
	db     *sql.DB
	series seriesIndex
	// damage is what was found that cannot be read.
	damage *damage.Found
	// has looks for one reading. One statement sees one state of the file: a
	// reading that Roll moves in this moment is in one place or the other.
	has *sql.Stmt
}

// Store is the one writer of a records file, and reads it like a Reader. It
// is safe for use by several goroutines; writes happen one after the other.
type Store struct {
	*Reader
	pages *Reader
	lock  *os.File
	pool  *sql.DB

	// mu is held for each write transaction.
	mu     sync.Mutex
	conn   *sql.Conn
	write  *statements
	closed bool
	// rolling is held while one day is rolled or some history deleted.
	rolling sync.Mutex
	place   *place
}

// Open opens the records at path for writing, creates them if there are none,
// and brings an older file up to date. It fails with ErrLocked while another
// process has them open, and with ErrReadOnly, ErrFull, ErrCorrupt, ErrForeign
// or ErrNewer when the file cannot be used.
func Open(ctx context.Context, path string, opts Options) (_ *Store, err error) {
	opts, err = opts.withDefaults()
	if err != nil {
		return nil, err
	}
	path, err = resolve(path)
	if err != nil {
		return nil, err
	}
	s := &Store{place: &place{path: path, lossy: opts.Synchronous != Full}}
	defer func() {
		if err != nil {
			_ = s.release() // err says why
		}
	}()
	if s.lock, err = acquire(path); err != nil {
		return nil, err
	}
	busy := fmt.Sprintf("busy_timeout(%d)", opts.BusyTimeout.Milliseconds())
	if err = inspect(ctx, path, busy); err != nil {
		return nil, err
	}
	s.pool, err = sql.Open("sqlite", dsn(path, "rwc", busy,
		// For a new file: what is deleted can be given back to the disk.
		"auto_vacuum(INCREMENTAL)", "journal_mode(WAL)", "foreign_keys(1)",
		fmt.Sprintf("synchronous(%s)", opts.Synchronous),
		// After a burst the log shrinks back to this many bytes.
		"journal_size_limit(67108864)"))
	if err != nil {
		return nil, err
	}
	s.pool.SetMaxOpenConns(1)
	if s.conn, err = s.pool.Conn(ctx); err != nil {
		return nil, describe(path, err)
	}
	if s.place.isNew, err = migrate(ctx, s.conn, path); err != nil {
		return nil, describe(path, err)
	}
	if s.write, err = prepare(ctx, s.conn); err != nil {
		return nil, describe(path, err)
	}
	reading := dsn(path, "rw", busy, "query_only(1)")
	if s.Reader, err = open(ctx, path, reading, opts.Readers); err != nil {
		return nil, err
	}
	if s.pages, err = open(ctx, path, reading, opts.Readers); err != nil {
		return nil, err
	}
	s.pages.damage = s.damage
	doubt, err := s.place.identify(ctx, s.conn, s.damage)
	if err != nil || doubt == "" {
		return s, err
	}
	err = s.Doubt(ctx, doubt)
	return s, err
}

// inspect looks at the file before any setting changes it, so that a file
// that is not ours stays as it is.
func inspect(ctx context.Context, path, busy string) error {
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	db, err := sql.Open("sqlite", dsn(path, "rw", busy))
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }() // it was only read
	_, _, err = migrations.Version(ctx, db, path)
	return err
}

// OpenReader opens the records at path for reading only, whether or not a
// daemon has them open. It fails with fs.ErrNotExist when there are none, and
// with ErrOlder when a daemon of this version has never opened them.
func OpenReader(ctx context.Context, path string) (*Reader, error) {
	path, err := resolve(path)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("open records: %w", err)
	}
	r, err := open(ctx, path, dsn(path, "ro", "busy_timeout(5000)", "query_only(1)"), 4)
	if errors.Is(err, ErrReadOnly) {
		// A file in a folder that cannot be written needs no log when none is
		// there: nobody can be writing it.
		if _, statErr := os.Stat(path + "-wal"); errors.Is(statErr, os.ErrNotExist) {
			return open(ctx, path, dsn(path, "ro", "query_only(1)")+"&immutable=1", 4)
		}
	}
	return r, err
}

func open(ctx context.Context, path, dsn string, readers int) (*Reader, error) {
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(readers)
	db.SetMaxIdleConns(readers)
	have, want, err := migrations.Version(ctx, db, path)
	if err == nil && have < want {
		err = fmt.Errorf("%w: %s has schema %d and this program needs %d (start the daemon once, it brings the file up to date)",
			ErrOlder, path, have, want)
	}
	var has *sql.Stmt
	if err == nil {
		has, err = db.PrepareContext(ctx, `SELECT EXISTS (SELECT 1 FROM hot WHERE time = ?1 AND series = ?2),
			(SELECT data FROM chunk WHERE day = ?3 AND series = ?2)`)
	}
	if err != nil {
		_ = db.Close() // err says what failed
		return nil, describe(path, err)
	}
	r := &Reader{path: path, db: db, has: has, damage: &damage.Found{}}
	if err := r.loadQuarantine(ctx); err != nil {
		_ = r.Close() // err says what failed
		return nil, err
	}
	return r, nil
}

// look lets f read one state of the file through one connection, which goes
// back to the pool before look returns. A reader that held one connection and
// waited for another could wait for ever, so f must read through q alone and
// must not call what its own caller has passed in.
func (r *Reader) look(ctx context.Context, f func(q Querier) error) error {
	tx, err := r.db.BeginTx(ctx, nil)
	if err != nil {
		return describe(r.path, err)
	}
	// Nothing was written; there is nothing to lose.
	defer func() { _ = tx.Rollback() }()
	return describe(r.path, f(tx))
}

// resolve makes path absolute and follows links, so that one file has one
// name and one lock.
func resolve(path string) (string, error) {
	if path == "" {
		return "", errors.New("no path for the records")
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", fmt.Errorf("records %s: %w", path, err)
	}
	info, err := os.Stat(abs)
	if err == nil && !info.Mode().IsRegular() {
		return "", fmt.Errorf("%w: %s is not a file (name the file, not its folder)", ErrForeign, abs)
	}
	if target, err := filepath.EvalSymlinks(abs); err == nil {
		return target, nil
	}
	dir, err := filepath.EvalSymlinks(filepath.Dir(abs))
	if err != nil {
		return "", fmt.Errorf("folder of the records %s (create it first): %w", abs, err)
	}
	return filepath.Join(dir, filepath.Base(abs)), nil
}

// dsn carries the settings in the connection string, so that every connection
// of a pool has them.
func dsn(path, mode string, pragmas ...string) string {
	p := filepath.ToSlash(path)
	if runtime.GOOS == "windows" {
		p = "/" + p
	}
	u := url.URL{Scheme: "file", Path: p}
	return u.String() + "?" + url.Values{"mode": {mode}, "_pragma": pragmas}.Encode()
}

// Pages gives a Reader with connections of its own. What many people ask for
// at once is read through it: those who wait for a connection get one in no
// particular order, so the engine must not wait among them. It ends with the
// Store.
func (s *Store) Pages() *Reader { return s.pages }

// New reports whether Open created the records.
func (s *Store) New() bool { return s.place.isNew }

// Path returns the absolute name of the file.
func (r *Reader) Path() string { return r.path }

// Close ends the use of the file.
func (r *Reader) Close() error { return errors.Join(r.has.Close(), r.db.Close()) }

// Close waits for the write that is under way, moves the log into the file
// and lets the lock go.
func (s *Store) Close() error {
	s.rolling.Lock()
	defer s.rolling.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	ctx := context.Background()
	part, to, err := s.place.rescue(ctx, s.conn)
	if part == "" && err == nil {
		err = s.place.noteLast(ctx, s.conn)
	}
	err = errors.Join(err, s.release())
	if part != "" {
		// Only now is the log of the lost file gone.
		err = errors.Join(err, os.Rename(part, to))
	}
	return err
}

func (s *Store) release() error {
	var errs []error
	for _, r := range []*Reader{s.pages, s.Reader} {
		if r != nil {
			errs = append(errs, r.Close())
		}
	}
	if s.write != nil {
		errs = append(errs, s.write.close())
	}
	if s.conn != nil {
		errs = append(errs, s.conn.Close())
	}
	if s.pool != nil {
		errs = append(errs, s.pool.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// change runs f in one write transaction. It is not torn by ctx once it has
// begun: f is short, and half of it would be of no use.
func (s *Store) change(ctx context.Context, f func(ctx context.Context) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	ctx = context.WithoutCancel(ctx)
	return describe(s.path, inTransaction(ctx, s.conn, func() error { return f(ctx) }))
}

// migrate brings the file to the newest version in one transaction: it has
// either all of it or is as it was. It reports whether the file is new.
func migrate(ctx context.Context, c *sql.Conn, path string) (isNew bool, err error) {
	have, want, err := migrations.Version(ctx, c, path)
	if err != nil || have == want {
		return false, err
	}
	return have == 0, inTransaction(ctx, c, func() error { return migrations.Apply(ctx, c, path, have) })
}

// inTransaction runs f between BEGIN IMMEDIATE and COMMIT on c; when f or the
// commit fails nothing of it remains.
func inTransaction(ctx context.Context, c *sql.Conn, f func() error) error {
	if _, err := c.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := f()
	if err == nil {
		_, err = c.ExecContext(ctx, "COMMIT")
	}
	if err != nil {
		// After some failures SQLite has already rolled back, and then this
		// fails with "no transaction is active": err says what was wrong.
		_, _ = c.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
	}
	return err
}

// Read lets f read one state of the file, for the upkeep of the file. F must
// read through q alone.
func (r *Reader) Read(ctx context.Context, f func(q Querier) error) error { return r.look(ctx, f) }

// Write lets f write in one transaction, which should be short, while no day
// is being rolled.
func (s *Store) Write(ctx context.Context, f func(ctx context.Context, c *sql.Conn) error) error {
	s.rolling.Lock()
	defer s.rolling.Unlock()
	return s.change(ctx, func(ctx context.Context) error { return f(ctx, s.conn) })
}

// Alone lets f work on the file outside a transaction while nothing else is
// written.
func (s *Store) Alone(ctx context.Context, f func(ctx context.Context, c *sql.Conn) error) error {
	s.rolling.Lock()
	defer s.rolling.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	return describe(s.path, f(context.WithoutCancel(ctx), s.conn))
}

// Millis is t as it is stored; null for the zero time.
func Millis(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMilli()
}

// FromMillis is the inverse of Millis.
func FromMillis(ms sql.NullInt64) time.Time {
	if !ms.Valid {
		return time.Time{}
	}
	return time.UnixMilli(ms.Int64).UTC()
}
