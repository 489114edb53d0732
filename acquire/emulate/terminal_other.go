//go:build !linux && !darwin

package emulate

import (
	"errors"
	"runtime"
)

type terminal struct{ name string }

func openTerminal() (*terminal, error) {
	return nil, errors.New("no pseudo-terminals on this system (" + runtime.GOOS + "): the emulated bench needs Linux or macOS")
}

func (*terminal) read([]byte) (int, error) { return 0, errors.ErrUnsupported }
func (*terminal) write([]byte) int         { return 0 }
func (*terminal) discardOver(int)          {}
func (*terminal) speed() (int, error)      { return 0, errors.ErrUnsupported }
func (*terminal) close() error             { return nil }
