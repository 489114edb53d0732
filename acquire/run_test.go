//go:build linux

package acquire

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/google/go-cmp/cmp"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

// plug makes a pseudo terminal and points link at its slave, as udev does when
// an adapter is plugged in. It returns the master.
func plug(t *testing.T, link string) *os.File {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	// The slave stays open here too: a master whose slave nobody has cannot be read.
	t.Cleanup(func() { master.Close(); slave.Close() })
	c, err := port.Open(t.Context(), slave.Name(), angle.Line) // leaves it raw: no echo of what the master sends
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.Close(), os.Symlink(slave.Name(), link+".new"), os.Rename(link+".new", link)); err != nil {
		t.Fatal(err)
	}
	return master
}

// start runs Run on meters until the test stops it; stop waits for its end.
func start(t *testing.T, speed float64, meters ...bench.Meter) (r *recorder, stop func()) {
	t.Helper()
	r = newRecorder()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		Run(ctx, &bench.Bench{Meters: meters}, NewClock(0, speed), r)
	}()
	stop = func() {
		t.Helper()
		cancel()
		select {
		case <-done:
		case <-time.After(2 * time.Second):
			t.Fatal("Run did not return within 2 s")
		}
	}
	t.Cleanup(stop)
	return r, stop
}

func send(t *testing.T, master *os.File, p []byte) {
	t.Helper()
	if _, err := master.Write(p); err != nil {
		t.Fatal(err)
	}
}

func TestRunListens(t *testing.T) {
	link := filepath.Join(t.TempDir(), "k1")
	master := plug(t, link)
	r, stop := start(t, 1, bench.Meter{Name: "k1", Port: link, Format: angle, Line: angle.Line, Scale: 1000})
	r.opened(t, 0, 1)
	send(t, master, []byte("#<04"))
	r.wait(t, "noise", func() bool { return r.rejects[0][drivers.Noise] == 1 })
	send(t, master, []byte("62><12<0463><04x4>"))
	r.wait(t, "readings and rejects", func() bool {
		return len(r.readings[0]) == 2 && r.rejects[0] == drivers.Rejects{drivers.Noise: 1, drivers.Short: 1, drivers.BadDigit: 1}
	})
	stop()
	want := []drivers.Reading{
		{Digits: 462, Exp: -1, Prefix: 0, Quantity: drivers.Voltage},
		{Digits: 463, Exp: -1, Prefix: 0, Quantity: drivers.Voltage},
	}
	if d := cmp.Diff(want, r.readings[0]); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]error{nil}, r.ports[0]); d != "" {
		t.Error(d)
	}
	c, err := port.Open(t.Context(), link, angle.Line)
	if err != nil {
		t.Fatalf("the port is not free after Run: %v", err)
	}
	c.Close()
}

// One adapter goes and comes back under another number; the meter beside it
// must not lose a reading meanwhile.
func TestRunPortVanishes(t *testing.T) {
	dir := t.TempDir()
	one, two := filepath.Join(dir, "k1"), filepath.Join(dir, "k2")
	first, steady := plug(t, one), plug(t, two)
	r, stop := start(t, 1,
		bench.Meter{Name: "k1", Port: one, Format: angle, Line: angle.Line},
		bench.Meter{Name: "k2", Port: two, Format: angle, Line: "19200 7O1"})
	r.opened(t, 0, 1)
	r.opened(t, 1, 1)

	quit, sent := make(chan struct{}), make(chan int)
	go func() { // k2 talks on all the while
		tick := time.NewTicker(2 * time.Millisecond)
		defer tick.Stop()
		n := 0
		for {
			select {
			case <-quit:
				sent <- n
				return
			case <-tick.C:
				n++
				if _, err := steady.Write(fakeFrame(n)); err != nil {
					t.Errorf("k2 frame %d: %v", n, err)
				}
			}
		}
	}()

	send(t, first, fakeFrame(1))
	r.wait(t, "k1 before", func() bool { return len(r.readings[0]) == 1 })
	if err := errors.Join(os.Remove(one), first.Close()); err != nil {
		t.Fatal(err)
	}
	r.wait(t, "k1 lost", func() bool { return len(r.ports[0]) == 2 })
	second := plug(t, one)
	r.opened(t, 0, 3)
	send(t, second, fakeFrame(2))
	r.wait(t, "k1 after", func() bool { return len(r.readings[0]) == 2 })
	close(quit)
	n := <-sent
	r.wait(t, "k2 to the last", func() bool { return len(r.readings[1]) == n })
	stop()

	for i, v := range r.readings[1] {
		if v != millivolts(int64(i+1)) {
			t.Fatalf("k2 reading %d of %d is %v", i+1, n, v)
		}
	}
	if err := r.ports[0][1]; !errors.Is(err, port.ErrGone) || !strings.HasPrefix(err.Error(), one+": the device vanished") {
		t.Errorf("k1 lost: %v", err)
	}
	if d := cmp.Diff([]error{nil}, r.ports[1]); d != "" {
		t.Errorf("k2's port: %s", d)
	}
}

func TestRunPortMissingAtFirst(t *testing.T) {
	link := filepath.Join(t.TempDir(), "k1")
	r, stop := start(t, 1, bench.Meter{Name: "k1", Port: link, Format: angle, Line: angle.Line})
	r.wait(t, "missing", func() bool { return len(r.ports[0]) == 1 })
	master := plug(t, link)
	r.opened(t, 0, 2)
	send(t, master, fakeFrame(1))
	r.wait(t, "reading", func() bool { return len(r.readings[0]) == 1 })
	stop()
	if err := r.ports[0][0]; !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("missing: %v", err)
	}
}

// answer reads questions from the master and answers as f says; "" is silence.
func answer(master *os.File, f func(question string) string) {
	go func() {
		for s := bufio.NewScanner(master); s.Scan(); {
			if a := f(s.Text()); a != "" {
				if _, err := master.WriteString(a); err != nil {
					return
				}
			}
		}
	}()
}

func TestRunAsksInTurn(t *testing.T) {
	link := filepath.Join(t.TempDir(), "scanner")
	master := plug(t, link)
	var asked []string // by the one goroutine of answer, read after stop
	done := make(chan struct{})
	answer(master, func(q string) string {
		switch len(asked) {
		case 8:
			return ""
		case 7:
			defer close(done)
		}
		asked = append(asked, q)
		if q == "102" {
			return "over\n"
		}
		return q + "\n"
	})
	var made atomic.Int32
	meter := func(channel string) bench.Meter {
		return bench.Meter{Name: "k" + channel, Port: link, Format: asking(&made), Line: "9600 8N1", Every: 500 * time.Millisecond,
			Settings: drivers.Settings{"channel": channel, "timeout": "1m"}}
	}
	// 500 ms of run time is 20 ms on the wall.
	begun := time.Now()
	r, stop := start(t, 25, meter("101"), meter("102"))
	select {
	case <-done:
	case <-time.After(10 * time.Second):
		t.Fatal("eight questions were not asked")
	}
	if took := time.Since(begun); took < 60*time.Millisecond {
		t.Errorf("four rounds of questions every 20 ms took %v", took)
	}
	r.wait(t, "the last answer", func() bool { return len(r.readings[0]) == 4 && r.rejects[1][drivers.BadReply] == 4 })
	stop()
	want := []string{"101", "102", "101", "102", "101", "102", "101", "102"}
	if d := cmp.Diff(want, asked); d != "" {
		t.Error(d)
	}
	for _, v := range r.readings[0] {
		if v != millivolts(101) {
			t.Errorf("channel 101 reads %v", v)
		}
	}
	if len(r.readings[1]) != 0 {
		t.Errorf("channel 102 reads %v", r.readings[1])
	}
	for m := range 2 {
		if d := cmp.Diff([]error{nil}, r.ports[m]); d != "" {
			t.Errorf("port of meter %d: %s", m, d)
		}
	}
}

// A meter that was switched off is asked on, set up anew, and heard again; its
// port is not lost.
func TestRunNoReply(t *testing.T) {
	link := filepath.Join(t.TempDir(), "k1")
	master := plug(t, link)
	n := 0
	answer(master, func(string) string {
		if n++; n <= 7 {
			return ""
		}
		return "382\n"
	})
	var made atomic.Int32
	r, stop := start(t, 1, bench.Meter{Name: "k1", Port: link, Format: asking(&made), Line: "9600 8N1", Every: time.Millisecond,
		Settings: drivers.Settings{"channel": "1", "timeout": "5ms"}})
	r.wait(t, "the first answer", func() bool { return len(r.readings[0]) > 0 })
	stop()
	if got := r.rejects[0][drivers.NoReply]; got < 7 {
		t.Errorf("%d questions without answer counted, want at least 7", got)
	}
	if d := cmp.Diff([]error{nil}, r.ports[0]); d != "" {
		t.Error(d)
	}
	// One at open, one after five times silence.
	if got := made.Load(); got < 2 {
		t.Errorf("%d askers were made, want at least 2", got)
	}
}

// Run must end soon whatever it waits for, and leave nothing behind.
func TestRunCancel(t *testing.T) {
	dir := t.TempDir()
	talks, asked, gone := filepath.Join(dir, "talks"), filepath.Join(dir, "asked"), filepath.Join(dir, "gone")
	plug(t, talks)
	waiting := make(chan struct{}, 1)
	answer(plug(t, asked), func(string) string {
		waiting <- struct{}{}
		return ""
	})
	var made atomic.Int32
	before := runtime.NumGoroutine()
	r, stop := start(t, 1,
		bench.Meter{Name: "k1", Port: talks, Format: angle, Line: angle.Line},
		bench.Meter{Name: "k2", Port: asked, Format: asking(&made), Line: "9600 8N1", Settings: drivers.Settings{"timeout": "1h"}},
		bench.Meter{Name: "k3", Port: gone, Format: angle, Line: angle.Line})
	r.opened(t, 0, 1)
	r.wait(t, "k3 missing", func() bool { return len(r.ports[2]) == 1 })
	select {
	case <-waiting:
	case <-time.After(10 * time.Second):
		t.Fatal("k2 was not asked")
	}
	begun := time.Now()
	stop()
	if took := time.Since(begun); took > 2*leaveWithin {
		t.Errorf("Run took %v to end", took)
	}
	for end := time.Now().Add(5 * time.Second); runtime.NumGoroutine() > before; runtime.Gosched() {
		if time.Now().After(end) {
			buf := make([]byte, 1<<16)
			t.Fatalf("%d goroutines before, %d after:\n%s", before, runtime.NumGoroutine(), buf[:runtime.Stack(buf, true)])
		}
	}
}

// polite is a fakeAsker that says goodbye.
type polite struct{ fakeAsker }

func (polite) Leave(c drivers.Conn) error {
	_, err := c.Write([]byte("bye\n"))
	return err
}

// A meter that was set up is left in order, also while it owes an answer, however
// long that may take.
func TestRunLeaves(t *testing.T) {
	for _, reply := range []string{"382\n", ""} {
		port := filepath.Join(t.TempDir(), "k1")
		asked, left := make(chan struct{}, 100), make(chan struct{})
		answer(plug(t, port), func(line string) string {
			if line == "bye" {
				close(left)
			} else {
				asked <- struct{}{}
			}
			return reply
		})
		f := drivers.Format{Name: "polite", NewAsker: func(drivers.Settings) (drivers.Asker, error) {
			return polite{fakeAsker{"1", time.Hour}}, nil
		}}
		_, stop := start(t, 1, bench.Meter{Name: "k1", Port: port, Format: f, Line: "9600 8N1"})
		<-asked
		stop()
		select {
		case <-left:
		case <-time.After(5 * time.Second):
			t.Fatalf("answering %q: the meter was not left", reply)
		}
	}
}

// A port that opens and dies at once is tried at growing intervals.
func TestRunBacksOff(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, stop := start(t, 1, bench.Meter{Name: "k1", Port: "tcp://" + l.Addr().String(), Format: angle})
	var closed time.Time
	for i, atLeast := range []time.Duration{0, 75, 150, 300} { // three quarters of 100, 200, 400 ms
		c, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		if gap := time.Since(closed); i > 0 && gap < atLeast*time.Millisecond {
			t.Errorf("try %d came after %v, want at least %d ms", i, gap, atLeast)
		}
		closed = time.Now()
		c.Close()
	}
	stop()
}

func TestStations(t *testing.T) {
	var made atomic.Int32
	ask := asking(&made)
	got := stations(&bench.Bench{Meters: []bench.Meter{
		{Name: "a", Port: "/dev/1", Format: angle},
		{Name: "b", Port: "/dev/2", Format: ask, Every: time.Second},
		{Name: "c", Port: "/dev/2", Format: ask},
	}}, NewClock(0, 10), newRecorder())
	var shape []string
	for _, s := range got {
		line := s.spec
		for _, tap := range s.taps {
			line += fmt.Sprintf(" %d %v", tap.meter, tap.every)
		}
		shape = append(shape, line)
	}
	if d := cmp.Diff([]string{"/dev/1 0 1ms", "/dev/2 1 100ms 2 1ms"}, shape); d != "" {
		t.Error(d)
	}
}

func TestTell(t *testing.T) {
	gone, missing, denied := errors.New("gone"), fmt.Errorf("missing: %w", fs.ErrNotExist), errors.New("denied")
	r := newRecorder()
	s := station{sink: r, taps: []*tap{{meter: 3}}}
	for _, err := range []error{missing, missing, nil, nil, gone, missing, missing, denied, denied, missing, nil} {
		s.tell(err)
	}
	want := []error{missing, nil, gone, denied, nil}
	if len(r.ports[3]) != len(want) {
		t.Fatalf("told %v, want %v", r.ports[3], want)
	}
	for i := range want {
		if r.ports[3][i] != want[i] {
			t.Errorf("told %v, want %v", r.ports[3], want)
		}
	}
}
