//go:build linux

package main

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"
)

// readOnly tells this test binary to be a bare read loop: it reads the terminals
// named, a goroutine each as the daemon has, until its input ends.
const readOnly = "NIGHTSOAK_TEST_READ"

func init() {
	roles[readOnly] = func(paths string) {
		for _, p := range strings.Split(paths, " ") {
			f, err := os.Open(p)
			if err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
			go io.Copy(io.Discard, f)
		}
		io.Copy(io.Discard, os.Stdin)
		os.Exit(0)
	}
}

// bareCPU is the processor time of a bare read loop over the bench's terminals.
func (b *textBench) bareCPU(t *testing.T, d time.Duration) time.Duration {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	var paths []string
	for _, m := range b.meters {
		paths = append(paths, m.slave.Name())
	}
	c := exec.Command(self)
	c.Env = append(os.Environ(), readOnly+"="+strings.Join(paths, " "))
	in, err := c.StdinPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	time.Sleep(time.Second) // its start is not what is measured
	was := cpuOf(t, c.Process.Pid)
	time.Sleep(d)
	used := cpuOf(t, c.Process.Pid) - was
	in.Close()
	if err := c.Wait(); err != nil {
		t.Fatal(err)
	}
	return used
}

// TestScale prints what more meters on one daemon cost: terminals that print ten
// lines a second each, all of them with a socket that is judged and recorded, and
// beside it a bare read loop over the same terminals. Nothing of it decides but
// that everything works. NIGHTSOAK_LONG: 1 to 128 meters, 20 s each.
func TestScale(t *testing.T) {
	sizes, d, cuts := []int{2, 16}, time.Second, 2
	if os.Getenv("NIGHTSOAK_LONG") != "" {
		sizes, d, cuts = []int{2, 4, 8, 16, 32, 64, 128}, 20*time.Second, 20
	}
	var rows strings.Builder
	for _, n := range sizes {
		relay := newTTY(t)
		b := newTextBench(t, n, fmt.Sprintf("[cutoff]\nby = \"bytes\"\nport = %q\ndrop = 'hex: A0 01 00 A1'\nwhen = [\"over-dissipation\"]\n", relay.slave.Name()))
		bare := b.bareCPU(t, d)
		s := start(t, b.files...)
		dropped := relay.listen()
		s.cutUntil(t, "HT up and armed", 30*time.Second, armedAndUp)
		time.Sleep(time.Second)
		was := cpuOf(t, s.Process.Pid)
		time.Sleep(d)
		used, resident := cpuOf(t, s.Process.Pid)-was, residentOf(t, s.Process.Pid)
		var took []time.Duration
		for range cuts {
			took = append(took, b.overAndBack(t, s, dropped))
			s.cutUntil(t, "HT up and armed", 30*time.Second, armedAndUp)
		}
		s.stop(t)
		slices.Sort(took)
		share := func(c time.Duration) float64 { return 100 * c.Seconds() / d.Seconds() }
		fmt.Fprintf(&rows, "| %d | %.2f %% | %.2f %% | %.1f | %.1f MB | %v | %v |\n", n, share(used), share(bare), share(used)/share(bare), float64(resident)/1e6,
			took[len(took)/2].Round(10*time.Microsecond), took[len(took)-1].Round(10*time.Microsecond))
	}
	t.Logf("\n| meters, 10 readings a second each | processor, of one | bare read loop | ratio | resident | reading to relay, median | worst of %d |\n| --- | --- | --- | --- | --- | --- | --- |\n%s", cuts, &rows)
}
