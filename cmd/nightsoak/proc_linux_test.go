package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// residentOf is a process's memory, in bytes (proc(5), VmRSS).
func residentOf(t testing.TB, pid int) int64 { return statusOf(t, pid, `VmRSS:\s+(\d+) kB`) << 10 }

// threadsOf is how many threads it has.
func threadsOf(t testing.TB, pid int) int64 { return statusOf(t, pid, `Threads:\s+(\d+)`) }

func statusOf(t testing.TB, pid int, line string) int64 {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	m := regexp.MustCompile(line).FindSubmatch(text)
	if err != nil || m == nil {
		t.Fatalf("%v %q", err, text)
	}
	n, err := strconv.ParseInt(string(m[1]), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// openFilesOf is how many files a process has open.
func openFilesOf(t testing.TB, pid int) int {
	t.Helper()
	all, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		t.Fatal(err)
	}
	return len(all)
}

// cpuOf is the processor time of a process's threads so far, to the nanosecond
// (Documentation/scheduler/sched-stats.rst: the first figure of schedstat). Those that
// have ended are not in it; the runtime keeps its own.
func cpuOf(t testing.TB, pid int) (sum time.Duration) {
	t.Helper()
	all, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", pid))
	if err != nil || len(all) == 0 {
		t.Fatalf("no schedstat of process %d: %v", pid, err)
	}
	for _, file := range all {
		text, err := os.ReadFile(file)
		if errors.Is(err, os.ErrNotExist) || errors.Is(err, syscall.ESRCH) {
			continue // the thread has ended since
		}
		f := bytes.Fields(text)
		if err != nil || len(f) != 3 {
			t.Fatalf("%v %q", err, text)
		}
		ns, err := strconv.ParseInt(string(f[0]), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		sum += time.Duration(ns)
	}
	return sum
}
