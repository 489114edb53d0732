package catalogue

import (
	"bytes"
	"os"
	"slices"
	"testing"
	"time"

	"nightsoak/drivers"
	"nightsoak/drivers/drivertest"
)

// listener is a format that listens, and the bytes of all its captures. A
// capture that needs settings is a listener by itself, "FORMAT/NAME".
type listener struct {
	format drivers.Format
	set    drivers.Settings
	stream []byte
}

func (l *listener) decoder(t testing.TB) drivers.Decoder {
	t.Helper()
	d, err := l.format.NewDecoder(l.set)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// allCaptures reads them.
func allCaptures(t testing.TB) []drivertest.Capture {
	t.Helper()
	all, err := drivertest.ReadCaptures(os.DirFS(captures))
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// listeners gives all of them, by name.
func listeners(t testing.TB) map[string]*listener {
	t.Helper()
	all := map[string]*listener{}
	for _, c := range allCaptures(t) {
		f, err := Find(c.Format)
		if err != nil {
			t.Fatal(err)
		}
		if f.NewDecoder == nil {
			continue
		}
		name := f.Name
		if len(c.Settings) > 0 {
			name += "/" + c.Name
		}
		if all[name] == nil {
			all[name] = &listener{format: f, set: c.Settings}
		}
		all[name].stream = append(all[name].stream, c.Bytes()...)
	}
	return all
}

// decoder is a new decoder of a format that needs no settings.
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
	for format, l := range listeners(t) {
		stream := l.stream
		var whole []string
		var ends []int // offset behind each reading's frame; of a line, of the line end before it
		lines := l.format.Name == "textline"
		d := l.decoder(t)
		for i := range stream {
			d.Feed(stream[i:i+1], func(r drivers.Reading) {
				whole, ends = append(whole, drivertest.Show(r)), append(ends, i+1)
				if lines {
					ends[len(ends)-1] = bytes.LastIndexAny(stream[:i], "\r\n")
				}
			})
		}
		for offset := range stream {
			// The first frame that may begin at or behind offset.
			first, _ := slices.BinarySearch(ends, offset)
			if offset > 0 && !lines {
				first++
			}
			first = min(first, len(whole))
			for _, size := range []int{1, 3, 8, 20} {
				var got []string
				d := l.decoder(t)
				for piece := range slices.Chunk(stream[offset:], size) {
					d.Feed(piece, func(r drivers.Reading) { got = append(got, drivertest.Show(r)) })
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
	for format, l := range listeners(t) {
		if l.format.Name == "textline" {
			continue // package regexp allocates each match; that nothing else does is tested there
		}
		d := l.decoder(t)
		stream := append(l.stream, "noise, and a long line of it"...)
		n := 0
		emit := func(drivers.Reading) { n++ }
		if allocs := testing.AllocsPerRun(100, func() { d.Feed(stream, emit) }); allocs != 0 || n == 0 {
			t.Errorf("%s: %v allocations for %d frames, want none", format, allocs, n)
		}
	}
}

// BenchmarkDecoder: a format of fixed frames is to do 5 million of them a second.
func BenchmarkDecoder(b *testing.B) {
	for format, l := range listeners(b) {
		b.Run(format, func(b *testing.B) {
			d := l.decoder(b)
			n := 0
			emit := func(drivers.Reading) { n++ }
			b.ReportAllocs()
			b.SetBytes(int64(len(l.stream)))
			passes, best := 0, time.Hour
			for b.Loop() {
				start := time.Now()
				d.Feed(l.stream, emit)
				best = min(best, time.Since(start)) // the machine may have other work too
				passes++
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
			rate := float64(n) / float64(passes) / best.Seconds()
			b.ReportMetric(rate, "best-frames/s")
			if _, ok := grammars[format]; ok && rate < 5e6 {
				b.Errorf("%.0f frames/s at best, want 5 million", rate)
			}
		})
	}
}
