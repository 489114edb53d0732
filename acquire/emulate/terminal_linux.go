package emulate

import "golang.org/x/sys/unix"

const (
	getTermios = unix.TCGETS
	setTermios = unix.TCSETS
	getSpeed   = unix.TCGETS2 // TCGETS leaves the speed in a code
	inputBytes = unix.TIOCINQ
)

func flushInput(fd int) error { return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIFLUSH) }
