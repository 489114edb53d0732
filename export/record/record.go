// Package record is the durable record of runs: every reading as the display
// showed it, what the operator did, and the events that followed, in one SQLite
// database in the data directory. Readings and acts, replayed in order, give
// the events again, byte for byte.
//
// One daemon writes, through Open and a Writer; any number of programs read
// beside it, through OpenReader.
package record

import (
	"context"
	"database/sql"
	"database/sql/driver"
	_ "embed" // for the schema
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

const (
	fileName = "nightsoak.db"
	lockName = "nightsoak.lock"

	schemaVersion = 2
	applicationID = 0x4e534f4b // "NSOK", in the file's header: tells our database from any other
)

//go:embed schema.sql
var schema string

// The errors that callers tell apart, with errors.Is.
var (
	ErrNoRecord   = errors.New("no record here")
	ErrInUse      = errors.New("another daemon keeps its record here")
	ErrForeign    = errors.New("not a nightsoak record")
	ErrNewer      = errors.New("record of a newer nightsoak")
	ErrDamaged    = errors.New("record is damaged")
	ErrUnknownRun = errors.New("no such run")
	ErrEnded      = errors.New("run has ended")
	ErrDiffers    = errors.New("an event differs from the one recorded")
)

// Store is an open record. Its methods may be called from several goroutines.
type Store struct {
	db      *sql.DB
	path    string
	lock    *os.File // nil for a reader
	version int      // of the schema: a reader may find an older one
	counts  bool     // meters has rejected: the first records of version 2 have it not
	sealing sync.Mutex
}

// Open opens the record in dir for the daemon, creating directory and database
// where they are missing and bringing an older one up to date, and holds dir
// until Close. It fails with ErrInUse,
// naming the process, while another daemon does; with ErrForeign, ErrNewer or
// ErrDamaged when the database cannot be gone on with, which it then leaves
// untouched.
func Open(dir string) (*Store, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("data directory: %w", err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return nil, err
	}
	s, err := open(dir, url.Values{
		"_txlock": {"immediate"},
		// NORMAL leaves the log to the kernel, which a killed daemon does not
		// take with it; the Writer brings it to the disk beside the commits.
		"_pragma": {"busy_timeout(1000)", "synchronous(NORMAL)", "journal_size_limit(16777216)"},
	})
	if err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	s.lock = lock
	if err := s.prepare(); err != nil {
		return nil, errors.Join(s.wrap(err), s.Close())
	}
	return s, nil
}

// OpenBeside opens the record in dir for a command that changes it in one small
// step: like Open, but while a daemon holds dir, beside it.
func OpenBeside(dir string) (*Store, error) {
	s, err := Open(dir)
	if !errors.Is(err, ErrInUse) {
		return s, err
	}
	if s, err = open(dir, url.Values{"_txlock": {"immediate"}, "_pragma": {"busy_timeout(5000)", "synchronous(NORMAL)"}}); err != nil {
		return nil, err
	}
	if _, err = s.recognise(); err == nil && s.version != schemaVersion {
		err = fmt.Errorf("%w: the daemon that runs keeps a record of version %d; restart it with this program first", ErrInUse, s.version)
	}
	if err != nil {
		return nil, errors.Join(s.wrap(err), s.Close())
	}
	return s, nil
}

// OpenReader opens the record in dir for reading only, beside a daemon or
// without one; it never makes a daemon wait. Without a record there it fails
// with ErrNoRecord.
func OpenReader(dir string) (*Store, error) {
	path := filepath.Join(dir, fileName)
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("%s: %w: give the data_dir of the bench file with --data", path, ErrNoRecord)
	}
	s, err := open(dir, url.Values{
		"mode":    {"ro"},
		"_pragma": {"busy_timeout(5000)", "query_only(1)"},
	})
	if err != nil {
		return nil, err
	}
	fresh, err := s.recognise()
	if err == nil && fresh {
		err = fmt.Errorf("%w: the database is still empty", ErrNoRecord)
	}
	if err != nil {
		return nil, errors.Join(s.wrap(err), s.Close())
	}
	return s, nil
}

// Close lets go of the record. Writers must have been closed before.
func (s *Store) Close() error {
	err := s.db.Close()
	if s.lock != nil {
		err = errors.Join(err, s.lock.Close())
	}
	return err
}

// syncLog brings the write-ahead log to the disk. SQLite holds no lock on that
// file that closing it here could drop.
func (s *Store) syncLog() error {
	f, err := os.OpenFile(s.path+"-wal", os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// lockDir takes the daemon's lock on dir and leaves its process id in it.
func lockDir(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("data directory: %w", err)
	}
	if err := tryLock(f); err != nil {
		holder, _ := io.ReadAll(io.LimitReader(f, 20))
		f.Close()
		return nil, fmt.Errorf("%s: %w: process %s; stop it, or give this bench its own data_dir (%w)",
			dir, ErrInUse, strings.TrimSpace(string(holder)), err)
	}
	pid := strconv.AppendInt(nil, int64(os.Getpid()), 10)
	if _, err := f.WriteAt(append(pid, '\n'), 0); err != nil {
		return nil, errors.Join(fmt.Errorf("data directory: %w", err), f.Close())
	}
	if err := f.Truncate(int64(len(pid) + 1)); err != nil {
		return nil, errors.Join(fmt.Errorf("data directory: %w", err), f.Close())
	}
	return f, nil
}

func open(dir string, query url.Values) (*Store, error) {
	path := filepath.Join(dir, fileName)
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("data directory: %w", err)
	}
	query.Set("_error_rc", "1") // no stale message of another operation beside the cause
	uri := url.URL{Scheme: "file", Path: "/" + strings.TrimPrefix(filepath.ToSlash(abs), "/"), RawQuery: query.Encode()}
	c, err := sqlite.NewConnector(uri.String())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &Store{db: sql.OpenDB(keepWAL{c}), path: path}, nil
}

// keepWAL leaves the write-ahead log's two files, emptied, when the last
// connection closes. Without them only a user who may write to the directory
// can open the database, and who asks for a report often is another one.
type keepWAL struct{ driver.Connector }

func (k keepWAL) Connect(ctx context.Context) (driver.Conn, error) {
	c, err := k.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	if _, err := c.(sqlite.FileControl).FileControlPersistWAL("main", 1); err != nil {
		return nil, errors.Join(err, c.Close())
	}
	return c, nil
}

// recognise says whether the database is still empty, and fails when it is not
// one that this version can work with.
func (s *Store) recognise() (fresh bool, err error) {
	var id, version, tables int
	err = s.db.QueryRow("SELECT * FROM pragma_application_id, pragma_user_version, (SELECT count(*) FROM sqlite_schema)").
		Scan(&id, &version, &tables)
	switch {
	case err != nil:
		return false, err
	case id == 0 && version == 0 && tables == 0:
		return true, nil
	case id != applicationID || version < 1:
		return false, fmt.Errorf("%w: it is another program's database; move it away, or choose another data_dir", ErrForeign)
	case version > schemaVersion:
		return false, fmt.Errorf("%w: its version is %d, this program knows up to %d; use the newer program", ErrNewer, version, schemaVersion)
	}
	s.version = version
	return false, s.db.QueryRow("SELECT count(*) FROM pragma_table_info('meters') WHERE name = 'rejected'").Scan(&s.counts)
}

// prepare makes the database ready for writing.
func (s *Store) prepare() error {
	fresh, err := s.recognise()
	if err != nil {
		return err
	}
	if fresh { // only an empty database can be told to give pages back
		if _, err := s.db.Exec("PRAGMA auto_vacuum = INCREMENTAL"); err != nil {
			return err
		}
	}
	if _, err := s.db.Exec("PRAGMA journal_mode = WAL"); err != nil {
		return err
	}
	if s.version == schemaVersion {
		if !s.counts { // the first records of version 2
			_, err = s.db.Exec("ALTER TABLE meters ADD COLUMN rejected INTEGER")
			s.counts = err == nil
		}
		return err
	}
	tx, err := s.db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	statements := schema + fmt.Sprintf("PRAGMA application_id = %d;", applicationID)
	if !fresh {
		statements = upgrade
	}
	if _, err := tx.Exec(statements + fmt.Sprintf("PRAGMA user_version = %d;", schemaVersion)); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	s.version, s.counts = schemaVersion, true
	return nil
}

// upgrade makes version 2 of version 1, whose rows stay as they are until Tidy
// seals them: what came with 2, taken from the schema itself.
var upgrade = func() string {
	_, tables, _ := strings.Cut(schema, "CREATE TABLE seals")
	tables, _, _ = strings.Cut(tables, "CREATE TABLE acts")
	return "ALTER TABLE runs ADD COLUMN kept INTEGER NOT NULL DEFAULT 0; ALTER TABLE runs ADD COLUMN files_hash TEXT; ALTER TABLE meters ADD COLUMN rejected INTEGER;\nCREATE TABLE seals" + tables
}()

// wrap says which database an error comes from, and what can be done about it
// when the file itself is at fault.
func (s *Store) wrap(err error) error {
	if err == nil {
		return nil
	}
	if se, ok := errors.AsType[*sqlite.Error](err); ok {
		switch se.Code() & 0xff {
		case sqlite3.SQLITE_CORRUPT:
			return fmt.Errorf("%s: %w: keep a copy and recover what is whole with \"sqlite3 %s .recover\" (%w)", s.path, ErrDamaged, fileName, err)
		case sqlite3.SQLITE_NOTADB:
			return fmt.Errorf("%s: %w: move it away, or choose another data_dir (%w)", s.path, ErrForeign, err)
		case sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY:
			return fmt.Errorf("%s: this user may not open it as it is: read its -wal and -shm beside it, or copy it to a directory of your own (%w)", s.path, err)
		}
	}
	return fmt.Errorf("%s: %w", s.path, err)
}
