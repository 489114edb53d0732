package report

import (
	"io"
	"testing"
)

// BenchmarkWrite is a night of 10 h 20 min, four sockets, to each form, from
// data in memory.
func BenchmarkWrite(b *testing.B) {
	d := night(whole, false)
	d.Warm = d.Ratio
	for _, suffix := range Suffixes {
		b.Run(suffix, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := Write(io.Discard, suffix, d); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
