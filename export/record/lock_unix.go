//go:build unix

package record

import (
	"os"

	"golang.org/x/sys/unix"
)

// tryLock takes the exclusive lock on f, which goes when f is closed or the process dies.
func tryLock(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) }
