// Package lcdtest holds what the tests of the display chips share.
package lcdtest

import (
	"slices"
	"strings"
	"testing"

	"nightsoak/drivers"
)

// Frame turns low nibbles, written bit by bit, into the bytes of a frame.
func Frame(nibbles string) (b []byte) {
	for i, low := range strings.Fields(nibbles) {
		c := byte(i+1) << 4
		for j, bit := range low {
			c |= byte(bit-'0') << (3 - j)
		}
		b = append(b, c)
	}
	return b
}

// Decode feeds p to a new decoder in pieces of the given size. It gives each
// reading as a capture's expectation writes it: figure, unit, flags.
func Decode(f drivers.Format, p []byte, size int) (readings []string, rejects drivers.Rejects) {
	d := f.Plain()
	for piece := range slices.Chunk(p, size) {
		d.Feed(piece, func(r drivers.Reading) {
			readings = append(readings, strings.TrimSpace(r.Text()+" "+r.Unit()+" "+r.Flags.String()))
		})
	}
	return readings, d.Rejects()
}

// Good is a frame and how it reads. Like Exact and Bad it is an alias, so that
// tables in other packages need no field names.
type Good = struct{ Want, Nibbles string }

// Reads checks that each frame reads as it should.
func Reads(t *testing.T, f drivers.Format, frames []Good) {
	t.Helper()
	for _, tt := range frames {
		got, rejects := Decode(f, Frame(tt.Nibbles), 99)
		if !slices.Equal(got, []string{tt.Want}) || rejects.Total() != 0 {
			t.Errorf("frame %s reads %q and rejects %v, want %q", tt.Nibbles, got, rejects, tt.Want)
		}
	}
}

// Exact is a frame and all parts of its reading, shown or not.
type Exact = struct {
	Nibbles string
	Want    drivers.Reading
}

// ReadsExactly checks that each frame gives the very reading.
func ReadsExactly(t *testing.T, f drivers.Format, frames []Exact) {
	t.Helper()
	for _, tt := range frames {
		var got []drivers.Reading
		f.Plain().Feed(Frame(tt.Nibbles), func(r drivers.Reading) { got = append(got, r) })
		if !slices.Equal(got, []drivers.Reading{tt.Want}) {
			t.Errorf("frame %s reads %#v, want %#v", tt.Nibbles, got, tt.Want)
		}
	}
}

// Bad is a whole frame that is no reading.
type Bad = struct{ Name, Nibbles string }

// Rejected checks that each frame is rejected, once and for that reason.
func Rejected(t *testing.T, f drivers.Format, why drivers.Reason, frames []Bad) {
	t.Helper()
	for _, tt := range frames {
		t.Run(tt.Name, func(t *testing.T) {
			got, rejects := Decode(f, Frame(tt.Nibbles), 99)
			if len(got) != 0 || rejects[why] != 1 || rejects.Total() != 1 {
				t.Errorf("frame %s reads %q and rejects %v, want one %q", tt.Nibbles, got, rejects, why)
			}
		})
	}
}

// Fuzz checks that nothing panics, and that it makes no difference how the
// bytes are cut into pieces. The seeds are whole frames, the first a good one.
func Fuzz(f *testing.F, format drivers.Format, seeds ...string) {
	for _, s := range seeds {
		f.Add(Frame(s))
	}
	good := Frame(seeds[0])
	f.Add(slices.Concat(good[3:], good, good[:9], good))
	f.Add(slices.Concat(good[:7], []byte{0x00}, good[7:], []byte("38.2 mV\r\n")))
	f.Fuzz(func(t *testing.T, p []byte) {
		whole, rejects := Decode(format, p, max(1, len(p)))
		single, rejectsSingle := Decode(format, p, 1)
		if !slices.Equal(whole, single) || rejects != rejectsSingle {
			t.Errorf("% X in one piece: %q, %v; byte by byte: %q, %v", p, whole, rejects, single, rejectsSingle)
		}
		if n := uint64(len(whole)) + rejects[drivers.BadDigit] + rejects[drivers.BadStatus]; n > uint64(len(p)/len(good)) {
			t.Errorf("% X holds %d frames, more than fit", p, n)
		}
	})
}
