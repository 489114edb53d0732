//go:build unix

package cutoff

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
)

func TestCommand(t *testing.T) {
	file := filepath.Join(t.TempDir(), "a file; rm x $(x)")
	for _, c := range []struct {
		argv []string
		want string // of the error; empty for none
	}{
		{[]string{"touch", file}, ""}, // no shell reads it
		{[]string{"sh", "-c", "echo no relay >&2; exit 3"}, "command sh: exit status 3: no relay"},
		{[]string{"sh", "-c", "sleep 60"}, "command sh: not done in time"},
		{[]string{"sh", "-c", "sleep 60 & exit 0"}, "command sh: exec: WaitDelay"},
		{[]string{"/no/such/relay"}, "no such file"},
	} {
		w := mustWay(t, &bench.Cutoff{By: "command", Command: c.argv})
		began := time.Now()
		err := w.drop(within(t, time.Second))
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%q: %v, want %q", c.argv, err, c.want)
		}
		if took := time.Since(began); took > 10*time.Second {
			t.Errorf("%q took %v", c.argv, took)
		}
	}
	if _, err := os.Stat(file); err != nil {
		t.Error(err)
	}
	if err := mustWay(t, &bench.Cutoff{By: "command", Command: []string{"/no/such/relay"}}).ready(t.Context()); err == nil {
		t.Error("a program that is not there is ready")
	}
}
