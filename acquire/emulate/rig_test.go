//go:build linux || darwin

package emulate

import (
	"context"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

// startRig starts a rig whose amplifier has been on for warm already.
func startRig(t *testing.T, warm time.Duration, speed float64, cfg Config) (*Rig, *acquire.Clock, *bench.Bench) {
	t.Helper()
	amp := newAmp(t, cfg)
	amp.At(warm)
	clock := acquire.NewClock(warm, speed)
	rig, err := Start(context.Background(), clock, amp, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := rig.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	b, err := bench.Parse("bench.toml", []byte(rig.BenchTOML(t.TempDir(), "127.0.0.1:0")))
	if err != nil {
		t.Fatal(err)
	}
	return rig, clock, b
}

// reader opens one meter's port as the daemon does.
type reader struct {
	t     *testing.T
	conn  port.Conn
	dec   drivers.Decoder
	ask   drivers.Asker
	ready []drivers.Reading
}

func openMeter(t *testing.T, m bench.Meter) *reader {
	t.Helper()
	c, err := port.Open(t.Context(), m.Port, m.Line)
	if err != nil {
		t.Fatalf("%s: %v", m.Name, err)
	}
	t.Cleanup(func() { _ = c.Close() })
	r := &reader{t: t, conn: c}
	if m.Format.NewDecoder != nil {
		r.dec = m.Format.Plain()
	} else if r.ask, err = m.Format.NewAsker(m.Settings); err != nil {
		t.Fatal(err)
	}
	return r
}

// next is the next reading; ok is false once nothing came for five seconds or
// the port is gone.
func (r *reader) next() (got drivers.Reading, ok bool) {
	if r.ask != nil {
		got, err := r.ask.Ask(r.conn)
		return got, err == nil
	}
	if err := r.conn.SetReadTimeout(5 * time.Second); err != nil {
		return got, false
	}
	var buf [256]byte
	for len(r.ready) == 0 {
		n, err := r.conn.Read(buf[:])
		if n == 0 || err != nil {
			return got, false
		}
		r.dec.Feed(buf[:n], func(x drivers.Reading) { r.ready = append(r.ready, x) })
	}
	got, r.ready = r.ready[0], r.ready[1:]
	return got, true
}

func (r *reader) must() drivers.Reading {
	r.t.Helper()
	got, ok := r.next()
	if !ok {
		r.t.Fatal("no reading came")
	}
	return got
}

func TestRigEndToEnd(t *testing.T) {
	rig, _, b := startRig(t, 15*time.Minute, 60, Config{Seed: 1})
	j, err := bench.ParseJob("job.toml", []byte(JobTOML()), b)
	if err != nil {
		t.Fatal(err)
	}
	if b.Name != "north" || len(b.Meters) != 5 || j.Ticket != "R-1187" || len(j.Sockets) != 4 || j.IdleTarget != 0.65 {
		t.Fatalf("bench %q with %d meters, ticket %q with %d sockets, target %g",
			b.Name, len(b.Meters), j.Ticket, len(j.Sockets), j.IdleTarget)
	}
	for i, m := range b.Meters {
		if m.SilentAfter != 30*time.Second || !m.Accuracy.Given {
			t.Errorf("%s: silent after %v, accuracy %+v; want half a wall second at speed 60, and one given",
				m.Name, m.SilentAfter, m.Accuracy)
		}
		r := openMeter(t, m)
		for range 3 {
			got := r.must()
			want, unit := 0.041, "mV"
			if m.Name == "ht" {
				want, unit = 462, "V"
			}
			if math.Abs(got.Value()/want-1) > 0.06 || got.Unit() != unit || got.Flags&drivers.DC == 0 {
				t.Errorf("meter %d, %s, shows %v, want about %g V", i, m.Name, got, want)
			}
			if m.Name == "ht" && got.Resolution() != 0.01 {
				t.Errorf("ht shows %v, want a resolution of 10 mV", got)
			}
		}
	}
	if rig.Port("k9") != "" || rig.Port("k1") != b.Meters[0].Port {
		t.Errorf("ports %q and %q", rig.Port("k9"), rig.Port("k1"))
	}
}

// Displays keep their pace: run time over readings is the period.
func TestPace(t *testing.T) {
	_, clock, b := startRig(t, 0, 60, Config{})
	for _, m := range []struct {
		index int
		every time.Duration
	}{{0, fs9721Every}, {2, es51922Every}} {
		r := openMeter(t, b.Meters[m.index])
		for range 80 { // more than waits while nobody reads
			r.must()
		}
		r.ready = nil
		from := clock.Now()
		const n = 20
		for range n {
			r.must()
		}
		// A busy machine may leave frames out; none comes early.
		within(t, "run time a reading, s", (clock.Now()-from).Seconds()/n, 0.95*m.every.Seconds(), 4*m.every.Seconds())
	}
}

func TestDropRestoreAndNoise(t *testing.T) {
	rig, _, b := startRig(t, time.Minute, 60, Config{})
	k1, k3 := openMeter(t, b.Meters[0]), openMeter(t, b.Meters[2])
	k1.must()
	k3.must()

	if err := rig.Write("k3", []byte("\x00\xff what is this\r\n")); err != nil {
		t.Fatal(err)
	}
	for before := k3.dec.Rejects(); ; k3.must() {
		if after := k3.dec.Rejects(); after.Total() > before.Total() {
			break
		}
	}

	if err := rig.Drop("k1"); err != nil {
		t.Fatal(err)
	}
	for ok := true; ok; { // what had come before the plug was pulled
		_, ok = k1.next()
	}
	if _, err := os.Lstat(b.Meters[0].Port); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("dropped port: %v, want that it does not exist", err)
	}
	if err := rig.Write("k1", []byte("x")); err == nil {
		t.Error("a dropped meter takes bytes")
	}
	if err := rig.Drop("k1"); err != nil {
		t.Errorf("dropped again: %v", err)
	}
	k3.must()

	if err := rig.Restore("k1"); err != nil {
		t.Fatal(err)
	}
	openMeter(t, b.Meters[0]).must()
	if err := rig.Restore("k1"); err == nil {
		t.Error("restored twice")
	}
	for _, err := range []error{rig.Drop("k9"), rig.Restore("k9"), rig.Write("k9", nil)} {
		if err == nil || !strings.Contains(err.Error(), `no meter "k9"`) {
			t.Errorf("error %v, want that there is no such meter", err)
		}
	}
}

// The reader may close the port and open it again.
func TestReaderComesAndGoes(t *testing.T) {
	_, _, b := startRig(t, time.Minute, 60, Config{})
	for range 3 {
		r := openMeter(t, b.Meters[1])
		r.must()
		if err := r.conn.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// While nobody reads, nothing piles up: what a reader gets that had stalled is
// recent, and the rig still closes.
func TestNobodyReads(t *testing.T) {
	rig, clock, b := startRig(t, 0, 2000, Config{})
	r := openMeter(t, b.Meters[0])
	// HT comes up and the tubes pass their current while the reader stalls.
	if !clock.Sleep(t.Context(), 10*time.Minute) {
		t.Fatal("no time passed")
	}
	// At most 2048 bytes wait, 146 frames, under a minute.
	if got := r.must(); !(got.Value() > 0.038) {
		t.Errorf("at %v the first reading is %v: it is minutes old", clock.Now(), got)
	}
	if err := rig.Write("k2", make([]byte, 1<<20)); err == nil {
		t.Error("a port that nobody reads took a megabyte")
	}
}

func TestSilent(t *testing.T) {
	rig, clock, b := startRig(t, time.Minute, 60, Config{Fault: Silent, FaultAt: time.Minute + 10*time.Second})
	k4 := openMeter(t, b.Meters[3])
	k4.must()
	if err := k4.conn.SetReadTimeout(200 * time.Millisecond); err != nil {
		t.Fatal(err)
	}
	var buf [256]byte
	for {
		n, err := k4.conn.Read(buf[:])
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 && clock.Now() > rig.amp.FaultAt() {
			break
		}
		if clock.Now() > rig.amp.FaultAt()+time.Minute {
			t.Fatal("k4 still talks a minute after it switched itself off")
		}
	}
	openMeter(t, b.Meters[2]).must()
}

func TestStartAndClose(t *testing.T) {
	rig, _, b := startRig(t, 0, 1, Config{})
	paths, err := filepath.Glob(filepath.Join(filepath.Dir(b.Meters[0].Port), "*"))
	if err != nil || len(paths) != 5 {
		t.Errorf("paths %v (%v), want five", paths, err)
	}
	for range 2 {
		if err := rig.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := os.Lstat(b.Meters[4].Port); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("port after Close: %v", err)
	}
	if err := rig.Restore("k1"); err == nil || !strings.Contains(err.Error(), "closed") {
		t.Errorf("restore after Close: %v", err)
	}

	nowhere := filepath.Join(t.TempDir(), "nowhere")
	if _, err := Start(t.Context(), acquire.NewClock(0, 1), newAmp(t, Config{}), nowhere); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no directory: error %v", err)
	}

	// The end of the context is an end too.
	ctx, cancel := context.WithCancel(context.Background())
	rig, err = Start(ctx, acquire.NewClock(0, 1), newAmp(t, Config{}), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := rig.Close(); err != nil {
		t.Error(err)
	}
	if !strings.Contains(rig.BenchTOML("a\"b\\c", "x"), `data_dir = "a\"b\\c"`) {
		t.Error("a path with quotes is not quoted")
	}
}
