//go:build linux

package acquire

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"nightsoak/acquire/bench"
	"nightsoak/drivers"
	"nightsoak/drivers/catalogue"
)

// meterFrame is 038.2 mV as an FS9721 sends it.
var meterFrame = []byte("\x17\x27\x3d\x41\x5f\x67\x7f\x8d\x9b\xa0\xb8\xc0\xd4\xe0")

// BenchmarkPorts compares the processor time that reading, decoding and judging
// the frames of many ports takes with that of a loop that only reads the same
// ports: "ratio". The meters are in a process of their own, so that theirs is
// not counted. No frame may be lost.
func BenchmarkPorts(b *testing.B) {
	for _, ports := range []struct {
		name      string
		n         int
		perSecond float64
	}{
		{"64 at 5 a second", 64, 5},
		{"16 at 19200 bit-s", 16, 1920.0 / 14}, // ten bits a byte
	} {
		b.Run(ports.name, func(b *testing.B) {
			m := startMeters(b, ports.n, ports.perSecond)
			frames := max(b.N/ports.n, 10)
			bare, decoded := m.bare(b, frames), m.decoded(b, frames)
			total := float64(frames * ports.n)
			b.ReportMetric(0, "ns/op") // the pace is the meters'
			b.ReportMetric(bare.Seconds()*1e9/total, "bare-cpu-ns/frame")
			b.ReportMetric(decoded.Seconds()*1e9/total, "cpu-ns/frame")
			b.ReportMetric(decoded.Seconds()/bare.Seconds(), "ratio")
			b.ReportMetric(100*decoded.Seconds()/(float64(frames)/ports.perSecond), "%cpu")
		})
	}
}

// meters is the other process.
type meters struct {
	paths []string
	say   io.Writer
	hear  *bufio.Scanner
}

const metersEnv = "ACQUIRE_TEST_METERS"

// startMeters starts this test again as a process of n meters.
func startMeters(b *testing.B, n int, perSecond float64) *meters {
	b.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestMetersProcess$")
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%d %g", metersEnv, n, perSecond))
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		in.Close()
		if err := cmd.Wait(); err != nil {
			b.Errorf("the meters: %v", err)
		}
	})
	m := &meters{say: in, hear: bufio.NewScanner(out)}
	for range n {
		m.paths = append(m.paths, m.line(b))
	}
	return m
}

// line is the next line that the meters print.
func (m *meters) line(b *testing.B) string {
	b.Helper()
	if !m.hear.Scan() {
		b.Fatal("the meters ended")
	}
	return m.hear.Text()
}

// send lets every meter send so many frames.
func (m *meters) send(b *testing.B, frames int) {
	if _, err := fmt.Fprintln(m.say, frames); err != nil {
		b.Fatal(err)
	}
}

// TestMetersProcess is the meters' side of BenchmarkPorts. On its own it opens
// none.
func TestMetersProcess(t *testing.T) {
	var n int
	var perSecond float64
	if _, err := fmt.Sscan(os.Getenv(metersEnv), &n, &perSecond); err != nil {
		n = 0
	}
	var masters []*os.File
	for range n {
		master, slave, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		masters = append(masters, master)
		fmt.Println(slave.Name())
	}
	for in := bufio.NewScanner(os.Stdin); n > 0 && in.Scan(); {
		frames, err := strconv.Atoi(in.Text())
		if err != nil {
			t.Fatal(err)
		}
		every := time.Duration(float64(time.Second) / perSecond)
		due := time.Now()
		for range frames {
			// One after the other, spread over the pace as meters are.
			for _, master := range masters {
				time.Sleep(time.Until(due))
				due = due.Add(every / time.Duration(n))
				if _, err := master.Write(meterFrame); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// cpu is the processor time of this process so far.
func cpu(b *testing.B) time.Duration {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// wait until want have come.
func wait(b *testing.B, got *atomic.Int64, want int64, what string) {
	for last, at := int64(0), time.Now(); got.Load() < want; time.Sleep(20 * time.Millisecond) {
		if n := got.Load(); n != last {
			last, at = n, time.Now()
		} else if time.Since(at) > 5*time.Second {
			b.Fatalf("%d of %d %s came", last, want, what)
		}
	}
}

// bare reads the ports and does nothing else.
func (m *meters) bare(b *testing.B, frames int) time.Duration {
	var got atomic.Int64
	var wg sync.WaitGroup
	var files []*os.File
	for _, path := range m.paths {
		fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
		if err != nil {
			b.Fatal(err)
		}
		raw, err := unix.IoctlGetTermios(fd, unix.TCGETS)
		if err != nil {
			b.Fatal(err)
		}
		raw.Iflag, raw.Oflag, raw.Lflag = 0, 0, 0
		if err := unix.IoctlSetTermios(fd, unix.TCSETS, raw); err != nil {
			b.Fatal(err)
		}
		f := os.NewFile(uintptr(fd), path)
		files = append(files, f)
		wg.Go(func() {
			buf := make([]byte, readBufSize)
			for {
				n, err := f.Read(buf)
				if err != nil {
					return
				}
				got.Add(int64(n))
			}
		})
	}
	before := cpu(b)
	m.send(b, frames)
	wait(b, &got, int64(frames*len(m.paths)*len(meterFrame)), "bytes")
	used := cpu(b) - before
	for _, f := range files {
		f.Close()
	}
	wg.Wait()
	return used
}

// decoded reads the ports as the daemon does.
func (m *meters) decoded(b *testing.B, frames int) time.Duration {
	format, err := catalogue.Find("fs9721")
	if err != nil {
		b.Fatal(err)
	}
	here := &bench.Bench{Name: "north"}
	for i, path := range m.paths {
		here.Meters = append(here.Meters, bench.Meter{Name: "k" + strconv.Itoa(i), Port: path, Format: format,
			Line: strings.TrimSuffix(format.Line, " dtr"), Scale: 1, SilentAfter: 5 * time.Second})
	}
	sink := &counter{opened: make(chan struct{}, len(m.paths))}
	ctx, cancel := context.WithCancel(b.Context())
	var wg sync.WaitGroup
	wg.Go(func() { Run(ctx, here, NewClock(0, 1), sink) })
	for range m.paths {
		<-sink.opened
	}
	before := cpu(b)
	m.send(b, frames)
	wait(b, &sink.readings, int64(frames*len(m.paths)), "readings")
	used := cpu(b) - before
	cancel()
	wg.Wait()
	if n := sink.rejected.Load(); n > 0 {
		b.Errorf("%d frames were rejected", n)
	}
	return used
}

// counter is a Sink that counts.
type counter struct {
	readings, rejected atomic.Int64
	opened             chan struct{}
}

func (c *counter) Reading(int, drivers.Reading) { c.readings.Add(1) }
func (c *counter) Port(_ int, err error) {
	if err == nil {
		c.opened <- struct{}{}
	}
}
func (c *counter) Rejected(_ int, _ drivers.Reason, n uint64) { c.rejected.Add(int64(n)) }
