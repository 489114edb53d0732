//go:build linux

package acquire

import (
	"context"
	"errors"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

const shortWindow = 150 * time.Millisecond

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
	twin   = fakeFormat("twin", "2400 8N1", '<', '>')
)

func scpiLike() drivers.Format {
	var made atomic.Int32
	f := asking(&made)
	f.Name = "scpi"
	return f
}

func TestRecogniseListens(t *testing.T) {
	for _, c := range []struct {
		name    string
		formats []drivers.Format
		frame   string
		want    drivers.Format
		atLeast float64
		atMost  float64
		guesses int
	}{
		{"first setting", []drivers.Format{angle, square, scpiLike()}, "<0382>", angle, 0.9, 1, 1},
		// A pty lets bytes through at any setting; the usual one is to be named.
		{"second setting", []drivers.Format{angle, square}, "[0382]", square, 0.9, 1, 1},
		{"two that cannot be told apart", []drivers.Format{twin, angle}, "<0382>", angle, 0.4, 0.5, 2},
		// The noise comes as regularly as the frames; only the decoder can tell.
		{"a byte of noise a frame", []drivers.Format{angle, square}, "<0382>.", angle, 0.45, 0.6, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			link := filepath.Join(t.TempDir(), "k1")
			master := plug(t, link)
			quit := make(chan struct{})
			talk(master, quit, []byte(c.frame))
			got, err := recognise(t.Context(), link, c.formats, shortWindow)
			close(quit)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != c.guesses {
				t.Fatalf("guesses %+v, want %d", got, c.guesses)
			}
			g := got[0]
			if g.Format.Name != c.want.Name || g.Line != c.want.Line || g.Confidence < c.atLeast || g.Confidence > c.atMost {
				t.Errorf("guess %s at %q, confidence %.3f; want %s at %q, %.2f to %.2f",
					g.Format.Name, g.Line, g.Confidence, c.want.Name, c.want.Line, c.atLeast, c.atMost)
			}
			unasked(t, link, master)
		})
	}
}

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
		if c, err := l.Accept(); err == nil {
			talk(c, quit, []byte("[0382]"))
		}
	}()
	got, err := recognise(t.Context(), "tcp://"+l.Addr().String(), []drivers.Format{angle, square}, shortWindow)
	if err != nil || len(got) != 1 || got[0].Format.Name != "square" || got[0].Line != square.Line {
		t.Errorf("guesses %+v, %v", got, err)
	}
}

func TestRecogniseAsks(t *testing.T) {
	for _, c := range []struct {
		name, answer string
		confidence   float64
	}{
		{"four fields", "HOUSE,BENCH METER,0,1.2\n", 0.95},
		{"some text", "ready\r\n", 0.5},
		{"an echo", "*IDN?\n", 0},
		{"no text", "\xfe\x01\n", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			link := filepath.Join(t.TempDir(), "k1")
			answer(plug(t, link), func(q string) string {
				if q != "*IDN?" {
					t.Errorf("asked %q", q)
				}
				return c.answer
			})
			got, err := recognise(t.Context(), link, []drivers.Format{angle, scpiLike()}, 10*time.Millisecond)
			if c.confidence == 0 {
				if !errors.Is(err, ErrUnrecognised) {
					t.Errorf("guesses %+v, %v", got, err)
				}
				return
			}
			if err != nil || len(got) != 1 || got[0].Confidence != c.confidence || got[0].Format.Name != "scpi" || got[0].Line != "9600 8N1" {
				t.Errorf("guesses %+v, %v", got, err)
			}
		})
	}
}

func TestRecogniseNothing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	link := filepath.Join(dir, "k1")
	master := plug(t, link)

	_, err := recognise(t.Context(), link, []drivers.Format{angle, square}, 10*time.Millisecond)
	want := link + ": nothing is heard: is the meter on, and its data output switched on?"
	if !errors.Is(err, ErrUnrecognised) || err.Error() != want {
		t.Errorf("silence: %v, want %s", err, want)
	}

	quit := make(chan struct{})
	talk(master, quit, []byte("\x80\x81"))
	_, err = recognise(t.Context(), link, []drivers.Format{angle, square, scpiLike()}, shortWindow)
	close(quit)
	if !errors.Is(err, ErrUnrecognised) || !strings.Contains(err.Error(), " bytes heard, but no frame of angle, square: is the line setting a usual one?") {
		t.Errorf("noise: %v", err)
	}
	unasked(t, link, master)

	if _, err = recognise(t.Context(), filepath.Join(dir, "none"), []drivers.Format{angle}, shortWindow); err == nil || errors.Is(err, ErrUnrecognised) {
		t.Errorf("missing port: %v", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	begun := time.Now()
	if _, err = Recognise(ctx, link, []drivers.Format{angle}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("ended by ctx: %v", err)
	}
	if took := time.Since(begun); took > time.Second {
		t.Errorf("ended %v after the start", took)
	}
}

func TestFramed(t *testing.T) {
	for _, c := range []struct {
		name  string
		ends  []int
		total int
		want  float64
	}{
		{"back to back", []int{14, 28, 42}, 42, 1},
		{"cut at both ends", []int{27, 41, 55}, 68, 1},
		{"a whole frame of noise before", []int{28, 42}, 42, 28.0 / 29},
		{"half noise between", []int{10, 30, 50, 60}, 60, 40.0 / 60},
		{"long tail", []int{10, 20}, 49, 20.0 / 40},
		{"one frame", []int{14}, 27, 1},
		{"one frame, then noise", []int{14}, 55, 14.0 / 42},
		{"two readings of a byte", []int{14, 14}, 14, 0},
	} {
		if got := framed(c.ends, c.total); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
