//go:build servers && linux

package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// onSmallDisk has the bench keep its data on a disk of 4 MB of its own, which
// needs root, and is where. fill fills it.
func onSmallDisk(t *testing.T, b *textBench) (dir string, fill func()) {
	t.Helper()
	dir = t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=4m"); err != nil {
		t.Fatalf("mount: %v: run this as root, where mounting is allowed", err)
	}
	t.Cleanup(func() { unix.Unmount(dir, unix.MNT_DETACH) })
	text, err := os.ReadFile(b.files[2])
	if err == nil {
		err = os.WriteFile(b.files[2], []byte(strings.Replace(string(text), b.dir, dir, 1)), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	return dir, func() {
		if err := os.WriteFile(filepath.Join(dir, "fill"), make([]byte, 8<<20), 0o600); !errors.Is(err, unix.ENOSPC) {
			t.Fatalf("the disk is not full: %v", err)
		}
	}
}

// The rows "disk full" of the table in cutoff_faults_test.go.
func TestCutoffDiskFull(t *testing.T) {
	t.Run("bytes", func(t *testing.T) {
		y := newBoard(t)
		b := newTextBench(t, 3, cutoffBytes(y.tty, ""))
		dir, fill := onSmallDisk(t, b)
		s := start(t, b.files...)
		s.cutUntil(t, "HT up", 10*time.Second, armedAndUp)
		fill()
		s.cutUntil(t, "record-failing", 30*time.Second, recordFails)
		overLimit(t, b, s, y)
		if kept, err := os.ReadFile(filepath.Join(dir, "cutoff.json")); err != nil || !bytes.Contains(kept, []byte(`"state":"cut"`)) {
			t.Errorf("%v: %.100s", err, kept)
		}
		kill(t, s, syscall.SIGKILL)
		if err := os.Remove(filepath.Join(dir, "fill")); err != nil {
			t.Fatal(err)
		}
		s = start(t, b.files...) // there is room again, and it is still cut
		s.cutUntil(t, "cut", 5*time.Second, isCut)
		s.stop(t)
	})
	t.Run("line", func(t *testing.T) {
		l := newLineServer(t)
		b := newTextBench(t, 3, cutoffLine(l))
		_, fill := onSmallDisk(t, b)
		s := start(t, b.files...)
		s.cutUntil(t, "HT up", 10*time.Second, armedAndUp)
		l.pulsing(t, s)
		fill()
		s.cutUntil(t, "record-failing", 30*time.Second, recordFails)
		l.pulsing(t, s) // a record that fails is no reason to drop, unless "when" names it
		b.shows[0].Store(tooMuch)
		at := b.show(0)
		took := gap(at, l.still(t, 500*time.Millisecond))
		t.Logf("last edge %v after the reading", took)
		if took > dropsWithin {
			t.Errorf("edges until %v after the reading", took)
		}
		s.cutUntil(t, "said to be cut", 5*time.Second, isCut)
	})
}
