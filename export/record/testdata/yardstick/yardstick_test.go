// Package yardstick sets the record beside other ways to keep the same night:
// bytes on disk, bytes handed to the kernel on the way there, and readings read
// back, all in one run. It is a module of its own, so that what it compares
// with is nobody's dependency:
//
//	cd export/record/testdata/yardstick && go test -bench . -benchtime 1x -timeout 1h
package yardstick

import (
	"compress/gzip"
	"context"
	"database/sql"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
	_ "modernc.org/sqlite"

	"nightsoak/acquire/emulate/night"
	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export/record"
)

const (
	meters = 9
	second = 45 // readings, and so the size of a commit
)

// trace is a night of readings in the order they arrived.
type trace []alarms.Input

var traces = map[string]func(testing.TB) trace{"model": model, "night": yardstick}

// model is the trace by which the block format was chosen: 9 meters on a grid
// of 200 ms with 2 ms of jitter, the last count trembling, for 12 h.
func model(testing.TB) (all trace) {
	dice := rand.New(rand.NewPCG(1187, 12))
	for i := range int64(12 * 3600 * 5) {
		for m := range meters {
			at := 200*i + int64(20*m) + int64(math.Round(2*dice.NormFloat64()))
			level := 410 + 20*m + int(8*math.Sin(float64(i)/20000))
			all = append(all, alarms.Input{T: time.Duration(max(at, 0)) * time.Millisecond, Meter: m, Reading: drivers.Reading{
				Digits: int64(level + dice.IntN(2) - dice.IntN(2)), Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}})
			for k := len(all) - 1; k > 0 && all[k-1].T > all[k].T; k-- {
				all[k-1], all[k] = all[k], all[k-1]
			}
		}
	}
	return all
}

// yardstick is the emulated night of nine meters: 60,000 counts, with noise,
// hum, range switches, lost readings, and jitter of 1 to 20 ms.
func yardstick(t testing.TB) (all trace) {
	n, err := night.Yardstick()
	if err != nil {
		t.Fatal(err)
	}
	for in := range n.Inputs() {
		if in.Act == nil {
			all = append(all, alarms.Input{T: in.T, Meter: in.Meter, Reading: in.Reading})
		}
	}
	return all
}

// entropy is the bytes a reading that no coder can go under which takes each
// reading's time off its grid, and its digits off the last, by themselves.
func (t trace) entropy() float64 {
	bits := 0.0
	for m := range meters {
		times, digits := map[int64]float64{}, map[int64]float64{}
		n := 0.0
		var last *alarms.Input
		for i := range t {
			in := &t[i]
			if in.Meter != m {
				continue
			}
			if last != nil {
				times[(in.T-t.first(m)+100*time.Millisecond).Milliseconds()%200]++
				digits[in.Reading.Digits-last.Reading.Digits]++
				n++
			}
			last = in
		}
		for _, h := range []map[int64]float64{times, digits} {
			for _, c := range h {
				bits -= c * math.Log2(c/n)
			}
		}
	}
	return bits / 8 / float64(len(t))
}

func (t trace) first(m int) time.Duration {
	for i := range t {
		if t[i].Meter == m {
			return t[i].T
		}
	}
	return 0
}

// store is one way to keep a trace.
type store interface {
	write(t testing.TB, dir string, all trace)
	read(t testing.TB, dir string, meter int) (readings int, sum int64) // -1: all, in order
}

func BenchmarkStores(b *testing.B) {
	for _, name := range []string{"model", "night"} {
		all := traces[name](b)
		b.Run(name+"/entropy", func(b *testing.B) {
			for b.Loop() {
				b.ReportMetric(all.entropy(), "B/reading")
			}
		})
		for _, s := range []struct {
			name string
			store
		}{{"record", blocks{}}, {"rows", rows{}}, {"tsdb", engine{}}, {"csv.gz", csvGzip{}}} {
			b.Run(name+"/"+s.name, func(b *testing.B) {
				for b.Loop() {
					measure(b, s.store, all)
				}
			})
		}
	}
}

func measure(b *testing.B, s store, all trace) {
	dir := b.TempDir()
	before, begun := written(b), time.Now()
	s.write(b, dir, all)
	n := float64(len(all))
	b.ReportMetric(float64(time.Since(begun).Nanoseconds())/n, "write-ns/reading")
	b.ReportMetric(float64(written(b)-before)/n, "written-B/reading")
	b.ReportMetric(float64(size(b, dir))/n, "B/reading")
	runtime.GC()
	begun = time.Now()
	seen := 0
	for m := range meters {
		k, _ := s.read(b, dir, m)
		seen += k
	}
	b.ReportMetric(float64(seen)/time.Since(begun).Seconds()/1e6, "Mreadings/s-by-meter")
	if seen != len(all) {
		b.Errorf("%d readings came back, %d went in", seen, len(all))
	}
	begun = time.Now()
	if k, _ := s.read(b, dir, -1); k > 0 { // 0: it keeps no order
		b.ReportMetric(float64(k)/time.Since(begun).Seconds()/1e6, "Mreadings/s-in-order")
	}
}

// written is the bytes that this process has handed to the kernel.
func written(t testing.TB) (n int64) {
	text, err := os.ReadFile("/proc/self/io")
	if err == nil {
		var rchar int64
		_, err = fmt.Sscanf(string(text), "rchar: %d\nwchar: %d", &rchar, &n)
	}
	if err != nil {
		t.Fatalf("/proc/self/io of Linux is needed: %v", err)
	}
	return n
}

func size(t testing.TB, dir string) (n int64) {
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) == ".db-shm" {
			return err
		}
		i, err := d.Info()
		if err == nil {
			n += i.Size()
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func must[T any](t testing.TB, v T, err error) T {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// blocks is the record itself.
type blocks struct{}

var names = []string{"k1", "k2", "k3", "k4", "k5", "k6", "k7", "k8", "ht"}

func (blocks) write(t testing.TB, dir string, all trace) {
	s, err := record.Open(dir)
	must(t, s, err)
	run, err := s.Begin(record.Info{Ticket: "R-1187", Meters: names, Started: time.Date(2026, 11, 24, 22, 14, 53, 0, time.UTC)})
	must(t, run, err)
	w, err := s.Writer(run.ID, record.Options{})
	must(t, w, err)
	for i := range all {
		w.Put(record.Step{Inputs: all[i : i+1], T: all[i].T})
		if i%second == second-1 {
			must(t, 0, w.Flush(context.Background()))
		}
	}
	end := all[len(all)-1].T
	w.End(end, run.Started.Add(end))
	must(t, 0, w.Close(context.Background()))
	must(t, 0, s.Close())
}

func (blocks) read(t testing.TB, dir string, meter int) (n int, sum int64) {
	s, err := record.OpenReader(dir)
	must(t, s, err)
	defer s.Close()
	if meter < 0 {
		for in, err := range s.Inputs("R-1187") {
			must(t, 0, err)
			n++
			sum += in.Reading.Digits
		}
		return n, sum
	}
	for in, err := range s.Window("R-1187", names[meter], 0, math.MaxInt64) {
		if err != nil {
			t.Fatal(err)
		}
		n++
		sum += in.Reading.Digits
	}
	return n, sum
}

// rows is one row a reading, as schema version 1 had it.
type rows struct{}

func (rows) open(t testing.TB, dir string) *sql.DB {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "rows.db")+"?_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(NORMAL)")
	must(t, db, err)
	return db
}

func (r rows) write(t testing.TB, dir string, all trace) {
	db := r.open(t, dir)
	_, err := db.Exec(`CREATE TABLE readings (key INTEGER PRIMARY KEY, t_ms INTEGER NOT NULL, meter INTEGER NOT NULL, digits INTEGER NOT NULL,
		exp INTEGER NOT NULL, prefix INTEGER NOT NULL, unit TEXT NOT NULL, flags INTEGER NOT NULL) STRICT`)
	must(t, 0, err)
	for i := 0; i < len(all); i += second {
		tx, err := db.Begin()
		must(t, tx, err)
		insert, err := tx.Prepare("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?, ?)")
		must(t, insert, err)
		for k := i; k < min(i+second, len(all)); k++ {
			in := &all[k]
			_, err := insert.Exec(1<<36|(k+1), in.T.Milliseconds(), in.Meter, in.Reading.Digits, in.Reading.Exp, in.Reading.Prefix, "V", in.Reading.Flags)
			must(t, 0, err)
		}
		must(t, 0, tx.Commit())
	}
	must(t, 0, db.Close())
}

func (r rows) read(t testing.TB, dir string, meter int) (n int, sum int64) {
	db := r.open(t, dir)
	defer db.Close()
	got, err := db.Query("SELECT t_ms, digits, exp, prefix, flags FROM readings WHERE ?1 < 0 OR meter = ?1 ORDER BY key", meter)
	must(t, got, err)
	defer got.Close()
	for got.Next() {
		var at int64
		var r drivers.Reading
		must(t, 0, got.Scan(&at, &r.Digits, &r.Exp, &r.Prefix, &r.Flags))
		n++
		sum += r.Digits
	}
	return n, sum
}

// engine is the library of a general time-series engine. It keeps values, not
// readings: no digits, no flags, no order across meters.
type engine struct{}

func (engine) open(t testing.TB, dir string) *tsdb.DB {
	o := tsdb.DefaultOptions()
	o.RetentionDuration = 0
	db, err := tsdb.Open(dir, slog.New(slog.NewTextHandler(io.Discard, nil)), nil, o, nil)
	return must(t, db, err)
}

func (e engine) write(t testing.TB, dir string, all trace) {
	db := e.open(t, dir)
	for i := 0; i < len(all); i += second {
		app := db.Appender(context.Background())
		for k := i; k < min(i+second, len(all)); k++ {
			in := &all[k]
			_, err := app.Append(0, labels.FromStrings(labels.MetricName, "reading", "meter", names[in.Meter]), in.T.Milliseconds(), in.Reading.Value())
			must(t, 0, err)
		}
		must(t, 0, app.Commit())
	}
	must(t, 0, db.Compact(context.Background()))
	must(t, 0, db.Close())
}

func (e engine) read(t testing.TB, dir string, meter int) (n int, sum int64) {
	if meter < 0 {
		return 0, 0
	}
	db := e.open(t, dir)
	defer db.Close()
	q, err := db.Querier(0, math.MaxInt64/2)
	must(t, q, err)
	defer q.Close()
	set := q.Select(context.Background(), false, nil, labels.MustNewMatcher(labels.MatchEqual, "meter", names[meter]))
	for set.Next() {
		it := set.At().Iterator(nil)
		for it.Next() != chunkenc.ValNone {
			at, _ := it.At()
			n++
			sum += at
		}
	}
	must(t, 0, set.Err())
	return n, sum
}

// csvGzip is the readings CSV, gzipped.
type csvGzip struct{}

func (csvGzip) write(t testing.TB, dir string, all trace) {
	f, err := os.Create(filepath.Join(dir, "readings.csv.gz"))
	must(t, f, err)
	z := gzip.NewWriter(f)
	must(t, 0, record.WriteCSV(z, names, func(yield func(alarms.Input, error) bool) {
		for _, in := range all {
			if !yield(in, nil) {
				return
			}
		}
	}))
	must(t, 0, z.Close())
	must(t, 0, f.Close())
}

func (csvGzip) read(t testing.TB, dir string, meter int) (n int, sum int64) {
	f, err := os.Open(filepath.Join(dir, "readings.csv.gz"))
	must(t, f, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	must(t, z, err)
	index := map[string]int{}
	for i, name := range names {
		index[name] = i
	}
	for in, err := range record.ReadCSV(z, "readings.csv", func(name string) int { return index[name] }) {
		must(t, 0, err)
		if meter < 0 || in.Meter == meter {
			n++
			sum += in.Reading.Digits
		}
	}
	return n, sum
}
