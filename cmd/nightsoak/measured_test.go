//go:build linux

package main

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate/night"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/drivers/fs9721"
	"nightsoak/export"
	"nightsoak/export/metrics"
	"nightsoak/export/record"
	"nightsoak/export/report"
)

// measured is a row of DEVELOPERS.md's table "Measured".
type measured struct{ what, ours, floor, ratio, goal string }

// BenchmarkMeasured is the way of a reading, station by station, and the daemon's
// start, each in turns with its floor, so that other work on the machine strikes
// both alike: medians. It prints the table of DEVELOPERS.md:
//
//	go test -run '^$' -bench Measured -benchtime 20x -cpu 1 ./cmd/nightsoak
func BenchmarkMeasured(b *testing.B) {
	var rows []measured
	// turns runs ours and floor by turns; each handles so many of unit.
	turns := func(name, unit, goal string, each int, floorIs string, floor, ours func(b *testing.B)) {
		b.Run(name, func(b *testing.B) {
			var o, f []float64
			time := func(run func(*testing.B)) float64 {
				begun := time.Now()
				run(b)
				return float64(time.Since(begun).Nanoseconds()) / float64(each)
			}
			for b.Loop() {
				f, o = append(f, time(floor)), append(o, time(ours))
			}
			slices.Sort(o)
			slices.Sort(f)
			our, least := o[len(o)/2], f[len(f)/2]
			b.ReportMetric(0, "ns/op")
			b.ReportMetric(our, "ns/"+unit)
			b.ReportMetric(least, "floor-ns/"+unit)
			b.ReportMetric(our/least, "floors")
			row := measured{name, nanos(our) + " a " + unit, nanos(least) + ": " + floorIs, fmt.Sprintf("%.2f", our/least), goal}
			if i := slices.IndexFunc(rows, func(m measured) bool { return m.what == name }); i >= 0 { // run again for more turns
				rows[i] = row
			} else {
				rows = append(rows, row)
			}
		})
	}

	const frames = 100_000
	frame := []byte("\x17\x27\x3d\x41\x5f\x67\x7f\x8d\x9b\xa0\xb8\xc0\xd4\xe0") // 038.2 mV
	stream := slices.Repeat(frame, frames)
	copied := make([]byte, len(stream))
	turns("decode", "frame", "5 million a second", frames, "copying its bytes",
		func(*testing.B) { copy(copied, stream) },
		func(b *testing.B) {
			n := 0
			d := fs9721.Format.Plain()
			if d.Feed(stream, func(drivers.Reading) { n++ }); n != frames {
				b.Fatalf("%d frames of %d", n, frames)
			}
		})

	bf, jf := eightTubes(b)
	shown := drivers.Reading{Digits: 412, Exp: -4, Prefix: -3, Quantity: drivers.Voltage}
	accuracy := bench.Accuracy{Given: true, OfReading: 0.005, Counts: 3}
	kept := 0.0
	turns("convert", "reading", "", frames, "the division and the product alone",
		func(*testing.B) {
			for range frames {
				v := shown.Value()
				kept += v / 1.0 * (462 - v)
			}
		},
		func(*testing.B) {
			var m socket.Measured
			m.Plate = socket.Value{X: 462, Known: true}
			for range frames {
				m.Sense = socket.MeasuredValue(shown, accuracy)
				kept += socket.Convert(&jf.Sockets[0], m).DissipationRatio.X
			}
		})

	in := eightReadings(2 * time.Hour)
	turns("judge", "reading", "2 million a second", len(in), "reading the same figures and adding them",
		func(*testing.B) {
			for i := range in {
				kept += in[i].Reading.Value()
			}
		},
		func(*testing.B) {
			e := alarms.New(bf, jf)
			for i := range in {
				e.Feed(in[i])
			}
		})

	const rowsEach = 20_000
	store, writer := benchRecord(b, bf, jf)
	bare, err := sql.Open("sqlite", "file:"+filepath.Join(b.TempDir(), "bare.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(NORMAL)")
	if err == nil {
		_, err = bare.Exec("create table readings (key integer primary key, t_ms, meter, digits, exp, prefix, unit, flags)")
	}
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { bare.Close(); writer.Close(context.Background()); store.Close() })
	at, key := time.Duration(0), 0
	turns("record", "reading", "", rowsEach, "the same rows put in by SQLite alone",
		func(b *testing.B) {
			for range rowsEach / 1000 {
				tx, err := bare.Begin()
				if err != nil {
					b.Fatal(err)
				}
				stmt, err := tx.Prepare("insert into readings values (?, ?, ?, ?, ?, ?, ?, ?)")
				if err != nil {
					b.Fatal(err)
				}
				for range 1000 {
					key++
					if _, err := stmt.Exec(key, key*22, key%9, 400+key%3, -4, -3, "V", 5); err != nil {
						b.Fatal(err)
					}
				}
				if err := tx.Commit(); err != nil {
					b.Fatal(err)
				}
			}
		},
		func(b *testing.B) {
			for i := range rowsEach {
				at += 22 * time.Millisecond
				writer.Put(record.Step{Inputs: []alarms.Input{{T: at, Meter: i % 9, Reading: drivers.Reading{Digits: int64(400 + i%3), Exp: -4, Prefix: -3, Quantity: drivers.Voltage}}}, T: at})
				if i%1000 == 999 {
					if err := writer.Flush(b.Context()); err != nil {
						b.Fatal(err)
					}
				}
			}
		})

	e := alarms.New(bf, jf)
	for _, i := range in[:9000] {
		e.Feed(i)
	}
	state := export.State{Bench: "eight", RunID: "r", Ticket: "R-2288", Snapshot: e.Snapshot(), Rejects: make([]drivers.Rejects, 9)}
	ours := metrics.Handler(metrics.New(func() export.State { return state }, "0"))
	scrape := func(h http.Handler) int {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		return strings.Count(w.Body.String(), "\n") - strings.Count(w.Body.String(), "\n#")
	}
	plain := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "plain", Help: "Plain."}, []string{"a", "b"})
	for i := range scrape(ours) {
		plain.WithLabelValues(fmt.Sprint(i), "6L6GC").Set(float64(i))
	}
	registry := prometheus.NewRegistry()
	registry.MustRegister(plain)
	bareHandler := promhttp.HandlerFor(registry, promhttp.HandlerOpts{})
	turns("expose", "scrape", "", 1, "as many plain gauges of the library",
		func(*testing.B) { scrape(bareHandler) }, func(*testing.B) { scrape(ours) })

	dir := b.TempDir()
	info := recordNight(b, dir, night.RunawayGas, 66)
	again, err := record.OpenReader(dir)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { again.Close() })
	data, err := collect(b.Context(), again, info, keeperFor(""))
	if err != nil {
		b.Fatal(err)
	}
	turns("report", "PDF", "", 1, "writing it from data in memory",
		func(b *testing.B) {
			if err := report.Write(io.Discard, ".pdf", data); err != nil {
				b.Fatal(err)
			}
		},
		func(b *testing.B) { // the record read and judged again
			if err := writeReport(b.Context(), io.Discard, again, info, reporting{suffix: ".pdf"}, keeperFor("")); err != nil {
				b.Fatal(err)
			}
		})

	b.Run("start", func(b *testing.B) {
		program, trivial := buildPrograms(b)
		file := filepath.Join(dir, "start.toml")
		y := newTTY(b)
		text := fmt.Sprintf("name = \"north\"\ndata_dir = %q\n[panel]\nlisten = \"127.0.0.1:0\"\n[[meter]]\nname = \"k1\"\nport = %q\nformat = \"textline\"\npattern = '(?P<value>\\d+\\.\\d)'\nsample = '38.2'\nunit = \"mV\"\n", filepath.Join(dir, "start"), y.slave.Name())
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			b.Fatal(err)
		}
		stop := make(chan struct{})
		defer close(stop)
		go func() {
			for {
				select {
				case <-stop:
					return
				case <-time.After(20 * time.Millisecond): // so that the meter is not what is waited for
					io.WriteString(y.master, "38.2\r\n")
				}
			}
		}()
		var o, f, om, fm []float64
		for b.Loop() {
			took, mb := firstScrape(b, "up 0", trivial)
			f, fm = append(f, took), append(fm, mb)
			took, mb = firstScrape(b, `nightsoak_meter_readings_total{meter="k1"} 1`, program, "serve", "--bench", file)
			o, om = append(o, took), append(om, mb)
		}
		for _, s := range [][]float64{o, f, om, fm} {
			slices.Sort(s)
		}
		m := len(o) / 2
		b.ReportMetric(0, "ns/op")
		b.ReportMetric(o[m]/1e6, "ms")
		b.ReportMetric(f[m]/1e6, "floor-ms")
		b.ReportMetric(om[m], "MB")
		b.ReportMetric(fm[m], "floor-MB")
		rows = slices.DeleteFunc(rows, func(r measured) bool { return strings.HasPrefix(r.what, "start") })
		const same = "a daemon of twenty lines with the same library"
		rows = append(rows, measured{"start to first reading, scraped", nanos(o[m]), nanos(f[m]) + ": " + same, fmt.Sprintf("%.2f", o[m]/f[m]), "200 ms"},
			measured{"start, resident", fmt.Sprintf("%.1f MB", om[m]), fmt.Sprintf("%.1f MB: %s", fm[m], same), fmt.Sprintf("%.2f", om[m]/fm[m]), "40 MB"})
	})
	if len(rows) > 2 && kept == 0 {
		b.Error("nothing was worked out")
	}
	var table strings.Builder
	for _, r := range rows {
		fmt.Fprintf(&table, "| %s | %s | %s | %s | %s |\n", r.what, r.ours, r.floor, r.ratio, r.goal)
	}
	b.Logf("\n| what | ours | floor | ratio | goal |\n| --- | --- | --- | --- | --- |\n%s", &table)
}

// nanos is a time in nanoseconds for people.
func nanos(ns float64) string {
	switch {
	case ns < 1e3:
		return fmt.Sprintf("%.3g ns", ns)
	case ns < 1e6:
		return fmt.Sprintf("%.3g µs", ns/1e3)
	}
	return fmt.Sprintf("%.3g ms", ns/1e6)
}

// eightTubes is a bench of nine meters, ht last, and a job of eight sockets.
func eightTubes(t testing.TB) (*bench.Bench, *bench.Job) {
	t.Helper()
	benchText, jobText := "name = \"eight\"\n", "ticket = \"R-2288\"\n"
	for i := range 9 {
		name := fmt.Sprint("k", i+1)
		if i == 8 {
			name = "ht"
		} else {
			jobText += fmt.Sprintf("[[socket]]\nname = \"V%d\"\ntube = \"6L6GC\"\nhalf = %q\nsense = { meter = %q, ohms = 1.0, tolerance = \"1%%\" }\nplate = { meter = \"ht\" }\n", i+1, "ab"[i/4:i/4+1], name)
		}
		benchText += fmt.Sprintf("[[meter]]\nname = %q\nport = \"/dev/ttyUSB%d\"\nformat = \"es51922\"\naccuracy = \"0.1%% + 5\"\n", name, i)
	}
	b, err := bench.Parse("bench.toml", []byte(benchText))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", []byte(jobText), b)
	if err != nil {
		t.Fatal(err)
	}
	return b, j
}

// eightReadings is what their meters show at five a second: a warm-up of some
// minutes, then 41 mA, the last count restless. The model is ours.
func eightReadings(long time.Duration) []alarms.Input {
	dice := rand.New(rand.NewPCG(1187, 3))
	in := []alarms.Input{{Act: &alarms.Act{Act: "begin"}}}
	for at := time.Duration(0); at < long; at += 200 * time.Millisecond {
		for m := range 9 {
			r := drivers.Reading{Digits: 46200, Exp: -2, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}
			if m < 8 {
				r.Exp, r.Prefix, r.Digits = -5, -3, int64(4100*(1-math.Exp(-at.Seconds()/100)))
			}
			r.Digits += int64(math.Round(dice.NormFloat64()))
			in = append(in, alarms.Input{T: at + time.Duration(m)*time.Millisecond, Meter: m, Reading: r})
		}
	}
	return in
}

// benchRecord is a new record with a run on.
func benchRecord(t testing.TB, b *bench.Bench, j *bench.Job) (*record.Store, *record.Writer) {
	t.Helper()
	s, err := record.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	info, err := s.Begin(record.Info{Ticket: j.Ticket, Bench: b.Name, Started: time.Now(), Meters: meterNames(b), BenchText: b.Text, JobText: j.Text, Core: alarms.Core})
	if err != nil {
		t.Fatal(err)
	}
	w, err := s.Writer(info.ID, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s, w
}

const trivialDaemon = `package main

import (
	"fmt"
	"net"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

func main() {
	r := prometheus.NewRegistry()
	g := prometheus.NewGauge(prometheus.GaugeOpts{Name: "up"})
	r.MustRegister(g)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		panic(err)
	}
	http.Handle("/metrics", promhttp.HandlerFor(r, promhttp.HandlerOpts{}))
	fmt.Printf("panel: http://%s/\n", l.Addr())
	panic(http.Serve(l, nil))
}
`

// buildPrograms builds the program as it is shipped, and the trivial one.
func buildPrograms(t testing.TB) (program, trivial string) {
	t.Helper()
	dir := t.TempDir()
	source := filepath.Join(dir, "trivial.go")
	if err := os.WriteFile(source, []byte(trivialDaemon), 0o600); err != nil {
		t.Fatal(err)
	}
	program, trivial = filepath.Join(dir, "nightsoak"), filepath.Join(dir, "trivial")
	for out, from := range map[string]string{program: ".", trivial: source} {
		c := exec.Command("go", "build", "-o", out, from)
		c.Env = append(os.Environ(), "CGO_ENABLED=0")
		if said, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, said)
		}
	}
	return program, trivial
}

// firstScrape starts a daemon and is how long it took, in nanoseconds, until its
// /metrics had a line that begins so, and what it then had resident, in MB.
func firstScrape(t testing.TB, line string, args ...string) (ns, mb float64) {
	t.Helper()
	c := exec.Command(args[0], args[1:]...)
	var said bytes.Buffer
	c.Stderr = &said
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	var url string
	if _, err := fmt.Fscanf(out, "panel: %s\n", &url); err != nil {
		t.Fatalf("%v: %v\n%s", err, c.Wait(), &said)
	}
	for end := begun.Add(30 * time.Second); ; {
		resp, err := http.Get(url + "metrics")
		var page []byte
		if err == nil {
			page, err = io.ReadAll(resp.Body)
			resp.Body.Close()
		}
		if err != nil || time.Now().After(end) {
			c.Process.Kill()
			t.Fatalf("no %q: %v\n%s", line, err, page)
		}
		if bytes.Contains(page, []byte("\n"+line)) {
			break
		}
	}
	ns = float64(time.Since(begun).Nanoseconds())
	mb = float64(residentOf(t, c.Process.Pid)) / 1e6
	c.Process.Signal(syscall.SIGTERM)
	io.Copy(io.Discard, out)
	c.Wait() // the trivial one ends by the signal
	http.DefaultClient.CloseIdleConnections()
	return ns, mb
}
