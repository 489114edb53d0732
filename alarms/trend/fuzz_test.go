package trend

import (
	"encoding/binary"
	"math"
	"testing"
)

// bytesOf and floatsOf carry figures through the fuzzer, bit for bit.
func bytesOf(x ...float64) (b []byte) {
	for _, x := range x {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
	}
	return b
}

func floatsOf(b []byte) (x []float64) {
	for ; len(b) >= 8 && len(x) < 400; b = b[8:] {
		x = append(x, math.Float64frombits(binary.LittleEndian.Uint64(b)))
	}
	return x
}

func seeds(f *testing.F) {
	nan, inf := math.NaN(), math.Inf(1)
	even := make([]float64, 0, 60)
	for i := range 30 {
		even = append(even, 5*float64(i), 0.041+0.002*Exp(-float64(i)/9))
	}
	f.Add(bytesOf(even...))
	f.Add(bytesOf(0, 1, 0, 2, 0, 3, 0, 4, 0, 5, 0, 6, 0, 7))                                                                          // equal times
	f.Add(bytesOf(0, 1, 1, 1, 2, 1, 3, 1, 4, 1, 5, 1))                                                                                // equal figures
	f.Add(bytesOf(0, nan, 1, inf, 2, -inf, nan, 4, inf, 5, 6, 6, 7, 7))                                                               // none at all
	f.Add(bytesOf(0, 1e308, 1, -1e308, 2, 1e308, 3, -1e308, 4, 1e308, 5, 0))                                                          // overflow
	f.Add(bytesOf(0, 5e-324, 1, 0, 2, 1e-320, 3, 0, 4, 0, 5, 5e-324))                                                                 // underflow
	f.Add(bytesOf(1e9, 1, -1e9, 2, 3, 3, 1e300, 4, -1e300, 5, 0, 6))                                                                  // times out of order, far apart
	f.Add([]byte("0000000X00000000000000000000000000000000000000000000000000000000000000000000000000000000000000010000000000000000")) // squares next to nothing
	f.Add(bytesOf(0, 1e150, 1, -1e150, 2, 1e-150, 3, 1e76, 4, -1e76, 5, 1e153, 6, 0, 7, 1.5))                                         // squares near the end of the range
}

// No points panic, loop for ever or make a NaN of a time that people are told.
func FuzzFit(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		x := floatsOf(b)
		var p []Point
		for i := 0; i+1 < len(x); i += 2 {
			p = append(p, Point{x[i], x[i+1]})
		}
		var w Slopes
		w.TheilSen(p)
		w.Median(p)
		var fit Fitter
		for _, growth := range []bool{false, true} {
			e := fit.Curve(p, growth, float64(len(p))/2)
			if e.Curved(9) && math.IsNaN(e.RSS) {
				t.Fatalf("no fit, and curved: %+v", e)
			}
			for _, level := range append(x, 0.05) {
				best, early, late := e.Reach(level)
				if math.IsNaN(best) || math.IsNaN(early) || math.IsNaN(late) || early > best || best > late {
					t.Fatalf("%+v reaches %g in %g (%g to %g)", e, level, best, early, late)
				}
			}
			if !math.IsNaN(e.RSS) && !(finite(e.A) && finite(e.B) && e.SDA >= 0 && e.SDB >= 0 && e.SDTau >= 0) {
				t.Fatalf("not finite: %+v", e)
			}
		}
		if len(x) < 8 {
			return
		}
		for k := 1; k <= MaxParameters; k++ { // any start, any figures
			got, err := fit.Fit(len(p), x[:k], func(i int, b, g *[MaxParameters]float64) float64 {
				e := Exp(b[2] * p[i].T)
				g[0], g[1], g[2], g[3] = 1, e, b[1]*p[i].T*e, p[i].T*p[i].T
				return p[i].Y - b[0] - b[1]*e - b[3]*g[3]
			})
			if err == nil && !(finite(got.RSS) && got.ResidualSD >= 0) {
				t.Fatalf("%d parameters: %+v", k, got)
			}
		}
	})
}

// No series makes the charts or the noise estimate panic or lose themselves.
func FuzzSeries(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		var s Noise
		cusum, ewma := Cusum{K: 0.5, H: 5}, Ewma{Lambda: 0.1, L: 2.7}
		for _, y := range floatsOf(b) {
			s.Add(y)
			cusum.Add(y)
			ewma.Add(y)
			if math.IsNaN(cusum.Up) || math.IsNaN(cusum.Down) || math.IsNaN(ewma.Z) || cusum.Up < 0 || cusum.Down < 0 {
				t.Fatalf("after %g: %+v %+v", y, cusum, ewma)
			}
			for k := range octaves {
				if sd, n := s.Deviation(k); n > 0 && !(sd >= 0 && finite(sd)) {
					t.Fatalf("after %g: deviation %g of %g", y, sd, n)
				}
			}
			for _, n := range []int{-1, 0, 2, 100, math.MaxInt} {
				if size := s.EffectiveSize(n); !(size == 1 || size >= 0 && size <= float64(n)) {
					t.Fatalf("%d figures are worth %g", n, size)
				}
			}
		}
	})
}
