package lines

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/klauspost/compress/gzip"
	_ "modernc.org/sqlite" // the driver
)

// cursor says how far a run has come: how many lines of each kind it has
// given. Samples and events are counted apart, because the order in which a run
// judged again gives the two differs from that of the live run.
type cursor struct {
	run             string
	samples, events uint64
}

// spool keeps batches on the disk, oldest first, until they are taken. How far
// the run has come is written with each batch in one transaction, so that after
// a crash nothing is kept twice or left out. Its methods may be called from
// several goroutines.
type spool struct {
	dir string
	db  *sql.DB
	max int64 // bytes of batches, compressed

	mu           sync.Mutex
	bytes, count int64 // of what is kept
	lines        int64
}

// asideMax bounds what is set aside, in bytes; beyond it the oldest goes.
const asideMax = 16 << 20

const spoolSchema = `
CREATE TABLE IF NOT EXISTS batch (id INTEGER PRIMARY KEY AUTOINCREMENT, lines INTEGER NOT NULL, body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS cursor (one INTEGER PRIMARY KEY CHECK (one = 1), run TEXT NOT NULL, samples INTEGER NOT NULL, events INTEGER NOT NULL);`

// openSpool opens the spool in a directory, which it makes. WAL survives a
// killed process; after a power cut the last batches may be older ones again.
func openSpool(dir string, max int64) (*spool, cursor, error) {
	var c cursor
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, c, fmt.Errorf("spool: %w", err)
	}
	path, err := filepath.Abs(filepath.Join(dir, "spool.db"))
	if err != nil {
		return nil, c, fmt.Errorf("spool: %w", err)
	}
	uri := url.URL{Scheme: "file", Path: "/" + strings.TrimPrefix(filepath.ToSlash(path), "/"), RawQuery: url.Values{
		"_pragma": {"journal_mode(WAL)", "synchronous(NORMAL)", "busy_timeout(1000)", "auto_vacuum(INCREMENTAL)", "journal_size_limit(1048576)"}}.Encode()}
	db, err := sql.Open("sqlite", uri.String())
	if err != nil {
		return nil, c, fmt.Errorf("spool %s: %w", path, err)
	}
	db.SetMaxOpenConns(1)
	s := &spool{dir: dir, db: db, max: max}
	_, err = db.Exec(spoolSchema)
	if err == nil {
		err = db.QueryRow("SELECT count(*), coalesce(sum(lines), 0), coalesce(sum(length(body)), 0) FROM batch").Scan(&s.count, &s.lines, &s.bytes)
	}
	if err == nil {
		if err = db.QueryRow("SELECT run, samples, events FROM cursor").Scan(&c.run, &c.samples, &c.events); errors.Is(err, sql.ErrNoRows) {
			err = nil
		}
	}
	if err != nil {
		return nil, c, errors.Join(fmt.Errorf("spool %s: %w; if it is damaged, delete it: what waited there can be exported from the record", path, err), db.Close())
	}
	return s, c, nil
}

// push keeps a batch and how far the run has come with it. When the spool is
// over its size the oldest batches go; it says how many lines they had.
func (s *spool) push(batch []byte, lines int, c cursor) (lost int64, err error) {
	var body bytes.Buffer
	z, err := gzip.NewWriterLevel(&body, gzip.BestSpeed)
	if err == nil {
		_, err = z.Write(batch)
	}
	if err == nil {
		err = z.Close()
	}
	if err != nil {
		return 0, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	tx, err := s.db.Begin()
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	if _, err := tx.Exec("INSERT INTO batch (lines, body) VALUES (?, ?)", lines, body.Bytes()); err != nil {
		return 0, err
	}
	if _, err := tx.Exec("INSERT OR REPLACE INTO cursor VALUES (1, ?, ?, ?)", c.run, c.samples, c.events); err != nil {
		return 0, err
	}
	size, count := s.bytes+int64(body.Len()), s.count+1
	for size > s.max && count > 1 {
		var n, b int64
		if err := tx.QueryRow("DELETE FROM batch WHERE id = (SELECT min(id) FROM batch) RETURNING lines, length(body)").Scan(&n, &b); err != nil {
			return 0, err
		}
		size, count, lost = size-b, count-1, lost+n
	}
	if err := tx.Commit(); err != nil {
		return 0, err
	}
	s.bytes, s.count, s.lines = size, count, s.lines+int64(lines)-lost
	return lost, nil
}

// first is the oldest batch; none gives n = 0.
func (s *spool) first() (id uint64, batch []byte, n int, err error) {
	var body []byte
	err = s.db.QueryRow("SELECT id, lines, body FROM batch ORDER BY id LIMIT 1").Scan(&id, &n, &body)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil, 0, nil
	}
	if err != nil {
		return 0, nil, 0, err
	}
	z, err := gzip.NewReader(bytes.NewReader(body))
	if err == nil {
		batch, err = io.ReadAll(z)
	}
	if err != nil {
		err = &damaged{id, n, err}
	}
	return id, batch, n, err
}

// damaged is a batch that cannot be read back.
type damaged struct {
	id    uint64
	lines int
	cause error
}

func (d *damaged) Error() string { return "a batch in the spool cannot be read: " + d.cause.Error() }
func (d *damaged) Unwrap() error { return d.cause }

// remove forgets a batch that was taken. One that is gone already, because the
// spool was full, is no error.
func (s *spool) remove(id uint64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var n, b int64
	err := s.db.QueryRow("DELETE FROM batch WHERE id = ? RETURNING lines, length(body)", id).Scan(&n, &b)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	s.bytes, s.count, s.lines = s.bytes-b, s.count-1, s.lines-n
	if s.count == 0 {
		_, err = s.db.Exec("PRAGMA incremental_vacuum")
	}
	return err
}

// kept is how many batches and lines wait.
func (s *spool) kept() (batches, lines int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.count, s.lines
}

// setAside writes lines that the server will never take into a file of their
// own, behind a comment with the server's words.
func (s *spool) setAside(words string, lines []byte) error {
	old, err := filepath.Glob(filepath.Join(s.dir, "refused-*.lp"))
	if err != nil {
		return err
	}
	var total int64
	for i := len(old) - 1; i >= 0; i-- { // the names sort by time
		if info, err := os.Stat(old[i]); err == nil {
			total += info.Size()
		}
		if total+int64(len(lines)) > asideMax {
			os.Remove(old[i]) // what cannot be removed is tried again at the next
		}
	}
	now := time.Now().UTC()
	f, err := os.CreateTemp(s.dir, "refused-"+now.Format("20060102T150405.000000000Z")+"-*.lp")
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(f, "# %s %s\n%s", now.Format(time.RFC3339), words, lines)
	return errors.Join(err, f.Sync(), f.Close())
}

func (s *spool) close() error { return s.db.Close() }
