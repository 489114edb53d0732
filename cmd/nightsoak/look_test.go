package main

import (
	"context"
	"io"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate/night"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export/record"
	"nightsoak/export/report"
)

// looking is a daemon over a recorded night, which follows no meter.
func looking(t testing.TB, kind night.Kind, seed uint64) (*daemon, record.Info) {
	t.Helper()
	dir := t.TempDir()
	info := recordNight(t, dir, kind, seed)
	b, err := bench.Parse("bench.toml", info.BenchText)
	if err != nil {
		t.Fatal(err)
	}
	b.DataDir = dir
	d, err := newDaemon(b, 1, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.close() })
	d.publish()
	return d, info
}

// TestLook: what a look shows lies within what judging the whole night gives, and
// holds its extremes: from the record reading by reading, and from memory.
func TestLook(t *testing.T) {
	d, info := looking(t, night.SenseOpen, 66)
	b, j, err := filesOf(info)
	if err != nil {
		t.Fatal(err)
	}
	type figure struct {
		t time.Duration
		v [3]socket.Value // as shownFigures
	}
	truth := make([][]figure, len(j.Sockets))
	e := alarms.New(b, j)
	e.OnFigures = func(i int, t time.Duration, f socket.Figures) {
		truth[i] = append(truth[i], figure{t, [3]socket.Value{f.DissipationRatio, f.CathodeCurrent, f.PlateVolts}})
	}
	if err := judge(e, d.store.Inputs(info.ID), info.Advanced, func(alarms.Event) error { return nil }); err != nil {
		t.Fatal(err)
	}
	dice := rand.New(rand.NewPCG(1187, 8))
	looked := 0
	for n := range 40 {
		wide := []time.Duration{10 * time.Second, 5 * time.Minute, time.Hour, info.Advanced}[n%4]
		from := time.Duration(dice.Int64N(int64(max(info.Advanced-wide, 1)))).Round(time.Millisecond)
		l := report.Look{From: from, To: from + wide, Show: shownFigures[n%3], Width: 800, Height: 300}
		_, l, series, err := d.look(context.Background(), info.ID, l)
		if err != nil {
			t.Fatal(err)
		}
		for k, i := range l.Lines(j) {
			within := slices.DeleteFunc(slices.Clone(truth[i]), func(f figure) bool { return f.t < l.From || f.t > l.To || !f.v[n%3].Known })
			least, greatest := extremes(series[k], l.From, l.To)
			if len(within) == 0 {
				if wide < time.Minute && least.Known { // wider ones are known to a stretch
					t.Errorf("%s from %v for %v: something shown where nothing is known", j.Sockets[i].Name, l.From, wide)
				}
				continue
			}
			looked++
			lo, hi := within[0].v[n%3].X, within[0].v[n%3].X
			for _, f := range within {
				lo, hi = min(lo, f.v[n%3].X), max(hi, f.v[n%3].X)
			}
			exact := wide < time.Hour
			if !least.Known || least.X > lo || greatest.X < hi || exact && (least.X != lo || greatest.X != hi) {
				t.Errorf("%s, %s from %v for %v: %v to %v, want %v to %v", j.Sockets[i].Name, l.Show, l.From, wide, least, greatest, lo, hi)
			}
		}
	}
	if looked < 100 {
		t.Errorf("only %d lines were looked at", looked)
	}
	if _, err := d.Look(context.Background(), "R-9999", report.Look{}); err == nil {
		t.Error("a run that is none is shown")
	}
	if x, err := d.Extremes(context.Background(), info.ID, report.Look{From: info.Advanced * 2, To: info.Advanced * 3}); err != nil || x.Look.To > info.Advanced {
		t.Errorf("past the end: %+v, %v", x, err)
	}
}

// BenchmarkLook is one window of a recorded night of nine meters and 11 h 48 min,
// drawn as the panel draws it, from the run's data to the last byte of its SVG;
// and one read-out of it. The first look, which reads the night, is beside them.
func BenchmarkLook(b *testing.B) {
	d, info := looking(b, night.RunawayGas, 66)
	ctx := context.Background()
	begun := time.Now()
	if _, err := d.Look(ctx, info.ID, report.Look{Width: 1400}); err != nil {
		b.Fatal(err)
	}
	b.Logf("%d readings; the first look took %v", info.Readings, time.Since(begun))
	dice := rand.New(rand.NewPCG(1187, 8))
	for _, c := range []struct {
		name string
		wide time.Duration
	}{{"all", info.Advanced}, {"6h", 6 * time.Hour}, {"2h", 2 * time.Hour}, {"1h", time.Hour}, {"40min", 40 * time.Minute}, {"20min", 20 * time.Minute}, {"5min", 5 * time.Minute}, {"10s", 10 * time.Second}} {
		b.Run(c.name, func(b *testing.B) {
			var took []time.Duration
			for b.Loop() {
				from := time.Duration(dice.Int64N(int64(info.Advanced-c.wide) + 1))
				begun := time.Now()
				seen, err := d.Look(ctx, info.ID, report.Look{From: from, To: from + c.wide, Width: 1400, Height: 360})
				if err == nil {
					err = seen.Trace.SVG(io.Discard)
				}
				if err != nil {
					b.Fatal(err)
				}
				took = append(took, time.Since(begun))
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)-1].Microseconds())/1000, "worst-ms")
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "median-ms")
		})
	}
	b.Run("read", func(b *testing.B) {
		for b.Loop() {
			from := time.Duration(dice.Int64N(int64(info.Advanced)))
			if _, err := d.Extremes(ctx, info.ID, report.Look{From: from, To: from + 30*time.Second}); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// TestTracesHoldTheirRoom: however many sockets, a run's traces stay within their room.
func TestTracesHoldTheirRoom(t *testing.T) {
	for _, n := range []int{1, 4, 12, 24} {
		x := newTraces(nil, &bench.Job{Sockets: make([]bench.Socket, n)})
		for i := range n {
			for at := range 12 * 3600 {
				v := socket.Value{X: float64(at), Known: true}
				x.take(i, time.Duration(at)*time.Second, v, v, v, v)
			}
		}
		for _, s := range x.of(report.Current) {
			if w := s.Width(); w > 16*time.Second {
				t.Errorf("%d sockets: a night's stretches are %v long", n, w)
			}
		}
	}
}
