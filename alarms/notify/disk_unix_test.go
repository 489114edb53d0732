//go:build unix

package notify

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"nightsoak/alarms"
)

// A disk that does not answer, here a pipe that nobody reads, keeps no alarm
// back for longer than its patience, and is said.
func TestDiskHangs(t *testing.T) {
	dir := t.TempDir()
	fifo := filepath.Join(dir, "a.json.new")
	if err := syscall.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	h := newHouse(t, dir, channelNamed("a"))
	h.alarm("record-failing/north", alarms.High, un)
	for end := time.Now().Add(2 * time.Minute); len(h.senders["a"].titles()) == 0 || h.notice("notify-disk/a") == ""; {
		if time.Now().After(end) {
			t.Fatalf("not told: %q, notice %q", h.senders["a"].titles(), h.notice("notify-disk/a"))
		}
		time.Sleep(5 * time.Millisecond) // polled: the pipe is real
	}
	if n := h.notice("notify-disk/a"); !strings.Contains(n, "has not answered for 1s") {
		t.Errorf("notice %q", n)
	}
	r, err := os.OpenFile(fifo, os.O_RDONLY|syscall.O_NONBLOCK, 0) // it answers again
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	h.close()
}
