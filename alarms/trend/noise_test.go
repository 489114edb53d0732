package trend

import (
	"math"
	"math/rand/v2"
	"testing"
)

// ar1Variance is the two-sample (Allan) variance of averages over m figures of
// a first-order autoregression with variance 1. Derived: the variance of the
// average is (1/m²)(m(1+ρ)/(1-ρ) - 2ρ(1-ρ^m)/(1-ρ)²), the covariance of
// neighbouring ones ρ(1-ρ^m)²/(m(1-ρ))², and half the mean square of their
// difference is the one less the other. Zhang, Metrologia 45 (2008) 549 has the
// same (from memory).
func ar1Variance(m int, rho float64) float64 {
	n, p := float64(m), math.Pow(rho, float64(m))
	return (n*(1-rho*rho) - 3*rho + 4*rho*p - rho*p*p) / (n * n * (1 - rho) * (1 - rho))
}

func ar1(r *rand.Rand, rho float64) func() float64 {
	x := r.NormFloat64()
	return func() float64 {
		x = rho*x + math.Sqrt(1-rho*rho)*r.NormFloat64()
		return x
	}
}

// The formula against sums over the autocovariance ρ^|h| itself.
func TestAr1Variance(t *testing.T) {
	for _, m := range []int{1, 2, 8, 64} {
		for _, rho := range []float64{0, 0.5, 0.9} {
			var mean, across float64
			for i := range m {
				for j := range m {
					mean += math.Pow(rho, math.Abs(float64(i-j)))
					across += math.Pow(rho, float64(m+j-i))
				}
			}
			if want := (mean - across) / float64(m*m); !near(ar1Variance(m, rho), want, 1e-12) {
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

func worth(n float64) func(*Noise) float64 {
	return func(s *Noise) float64 { return s.EffectiveSize(n) }
}

// White noise (ρ = 0) and autoregressions: the deviations and the effective
// sizes by theory. n(1-ρ)/(1+ρ) holds for n of many correlation times; for the
// shorter ones the variance of the mean is summed (see ar1Variance).
func TestNoiseAutoregression(t *testing.T) {
	for _, rho := range []float64{0, 0.3, 0.5, 0.8} {
		octave, size := []int{0, 1, 2, 4, 6}, []float64{100, 128, 512}
		var what []func(*Noise) float64
		for _, k := range octave {
			what = append(what, variance(k))
		}
		for _, n := range size {
			what = append(what, worth(n))
		}
		got := averaged(Noise{}, 1<<16, func(r *rand.Rand) func() float64 { return ar1(r, rho) }, what...)
		for i, k := range octave {
			if want := ar1Variance(1<<k, rho); !near(got[i], want, 0.04) {
				t.Errorf("rho %g: variance of octave %d is %g, by theory %g", rho, k, got[i], want)
			}
		}
		for i, n := range size {
			got := got[len(octave)+i]
			want := n * n / (n*(1+rho)/(1-rho) - 2*rho*(1-math.Pow(rho, n))/((1-rho)*(1-rho)))
			if n > 200 {
				want = n * (1 - rho) / (1 + rho)
			}
			if !near(got, want, 0.12) {
				t.Errorf("rho %g: %g figures are worth %g, by theory %g", rho, n, got, want)
			}
		}
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
		}, variance(0), variance(3), worth(64))
		if want := sigma*sigma + 1.0/12; !near(got[0], want, 0.05) || !near(got[1], want/8, 0.05) || !near(got[2], 64, 0.12) {
			t.Errorf("%g counts: variances %g and %g, worth %g of 64; by theory %g and %g", sigma, got[0], got[1], got[2], want, want/8)
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
// four apart: the deviation stays level over the octaves between, and the
// effective size hardly grows.
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
	}, variance(2), variance(4), variance(6), worth(64))
	for i, k := range []int{2, 4, 6} {
		var want float64
		for _, rho := range rhos {
			want += ar1Variance(1<<k, rho)
		}
		if !near(got[i], want, 0.08) {
			t.Errorf("variance of octave %d is %g, by theory %g", k, got[i], want)
		}
	}
	if got[0]/got[2] > 1.15 || got[2]/got[0] > 1.15 {
		t.Errorf("the deviation is not level: variances %g", got[:3])
	}
	if got[3] > 6 {
		t.Errorf("64 figures of 1/f noise are worth %g", got[3])
	}
}

// One step, or one wild figure, of a hundred standard deviations, early or late,
// leaves the deviation nearly as it was.
func TestNoiseStepDoesNotRuinIt(t *testing.T) {
	for _, at := range []int{4, 40, 2000} {
		for name, jump := range map[string]func(i int) bool{
			"step":    func(i int) bool { return i >= at },
			"outlier": func(i int) bool { return i == at },
		} {
			r := rand.New(rand.NewPCG(1, 2))
			var with, without Noise
			for i := range at + 200 {
				y := r.NormFloat64()
				without.Add(y)
				if jump(i) {
					y += 100
				}
				with.Add(y)
			}
			for k := range 4 {
				a, _ := with.Deviation(k)
				b, _ := without.Deviation(k)
				if a > 1.3*b {
					t.Errorf("%s at %d: deviation of octave %d is %g, without it %g", name, at, k, a, b)
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
	if sd, n := s.Deviation(0); !math.IsNaN(sd) || n != 0 || s.EffectiveSize(100) != 1 {
		t.Errorf("of nothing: %g of %g", sd, n)
	}
	for i := range 8 {
		s.Add(float64(i % 2))
	}
	before := s
	s.Restart()
	s.Add(1000)
	for k := range 3 {
		a, n := before.Deviation(k)
		if b, m := s.Deviation(k); a != b || n != m {
			t.Errorf("octave %d: %g of %g before, %g of %g after", k, a, n, b, m)
		}
	}
	s.Add(math.NaN()) // interrupts too
	s.Add(0)
	if sd, _ := s.Deviation(0); sd > 1 {
		t.Errorf("deviation %g: compared across a gap", sd)
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
