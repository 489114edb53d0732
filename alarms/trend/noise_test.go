package trend

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"
)

// ar1Variance is the Hadamard variance of averages over m figures of a first-order
// autoregression with variance 1. Derived: with V the variance of an average and
// C, C' its covariance with the next and the next but one, a sixth of the mean
// square of y3 - 2·y2 + y1 is V - 4/3 C + 1/3 C'. Summing the autocovariance ρ^|h|
// gives V = (m(1+ρ)/(1-ρ) - 2ρ(1-ρ^m)/(1-ρ)²)/m², C = ρ((1-ρ^m)/(m(1-ρ)))² and
// C' = ρ^m C.
func ar1Variance(m int, rho float64) float64 {
	n, p := float64(m), math.Pow(rho, float64(m))
	v := (n*(1+rho)/(1-rho) - 2*rho*(1-p)/square(1-rho)) / (n * n)
	c := rho * square((1-p)/(n*(1-rho)))
	return v - 4.0/3*c + p*c/3
}

func ar1(r *rand.Rand, rho float64) func() float64 {
	x := r.NormFloat64()
	return func() float64 {
		x = rho*x + math.Sqrt(1-rho*rho)*r.NormFloat64()
		return x
	}
}

// The formula against the quadratic form of the autocovariance ρ^|h| itself.
func TestAr1Variance(t *testing.T) {
	for _, m := range []int{1, 2, 8, 64} {
		for _, rho := range []float64{0, 0.5, 0.9} {
			weight := []float64{1, -2, 1}
			var sum float64
			for i := range 3 * m {
				for j := range 3 * m {
					sum += weight[i/m] * weight[j/m] * math.Pow(rho, math.Abs(float64(i-j)))
				}
			}
			if want := sum / float64(6*m*m); !near(ar1Variance(m, rho), want, 1e-11) {
				t.Errorf("m %d, rho %g: %g, by sums %g", m, rho, ar1Variance(m, rho), want)
			}
		}
	}
}

// averaged is what the estimator says, in the mean over many series.
func averaged(s Noise, length int, series func(*rand.Rand) func() float64, what ...func(*Noise) float64) []float64 {
	const runs = 30
	sum := make([]float64, len(what))
	for i := range uint64(runs) {
		s, next := s, series(rand.New(rand.NewPCG(5, i)))
		for range length {
			s.Add(next())
		}
		for j, f := range what {
			sum[j] += f(&s) / runs
		}
	}
	return sum
}

func variance(octave int) func(*Noise) float64 {
	return func(s *Noise) float64 { sd, _ := s.Deviation(octave); return sd * sd }
}

func over(n int) func(*Noise) float64 {
	return func(s *Noise) float64 { return square(s.Over(n)) }
}

func worth(n int) func(*Noise) float64 {
	return func(s *Noise) float64 { return s.EffectiveSize(n) }
}

// White noise (ρ = 0) and autoregressions, simulated: the deviations by theory, and
// Over against what the definition gives of them. Over takes the greatest of
// estimates, so it may be a quarter too high as a variance, hardly too low.
func TestNoiseAutoregression(t *testing.T) {
	for _, rho := range []float64{0, 0.3, 0.5, 0.8} {
		octave, size := []int{0, 1, 2, 4, 6}, []int{100, 128, 512}
		var what []func(*Noise) float64
		for _, k := range octave {
			what = append(what, variance(k))
		}
		for _, n := range size {
			what = append(what, over(n))
		}
		got := averaged(Noise{}, 1<<16, func(r *rand.Rand) func() float64 { return ar1(r, rho) }, what...)
		for i, k := range octave {
			if want := ar1Variance(1<<k, rho); !near(got[i], want, 0.04) {
				t.Errorf("rho %g: variance of octave %d is %g, by theory %g", rho, k, got[i], want)
			}
		}
		for i, n := range size {
			m := 1 << (bits.Len(uint(n/4)) - 1)
			ratio := got[len(octave)+i] / (float64(m) * ar1Variance(m, rho))
			if ratio < 0.97 || ratio > 1.25 {
				t.Errorf("rho %g: over %d figures one has %.3f of the variance by theory", rho, n, ratio)
			}
		}
		// What makes the variance of a long mean.
		if ratio := got[len(got)-1] / ((1 + rho) / (1 - rho)); ratio < 0.9 || ratio > 1.25 {
			t.Errorf("rho %g: over 512 figures one has %.3f of the long-run variance", rho, ratio)
		}
	}
}

// known is an estimate that has learnt the variances of the octaves exactly.
func known(variance func(m int) float64) *Noise {
	s := new(Noise)
	for k := range s.octave {
		s.octave[k].v, s.octave[k].n = clipBias*variance(1<<k), 100
	}
	return s
}

// What Over and EffectiveSize come to, without the errors of estimation.
func TestNoiseOver(t *testing.T) {
	for _, rho := range []float64{0, 0.5, 0.8, 0.95} {
		s := known(func(m int) float64 { return ar1Variance(m, rho) })
		for n := 1; n <= 1<<17; n *= 2 {
			m := max(n/4, 1)
			if got, want := square(s.Over(n)), float64(m)*ar1Variance(m, rho); !near(got, want, 1e-12) {
				t.Errorf("rho %g: variance %g over %d figures, by the definition %g", rho, got, n, want)
			}
			long := (1 + rho) / (1 - rho)
			short := 10.0 / 3 * rho / (float64(m) * (1 - rho*rho))
			if got := square(s.Over(n)); short < 0.2 && !near(got, long*(1-short), 1e-3) {
				t.Errorf("rho %g: variance %g over %d figures, in the long run %g less %.2g of it", rho, got, n, long, short)
			}
		}
		want := (1 - rho) / (1 + rho) * (1 - rho) * (1 - rho/3)
		if got := s.EffectiveSize(1<<17) / (1 << 17); !near(got, want, 1e-2) {
			t.Errorf("rho %g: a figure is worth %g, by theory %g", rho, got, want)
		}
	}
	flicker := known(func(int) float64 { return 2 })
	walk := known(func(m int) float64 { return float64(m) })
	for n := 4; n <= 1<<17; n += 1 + n/7 {
		if got := flicker.EffectiveSize(n); !(got >= 4*(1-1e-12) && got < 8) {
			t.Errorf("%d figures of 1/f noise are worth %g", n, got)
		}
		if got := square(flicker.Over(n)) / float64(n); !(got > 0.2499 && got < 0.5001) {
			t.Errorf("1/f noise: variance %g for each of %d figures", got, n)
		}
	}
	if got := walk.EffectiveSize(1024); !near(got, 1.0/64, 1e-12) {
		t.Errorf("1024 figures of a random walk are worth %g", got)
	}
	if got, most := walk.Over(math.MaxInt), walk.Over(1<<17); got != most {
		t.Errorf("beyond the octaves %g, at their end %g", got, most)
	}
}

// A steady drift adds nothing, even where the mean moves by many deviations from
// one average to the next; a runaway, until it has come to five deviations,
// hardly anything.
func TestNoiseDoesNotSeeDrift(t *testing.T) {
	what := []func(*Noise) float64{variance(0), variance(2), variance(4), variance(6), over(256)}
	with := func(trend func(i int) float64) []float64 {
		return averaged(Noise{}, 2400, func(r *rand.Rand) func() float64 {
			i := 0
			return func() float64 { i++; return trend(i) + r.NormFloat64() }
		}, what...)
	}
	none := with(func(int) float64 { return 0 })
	drift := with(func(i int) float64 { return 0.1 * float64(i) })
	runaway := with(func(i int) float64 { return 5 * math.Exp(float64(i-2400)/500) })
	for i := range what {
		if !near(drift[i], none[i], 1e-9) {
			t.Errorf("%d: variance %g with a drift, %g without", i, drift[i], none[i])
		}
		if !near(runaway[i], none[i], 0.05) {
			t.Errorf("%d: variance %g with a runaway, %g without", i, runaway[i], none[i])
		}
	}
}

// The prior is what is assumed first, in every octave alike, and gives way as
// triples come in: Worth of them count for as much.
func TestNoisePrior(t *testing.T) {
	s := Noise{Prior: 3, Worth: 5}
	for _, k := range []int{0, 7, octaves - 1} {
		if sd, n := s.Deviation(k); sd != 3 || n != 0 {
			t.Errorf("octave %d at first: %g of %g", k, sd, n)
		}
	}
	if got := s.Over(256); got != 3*8 { // as 1/f noise
		t.Errorf("over 256 figures %g at first", got)
	}
	bare := Noise{}
	r := rand.New(rand.NewPCG(1, 5))
	for i := range 3000 {
		y := r.NormFloat64()
		s.Add(y)
		bare.Add(y)
		assumed := 9.0
		for k := range octaves {
			got, n := s.Deviation(k)
			sd, m := bare.Deviation(k)
			if n == 0 {
				sd = 0
			}
			assumed = (n*sd*sd + 5*assumed) / (n + 5) // of the octave above, what came out here
			if want := math.Sqrt(assumed); n != m || !near(got, want, 1e-12) {
				t.Fatalf("octave %d after %d: %g of %g, want %g of %g", k, i+1, got, n, want, m)
			}
		}
	}
	if sd, n := s.Deviation(octaves); !math.IsNaN(sd) || n != 0 {
		t.Errorf("octave out of range: %g of %g", sd, n)
	}
}

// n counts triples: the third figure makes the first of octave 0, the sixth of
// octave 1, and each of its averages from then on one more.
func TestNoiseCountsTriples(t *testing.T) {
	var s Noise
	for i := range 16 {
		s.Add(float64(i * i % 7))
		for k := range 3 {
			if _, n := s.Deviation(k); n != float64(max((i+1)>>k-2, 0)) && n < early {
				t.Errorf("octave %d after %d figures: %g", k, i+1, n)
			}
		}
	}
	for range 5000 {
		s.Add(0)
	}
	if _, n := s.Deviation(0); !near(n, 2*memory-1, 1e-6) {
		t.Errorf("%g triples count in the long run", n)
	}
}

// Of a clipped square of normal noise the mean is E[min(χ²₁, a)] = P(χ²₃ < a) + a
// P(χ²₁ > a); where it equals a ninth of a, the estimate stands.
func TestClipBias(t *testing.T) {
	a := clip * clipBias
	z := math.Sqrt(a / 2)
	if got := math.Erf(z) - math.Sqrt(2*a/math.Pi)*math.Exp(-a/2) + a*math.Erfc(z); !near(got, clipBias, 1e-12) {
		t.Errorf("the bias of clipping at %g is %.16g, not %.16g", clip, got, clipBias)
	}
	if got := math.Erf(math.Sqrt(medianChi2 / 2)); !near(got, 0.5, 1e-12) {
		t.Errorf("chi-square is below %g with probability %g", medianChi2, got)
	}
}

// Noise of some counts and rounding: the variance of rounding, 1/12 of a count
// squared, adds to it (Sheppard). In a display that mostly stands, the variance
// is half the share of flips.
func TestNoiseQuantised(t *testing.T) {
	for _, sigma := range []float64{0.5, 1, 3} {
		got := averaged(Noise{Step: 1}, 4096, func(r *rand.Rand) func() float64 {
			return func() float64 { return math.Round(4100.3 + sigma*r.NormFloat64()) }
		}, variance(0), variance(3))
		if want := sigma*sigma + 1.0/12; !near(got[0], want, 0.05) || !near(got[1], want/8, 0.05) {
			t.Errorf("%g counts: variances %g and %g, by theory %g and %g", sigma, got[0], got[1], want, want/8)
		}
	}
	const p = 0.02 // a figure that is a count too high, now and then
	blips := func(r *rand.Rand) func() float64 {
		return func() float64 {
			if r.Float64() < p {
				return 4101
			}
			return 4100
		}
	}
	if got, want := averaged(Noise{Step: 1}, 4096, blips, variance(0))[0], p*(1-p); !near(got, want, 0.1) {
		t.Errorf("rare flips: variance %g, by theory %g", got, want)
	}
	var still Noise
	for range 1000 {
		still.Add(0.0412)
	}
	if sd, n := still.Deviation(0); sd != 0 || n < 100 || still.EffectiveSize(64) != 1 {
		t.Errorf("a display that stands: deviation %g of %g, 64 worth %g", sd, n, still.EffectiveSize(64))
	}
}

// 1/f noise as a sum of autoregressions of equal variance, their time constants
// four apart: the deviation stays level over the octaves between, at the
// published Hadamard variance ½ ln(256/27) h of a spectrum h/f (Baugh 1971, from
// memory; a spectrum of autoregressions so spaced has h = 1/ln 4), and more figures
// are worth no more.
func TestNoiseFlicker(t *testing.T) {
	var rhos []float64
	for tau := 1.0; tau < 1e5; tau *= 4 {
		rhos = append(rhos, math.Exp(-1/tau))
	}
	got := averaged(Noise{}, 1<<13, func(r *rand.Rand) func() float64 {
		parts := make([]func() float64, len(rhos))
		for i, rho := range rhos {
			parts[i] = ar1(r, rho)
		}
		return func() (y float64) {
			for _, p := range parts {
				y += p()
			}
			return y
		}
	}, variance(5), variance(6), variance(7), worth(64), worth(512))
	for i, k := range []int{5, 6, 7} {
		var want float64
		for _, rho := range rhos {
			want += ar1Variance(1<<k, rho)
		}
		if !near(got[i], want, 0.08) {
			t.Errorf("variance of octave %d is %g, by theory %g", k, got[i], want)
		}
		if published := math.Log(256.0/27) / 2 / math.Log(4); !near(want, published, 0.02) {
			t.Errorf("variance of octave %d by theory %g, published %g", k, want, published)
		}
	}
	for _, n := range got[3:] {
		if n < 2.5 || n > 6 {
			t.Errorf("64 and 512 figures of 1/f noise are worth %g", got[3:])
		}
	}
}

// One step, or one wild figure, of a hundred standard deviations, early or late,
// leaves the deviation nearly as it was: a third more at most.
func TestNoiseStepDoesNotRuinIt(t *testing.T) {
	what := []func(*Noise) float64{variance(0), variance(1), variance(2), variance(3)}
	for _, at := range []int{4, 40, 2000} {
		for name, jump := range map[string]func(i int) bool{
			"nothing": func(int) bool { return false },
			"step":    func(i int) bool { return i >= at },
			"outlier": func(i int) bool { return i == at },
		} {
			got := averaged(Noise{}, at+200, func(r *rand.Rand) func() float64 {
				i := -1
				return func() float64 {
					i++
					if jump(i) {
						return 100 + r.NormFloat64()
					}
					return r.NormFloat64()
				}
			}, what...)
			for k, v := range got {
				if ratio := v * float64(int(1)<<k); ratio < 0.85 || ratio > 1.75 {
					t.Errorf("%s at %d: variance of octave %d is %.2f times what it should be", name, at, k, ratio)
				}
			}
		}
	}
}

// What is learnt follows the noise up and down.
func TestNoiseForgets(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	var s Noise
	for _, sigma := range []float64{1, 10, 1} {
		for range 1500 {
			s.Add(sigma * r.NormFloat64())
		}
		if sd, _ := s.Deviation(0); !near(sd, sigma, 0.15) {
			t.Errorf("deviation %g after 1500 figures of %g", sd, sigma)
		}
	}
}

// Across an interruption nothing is compared, and what was learnt stays.
func TestNoiseRestart(t *testing.T) {
	var s Noise
	if sd, n := s.Deviation(0); !math.IsNaN(sd) || n != 0 || !math.IsNaN(s.Over(100)) || s.EffectiveSize(100) != 1 {
		t.Errorf("of nothing: %g of %g", sd, n)
	}
	for i := range 16 {
		s.Add(float64(i * i % 7))
	}
	before := s
	s.Restart()
	s.Add(1000)
	s.Add(1000)
	s.Add(math.NaN()) // interrupts too
	s.Add(0)
	s.Add(0)
	for k := range 3 {
		a, n := before.Deviation(k)
		if b, m := s.Deviation(k); a != b || n != m || n == 0 {
			t.Errorf("octave %d: %g of %g before, %g of %g after", k, a, n, b, m)
		}
	}
	s.Add(0)
	_, n := before.Deviation(0)
	if _, m := s.Deviation(0); m <= n {
		t.Errorf("%g triples, %g before: nothing is learnt after a gap", m, n)
	}
	if sd, n := s.Deviation(octaves); !math.IsNaN(sd) || n != 0 {
		t.Errorf("octave out of range: %g of %g", sd, n)
	}
}

func BenchmarkNoise(b *testing.B) {
	var s Noise
	r := rand.New(rand.NewPCG(1, 2))
	var y [1024]float64
	for i := range y {
		y[i] = r.NormFloat64()
	}
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		s.Add(y[i%1024])
		i++
	}
}
