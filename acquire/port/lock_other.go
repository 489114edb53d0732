//go:build !(linux || darwin || freebsd || openbsd)

package port

import "os"

// hasDevices says that ports are device files.
const hasDevices = false

// lock is nothing here: the system itself opens a port only once.
type lock struct{}

func takeLock(string) (*lock, error) { return &lock{}, nil }

func (*lock) release() {}

func (*lock) admit() error { return nil }

func (*lock) file(string) *os.File { return nil }

func owner(string) string { return "ask the administrator for the right to use this port" }
