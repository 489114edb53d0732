//go:build unix

package record

import (
	"syscall"
	"time"
)

// cpu is the processor time this process has taken.
func cpu() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err) // an address that is not ours: a programming error
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
