package emulate

import "golang.org/x/sys/unix"

const (
	getTermios = unix.TIOCGETA
	setTermios = unix.TIOCSETA
	getSpeed   = unix.TIOCGETA
	inputBytes = 0x4004667f // FIONREAD of sys/filio.h
)

func flushInput(fd int) error {
	const fread = 1 // FREAD of sys/fcntl.h: the input queue
	return unix.IoctlSetPointerInt(fd, unix.TIOCFLUSH, fread)
}
