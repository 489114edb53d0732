package record

import (
	"context"
	"testing"

	"nightsoak/alarms"
)

const benchBatch = 1000

// BenchmarkWriter is Put and commit of readings, one a step as the core gives
// them, committed benchBatch at a time; BenchmarkBareInserts is the same rows
// put into the same table by nothing but SQLite.
func BenchmarkWriter(b *testing.B) {
	s, id := benchStore(b)
	w, err := s.Writer(id, Options{keep: 1 << 30})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		at := ms(int64(i) * 22)
		w.Put(Step{Inputs: []alarms.Input{reading(at, i%9, int64(400+i%3))}, T: at})
		if i++; i%benchBatch == 0 {
			if err := w.Flush(context.Background()); err != nil {
				b.Fatal(err)
			}
		}
	}
	if err := w.Close(context.Background()); err != nil {
		b.Fatal(err)
	}
}

func BenchmarkBareInserts(b *testing.B) {
	s, _ := benchStore(b)
	b.ReportAllocs()
	i := 0
	for more := true; more; {
		tx, err := s.db.Begin()
		if err != nil {
			b.Fatal(err)
		}
		insert, err := tx.Prepare("INSERT INTO readings (key, t_ms, meter, digits, exp, prefix, unit, flags) VALUES (?, ?, ?, ?, ?, ?, ?, ?)")
		if err != nil {
			b.Fatal(err)
		}
		for range benchBatch {
			if more = b.Loop(); !more {
				break
			}
			if _, err := insert.Exec(key(1, int64(i+1)), i*22, i%9, 400+i%3, -4, -3, "V", 5); err != nil {
				b.Fatal(err)
			}
			i++
		}
		if err := tx.Commit(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkInputs(b *testing.B) {
	s, id := benchStore(b)
	w, err := s.Writer(id, Options{keep: 1 << 30})
	if err != nil {
		b.Fatal(err)
	}
	const n = 100_000
	for i := range n {
		at := ms(int64(i) * 22)
		w.Put(Step{Inputs: []alarms.Input{reading(at, i%9, int64(400+i%3))}, T: at})
	}
	if err := w.Close(context.Background()); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		for _, err := range s.Inputs(id) {
			if err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/reading")
}

func benchStore(b *testing.B) (*Store, string) {
	b.Helper()
	s, err := Open(b.TempDir())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	run, err := s.Begin(demoRun())
	if err != nil {
		b.Fatal(err)
	}
	return s, run.ID
}
