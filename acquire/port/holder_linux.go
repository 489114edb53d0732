package port

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// holder names the program that has the device at path: the one that locked
// it, else one that has it open; empty when neither can be seen.
func holder(path string) string {
	if by := lockHolder(path); by != "" {
		return by
	}
	if real, err := filepath.EvalSymlinks(path); err == nil {
		return openers()[real]
	}
	return ""
}

// lockHolder names the program that holds an flock on the file at path,
// without opening it; empty when none is seen.
func lockHolder(path string) string {
	var st unix.Stat_t
	if unix.Stat(path, &st) != nil {
		return ""
	}
	f, err := os.Open("/proc/locks")
	if err != nil {
		return ""
	}
	defer f.Close()
	dev := uint64(st.Dev)
	if pid := flockPID(f, unix.Major(dev), unix.Minor(dev), st.Ino); pid > 0 {
		return program(pid)
	}
	return ""
}

// flockPID finds who holds an flock on an inode, in the layout of /proc/locks
// (proc_locks(5)): "1: FLOCK  ADVISORY  WRITE 4711 00:05:91 0 EOF", where the
// device numbers are hexadecimal and "->" marks one who waits.
func flockPID(r io.Reader, major, minor uint32, inode uint64) int {
	want := fmt.Sprintf("%02x:%02x:%d", major, minor, inode)
	for s := bufio.NewScanner(r); s.Scan(); {
		f := strings.Fields(s.Text())
		if len(f) >= 6 && f[1] == "FLOCK" && f[5] == want {
			pid, _ := strconv.Atoi(f[4])
			return pid
		}
	}
	return 0
}

// program is a process as a person knows it: "nightsoak (pid 4711)".
func program(pid int) string {
	comm, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	if err != nil {
		return fmt.Sprintf("a program that cannot be seen from here (pid %d)", pid)
	}
	return fmt.Sprintf("%s (pid %d)", strings.TrimSpace(string(comm)), pid)
}

// openers maps each device file to a program that has it open, as far as this
// user may see.
func openers() map[string]string {
	by := map[string]string{}
	fds, _ := filepath.Glob("/proc/[0-9]*/fd/*") // the pattern is well formed
	for _, fd := range fds {
		if target, err := os.Readlink(fd); err == nil && strings.HasPrefix(target, "/dev/") {
			if pid, err := strconv.Atoi(strings.Split(fd, "/")[2]); err == nil && by[target] == "" {
				by[target] = program(pid)
			}
		}
	}
	return by
}
