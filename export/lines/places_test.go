package lines

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	lineprotocolv1 "github.com/influxdata/line-protocol"
	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"github.com/rs/zerolog"

	"nightsoak/alarms"
)

// TestStreams: TCP and Unix sockets get every line, and a far end that went away
// is found again.
func TestStreams(t *testing.T) {
	for _, network := range []string{"tcp", "unix"} {
		t.Run(network, func(t *testing.T) {
			address, to := "127.0.0.1:0", "tcp://"
			if network == "unix" {
				address, to = filepath.Join(t.TempDir(), "s"), "unix:"
			}
			l, err := net.Listen(network, address)
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			place := &socketPlace{network: network, address: l.Addr().String()}
			if err := (&Outlet{opts: Options{To: to + place.address}}).target(); err != nil {
				t.Fatal(err)
			}
			o := (&Outlet{name: network, deliver: place.deliver, shut: place.close, opts: Options{Age: time.Millisecond}}).start(zerolog.Nop())
			got := make(chan string)
			serve := func(n int) { // takes n lines, then hangs up
				c, err := l.Accept()
				if err != nil {
					t.Error(err)
					return
				}
				var b bytes.Buffer
				for strings.Count(b.String(), "\n") < n {
					if _, err := io.CopyN(&b, c, 1); err != nil {
						t.Error(err)
						break
					}
				}
				c.Close()
				got <- b.String()
			}
			go serve(3)
			put(o, 0, 3)
			all := <-got
			<-place.ended // the outlet has seen that it hung up
			go serve(2)
			put(o, 3, 2)
			all += <-got
			if err := o.Close(t.Context()); err != nil {
				t.Error(err)
			}
			if points := read(t, all); len(points) != 5 || points[4].Fields["value"] != "4" {
				t.Errorf("arrived: %s", all)
			}
		})
	}
}

func TestFileTurns(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out.lp")
	f, err := openFile(path, 20, 2)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 8 {
		if err := f.deliver(t.Context(), fmt.Appendf(nil, "m v=%d 1\nm v=%d 2\n", i, i)); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.close(); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{path: "m v=7", path + ".1": "m v=6", path + ".2": "m v=5"} {
		if b, err := os.ReadFile(name); err != nil || !strings.HasPrefix(string(b), want) || len(b) != 16 {
			t.Errorf("%s: %v %q, want %s", name, err, b, want)
		}
	}
	if _, err := os.Stat(path + ".3"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a third old file: %v", err)
	}
}

// TestFileGoesOn: a daemon killed within or after the write of a batch writes
// only what is missing of it.
func TestFileGoesOn(t *testing.T) {
	const before, batch = "m v=1 1\n", "m v=1 1\nm v=2 2\nm v=3 3\n"
	for n := range len(batch) + 1 {
		path := filepath.Join(t.TempDir(), "out.lp")
		if err := os.WriteFile(path, []byte("x v=0 0\n"+batch[:n]), 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := openFile(path, 0, 0)
		if err == nil {
			err = errors.Join(f.deliver(t.Context(), []byte(batch)), f.deliver(t.Context(), []byte("m v=4 4\n")), f.close())
		}
		if err != nil {
			t.Fatal(err)
		}
		if b, _ := os.ReadFile(path); string(b) != "x v=0 0\n"+batch+"m v=4 4\n" {
			t.Errorf("%d bytes were written before: %q", n, b)
		}
	}
}

// TestPoison: the bad lines are found among the good, and set aside with the
// server's words; a partial write is not sent again.
func TestPoison(t *testing.T) {
	dir := t.TempDir()
	var arrived []string
	deliver := func(_ context.Context, b []byte) error {
		if strings.Contains(string(b), "value=13 ") || strings.Contains(string(b), "value=77 ") {
			return poison{error: errors.New(`400 Bad Request: {"error":"unable to parse"}`)}
		}
		arrived = append(arrived, string(b))
		if strings.Contains(string(b), "value=1001 ") {
			return poison{errors.New(`400 Bad Request: {"error":"partial write: field type conflict dropped=1"}`), true}
		}
		return nil
	}
	synctest.Test(t, func(t *testing.T) {
		s, _, err := openSpool(dir, 1e6)
		if err != nil {
			t.Fatal(err)
		}
		var notice said
		o := (&Outlet{name: "place", shut: func() error { return nil }, deliver: deliver, spool: s, opts: Options{Notice: notice.say}}).start(zerolog.New(zerolog.NewTestWriter(t)))
		put(o, 0, 100)
		time.Sleep(2*maxAge + maxAge/3) // between two of the spooler's looks
		put(o, 1000, 3)
		time.Sleep(3 * maxAge)
		if err := o.Close(t.Context()); err != nil {
			t.Error(err)
		}
		points := read(t, strings.Join(arrived, ""))
		if len(points) != 98+3 {
			t.Errorf("%d lines arrived", len(points))
		}
		last := -1
		for _, p := range points {
			var v int
			fmt.Sscan(p.Fields["value"], &v)
			if v <= last {
				t.Errorf("%d after %d", v, last)
			}
			last = v
		}
		if !strings.Contains(notice.get(), "5 lines were refused for good") && !strings.Contains(notice.get(), "2 lines were refused for good") {
			t.Errorf("the notice: %s", notice.get())
		}
	})
	files, _ := filepath.Glob(filepath.Join(dir, "refused-*.lp"))
	var all string
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		all += string(b)
	}
	if len(files) != 3 || strings.Count(all, "unable to parse") != 2 || strings.Count(all, "partial write") != 1 {
		t.Errorf("%d files set aside: %s", len(files), all)
	}
	aside := strings.Builder{}
	for line := range strings.Lines(all) {
		if !strings.HasPrefix(line, "#") {
			aside.WriteString(line)
		}
	}
	if points := read(t, aside.String()); len(points) != 5 {
		t.Errorf("set aside: %v", points)
	}
}

// TestApart: lines of one series at one moment do not overwrite each other.
func TestApart(t *testing.T) {
	for _, c := range []struct {
		precision lineprotocol.Precision
		want      []int64
	}{
		{lineprotocol.Nanosecond, []int64{1768421520200000000, 1768421520200000001, 1768421520200000002, 1768421520201000000}},
		{lineprotocol.Millisecond, []int64{1768421520200, 1768421520201, 1768421520202, 1768421520203}},
	} {
		e := newEncoder(c.precision)
		for i := range 4 {
			at := moment
			if i == 3 {
				at = at.Add(time.Millisecond)
			}
			encodeMeter(e, north, at, "k1", reading(fmt.Sprint(i), "V"))
			encodeMeter(e, north, moment.Add(time.Duration(i)*time.Second), "k2", reading("1", "V"))
		}
		var got []int64
		for line := range strings.Lines(string(e.Bytes())) {
			var at int64
			fmt.Sscan(line[strings.LastIndexByte(line, ' ')+1:], &at)
			if strings.Contains(line, "k1") {
				got = append(got, at)
			}
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Error(diff)
		}
	}
}

func TestMeans(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p place
		o := &Outlet{name: "place", shut: func() error { return nil }, opts: Options{Every: time.Second, Precision: "s"}, deliver: func(_ context.Context, b []byte) error {
			p.batches = append(p.batches, string(b))
			return nil
		}}
		o.start(zerolog.Nop())
		run := north
		run.ID = "r1"
		for i, v := range []string{"40", "41", "45", "OL", "50", "60"} {
			o.Meter(run, moment.Add(time.Duration(i)*250*time.Millisecond), "k1", reading(v, "mV"))
		}
		o.Event(run, moment.Add(2*time.Second), &alarms.Event{Event: alarms.EventPhase, Phase: alarms.Ended})
		if err := o.Close(t.Context()); err != nil {
			t.Error(err)
		}
		// 20:12:00.2: the first second has 40, 41, 45 and an overload, the next 50 and 60.
		const want = `nightsoak_meter,bench=north,meter=k1,ticket=R-1187,unit=V value=0.042,value_min=0.04,value_max=0.045 1768421520
nightsoak_meter,bench=north,meter=k1,ticket=R-1187,unit=V value=0.055,value_min=0.05,value_max=0.06 1768421521
nightsoak_event,bench=north,event=phase,ticket=R-1187 text="ended" 1768421522
`
		if got := strings.Join(p.batches, ""); got != want {
			t.Errorf("got\n%swant\n%s", got, want)
		}
	})
}

// TestRedact: no password and no query is ever shown.
func TestRedact(t *testing.T) {
	for to, want := range map[string]string{
		"http://u:s3cret@db:8086/write?db=x&p=s3cret": "http://db:8086/write",
		"http://u:s3cret@db:port/write?p=s3cret":      "...@db:port/write",
		"file:/tmp/x":                                 "file:/tmp/x",
	} {
		if got := redact(to); got != want {
			t.Errorf("%s: %s, want %s", to, got, want)
		}
	}
}

// BenchmarkEncode: one line of five fields, with nothing around it.
func BenchmarkEncode(b *testing.B) {
	v7 := alarms.SocketState{Name: "V7", Tube: "6L6GC"}
	v7.CathodeCurrent, v7.PlateCurrent, v7.PlateVolts, v7.PlateDissipation, v7.DissipationRatio = is(0.0413), is(0.0413), is(462), is(19.0806), is(0.63602)
	b.Run("ours", func(b *testing.B) {
		e := newEncoder(lineprotocol.Nanosecond)
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			e.Reset()
			encodeSample(e, moment.Add(time.Duration(i)*time.Millisecond), ofSocket(north, &v7))
		}
	})
	b.Run("reference-v2", func(b *testing.B) {
		var e lineprotocol.Encoder
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			e.Reset()
			e.StartLine("nightsoak_socket")
			e.AddTag("bench", "north")
			e.AddTag("socket", "V7")
			e.AddTag("ticket", "R-1187")
			e.AddTag("tube", "6L6GC")
			for _, f := range []struct {
				key string
				x   float64
			}{{"cathode_current_a", 0.0413}, {"plate_current_a", 0.0413}, {"plate_volts", 462}, {"plate_dissipation_w", 19.0806}, {"dissipation_ratio", 0.63602}} {
				v, _ := lineprotocol.FloatValue(f.x)
				e.AddField(f.key, v)
			}
			e.EndLine(moment.Add(time.Duration(i) * time.Millisecond))
		}
	})
	b.Run("reference-v1", func(b *testing.B) {
		m, err := lineprotocolv1.New("nightsoak_socket", map[string]string{"bench": north.Bench, "socket": v7.Name, "ticket": north.Ticket, "tube": v7.Tube},
			map[string]any{"cathode_current_a": 0.0413, "plate_current_a": 0.0413, "plate_volts": 462.0, "plate_dissipation_w": 19.0806, "dissipation_ratio": 0.63602}, moment)
		if err != nil {
			b.Fatal(err)
		}
		e := lineprotocolv1.NewEncoder(io.Discard)
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			m.SetTime(moment.Add(time.Duration(i) * time.Millisecond))
			if _, err := e.Encode(m); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("printing", func(b *testing.B) {
		var out bytes.Buffer
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			out.Reset()
			fmt.Fprintf(&out, "nightsoak_socket,bench=%s,socket=%s,ticket=%s,tube=%s cathode_current_a=%v,plate_current_a=%v,plate_volts=%v,plate_dissipation_w=%v,dissipation_ratio=%v %d\n",
				north.Bench, v7.Name, north.Ticket, v7.Tube, 0.0413, 0.0413, 462.0, 19.0806, 0.63602, moment.Add(time.Duration(i)*time.Millisecond).UnixNano())
		}
	})
}
