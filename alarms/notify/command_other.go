//go:build !unix

package notify

import "os/exec"

// ownGroup does nothing here: the command itself is killed, what it started is not.
func ownGroup(*exec.Cmd) {}
