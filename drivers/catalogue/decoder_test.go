package catalogue

import (
	"io/fs"
	"os"
	"path"
	"slices"
	"testing"

	"nightsoak/drivers"
)

// listeners gives every format that listens, and the bytes of all its captures.
func listeners(t testing.TB) map[string][]byte {
	t.Helper()
	fsys := os.DirFS(captures)
	found, err := fs.Glob(fsys, "*/*.hex")
	if err != nil {
		t.Fatal(err)
	}
	streams := map[string][]byte{}
	for _, name := range found {
		c, err := readCapture(fsys, name)
		if err != nil {
			t.Fatal(err)
		}
		p, err := c.bytes()
		if err != nil {
			t.Fatal(err)
		}
		format := path.Dir(name)
		streams[format] = append(streams[format], p...)
	}
	for _, f := range All() {
		if f.NewDecoder != nil && streams[f.Name] == nil {
			t.Fatalf("format %s listens and has no capture", f.Name)
		}
	}
	return streams
}

// decoder is a new decoder of a format in the catalogue.
func decoder(t testing.TB, format string) drivers.Decoder {
	t.Helper()
	f, err := Find(format)
	if err != nil {
		t.Fatal(err)
	}
	return f.Plain()
}

// Whatever byte listening begins with and however the bytes are cut into
// pieces, every whole frame is read and nothing else.
func TestJoinAnywhere(t *testing.T) {
	for format, stream := range listeners(t) {
		var whole []string
		var ends []int // offset behind each reading's frame
		d := decoder(t, format)
		for i := range stream {
			d.Feed(stream[i:i+1], func(r drivers.Reading) { whole, ends = append(whole, show(r)), append(ends, i+1) })
		}
		for offset := range stream {
			// The first frame that may begin at or behind offset.
			first, _ := slices.BinarySearch(ends, offset)
			if offset > 0 {
				first++
			}
			first = min(first, len(whole))
			for size := 1; size <= 20; size++ {
				var got []string
				d := decoder(t, format)
				for piece := range slices.Chunk(stream[offset:], size) {
					d.Feed(piece, func(r drivers.Reading) { got = append(got, show(r)) })
				}
				// Noise before a frame may make it whole though it seemed cut.
				if !slices.Equal(got, whole[first:]) && !slices.Equal(got, whole[max(first-1, 0):]) {
					t.Fatalf("%s from byte %d in pieces of %d reads %q, want %q", format, offset, size, got, whole[first:])
				}
			}
		}
	}
}

func TestDecodersAllocateNothing(t *testing.T) {
	for format, stream := range listeners(t) {
		d := decoder(t, format)
		stream = append(stream, "noise, and a long line of it"...)
		n := 0
		emit := func(drivers.Reading) { n++ }
		if allocs := testing.AllocsPerRun(100, func() { d.Feed(stream, emit) }); allocs != 0 || n == 0 {
			t.Errorf("%s: %v allocations for %d frames, want none", format, allocs, n)
		}
	}
}

func BenchmarkDecoder(b *testing.B) {
	for format, stream := range listeners(b) {
		b.Run(format, func(b *testing.B) {
			d := decoder(b, format)
			n := 0
			emit := func(drivers.Reading) { n++ }
			b.ReportAllocs()
			b.SetBytes(int64(len(stream)))
			for b.Loop() {
				d.Feed(stream, emit)
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
		})
	}
}
