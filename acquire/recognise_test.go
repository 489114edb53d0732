//go:build linux

package acquire

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

// talk writes frame every 2 ms until quit.
func talk(w interface{ Write([]byte) (int, error) }, quit <-chan struct{}, frame []byte) {
	go func() {
		tick := time.NewTicker(2 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-quit:
				return
			case <-tick.C:
				if _, err := w.Write(frame); err != nil {
					return
				}
			}
		}
	}()
}

// unasked fails the test if anything was sent to the master: the first that
// comes must be what unasked sends itself.
func unasked(t *testing.T, link string, master *os.File) {
	t.Helper()
	c, err := port.Open(t.Context(), link, angle.Line)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Write([]byte("end")); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 64)
	if n, err := master.Read(buf); err != nil || string(buf[:n]) != "end" {
		t.Errorf("sent to a port that talks: %q, %v", buf[:n], err)
	}
}

var (
	square = fakeFormat("square", "19200 7O1", '[', ']')
	either = []drivers.Format{angle, square}
)

// A stream without pauses, on a pseudo-terminal that hands over seven bits at
// whatever setting: the format's own is named.
func TestRecogniseAnySetting(t *testing.T) {
	t.Parallel()
	link := filepath.Join(t.TempDir(), "k1")
	master := plug(t, link)
	quit := make(chan struct{})
	talk(master, quit, []byte("[0382]"))
	got, err := Recognise(t.Context(), link, either, nil)
	close(quit)
	if err != nil || len(got) != 1 || got[0].Format.Name != "square" || got[0].Line != square.Line || got[0].Confidence < sure || got[0].Frames < 2 {
		t.Errorf("guesses %+v, %v", got, err)
	}
	unasked(t, link, master)
}

// A TCP port has no line setting, and is listened to once.
func TestRecogniseTCP(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	quit := make(chan struct{})
	defer close(quit)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			talk(c, quit, []byte("[0382]"))
		}
	}()
	got, err := Recognise(t.Context(), "tcp://"+l.Addr().String(), either, nil)
	if err != nil || len(got) != 1 || got[0].Format.Name != "square" || got[0].Line != square.Line {
		t.Errorf("guesses %+v, %v", got, err)
	}
}

func TestRecogniseEnds(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if _, err := Recognise(t.Context(), filepath.Join(dir, "none"), either, nil); err == nil || errors.Is(err, ErrUnrecognised) {
		t.Errorf("missing port: %v", err)
	}
	link := filepath.Join(dir, "k1")
	plug(t, link)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	var steps []string
	begun := time.Now()
	if _, err := Recognise(ctx, link, either, func(step string) { steps = append(steps, step) }); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("ended by ctx: %v", err)
	}
	if took := time.Since(begun); took > brief/2 {
		t.Errorf("ended %v after the start", took)
	}
	if s := strings.Join(steps, "; "); s != "listening at 2400 8N1" {
		t.Errorf("steps %q", s)
	}
}

// The bits that a format is said to demand are those with which chance meets
// its demands: of characters drawn at random as many make a frame as foretold.
func TestDemands(t *testing.T) {
	const letters, frames = "<>0123456789", 2000
	random := rand.New(rand.NewPCG(3, 4))
	bits, length := demands(angle, []byte("<0382>"), []byte(strings.Repeat(letters, 10000)))
	// '<' and '>' are one letter of twelve each, four digits ten of twelve each.
	if want := 2*math.Log2(12) + 4*math.Log2(1.2); length != fakeLen || math.Abs(bits-want) > 0.001 {
		t.Errorf("%v bits in %d bytes, want %v in %d", bits, length, want, fakeLen)
	}
	stream := make([]byte, int(frames*math.Exp2(bits)))
	for i := range stream {
		stream[i] = letters[random.IntN(len(letters))]
	}
	made := weighOne(angle, stream).frames
	if off := float64(made-frames) / math.Sqrt(frames); math.Abs(off) > 4 {
		t.Errorf("%d frames by chance, %d foretold: off by %.1f standard deviations", made, frames, off)
	}
}

// What evidence is worth, against chance worked out by hand for few bytes.
func TestEvidence(t *testing.T) {
	for _, c := range []struct {
		name, bytes string
		frames      int
		stray       float64
	}{
		{"back to back", "<0382><0383><0384>", 3, 0},
		{"begun in mid-frame", "82><0383><0384>", 2, 0},
		{"cut at the end", "<0382><0383><03", 2, 3},
		{"a byte of noise a frame", "<0382>.<0383>.<0384>", 3, 2},
		{"more noise than a frame had lost", "#######<0382>", 1, 2},
		{"no frame", "<038><0>", 0, 0},
	} {
		e := weighOne(angle, []byte(c.bytes))
		if e.frames != c.frames {
			t.Errorf("%s: %d frames, want %d", c.name, e.frames, c.frames)
		}
		if e.frames == 0 {
			continue
		}
		end := strings.LastIndex(c.bytes, ">") + 1
		bits, _ := demands(angle, []byte(c.bytes)[end-fakeLen:end], []byte(c.bytes))
		n, m := float64(e.frames), c.stray
		choices := (n + m + 1) * math.Gamma(n+m+1) / math.Gamma(n+1) / math.Gamma(m+1)
		if want := n*bits - math.Log2(choices); math.Abs(e.score-want) > 1e-9 {
			t.Errorf("%s: %v bits, want %v", c.name, e.score, want)
		}
		if want := fakeLen * n / (fakeLen*n + m); math.Abs(e.share-want) > 1e-9 {
			t.Errorf("%s: share %v, want %v", c.name, e.share, want)
		}
	}
}
