package trend

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Data: 30 figures of Montgomery's, mean 10 and standard deviation 1, as the IMSL
// manual's EWMA page prints them. The sums and averages between were
// recomputed from the definitions; that both charts first signal at the 29th is
// in the book, from memory.
var montgomery = []float64{
	9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34,
	9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84,
	10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
}

func TestPublishedCusum(t *testing.T) {
	c := Cusum{K: 0.5, H: 5}
	first, most, mostAt := 0, 0.0, 0
	for i, x := range montgomery {
		up, down := c.Add(x - 10)
		if down {
			t.Errorf("signals a fall at %d", i+1)
		}
		if up && first == 0 {
			first = i + 1
			if c.UpRun != 7 { // Montgomery's N+, from memory
				t.Errorf("at the signal the sum has run for %d figures, want 7", c.UpRun)
			}
		}
		if c.Down > most {
			most, mostAt = c.Down, i+1
		}
		if want, ok := map[int]float64{28: 4.47, 29: 5.28, 30: 5.30}[i+1]; ok && math.Abs(c.Up-want) > 1e-9 {
			t.Errorf("sum %.6f at %d, want %.2f", c.Up, i+1, want)
		}
	}
	if first != 29 {
		t.Errorf("first signal at %d, published 29", first)
	}
	if mostAt != 3 || math.Abs(most-1.77) > 1e-9 {
		t.Errorf("greatest lower sum %.4f at %d, want 1.77 at 3", most, mostAt)
	}
}

func TestPublishedEwma(t *testing.T) {
	e := Ewma{Lambda: 0.1, L: 2.7}
	first := 0
	for i, x := range montgomery {
		if e.Add(x-10) && first == 0 {
			first = i + 1
		}
		want, ok := map[int][2]float64{1: {9.945, 0.27}, 2: {9.7495, 0.3632}, 28: {10.5731, 0.6186}, 29: {10.6468, 0.6187}}[i+1]
		if ok && (math.Abs(10+e.Z-want[0]) > 6e-5 || math.Abs(e.Limit()-want[1]) > 6e-5) {
			t.Errorf("at %d: average %.5f, limits ±%.5f; want %v", i+1, 10+e.Z, e.Limit(), want)
		}
	}
	if first != 29 {
		t.Errorf("first signal at %d, published 29", first)
	}
}

// A figure that is not finite leaves the charts as they were.
func TestChartsPassOverWhatIsNoFigure(t *testing.T) {
	c, e := Cusum{K: 0.5, H: 5}, Ewma{Lambda: 0.2, L: 3}
	c.Add(2)
	e.Add(2)
	c2, e2 := c, e
	for _, z := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		c.Add(z)
		e.Add(z)
	}
	if c != c2 || e != e2 {
		t.Errorf("%+v %+v, were %+v %+v", c, e, c2, e2)
	}
}

// runLength is the mean number of figures until the first signal of charts that
// fresh makes, the mean shifted from the first figure on.
func runLength(runs int, shift float64, fresh func() func(z float64) bool) float64 {
	r := rand.New(rand.NewPCG(1966, 2010))
	total := 0
	for range runs {
		for add := fresh(); ; {
			total++
			if add(r.NormFloat64() + shift) {
				break
			}
		}
	}
	return float64(total) / float64(runs)
}

// Average run lengths of the CUSUM, K = 0.5, from zero. Published: for H = 4
// Lucas & Crosier 1982, table 1, as R's spc prints it; for H = 5 Montgomery's
// (465, 38.0, 10.4 second-hand). Compared with a recomputation (integral
// equation, 60 Gauss-Legendre nodes) that rounds to the published figures.
func TestPublishedRunLengthsCusum(t *testing.T) {
	for _, c := range []struct{ h, shift, published, want float64 }{
		{4, 0, 168, 167.6838}, {4, 0.25, 74.2, 74.2240}, {4, 0.5, 26.6, 26.6302}, {4, 0.75, 13.3, 13.2851},
		{4, 1, 8.38, 8.3831}, {4, 1.5, 4.75, 4.7472}, {4, 2, 3.34, 3.3428}, {4, 3, 2.19, 2.1945}, {4, 5, 1.31, 1.3087},
		{5, 0, 465, 465.4435}, {5, 0.5, 38.0, 37.9961}, {5, 1, 10.4, 10.3760}, {5, 2, 4.01, 4.0089},
	} {
		compareRunLength(t, c.shift, c.published, c.want, func() func(float64) bool {
			chart := Cusum{K: 0.5, H: c.h}
			return func(z float64) bool { up, down := chart.Add(z); return up || down }
		})
	}
}

// Average run lengths of the EWMA with asymptotic limits, from zero. Published:
// Lucas & Saccucci 1990, table 3: the pairs of 0.50 and 0.03 as R's spc
// prints them, 10.3 second-hand, the rest of 0.10 and 0.20 from memory of
// Montgomery's table. Compared with a recomputation as above.
func TestPublishedRunLengthsEwma(t *testing.T) {
	for _, c := range []struct{ lambda, l, shift, published, want float64 }{
		{0.5, 3.071, 0, 500, 499.906}, {0.5, 3.071, 0.5, 88.8, 88.795}, {0.5, 3.071, 1, 17.5, 17.477}, {0.5, 3.071, 2, 3.63, 3.628}, {0.5, 3.071, 4, 1.34, 1.336},
		{0.03, 2.437, 0, 500, 499.859}, {0.03, 2.437, 0.25, 76.7, 76.726}, {0.03, 2.437, 1, 12.6, 12.598}, {0.03, 2.437, 3, 4.03, 4.029},
		{0.1, 2.814, 0.5, 31.3, 31.297}, {0.1, 2.814, 1, 10.3, 10.331}, {0.1, 2.814, 2, 4.4, 4.362},
		{0.2, 2.962, 0.5, 41.8, 41.764}, {0.2, 2.962, 1, 10.5, 10.542},
	} {
		compareRunLength(t, c.shift, c.published, c.want, func() func(float64) bool {
			chart := Ewma{Lambda: c.lambda, L: c.l, Asymptotic: true}
			return chart.Add
		})
	}
}

func compareRunLength(t *testing.T, shift, published, want float64, fresh func() func(float64) bool) {
	t.Helper()
	runs := 40000
	if want > 100 {
		runs = 10000
	}
	if got := runLength(runs, shift, fresh); !near(got, want, 0.02) {
		t.Errorf("shift %g: mean run length %.4g, published %g, recomputed %g", shift, got, published, want)
	}
}
