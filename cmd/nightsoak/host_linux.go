package main

import (
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"nightsoak/alarms/walkaway"
)

// diskAt is the room where dir is.
func diskAt(dir string) walkaway.Disk {
	var s unix.Statfs_t
	if unix.Statfs(dir, &s) != nil {
		return walkaway.Disk{}
	}
	return walkaway.Disk{Known: true, Free: s.Bavail * uint64(s.Bsize)}
}

// hostSlept is how long this machine has slept since it was started: what one clock
// counts and the other does not, clock_gettime(2). Read in this order, a pause
// between the two can only make it less.
func hostSlept() time.Duration {
	var with, without unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &with) != nil || unix.ClockGettime(unix.CLOCK_MONOTONIC, &without) != nil {
		return 0
	}
	return time.Duration(with.Nano() - without.Nano())
}

// clockSynced is what the kernel's clock discipline says, see adjtimex(2); asking
// with no modes changes nothing.
func clockSynced() string {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	switch {
	case err != nil:
		return ""
	case state == unix.TIME_ERROR || t.Status&unix.STA_UNSYNC != 0:
		return "not synchronised, by what the kernel knows"
	}
	return "synchronised, by what the kernel knows"
}

// staysAwake says why this machine will not go to sleep by itself, as far as files
// tell: systemd.special(7) sleep.target masked, a kernel with no sleep state, or
// somebody holding a lock of systemd-inhibit(1). Empty when none does.
func staysAwake() string {
	for _, dir := range []string{"/etc/systemd/system", "/run/systemd/system"} {
		if to, err := os.Readlink(filepath.Join(dir, "sleep.target")); err == nil && to == os.DevNull {
			return "sleep.target is masked in " + dir
		}
	}
	if b, err := os.ReadFile("/sys/power/state"); err == nil && strings.TrimSpace(string(b)) == "" {
		return "this kernel has no state to sleep in"
	}
	locks, _ := filepath.Glob("/run/systemd/inhibit/*") // its only error is of the pattern
	for _, lock := range locks {
		if filepath.Ext(lock) == ".ref" {
			continue // what holds it, a pipe
		}
		if b, err := os.ReadFile(lock); err == nil {
			if who := blocksSleep(string(b)); who != "" {
				return who + " holds a lock against sleep"
			}
		}
	}
	return ""
}

// blocksSleep is who holds the lock that the text describes, if it blocks sleep:
// one that only delays it does not.
func blocksSleep(text string) (who string) {
	set := map[string]string{}
	for line := range strings.Lines(text) {
		if k, v, ok := strings.Cut(strings.TrimSpace(line), "="); ok {
			set[k] = v
		}
	}
	what := ":" + set["WHAT"] + ":"
	if set["MODE"] == "block" && strings.Contains(what, ":sleep:") {
		who = strings.Trim(set["WHO"], `"`)
		if who == "" {
			who = "somebody"
		}
	}
	return who
}
