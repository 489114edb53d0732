// Package drivertest holds what the tests of the formats that listen share.
package drivertest

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"nightsoak/drivers"
)

var update = flag.Bool("update", false, "write the captures of the golden frames")

// Table is a format, and how its tables write a frame.
type Table struct {
	drivers.Format
	Bytes func(frame string) []byte
	// Seal, of a format with a checksum, sets that of a frame right. Without it
	// Golden would take every change for a broken frame, and find nothing lacking.
	Seal func(frame []byte)
}

// Show is a reading as a capture's expectation writes it: figure, unit, flags.
func Show(r drivers.Reading) string {
	return strings.TrimSpace(r.Text() + " " + r.Unit() + " " + r.Flags.String())
}

// Decode feeds p to a new decoder in pieces of the given size.
func (x Table) Decode(p []byte, size int) (readings []string, rejects drivers.Rejects) {
	d := x.Plain()
	for piece := range slices.Chunk(p, size) {
		d.Feed(piece, func(r drivers.Reading) { readings = append(readings, Show(r)) })
	}
	return readings, d.Rejects()
}

// Good is a frame and how it reads. Like Exact, Bad and Stream it is an alias,
// so that tables in other packages need no field names.
type Good = struct{ Want, Frame string }

// Golden checks that each frame reads as it should, also when listening begins
// within the frame before it, that the frames cover the format, and that its
// capture holds them all.
func (x Table) Golden(t *testing.T, frames []Good) {
	t.Helper()
	var hex, want strings.Builder
	for _, tt := range frames {
		p := x.Bytes(tt.Frame)
		got, rejects := x.Decode(p, len(p))
		if !slices.Equal(got, []string{tt.Want}) || rejects.Total() != 0 {
			t.Errorf("frame %q reads %q and rejects %v, want %q", tt.Frame, got, rejects, tt.Want)
		}
		// A display that stands sends the same bytes over and over: whatever looks
		// like a frame across two of them must not hide those that are.
		for i := 1; i < len(p); i++ {
			got, _ := x.Decode(slices.Concat(p[i:], p, p, p), 1)
			if len(got) < 3 || slices.ContainsFunc(got[len(got)-3:], func(s string) bool { return s != tt.Want }) {
				t.Errorf("frame %q, repeated and joined at its byte %d, reads %q, want three times %q", tt.Frame, i+1, got, tt.Want)
			}
		}
		fmt.Fprintf(&hex, "% X  # %s\n", p, tt.Want)
		fmt.Fprintln(&want, tt.Want)
	}
	x.covered(t, frames)
	Every(t, x.Format, "hex", hex.String(), want.String())
}

// Every checks that the format's capture every-symbol is this text, and its
// expectation that, so that the golden frames travel through whatever replays
// captures. Both come from the test's table and never from the decoder; the
// flag -update writes them.
func Every(t *testing.T, f drivers.Format, ext, text, want string) {
	t.Helper()
	text = fmt.Sprintf(`# format:  %s
# line:    %s
# source:  written out in the test of the format (%s), not taken from a meter
# display: every function, prefix, decimal place, sign, flag and overload that the format carries
%s`, f.Name, f.Line, f.Source, text)
	for ext, text := range map[string]string{ext: text, "want": want} {
		name := "../../testdata/captures/" + f.Name + "/every-symbol." + ext
		if *update {
			if err := errors.Join(os.MkdirAll(filepath.Dir(name), 0o777), os.WriteFile(name, []byte(text), 0o666)); err != nil {
				t.Fatal(err)
			}
		}
		if b, err := os.ReadFile(name); err != nil || string(b) != text {
			t.Errorf("%s is not as the test's table: run \"go test ./drivers/%s -update\", and read the difference (%v)", name, f.Name, err)
		}
	}
}

// feature is something that a frame has, as the words of a message.
type feature struct {
	what string
	a, b int
}

// covered looks for what the table lacks: no frame that differs from a golden
// one in a single byte has a bit set or clear, or shows a unit, a flag, a number
// of decimal places, or a digit in some place, that no golden frame has.
func (x Table) covered(t *testing.T, frames []Good) {
	t.Helper()
	shown := map[feature]bool{}
	for _, tt := range frames {
		x.features(x.Bytes(tt.Frame), func(f feature) { shown[f] = true })
	}
	lacking := map[feature]bool{}
	for _, tt := range frames {
		p := x.Bytes(tt.Frame)
		for i, was := range p {
			for c := range 256 {
				p[i] = byte(c)
				if x.Seal != nil {
					x.Seal(p)
				}
				x.features(p, func(f feature) {
					if !shown[f] && !lacking[f] {
						lacking[f] = true
						t.Errorf("no golden frame has %v, as does %q with byte %d made %02X", f, tt.Frame, i+1, c)
					}
				})
			}
			p[i] = was
			if x.Seal != nil {
				x.Seal(p)
			}
		}
	}
}

// features tells what a frame has, if it reads.
func (x Table) features(p []byte, tell func(feature)) {
	x.Plain().Feed(p, func(r drivers.Reading) {
		tell(feature{"the unit " + r.Unit(), 0, 0})
		for bit := range 16 {
			if flag := r.Flags & (1 << bit); flag != 0 {
				tell(feature{flag.String(), 0, 0})
			}
		}
		for i, c := range p {
			for bit := range 7 { // the eighth may be parity
				tell(feature{"byte and bit", i + 1, bit<<1 | int(c>>bit&1)})
			}
		}
		if !r.HasValue() {
			return
		}
		tell(feature{"decimal places", int(r.Prefix - r.Exp), 0})
		if r.Digits < 0 {
			tell(feature{"a minus", 0, 0})
		}
		place := 1
		for left := max(r.Digits, -r.Digits); left > 0; left /= 10 {
			tell(feature{"digit and its place from the right", int(left % 10), place})
			place++
		}
	})
}

// Exact is a frame and all parts of its reading, shown or not.
type Exact = struct {
	Frame string
	Want  drivers.Reading
}

// ReadsExactly checks that each frame gives the very reading.
func (x Table) ReadsExactly(t *testing.T, frames []Exact) {
	t.Helper()
	for _, tt := range frames {
		var got []drivers.Reading
		x.Plain().Feed(x.Bytes(tt.Frame), func(r drivers.Reading) { got = append(got, r) })
		if !slices.Equal(got, []drivers.Reading{tt.Want}) {
			t.Errorf("frame %q reads %#v, want %#v", tt.Frame, got, tt.Want)
		}
	}
}

// Bad is a whole frame that is no reading.
type Bad = struct{ Name, Frame string }

// Rejected checks that each frame is rejected, once and for that reason.
func (x Table) Rejected(t *testing.T, why drivers.Reason, frames []Bad) {
	t.Helper()
	for _, tt := range frames {
		x.Streams(t, "", []Stream{{tt.Name, x.Bytes(tt.Frame), 0, Rejects(why, 1)}})
	}
}

// Rejects are n of one reason.
func Rejects(why drivers.Reason, n uint64) (r drivers.Rejects) {
	r[why] = n
	return r
}

// Stream is bytes, how many good frames are read from them, and what is rejected.
type Stream = struct {
	Name    string
	In      []byte
	Good    int
	Rejects drivers.Rejects
}

// Streams checks that each reads so, in whatever pieces it comes. A good frame
// reads as good.
func (x Table) Streams(t *testing.T, good string, streams []Stream) {
	t.Helper()
	for _, tt := range streams {
		t.Run(x.Name+"/"+tt.Name, func(t *testing.T) {
			want := slices.Repeat([]string{good}, tt.Good)
			for size := range min(len(tt.In), 32) {
				got, rejects := x.Decode(tt.In, size+1)
				if !slices.Equal(got, want) || rejects != tt.Rejects {
					t.Fatalf("%q in pieces of %d reads %q and rejects %v, want %q and %v", tt.In, size+1, got, rejects, want, tt.Rejects)
				}
			}
		})
	}
}

// Fuzz checks that nothing panics or allocates, and that it makes no difference
// how the bytes are cut into pieces. The good frame and the golden ones are
// seeds, the good one broken in several ways too.
func (x Table) Fuzz(f *testing.F, good Good, frames []Good, seeds ...[]byte) {
	p := x.Bytes(good.Frame)
	f.Add(p)
	f.Add(slices.Concat(p[3:], p, p[:9], p))
	f.Add(slices.Concat(p[:7], p[6:], p[:len(p)-1], p, p[:len(p)-2], p))
	f.Add(slices.Concat(p[:7], []byte{0x00}, p[7:], []byte("38.2 mV\r\n"), p))
	for _, tt := range frames {
		f.Add(x.Bytes(tt.Frame))
	}
	for _, p := range seeds {
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		whole, rejects := x.Decode(in, max(1, len(in)))
		single, rejectsSingle := x.Decode(in, 1)
		if !slices.Equal(whole, single) || rejects != rejectsSingle {
			t.Errorf("%q in one piece: %q, %v; byte by byte: %q, %v", in, whole, rejects, single, rejectsSingle)
		}
		if n := uint64(len(whole)) + rejects[drivers.BadDigit] + rejects[drivers.BadStatus]; n > uint64(len(in)/len(p)) {
			t.Errorf("%q holds %d frames, more than fit", in, n)
		}
		d := x.Plain()
		if allocs := testing.AllocsPerRun(5, func() { d.Feed(in, func(drivers.Reading) {}) }); allocs != 0 {
			t.Errorf("%q: %v allocations, want none", in, allocs)
		}
	})
}

// Nibbles turns low nibbles, written bit by bit, into the bytes of a frame that
// numbers them in its high nibbles.
func Nibbles(nibbles string) (b []byte) {
	for i, low := range strings.Fields(nibbles) {
		c := byte(i+1) << 4
		for j, bit := range low {
			c |= byte(bit-'0') << (3 - j)
		}
		b = append(b, c)
	}
	return b
}

// Line is a frame that is text.
func Line(frame string) []byte { return []byte(frame) }
