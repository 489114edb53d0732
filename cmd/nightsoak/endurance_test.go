//go:build linux

package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/alarms/trend"
	"nightsoak/drivers"
)

// grown is figures over time, each to be flat: t in hours.
type grown struct {
	names []string
	t     []float64
	y     [][]float64
}

// at adds a figure of each name.
func (g *grown) at(t time.Duration, y ...float64) {
	g.t = append(g.t, t.Hours())
	for len(g.y) < len(y) {
		g.y = append(g.y, nil)
	}
	for i := range y {
		g.y[i] = append(g.y[i], y[i])
	}
}

// table is the slope of each figure by least squares, with its 95 % interval as if
// the points were independent, and what it comes to over the whole time.
func (g *grown) table() string {
	var b strings.Builder
	fmt.Fprintf(&b, "\n%d points over %.3g h\n| what | first | last | slope an hour, 95 %% interval | over the whole |\n| --- | --- | --- | --- | --- |\n", len(g.t), g.t[len(g.t)-1]-g.t[0])
	for i, name := range g.names {
		y := g.y[i]
		l := g.line(i)
		fmt.Fprintf(&b, "| %s | %.4g | %.4g | %.3g (%.3g to %.3g) | %.3g |\n", name, y[0], y[len(y)-1], l.B, l.B-1.96*l.SDB, l.B+1.96*l.SDB, l.B*(g.t[len(g.t)-1]-g.t[0]))
	}
	return b.String()
}

func (g *grown) line(i int) trend.Line {
	return trend.FitLine(len(g.t), func(k int) (x, y float64) { return g.t[k], g.y[i][k] })
}

// openHere are this process's open files.
func openHere(t *testing.T) float64 { return float64(openFilesOf(t, os.Getpid())) }

// A month of nine meters, one reading in two seconds each, goes through the
// daemon's own core, record and outlets in this process, as fast as they take it:
// what it holds must not grow. Short form: a day; NIGHTSOAK_LONG: thirty.
// What is in memory is looked at after a collection, so that it is what is held.
func TestEmulatedMonth(t *testing.T) {
	days := 1
	if os.Getenv("NIGHTSOAK_LONG") != "" {
		days = 30
	}
	dir := t.TempDir()
	of, jf := eightTubes(t)
	text := fmt.Sprintf("data_dir = %q\n%s[[lines]]\nto = \"file:%s\"\nrotate = \"10MB\"\nkeep = 2\n", dir, of.Text, filepath.Join(dir, "out.lp"))
	b, err := bench.Parse("bench.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", jf.Text, b)
	if err != nil {
		t.Fatal(err)
	}
	d, err := newDaemon(b, 1, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	if err := d.begin(j, false); err != nil {
		t.Fatal(err)
	}
	g := grown{names: []string{"held, kB", "resident, MB", "goroutines", "open files", "database, kB a day"}}
	dice := rand.New(rand.NewPCG(1187, 4))
	warm := eightReadings(time.Hour)[1:]
	readings, before := 0, int64(0)
	feed := func(at time.Duration, m int, r drivers.Reading) {
		d.feed(alarms.Input{T: at, Meter: m, Reading: r})
		d.readingLine(at, m, r)
		if readings++; readings%1000 == 0 { // more than the core would wait for: nothing may be lost here
			if err := d.run.writer.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, in := range warm {
		feed(in.T, in.Meter, in.Reading)
	}
	for hour := 1; hour < 24*days; hour++ {
		for at := time.Duration(hour) * time.Hour; at < time.Duration(hour+1)*time.Hour; at += 2 * time.Second {
			for m := range 9 {
				r := warm[len(warm)-9+m].Reading
				r.Digits = []int64{4100, 46200}[m/8] + int64(dice.NormFloat64()*2)
				feed(at, m, r)
			}
		}
		d.publish()
		if hour < 6 || hour%3 != 0 { // traces and queues fill up first
			continue
		}
		debug.FreeOSMemory()
		var mem runtime.MemStats
		runtime.ReadMemStats(&mem)
		file, err := os.Stat(filepath.Join(dir, "nightsoak.db"))
		if err != nil {
			t.Fatal(err)
		}
		g.at(time.Duration(hour)*time.Hour, float64(mem.HeapAlloc)/1024, float64(residentOf(t, os.Getpid()))/1e6, float64(runtime.NumGoroutine()), openHere(t), float64(file.Size()-before)/1024*8)
		before = file.Size()
	}
	events := len(d.shown.Events)
	if err := d.do(ask{act: alarms.Act{Act: "end"}}); err != nil {
		t.Error(err)
	}
	if err := d.close(); err != nil {
		t.Error(err)
	}
	t.Logf("%d days, %d readings, %d events%s", days, readings, events, g.table())
	// A growth that the interval does not tell from none is for the reader to judge;
	// a day is too short to tell any.
	if l := g.line(0); days == 30 && l.B-1.96*l.SDB > 0 && l.B*24*float64(days) > 1024 {
		t.Errorf("what is held grows by %.0f kB in a month", l.B*24*float64(days))
	}
	for i, what := range g.names[2:4] {
		if y := g.y[2+i]; slices.Max(y) > y[0]+3 { // one or two may be at work at the moment of looking
			t.Errorf("%s went from %g to %g", what, y[0], slices.Max(y))
		}
	}
}

// The whole daemon for NIGHTSOAK_ENDURE (such as 60m; 4 s without it), eight
// sockets on terminals, a page asked for every second: slopes with their intervals.
// It is the reader who says what is flat; open files alone decide here.
func TestEndurance(t *testing.T) {
	long, err := time.ParseDuration(os.Getenv("NIGHTSOAK_ENDURE"))
	if err != nil {
		long = 4 * time.Second
	}
	b := newTextBench(t, 9, "")
	s := start(t, b.files...)
	s.cutUntil(t, "HT up", 10*time.Second, func(st cutState) bool { return st.Run != nil && st.Run.Phase == "warm-up" })
	pid := s.Process.Pid
	g := grown{names: []string{"resident, MB", "threads", "open files", "processor, % of one", "a state, ms", "database and log, MB"}}
	pace := time.NewTicker(min(long/10, 10*time.Second))
	defer pace.Stop()
	second := time.NewTicker(time.Second)
	defer second.Stop()
	var page time.Duration
	cpu, looked := cpuOf(t, pid), time.Now()
	for begun := time.Now(); time.Since(begun) < long; {
		select {
		case <-second.C:
			at := time.Now()
			s.state(t)
			page = time.Since(at)
		case <-pace.C:
			now, used := time.Now(), cpuOf(t, pid)
			var size int64
			for _, suffix := range []string{"", "-wal"} {
				if f, err := os.Stat(filepath.Join(b.dir, "nightsoak.db"+suffix)); err == nil {
					size += f.Size()
				}
			}
			g.at(time.Since(begun), float64(residentOf(t, pid))/1e6, float64(threadsOf(t, pid)), float64(openFilesOf(t, pid)),
				100*(used-cpu).Seconds()/now.Sub(looked).Seconds(), page.Seconds()*1e3, float64(size)/1e6)
			cpu, looked = used, now
		}
	}
	s.stop(t)
	t.Logf("%v%s", long, g.table())
	if files := g.y[2]; slices.Max(files) > files[0]+4 {
		t.Errorf("open files went from %g to %g", files[0], slices.Max(files))
	}
}
