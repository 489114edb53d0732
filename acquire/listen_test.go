//go:build linux

package acquire

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

func TestListen(t *testing.T) {
	link := filepath.Join(t.TempDir(), "k1")
	master := plug(t, link)
	quit := make(chan struct{})
	defer close(quit)
	talk(master, quit, []byte("<0382>"))
	var got []drivers.Reading
	var last time.Duration
	err := Listen(t.Context(), link, angle, "", drivers.Settings{}, func(at time.Duration, r drivers.Reading) bool {
		if at < last || at%time.Millisecond != 0 {
			t.Errorf("reading at %v after one at %v", at, last)
		}
		last = at
		got = append(got, r)
		return len(got) < 3
	})
	want := slices.Repeat([]drivers.Reading{millivolts(382)}, 3)
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("Listen: %v, %v; want %v", got, err, want)
	}
}

func TestListenAsks(t *testing.T) {
	link := filepath.Join(t.TempDir(), "k1")
	answer(plug(t, link), func(q string) string { return q + "\n" })
	var made atomic.Int32
	n := 0
	err := Listen(t.Context(), link, asking(&made), "9600 8N1", drivers.Settings{"channel": "7", "timeout": "1m"},
		func(_ time.Duration, r drivers.Reading) bool {
			if n++; r != millivolts(7) {
				t.Errorf("reading %v", r)
			}
			return n < 2
		})
	if err != nil || n != 2 {
		t.Errorf("Listen: %d readings, %v", n, err)
	}
}

// One who has heard enough leaves the meter as one does who is interrupted.
func TestListenLeaves(t *testing.T) {
	link := filepath.Join(t.TempDir(), "k1")
	left := make(chan struct{})
	answer(plug(t, link), func(q string) string {
		if q == "bye" {
			close(left)
		}
		return "382\n"
	})
	f := drivers.Format{Name: "polite", NewAsker: func(drivers.Settings) (drivers.Asker, error) {
		return polite{fakeAsker{"1", time.Minute}}, nil
	}}
	if err := Listen(t.Context(), link, f, "9600 8N1", nil, func(time.Duration, drivers.Reading) bool { return false }); err != nil {
		t.Fatal(err)
	}
	select {
	case <-left:
	case <-time.After(5 * time.Second):
		t.Error("the meter was not left")
	}
}

func TestListenEnds(t *testing.T) {
	never := func(_ time.Duration, r drivers.Reading) bool {
		t.Errorf("reading %v", r)
		return false
	}
	dir := t.TempDir()
	if err := Listen(t.Context(), filepath.Join(dir, "none"), angle, "", drivers.Settings{}, never); err == nil ||
		!strings.Contains(err.Error(), "no such device") {
		t.Errorf("missing port: %v", err)
	}
	link := filepath.Join(dir, "k1")
	plug(t, link)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := Listen(ctx, link, angle, "", drivers.Settings{}, never); err != nil {
		t.Errorf("silence until ctx ended: %v", err)
	}
	link = filepath.Join(dir, "k2")
	gone := plug(t, link)
	quit := make(chan struct{})
	talk(gone, quit, fakeFrame(382))
	err := Listen(t.Context(), link, angle, "", drivers.Settings{}, func(time.Duration, drivers.Reading) bool {
		if quit != nil {
			close(quit)
			quit = nil
			gone.Close()
		}
		return true
	})
	if !errors.Is(err, port.ErrGone) {
		t.Errorf("port that vanished: %v", err)
	}
}

func TestListenHints(t *testing.T) {
	l := listener{spec: "/dev/k1", format: "angle", line: "2400 8N1"}
	if err := l.progress(0, nil); err != nil {
		t.Errorf("in silence: %v", err)
	}
	if err := l.progress(400, nil); err != nil {
		t.Errorf("at the first bytes: %v", err)
	}
	l.Rejected(0, drivers.Noise, 30)
	l.Rejected(0, drivers.BadDigit, 2)
	for range 3 { // a line an hour, of which the first may have been cut
		l.lastByte = l.lastByte.Add(-time.Hour)
		if err := l.progress(3, nil); err != nil {
			t.Errorf("too soon: %v", err)
		}
	}
	l.lastByte = l.lastByte.Add(-time.Hour)
	err := l.progress(3, nil)
	const hint = `/dev/k1: bytes arrive but no frame fits angle at 2400 8N1: seen 412 bytes (rejected: 30 noise, 2 digit)`
	if !errors.Is(err, ErrUnrecognised) || err.Error() != hint {
		t.Errorf("after 2 s of bytes: %v, want %s", err, hint)
	}
	l.emit = func(time.Duration, drivers.Reading) bool { return true }
	l.Reading(0, millivolts(1))
	if err := l.progress(12, nil); err != nil {
		t.Errorf("after a frame: %v", err)
	}

	l = listener{spec: "/dev/k1", format: "asking", line: "9600 8N1"}
	reply := &drivers.Reply{Reason: drivers.NoReply, Err: errors.New("no answer in 2 s")}
	for range renewAfter - 1 {
		l.Rejected(0, drivers.NoReply, 1)
		if err := l.progress(0, reply); err != nil {
			t.Errorf("too soon: %v", err)
		}
	}
	l.Rejected(0, drivers.NoReply, 1)
	err = l.progress(0, reply)
	const unanswered = "/dev/k1: 5 questions in format asking, no proper answer (rejected: 5 timeout); the last: no answer in 2 s"
	if !errors.Is(err, ErrUnrecognised) || !errors.Is(err, reply) || err.Error() != unanswered {
		t.Errorf("after five questions: %v, want %s", err, unanswered)
	}
}
