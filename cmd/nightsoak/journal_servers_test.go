//go:build servers && linux

package main

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// journal is a real journald, the machine's or one that the test starts, and the
// end of a stream to it, as a service manager gives it to a service.
func journalStream(t *testing.T) (*os.File, string) {
	t.Helper()
	dial := func() (net.Conn, error) { return net.Dial("unix", "/run/systemd/journal/stdout") }
	c, err := dial()
	if err != nil { // no systemd runs here
		if err := os.MkdirAll("/run/systemd/journal", 0o755); err != nil {
			t.Fatal(err)
		}
		j := exec.Command("/lib/systemd/systemd-journald")
		if err := j.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { j.Process.Signal(unix.SIGTERM); j.Wait() })
		for began := time.Now(); err != nil; time.Sleep(20 * time.Millisecond) {
			if c, err = dial(); time.Since(began) > 10*time.Second {
				t.Fatal(err)
			}
		}
	}
	defer c.Close()
	// Identifier, unit, priority, level prefix, and what to forward to: systemd's
	// own protocol, as sd_journal_stream_fd(3) speaks it.
	if _, err := c.Write([]byte("nightsoak\n\n6\n0\n0\n0\n0\n")); err != nil {
		t.Fatal(err)
	}
	f, err := c.(*net.UnixConn).File()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	var st unix.Stat_t
	if err := unix.Fstat(int(f.Fd()), &st); err != nil {
		t.Fatal(err)
	}
	return f, fmt.Sprintf("JOURNAL_STREAM=%d:%d", st.Dev, st.Ino)
}

// Under a service manager the journal has each event with its fields, so that
// journalctl finds them.
func TestJournal(t *testing.T) {
	stream, env := journalStream(t)
	b := newTextBench(t, 3, "")
	s := &server{Cmd: command(t, b.files...)}
	s.Env, s.Stderr = append(s.Environ(), env), stream
	out, err := s.StdoutPipe()
	if err == nil {
		err = s.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 4096)
	n, err := out.Read(buf)
	if err != nil {
		t.Fatal(err)
	}
	s.url = strings.TrimPrefix(strings.Split(string(buf[:n]), "\n")[0], "panel: ")
	go func() {
		for {
			if _, err := out.Read(buf); err != nil {
				return
			}
		}
	}()
	s.cutUntil(t, "HT up", 10*time.Second, func(st cutState) bool { return st.Run != nil && st.Run.Phase == "warm-up" })
	b.shows[0].Store(tooMuch)
	s.cutUntil(t, "too much", 10*time.Second, func(cutState) bool {
		for _, a := range s.remoteAlarms(t) {
			if strings.HasPrefix(a, "over-dissipation/V1 high") {
				return true
			}
		}
		return false
	})
	s.stop(t)
	ask := func(match ...string) (all []map[string]any) {
		o, err := exec.Command("journalctl", append([]string{"-o", "json", "--no-pager", fmt.Sprint("_PID=", s.Process.Pid)}, match...)...).Output()
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range strings.Split(strings.TrimSpace(string(o)), "\n") {
			var e map[string]any
			if json.Unmarshal([]byte(l), &e) == nil {
				all = append(all, e)
			}
		}
		return all
	}
	var alarm []map[string]any
	for began := time.Now(); len(alarm) == 0 && time.Since(began) < 10*time.Second; time.Sleep(50 * time.Millisecond) {
		alarm = ask("NIGHTSOAK_ALARM=over-dissipation", "NIGHTSOAK_STATE=unacknowledged")
	}
	if len(alarm) != 1 {
		t.Fatalf("the journal has %d of it: %v", len(alarm), ask())
	}
	for field, want := range map[string]string{"NIGHTSOAK_SUBJECT": "V1", "NIGHTSOAK_BENCH": "north", "NIGHTSOAK_ALARM_PRIORITY": "high", "PRIORITY": "2", "SYSLOG_IDENTIFIER": "nightsoak"} {
		if alarm[0][field] != want {
			t.Errorf("%s is %v, want %s", field, alarm[0][field], want)
		}
	}
	if m := fmt.Sprint(alarm[0]["MESSAGE"]); !strings.HasPrefix(m, "alarm over-dissipation/V1 high unacknowledged: V1 at ") {
		t.Errorf("the message is %q", m)
	}
	want := strings.Count(recorded(t, b.dir, ""), "\n")
	if got := len(ask("NIGHTSOAK_BENCH=north")); got != want {
		t.Errorf("the journal has %d events, the record %d", got, want)
	}
}
