//go:build unix

package notify

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A command whose time is over is killed with all it started.
func TestCommandIsKilled(t *testing.T) {
	pids := filepath.Join(t.TempDir(), "pids")
	c := newCommand([]string{"/bin/sh", "-c", `sleep 60 & echo $$ $! > "$0.new"; mv "$0.new" "$0"; wait`, pids})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	result := make(chan error, 1)
	go func() { result <- c.send(ctx, testMessage(false)) }()
	var text []byte
	for end := time.Now().Add(2 * time.Minute); len(text) == 0; {
		if time.Now().After(end) {
			t.Fatal("the command did not start")
		}
		time.Sleep(time.Millisecond) // polled: a real process
		text, _ = os.ReadFile(pids)
	}
	cancel()
	if err := <-result; err == nil || !strings.Contains(err.Error(), "was killed") || errors.Is(err, errNotTaken) {
		t.Errorf("%v", err)
	}
	for _, s := range strings.Fields(string(text)) {
		pid, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		for end := time.Now().Add(2 * time.Minute); lives(pid); {
			if time.Now().After(end) {
				t.Errorf("process %d still lives", pid)
				break
			}
			time.Sleep(time.Millisecond)
		}
	}
}

// lives says whether a process lives; one that waits to be reaped does not.
func lives(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return false
	}
	stat, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	return err != nil || !strings.Contains(string(stat), ") Z ")
}

// A command that leaves a sound playing has done its work.
func TestCommandLeavesSomething(t *testing.T) {
	pid := filepath.Join(t.TempDir(), "pid")
	c := newCommand([]string{"/bin/sh", "-c", `sleep 60 & echo $! > "$0"`, pid})
	if err := c.send(t.Context(), testMessage(false)); err != nil {
		t.Error(err)
	}
	text, err := os.ReadFile(pid)
	if err != nil {
		t.Fatal(err)
	}
	n, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || syscall.Kill(n, syscall.SIGKILL) != nil {
		t.Errorf("what it left is gone: %v", err)
	}
}

// What is in argv reaches the program as it is: there is no shell.
func TestCommandHasNoShell(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	c := newCommand([]string{"/usr/bin/env", "dd", "of=" + out, "status=none"})
	if err := c.send(t.Context(), testMessage(false)); err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(out); err != nil || !strings.Contains(string(b), `"message_id":"R-1187-1:7:mail"`) || strings.Count(string(b), "\n") != 1 {
		t.Errorf("%q, %v", b, err)
	}
	c = newCommand([]string{"/bin/echo;true"})
	if err := c.send(t.Context(), testMessage(false)); !errors.Is(err, errNotTaken) {
		t.Errorf("a command line taken for a program: %v", err)
	}
	c = newCommand([]string{"/bin/sh", "-c", "echo out of paper >&2; exit 3"})
	if err := c.send(t.Context(), testMessage(false)); err == nil || !strings.Contains(err.Error(), "sh: exit status 3: out of paper") {
		t.Errorf("%v", err)
	}
}
