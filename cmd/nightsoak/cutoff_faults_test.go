//go:build linux

package main

import (
	"context"
	"database/sql"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Where the shell that started the tests is gone, the kernel lets stopped members
// of their process group go on as soon as any of it ends (POSIX: SIGHUP and
// SIGCONT to a group that is orphaned). A daemon that is stopped must stay so.
func init() {
	apart = func(c *exec.Cmd) { c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }
}

// A cutFault is what goes wrong on the host, and what the mains must then do.
// The table was written before the tests were run:
//
//	fault                            line (pulses)                  bytes, hold repeated           bytes, drop alone
//	-----------------------------------------------------------------------------------------------------------------------------
//	kill -9                          edges end within 0.2 s;        hold ends within 0.2 s;        nothing is sent: this way needs
//	                                 restarted: cut, none come      restarted: cut, drop is sent   a live daemon, as check says
//	SIGSTOP for 10 s                 edges end within 0.2 s;        hold ends within 0.2 s; on     the same until it goes on
//	                                 going on: cut, none come       going on: cut, drop is sent
//	SIGTERM                          edges end; restarted: cut      drop is sent; restarted: cut   nothing is sent
//	every meter silent               edges end within lease + 1 s   hold ends and drop is sent     nothing is sent: no alarm of
//	                                                                within lease + 1 s             high priority stands
//	the port confirms nothing        edges end; cut within lease    -                              -
//	more                             + 3 s of the answer + 1 s
//
// and with any of these a plate over its limit drops the mains within 1 s, and is
// said to have (the full disk, which needs root, in cutoff_disk_test.go):
//
//	disk full                        edges end                      -                              drop is sent; the file says cut
//	database locked by another       -                              -                              drop is sent
//	a line outlet that never answers -                              -                              drop is sent
const (
	endsWithin  = 200 * time.Millisecond // of a dead or stopped process, pulses of 50 ms
	dropsWithin = time.Second
	leaseTime   = 2 * time.Second
)

func cutoffLine(l *lineServer) string {
	return fmt.Sprintf("[cutoff]\nby = \"line\"\nport = \"rfc2217://%s\"\nwhen = [\"over-dissipation\"]\n", l.addr)
}

func cutoffBytes(y *tty, more string) string {
	return fmt.Sprintf("[cutoff]\nby = \"bytes\"\nport = %q\ndrop = 'OFF\\r'\nwhen = [\"over-dissipation\"]\n%s", y.slave.Name(), more)
}

const holdOften = "hold = 'ON\\r'\nhold_every = \"50ms\"\n"

func recordFails(st cutState) bool {
	return len(st.Alarms) > 0 && st.Alarms[0].ID == "record-failing/north"
}

func isCut(st cutState) bool { return st.Cutoff.State == "cut" }

// gap is the time between two moments, never negative.
func gap(from, to time.Time) time.Duration { return max(0, to.Sub(from)) }

// board gathers what a relay board is told.
type board struct {
	*tty
	c   <-chan heard
	got []heard
}

func newBoard(t *testing.T) *board {
	y := newTTY(t)
	return &board{tty: y, c: y.listen()}
}

// last is when it last heard a text, after all that came until now.
func (b *board) last(text string) (at time.Time) {
	for len(b.c) > 0 {
		b.got = append(b.got, <-b.c)
	}
	for _, h := range b.got {
		if strings.Contains(h.text, text) {
			at = h.at
		}
	}
	return at
}

// await waits until a text comes after a moment, and is when; within bounds failure.
func (b *board) await(t *testing.T, s *server, text string, after time.Time, within time.Duration) time.Time {
	t.Helper()
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if at := b.last(text); at.After(after) {
			return at
		}
	}
	t.Fatalf("the relay board does not hear %q within %v\n%s", text, within, s.logged())
	return time.Time{}
}

func kill(t *testing.T, s *server, signal syscall.Signal) time.Time {
	t.Helper()
	if err := s.Process.Signal(signal); err != nil {
		t.Fatal(err)
	}
	at := time.Now()
	if signal == syscall.SIGKILL || signal == syscall.SIGTERM {
		s.Wait() // that it was killed is no news
	}
	return at
}

// What a dead, stopped or silent daemon does to the mains.
func TestCutoffWithoutDaemon(t *testing.T) {
	t.Run("line", func(t *testing.T) {
		t.Parallel()
		for _, signal := range []syscall.Signal{syscall.SIGKILL, syscall.SIGTERM, syscall.SIGSTOP} {
			t.Run(unix.SignalName(signal), func(t *testing.T) {
				t.Parallel()
				l := newLineServer(t)
				b := newTextBench(t, 3, cutoffLine(l))
				s := start(t, b.files...)
				l.pulsing(t, s)
				at := kill(t, s, signal)
				last := l.still(t, time.Second)
				if took := gap(at, last); took > endsWithin && signal != syscall.SIGTERM {
					t.Errorf("edges until %v after it", took)
				} else {
					t.Logf("last edge %v after it", took)
				}
				if signal == syscall.SIGSTOP {
					time.Sleep(time.Until(at.Add(10 * time.Second)))
					kill(t, s, syscall.SIGCONT)
				} else {
					s = start(t, b.files...)
				}
				st := s.cutUntil(t, "cut", 5*time.Second, isCut)
				t.Log(st.Cutoff.Why)
				_, before := l.last()
				time.Sleep(time.Second)
				if at, n := l.last(); n > before+1 || n > before && l.isUp() {
					t.Errorf("%d edges more, the last at %v", n-before, at)
				}
				if events := recorded(t, b.dir, ""); strings.Count(events, `"act":"cut"`) != 1 {
					t.Errorf("recorded\n%s", events)
				}
				if code, why := s.post(t, "rearm", nothing); code != http.StatusOK {
					t.Fatal(code, why)
				}
				l.pulsing(t, s) // the person's act, and nothing else
				s.stop(t)
			})
		}
	})
	t.Run("bytes", func(t *testing.T) {
		t.Parallel()
		for _, signal := range []syscall.Signal{syscall.SIGKILL, syscall.SIGTERM, syscall.SIGSTOP} {
			for _, hold := range []string{holdOften, ""} {
				t.Run(fmt.Sprintf("%s/hold=%t", unix.SignalName(signal), hold != ""), func(t *testing.T) {
					t.Parallel()
					y := newBoard(t)
					b := newTextBench(t, 3, cutoffBytes(y.tty, hold))
					s := start(t, b.files...)
					s.cutUntil(t, "HT up", 10*time.Second, armedAndUp)
					if hold != "" {
						y.await(t, s, "ON\r", time.Time{}, 5*time.Second)
					}
					at := kill(t, s, signal)
					time.Sleep(time.Second)
					if took := gap(at, y.last("ON\r")); took > endsWithin && signal != syscall.SIGTERM {
						t.Errorf("holds until %v after it", took)
					}
					if signal == syscall.SIGSTOP {
						time.Sleep(time.Until(at.Add(10 * time.Second)))
						kill(t, s, syscall.SIGCONT)
					} else {
						s = start(t, b.files...)
					}
					again := time.Now()
					if hold == "" {
						s.cutUntil(t, "armed as before", 5*time.Second, func(st cutState) bool { return st.Cutoff.State == "armed" })
						if !y.last("").IsZero() {
							t.Errorf("the relay board was told %+v", y.got)
						}
						s.stop(t)
						return
					}
					s.cutUntil(t, "cut", 5*time.Second, isCut)
					y.await(t, s, "OFF\r", at, 5*time.Second)
					time.Sleep(500 * time.Millisecond)
					if on := y.last("ON\r"); on.After(again.Add(100 * time.Millisecond)) {
						t.Errorf("holds again, %v after the daemon goes on", on.Sub(again))
					}
					s.stop(t)
				})
			}
		}
	})
	t.Run("silent", func(t *testing.T) {
		t.Parallel()
		l, y := newLineServer(t), newBoard(t)
		for _, cut := range []string{cutoffLine(l), cutoffBytes(y.tty, holdOften)} {
			b := newTextBench(t, 3, cut)
			s := start(t, b.files...)
			s.cutUntil(t, "HT up and holding", 10*time.Second, func(st cutState) bool { return armedAndUp(st) && st.Cutoff.Holding })
			b.all(-1, -1)
			at := time.Now()
			s.cutUntil(t, "cut", leaseTime+5*time.Second, isCut)
			var took time.Duration
			if cut == cutoffLine(l) {
				took = gap(at, l.still(t, time.Second))
			} else {
				took = gap(at, y.await(t, s, "OFF\r", at, 5*time.Second))
			}
			t.Logf("let go %v after the last reading", took)
			if took > leaseTime+time.Second {
				t.Errorf("let go %v after the last reading", took)
			}
			s.stop(t)
		}
	})
	t.Run("mute port", func(t *testing.T) {
		t.Parallel()
		l := newLineServer(t)
		b := newTextBench(t, 3, cutoffLine(l))
		s := start(t, b.files...)
		l.pulsing(t, s)
		l.mute.Store(true)
		at := time.Now()
		st := s.cutUntil(t, "cut", leaseTime+10*time.Second, func(st cutState) bool { return st.Cutoff.State == "cut" || st.Cutoff.State == "failed" })
		t.Logf("%s after %v: %s", st.Cutoff.State, time.Since(at), st.Cutoff.Why)
		s.cutUntil(t, "cut", leaseTime+10*time.Second, isCut)
		last := l.still(t, time.Second)
		if took := gap(at, last); took > leaseTime+4*time.Second {
			t.Errorf("edges until %v after", took)
		}
		s.stop(t)
	})
}

// isUp is the level of the line.
func (s *lineServer) isUp() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.up
}

// overLimit has a plate go over its limit and waits until the mains drop.
func overLimit(t *testing.T, b *textBench, s *server, y *board) {
	t.Helper()
	b.shows[0].Store(tooMuch)
	at := b.show(0)
	took := gap(at, y.await(t, s, "OFF\r", at, 10*time.Second))
	t.Logf("dropped %v after the reading", took)
	if took > dropsWithin {
		t.Errorf("dropped only %v after the reading", took)
	}
	st := s.cutUntil(t, "said to be cut", 5*time.Second, isCut)
	if !strings.HasPrefix(st.Cutoff.Why, "V1 at 11") {
		t.Errorf("why: %q", st.Cutoff.Why)
	}
}

// A host in trouble drops the mains all the same.
func TestCutoffInTrouble(t *testing.T) {
	t.Run("database locked", func(t *testing.T) {
		y := newBoard(t)
		b := newTextBench(t, 3, cutoffBytes(y.tty, ""))
		s := start(t, b.files...)
		s.cutUntil(t, "HT up", 10*time.Second, armedAndUp)
		self, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		locker := exec.Command(self)
		locker.Env = append(os.Environ(), lockDatabase+"="+filepath.Join(b.dir, "nightsoak.db"))
		in, err := locker.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		out, err := locker.StdoutPipe()
		if err == nil {
			err = locker.Start()
		}
		if err != nil {
			t.Fatal(err)
		}
		said := make([]byte, 6)
		if _, err := io.ReadFull(out, said); err != nil || string(said) != "locked" {
			t.Fatalf("%v %q", err, said)
		}
		s.cutUntil(t, "record-failing", 30*time.Second, recordFails)
		overLimit(t, b, s, y)
		in.Close()
		locker.Wait() // it ends by itself
		s.stop(t)
		if events := recorded(t, b.dir, ""); strings.Count(events, `"act":"cut"`) != 1 {
			t.Errorf("once the lock is gone, the record has\n%s", events)
		}
	})
	t.Run("outlet hangs", func(t *testing.T) {
		y := newBoard(t)
		ctx, cancel := context.WithCancel(context.Background())
		asked := make(chan struct{}, 100)
		hang := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { asked <- struct{}{}; <-ctx.Done() }))
		t.Cleanup(func() { cancel(); hang.Close() })
		b := newTextBench(t, 3, cutoffBytes(y.tty, "")+fmt.Sprintf("[[lines]]\nto = \"%s/write?db=bench\"\n", hang.URL))
		s := start(t, b.files...)
		s.cutUntil(t, "HT up", 10*time.Second, armedAndUp)
		<-asked
		overLimit(t, b, s, y)
		cancel()
		s.stop(t)
	})
}

// lockDatabase tells this test binary to be another process, which holds an
// exclusive lock on a database until its input ends.
const lockDatabase = "NIGHTSOAK_TEST_LOCK"

func init() { roles[lockDatabase] = lockAndWait }

func lockAndWait(file string) {
	db, err := sql.Open("sqlite", "file:"+file+"?_pragma=busy_timeout(5000)")
	if err == nil {
		db.SetMaxOpenConns(1)
		_, err = db.Exec("begin exclusive")
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Print("locked")
	io.Copy(io.Discard, os.Stdin)
	os.Exit(0)
}
