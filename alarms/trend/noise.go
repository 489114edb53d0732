package trend

import (
	"math"
	"slices"
)

const (
	octaves = 16 // up to averages over 32768 figures
	// clip is the most that a square counts, in units of the present estimate: 3
	// standard deviations.
	clip = 9.0
	// clipBias is the r that solves E[min(χ²₁, clip·r)] = r: what the estimate
	// settles at for normal noise of variance 1 because its squares are clipped.
	clipBias = 0.9948813225090952
	// medianChi2 is the median of χ²₁.
	medianChi2 = 0.454936423119572
	// memory is how many differences of an octave the estimate leans on at most:
	// older ones fade.
	memory = 128
	// early differences are weighed all at once, so that a jump among the first
	// does not set the scale: those whose square is more than reject times what
	// the median says are left out. One wild figure spoils three of them.
	early  = 15
	reject = 16.0
)

// Noise estimates how noisy a series of evenly spaced figures is when its noise
// is autocorrelated and quantised. For each octave k it keeps the three-sample,
// Hadamard, deviation (Baugh 1971; IEEE Std 1139) of averages over 2^k figures:
// the root of the mean of (y3 - 2·y2 + y1)²/6 over three neighbouring ones. White
// noise makes it fall by √2 an octave and 1/f noise leaves it level. A steady
// drift adds nothing, and the early part of a runaway next to nothing, whereas
// they would swell the two-sample (Allan) deviation of the high octaves and a
// plain standard deviation altogether, and so hide themselves.
//
// Each figure costs two updates in the mean and 16 at most, and the memory is
// constant. A jump or fault does not blow the estimate up: no square counts more
// than nine times the present estimate, which for normal noise makes the
// variance 0.51 % too small and is corrected. Old triples fade, beyond the last
// hundred or so of each octave. The zero value is ready.
type Noise struct {
	// Step is the least change that the figures can show, a count of the
	// display, 0 where there is none: one figure a step off always counts in
	// full, since in a display that mostly stands each flip would look like a
	// fault.
	Step float64
	// Prior is the deviation of one figure that is assumed before anything is
	// known, and Worth is how many differences (triples) that counts as; with 0
	// nothing is assumed. A higher octave is assumed to be as the one below it
	// has come out, as for 1/f noise. The assumption keeps its weight, against
	// 255 triples in the long run. Neither may be negative.
	Prior, Worth float64

	octave [octaves]octave
}

// octave is what is known of averages over 2^k figures.
type octave struct {
	before, last float64 // the two averages before
	held         int     // how many of them there are
	paired       bool    // the last has been made part of an average of the next octave
	first        [early]float64
	v, n         float64 // mean square of the differences, a sixth, and how many it rests on
}

// Add takes the next figure. One that is not finite (or beyond ±1e150)
// interrupts the series.
func (s *Noise) Add(y float64) {
	if !(math.Abs(y) <= 1e150) {
		s.Restart()
		return
	}
	for k := range s.octave {
		o := &s.octave[k]
		if o.held == 2 {
			// One figure that is a step off makes a difference of two steps.
			o.learn(square((y-o.last)-(o.last-o.before))/6, square(2*s.Step)/6)
		}
		mean := (o.last + y) / 2
		o.paired = o.held > 0 && !o.paired
		o.before, o.last, o.held = o.last, y, min(o.held+1, 2)
		if !o.paired {
			return
		}
		y = mean
	}
}

// Restart says that the series was interrupted: averages under way are dropped,
// what was learnt stays.
func (s *Noise) Restart() {
	for k := range s.octave {
		s.octave[k].held, s.octave[k].paired = 0, false
	}
}

// learn takes one more sixth of a squared difference; the clip is never under
// floor.
func (o *octave) learn(x, floor float64) {
	if o.n < early {
		o.first[int(o.n)] = x
		o.n++
		o.v = robustMean(o.first[:int(o.n)], floor)
		return
	}
	w := max(1/(o.n+1), 1.0/memory)
	o.v += float64(w * (min(x, atLeast(clip*o.v, floor)) - o.v))
	// Kish's effective number: the inverse of the sum of the squared weights.
	o.n = 1 / (square(1-w)/o.n + square(w))
}

// robustMean is the mean of those x that are not far beyond what their median
// says of normal noise (for which it is 1 to 2 % too small).
func robustMean(x []float64, floor float64) float64 {
	var sorted [early]float64
	s := sorted[:copy(sorted[:], x)]
	slices.Sort(s)
	median := (s[(len(s)-1)/2] + s[len(s)/2]) / 2
	most := atLeast(reject/medianChi2*median, floor)
	var sum, n float64
	for _, q := range s {
		if q <= most {
			sum += q
			n++
		}
	}
	return sum / n
}

// atLeast is limit or floor, whichever is more; while neither says anything, no
// limit.
func atLeast(limit, floor float64) float64 {
	if m := max(limit, floor); m > 0 {
		return m
	}
	return math.Inf(1)
}

// Deviation is the Hadamard deviation of averages over 2^octave figures, in the
// unit of the figures, blended with what is assumed: √((n·v + Worth·a)/(n +
// Worth)), where v is the mean seen, a is Prior² in octave 0 and the square of the
// octave below in others, and n, returned as well, is the number of triples that it rests on, faded ones counting less. Neighbouring triples share two
// of their averages, so n of them tell v to about 2/√n of itself for white noise,
// as n/2 independent squares would.
//
// It is NaN for an octave out of range, and while nothing is seen nor assumed. It
// is 0 for figures that never move, without a prior: then the noise, if any, hides
// under a count.
func (s *Noise) Deviation(octave int) (sd, n float64) {
	if octave < 0 || octave >= octaves {
		return math.NaN(), 0
	}
	v := square(s.Prior)
	for k := range octave + 1 {
		o := &s.octave[k]
		v = (float64(o.n*o.v)/clipBias + float64(s.Worth*v)) / (o.n + s.Worth)
	}
	return math.Sqrt(v), s.octave[octave].n
}

// Over is the standard deviation of one figure as it must count when n successive
// figures are fitted as if they were independent: the greatest √(2^o)·Deviation(o)
// over the octaves o with 4·2^o ≤ n, and octave 0. It is never less than
// Deviation(0), and NaN while nothing is seen nor assumed.
//
// An average over 2^o independent figures of deviation sd would have sd/√(2^o), so
// each octave says what single figures would have to be like for averages as
// long to be as uncertain as they are; a fit is as uncertain as the worst of the
// wavelengths that it averages over. A triple of the highest octave spans at most
// three quarters of the n: what is slower looks like the trend itself, and only
// the prior or a longer series can tell of it.
//
// By theory it is σ for white noise of deviation σ. For a first-order
// autoregression of variance σ² and correlation ρ > 0 its square comes to
// σ²(1+ρ)/(1-ρ), which is what makes the variance of a long mean, from below: short
// of it by (10/3)ρ/(m(1-ρ²)) of itself, with m the greatest 2^o. For 1/f noise it
// grows as √n: the fit gains nothing by more figures. Of several octaves known
// to a tenth or so the greatest is taken, so the estimate is 7 to 9 % too high for
// white noise, and 20 % while an octave rests on a few triples.
//
// It fails where the noise is not alike over time; where it bends over a few
// 2^o figures as the curve looked for does; for noise that averages out faster
// than white (it says too much: a hum that beats with the pace of the figures,
// rounding that alternates); for n beyond 2^17, as for 2^17; and, without a prior,
// for n beyond what was seen (too little), and where an octave has only just
// been seen (anything).
func (s *Noise) Over(n int) (sd float64) {
	sd, _ = s.Deviation(0)
	for o := 1; o < octaves && 4<<o <= n; o++ {
		// Not seen yet, without a prior, it is NaN, and left out.
		if d, _ := s.Deviation(o); math.Sqrt(float64(int(1)<<o))*d > sd {
			sd = math.Sqrt(float64(int(1)<<o)) * d
		}
	}
	return sd
}

// EffectiveSize is how many independent figures of Deviation(0) would be worth n
// successive ones in a fit: n·Deviation(0)²/Over(n)², at most n. While nothing
// is known, or nothing moves, it is 1.
//
// For white noise it is n by theory, an eighth less as Over errs. For 1/f noise it
// is 4 to 8, however many the figures. For a first-order autoregression it comes to
// n(1-ρ)/(1+ρ) times (1-ρ)(1-ρ/3): the first factor is the effective size for
// deviations from the mean (Bayley & Hammersley 1946), the second is there
// because Deviation(0) does not see what neighbouring figures share. So it goes
// with Deviation(0) alone: of the residuals of a fit, with variance s², n are
// worth n·s²/Over(n)². For the same reason it can be less than 1, of a random
// walk. Else it fails where Over fails.
func (s *Noise) EffectiveSize(n int) float64 {
	sd, _ := s.Deviation(0)
	if size := float64(n) * square(sd/s.Over(n)); size >= 0 {
		return size
	}
	return 1
}
