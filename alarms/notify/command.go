package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"time"

	"nightsoak/acquire/bench"
)

// command runs a program with the message as JSON on its input. There is no
// shell. When its time is over, it and all it started are killed; what it leaves
// running when it ends by itself, a sound perhaps, goes on.
type command struct {
	program string
	args    []bench.Secret // may well be
}

func newCommand(argv []string) *command {
	c := &command{program: argv[0]}
	for _, a := range argv[1:] {
		c.args = append(c.args, bench.NewSecret(a))
	}
	return c
}

func (c *command) send(ctx context.Context, m *message) error {
	in, err := m.json()
	if err != nil {
		return notTaken(err.Error())
	}
	var args []string
	var hidden []bench.Secret
	for _, a := range c.args {
		args = append(args, a.Reveal())
		if len(a.Reveal()) >= 3 { // shorter ones would hide half of every word
			hidden = append(hidden, a)
		}
	}
	cmd := exec.CommandContext(ctx, c.program, args...)
	said := &head{left: maxError}
	cmd.Stdin, cmd.Stderr = bytes.NewReader(append(in, '\n')), said
	cmd.WaitDelay = time.Second // for pipes that something it started still holds
	ownGroup(cmd)
	if err := cmd.Start(); err != nil {
		return notTaken(scrub(err, hidden))
	}
	err = cmd.Wait()
	switch {
	case err == nil:
		return nil
	case errors.Is(err, exec.ErrWaitDelay) && cmd.ProcessState.Success():
		return nil // it has done its work, and left something running
	case ctx.Err() != nil:
		return fmt.Errorf("%s was killed: its time was over", filepath.Base(c.program))
	}
	return errors.New(scrub(fmt.Errorf("%s: %w: %s", filepath.Base(c.program), err, said.Bytes()), hidden))
}

// head keeps the beginning of what is written to it.
type head struct {
	bytes.Buffer
	left int
}

func (h *head) Write(b []byte) (int, error) {
	n := min(len(b), h.left)
	h.Buffer.Write(b[:n])
	h.left -= n
	return len(b), nil
}
