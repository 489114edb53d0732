package record

import (
	"os"

	"golang.org/x/sys/windows"
)

// tryLock takes the exclusive lock on f, which goes when f is closed or the
// process dies. The byte locked lies far beyond the text: locks are mandatory
// here, and others must still be able to read who holds it.
func tryLock(f *os.File) error {
	return windows.LockFileEx(windows.Handle(f.Fd()),
		windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, &windows.Overlapped{OffsetHigh: 1})
}
