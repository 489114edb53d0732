//go:build linux || darwin

package emulate

import (
	"errors"
	"fmt"
	"os"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// A terminal is a pseudo-terminal: the meter holds the master, whoever reads
// the meter opens the slave by name. The slave is held open here too, so that
// readers may come and go.
type terminal struct {
	name   string // of the slave
	master *os.File
	slave  *os.File
}

// openTerminal opens a pseudo-terminal that passes every byte as it is.
func openTerminal() (*terminal, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("open a pseudo-terminal (is /dev/ptmx there?): %w", err)
	}
	t := &terminal{name: slave.Name(), slave: slave}
	if err = makeRaw(int(slave.Fd())); err == nil {
		t.master, err = pollable(master)
	}
	if err = errors.Join(err, master.Close()); err != nil {
		return nil, errors.Join(fmt.Errorf("pseudo-terminal %s: %w", t.name, err), t.close())
	}
	return t, nil
}

// pollable is the file again, non-blocking and with the runtime's poller, so
// that Close ends a Read. The library leaves its files blocking.
func pollable(f *os.File) (*os.File, error) {
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

// makeRaw turns off echo, translation and line editing: cfmakeraw of termios(3).
func makeRaw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, getTermios)
	if err != nil {
		return err
	}
	t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
	t.Oflag &^= unix.OPOST
	t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
	t.Cflag &^= unix.CSIZE | unix.PARENB
	t.Cflag |= unix.CS8
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, setTermios, t)
}

// read waits for bytes written to the slave; it fails once closed.
func (t *terminal) read(p []byte) (int, error) { return t.master.Read(p) }

// write passes bytes to the slave without waiting, and says how many went: what
// finds no room is lost, as on a line that nobody reads.
func (t *terminal) write(p []byte) (n int) {
	c, err := t.master.SyscallConn()
	if err != nil {
		return 0 // closed
	}
	_ = c.Write(func(fd uintptr) bool { // fails only when closed
		n, _ = unix.Write(int(fd), p)
		return true // never wait for room
	})
	return max(n, 0)
}

// discardOver empties the slave's input when more than limit bytes wait there.
// A system that cannot tell keeps them.
func (t *terminal) discardOver(limit int) {
	fd := int(t.slave.Fd())
	if n, err := unix.IoctlGetInt(fd, inputBytes); err == nil && n > limit {
		_ = flushInput(fd)
	}
}

// speed is that to which a reader has set the terminal, bit/s. Data bits and
// parity cannot be known: a pseudo-terminal has eight and none whatever is set.
func (t *terminal) speed() (int, error) {
	s, err := unix.IoctlGetTermios(int(t.slave.Fd()), getSpeed)
	if err != nil {
		return 0, err
	}
	return int(s.Ospeed), nil
}

func (t *terminal) close() error {
	err := t.slave.Close()
	if t.master != nil {
		err = errors.Join(err, t.master.Close())
	}
	return err
}
