package record

import (
	"bufio"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"nightsoak/alarms"
)

var kills = flag.Int("kills", 15, "how often TestKill kills the writing process; NIGHTSOAK_LONG=1 is 500")

const killDirVar = "NIGHTSOAK_RECORD_TEST_DIR"

func TestMain(m *testing.M) {
	flag.Parse()
	if dir := os.Getenv(killDirVar); dir != "" {
		fmt.Fprintln(os.Stderr, writeUntilKilled(dir))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// known is the input with that number, and the events the toy core here makes of it.
func known(seq int) Step {
	s := Step{Inputs: []alarms.Input{reading(ms(int64(seq)), seq%5, int64(seq)*7)}, T: ms(int64(seq))}
	if seq%3 == 0 { // numbered by their inputs: a gap has none
		s.Events = []alarms.Event{note(seq, s.T, fmt.Sprint(seq))}
	}
	return s
}

// writeUntilKilled goes on with the unfinished run as the daemon does: what is
// recorded is replayed, then new inputs come, and each is told on stdout when
// it has been Put.
func writeUntilKilled(dir string) error {
	s, err := Open(dir)
	if err != nil {
		return err
	}
	run, ok, err := s.Unfinished("R-1187")
	if err == nil && !ok {
		run, err = s.Begin(demoRun())
	}
	if err != nil {
		return err
	}
	w, err := s.Writer(run.ID, Options{sealAt: 200, OnFailing: func(err error) { fmt.Fprintln(os.Stderr, err); os.Exit(1) }})
	if err != nil {
		return err
	}
	seq := 0
	for in, err := range s.Inputs(run.ID) {
		if err != nil {
			return err
		}
		if seq++; in.Gap == nil {
			w.Put(Step{Events: known(seq).Events, T: known(seq).T})
		}
	}
	if seq > 0 {
		seq++
		w.Put(Step{Inputs: []alarms.Input{{T: ms(int64(seq)), Gap: &alarms.Gap{From: alarms.Seconds(ms(int64(seq - 1)))}}}, T: ms(int64(seq))})
	}
	for range time.Tick(time.Millisecond) {
		seq++
		w.Put(known(seq))
		fmt.Println(seq, time.Now().UnixNano())
	}
	return nil
}

// A process that is killed at any moment loses at most the last second, and
// never the cause of what it keeps.
func TestKill(t *testing.T) {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if os.Getenv("NIGHTSOAK_LONG") != "" {
		*kills = max(*kills, 500)
	}
	const runs = 3
	var all struct {
		sync.Mutex
		killed, gaps, inputs int
		worst                time.Duration
	}
	t.Cleanup(func() {
		t.Logf("%d kills: none corrupt, no event lost; at most %v of readings lost; %d gaps stated in %d inputs", all.killed, all.worst.Round(time.Millisecond), all.gaps, all.inputs)
	})
	for i := range runs {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			grown := false
			gaps, sessions := 0, 0 // stated, and those that must have been
			before := 0
			for n := (*kills + runs - 1) / runs; n > 0; n-- {
				after := rand.N(400 * time.Millisecond)
				if n == 1 { // late enough that more than a second could be lost
					after += 1200 * time.Millisecond
				}
				kept, stated, lost := killOnce(t, exe, dir, before, after)
				grown = grown || kept > before
				if before > 0 && kept > before {
					sessions++
				}
				if gaps = stated; gaps != sessions {
					t.Errorf("%d gaps stated, %d sessions went on with the run", gaps, sessions)
				}
				all.Lock()
				all.killed++
				all.worst = max(all.worst, lost)
				all.Unlock()
				before = kept
			}
			all.Lock()
			all.gaps += gaps
			all.inputs += before
			all.Unlock()
			if !grown {
				t.Error("nothing was ever recorded: the kills came too soon to say anything")
			}
		})
	}
}

// killOnce kills one writing process some time after its first Put, and
// returns how many inputs the record then holds, how many gaps among them, and
// how long before the kill the first was Put that is lost.
func killOnce(t *testing.T, exe, dir string, before int, after time.Duration) (kept, gaps int, lost time.Duration) {
	t.Helper()
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), killDirVar+"="+dir)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	slowest := syncs(t, dir)
	put := map[int]time.Time{}
	killed := make(chan time.Time, 1)
	for lines := bufio.NewScanner(out); lines.Scan(); {
		var seq int
		var nano int64
		if _, err := fmt.Sscan(lines.Text(), &seq, &nano); err != nil {
			t.Fatalf("%q: %v", lines.Text(), err)
		}
		if len(put) == 0 {
			first := before + 1
			if before > 0 {
				first++ // the gap
			}
			if seq != first {
				t.Errorf("the process went on with input %d, the record held %d", seq, before)
			}
			time.AfterFunc(after, func() {
				killed <- time.Now()
				cmd.Process.Kill()
			})
		}
		put[seq] = time.Unix(0, nano)
	}
	cmd.Wait()
	if stderr.Len() > 0 || len(put) == 0 {
		t.Fatalf("the process failed by itself: %s", &stderr)
	}
	at := <-killed
	disk := slowest()

	s, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	kept, gaps = whole(t, s, "after a kill")
	for seq := kept + 1; ; seq++ { // a gap is Put without a word
		when, ok := put[seq]
		if !ok && seq == kept+1 {
			continue
		}
		if ok {
			lost = at.Sub(when)
		}
		break
	}
	if lost > time.Second+disk {
		t.Errorf("input %d was Put %v before the kill and is lost; a sync took at most %v", kept+1, lost, disk)
	}
	if host, err := s.HostEvents("R-1187"); err != nil || len(host) != 0 {
		t.Errorf("host events: %v %v", host, err)
	}
	return kept, gaps, lost
}

// syncs writes and syncs a file in dir until stopped and says how long that
// took at the worst: what a disk shared with other work cannot be asked to beat.
func syncs(t *testing.T, dir string) (slowest func() time.Duration) {
	t.Helper()
	f, err := os.Create(filepath.Join(dir, "probe"))
	if err != nil {
		t.Fatal(err)
	}
	stop, worst := make(chan struct{}), make(chan time.Duration)
	go func() {
		defer f.Close()
		var most time.Duration
		for {
			begun := time.Now()
			if _, err := f.WriteAt(make([]byte, 4096), 0); err != nil {
				t.Error(err)
			}
			if err := f.Sync(); err != nil {
				t.Error(err)
			}
			most = max(most, time.Since(begun))
			select {
			case <-stop:
				worst <- most
				return
			case <-time.After(20 * time.Millisecond):
			}
		}
	}()
	return func() time.Duration {
		close(stop)
		return <-worst
	}
}
