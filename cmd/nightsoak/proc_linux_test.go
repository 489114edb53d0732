package main

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strconv"
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

// cpuOf is a process's processor time so far (proc_pid_stat(5): 100 ticks a second).
func cpuOf(t testing.TB, pid int) time.Duration {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	f := bytes.Fields(text[bytes.LastIndexByte(text, ')')+1:])
	var ticks int64
	for _, x := range f[11:13] {
		n, err := strconv.ParseInt(string(x), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}
