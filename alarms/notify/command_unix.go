//go:build unix

package notify

import (
	"os/exec"
	"syscall"
)

// ownGroup gives the command a process group of its own, killed as a whole when
// the command's context is done.
func ownGroup(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
}
