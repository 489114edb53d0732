//go:build linux || darwin

package emulate

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"nightsoak/acquire/port"
)

// The relay board, over the real serial library: told to drop, it answers, and
// the amplifier goes off; noise and half a command do nothing.
func TestRelay(t *testing.T) {
	amp, err := NewAmp(Config{})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "relay")
	r, err := NewRelay(amp, path)
	if err != nil {
		t.Fatal(err)
	}
	c, err := port.Open(t.Context(), path, "9600 8N1")
	if err != nil {
		t.Fatal(err)
	}
	if err := c.SetReadTimeout(5 * time.Second); err != nil {
		t.Fatal(err)
	}
	amp.At(20 * time.Minute)
	if _, err := c.Write([]byte("noise\rDROPPED\rDRO")); err != nil {
		t.Fatal(err)
	}
	if s := amp.At(21 * time.Minute); s.HT < 455 {
		t.Fatalf("HT %.0f V after noise", s.HT)
	}
	if _, err := c.Write([]byte("P\r")); err != nil {
		t.Fatal(err)
	}
	var got []byte
	for len(got) < len("DROPPED\r") {
		buf := make([]byte, 16)
		n, err := c.Read(buf)
		if err != nil || n == 0 {
			t.Fatalf("%q, then %v", got, err)
		}
		got = append(got, buf[:n]...)
	}
	if string(got) != "DROPPED\r" {
		t.Errorf("it answers %q", got)
	}
	// HT and currents fall by half within ten seconds, the supply stays charged
	// for a while, and in the end is low; nothing rises again.
	from := 21 * time.Minute
	if s := amp.At(from + 10*time.Second); s.HT > 300 || s.HT < 60 || s.Sockets[V5].Current > 0.020 {
		t.Errorf("10 s after the drop: HT %.0f V, V5 %.1f mA", s.HT, 1000*s.Sockets[V5].Current)
	}
	before := amp.At(from + 11*time.Second).HT
	for d := 12 * time.Second; d < 5*time.Minute; d += time.Second {
		if now := amp.At(from + d).HT; now > before {
			t.Fatalf("HT rises from %.1f to %.1f V %v after the drop", before, now, d)
		} else {
			before = now
		}
	}
	if before > 10 {
		t.Errorf("5 min after the drop HT stands at %.1f V", before)
	}
	if err := c.Close(); err != nil {
		t.Error(err)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(path); !os.IsNotExist(err) {
		t.Errorf("its path is still there: %v", err)
	}
}
