//go:build linux || darwin || freebsd || openbsd

package port

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// hasDevices says that ports are device files.
const hasDevices = true

// lock is an flock on the device: the library asks for exclusive access but
// drops the answer, and root may open a port twice.
type lock struct{ fd int }

// takeLock locks the device at path. Opening a serial device raises its modem
// lines even while another program has them set otherwise, so whoever holds
// the lock is looked for first, without opening.
func takeLock(path string) (*lock, error) {
	if lockHolder(path) != "" {
		return nil, ErrInUse
	}
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		err = errors.Join(err, unix.Close(fd))
		if errors.Is(err, unix.EWOULDBLOCK) {
			err = errors.Join(ErrInUse, err)
		}
		return nil, err
	}
	return &lock{fd}, nil
}

// release lets the device go. Nothing was written, so the close has nothing to report.
func (l *lock) release() { _ = unix.Close(l.fd) }

// admit undoes the exclusive mode that the serial library asks for. A real
// device loses it with the last close; a pty keeps it as long as its master
// lives, so that after a crash nobody but root could open it again.
func (l *lock) admit() error { return unix.IoctlSetInt(l.fd, unix.TIOCNXCL, 0) }

// file is the locked device as a file that the runtime's poller waits for, or
// nil: only on Linux is it known to do so for terminals. Closing it releases the
// lock. Read so, a port takes no thread of its own and half the processor time of
// the library's select (BenchmarkPorts).
func (l *lock) file(path string) *os.File {
	if runtime.GOOS != "linux" {
		return nil
	}
	return os.NewFile(uintptr(l.fd), path)
}

// owner says to whom the device at path belongs and how to be let in.
func owner(path string) string {
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		return "ask who owns the device"
	}
	group := strconv.Itoa(int(st.Gid))
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	if st.Mode&0o060 != 0o060 || st.Gid == 0 {
		return fmt.Sprintf(`the device belongs to group %s with mode %04o: a udev rule must give it to a group of yours, such as KERNEL=="%s", GROUP="dialout", MODE="0660"`,
			group, st.Mode&0o777, kernelNames(path))
	}
	return fmt.Sprintf("the device belongs to group %s: `usermod -aG %s USER` lets a user in at the next login", group, group)
}

// kernelNames is a pattern for the kernel's name of the device at path and its
// like: ttyUSB*.
func kernelNames(path string) string {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	return strings.TrimRight(filepath.Base(path), "0123456789") + "*"
}
