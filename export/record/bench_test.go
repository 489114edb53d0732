package record

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"

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

// BenchmarkDecode is a block as such, beside copying its samples.
func BenchmarkDecode(b *testing.B) {
	in := make([]Sample, 7282)
	dice := rand.New(rand.NewPCG(1187, 2))
	for i := range in {
		in[i] = Sample{ms(int64(200*i) + dice.Int64N(8)), reading(0, 0, 400+dice.Int64N(3)).Reading}
	}
	block, to := encodeBlock(in), make([]Sample, len(in))
	var r blockReader
	var decoding time.Duration
	b.Run("block", func(b *testing.B) {
		begun := cpu()
		for b.Loop() {
			if _, err := r.decode(block); err != nil {
				b.Fatal(err)
			}
		}
		decoding = b.Elapsed() / time.Duration(b.N)
		b.ReportMetric(float64(b.N*len(in))/(cpu()-begun).Seconds()/1e6, "Mreadings/cpu-s")
		b.ReportMetric(float64(b.N*len(in))/b.Elapsed().Seconds()/1e6, "Mreadings/s")
	})
	b.Run("floor", func(b *testing.B) {
		for b.Loop() {
			copy(to, in)
		}
		b.ReportMetric(float64(decoding)/(float64(b.Elapsed())/float64(b.N)), "block/floor")
	})
}

// BenchmarkWindow reads windows of one meter out of a sealed run, beside the
// floor, which is copying as many samples in memory.
func BenchmarkWindow(b *testing.B) {
	s, id := benchStore(b)
	w, err := s.Writer(id, Options{keep: 1 << 30})
	if err != nil {
		b.Fatal(err)
	}
	const n, meters = 1_000_000, 9 // six hours and a bit
	dice := rand.New(rand.NewPCG(1187, 1))
	for i := range n {
		at := ms(int64(i)*22 + dice.Int64N(8))
		if i%4 != 3 {
			w.Put(Step{Inputs: []alarms.Input{reading(at, i%meters, 400+dice.Int64N(3))}, T: at})
		}
	}
	w.End(ms(n*22), anchor)
	if err := w.Close(context.Background()); err != nil {
		b.Fatal(err)
	}
	long := ms(n * 22)
	perReading := map[string]float64{}
	for _, c := range []struct {
		name string
		wide time.Duration
	}{{"all", long}, {"hour", time.Hour}, {"10min", 10 * time.Minute}} {
		b.Run(c.name, func(b *testing.B) {
			read, begun := 0, cpu()
			for b.Loop() {
				from := time.Duration(dice.Int64N(int64(long-c.wide) + 1))
				for _, err := range s.Window(id, "k2", from, from+c.wide) {
					if err != nil {
						b.Fatal(err)
					}
					read++
				}
			}
			perReading[c.name] = float64(b.Elapsed().Nanoseconds()) / float64(read)
			b.ReportMetric(float64(read)/(cpu()-begun).Seconds()/1e6, "Mreadings/cpu-s") // what it costs, on a machine busy with other work
			b.ReportMetric(float64(read)/b.Elapsed().Seconds()/1e6, "Mreadings/s")
		})
	}
	b.Run("floor", func(b *testing.B) {
		var all []Sample
		for in, err := range s.Window(id, "k2", 0, long) {
			if err != nil {
				b.Fatal(err)
			}
			all = append(all, in)
		}
		to := make([]Sample, len(all))
		for b.Loop() {
			copy(to, all)
		}
		floor := float64(b.Elapsed().Nanoseconds()) / float64(b.N) / float64(len(all))
		b.ReportMetric(1e3/floor, "Mreadings/s")
		for name, ns := range perReading {
			b.ReportMetric(ns/floor, name+"/floor")
		}
	})
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
