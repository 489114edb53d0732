package trend

import (
	"math"
	"math/bits"
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
	// the median says are left out.
	early  = 9
	reject = 16.0
	// enough differences for an octave to be relied on.
	enough = 6
)

// Noise estimates how noisy a series of evenly spaced figures is when its noise
// is autocorrelated and quantised. For each octave k it keeps the two-sample
// deviation (Allan 1966; IEEE Std 1139) between neighbouring averages over 2^k
// figures: the root of half the mean square of their difference. White noise
// makes it fall by √2 an octave, 1/f noise leaves it level, and a drift raises
// it; a slow change of the mean hardly counts in the low octaves, whereas it
// would swell a plain standard deviation for ever.
//
// Each figure costs two updates in the mean and 16 at most, and the memory is
// constant. A jump or fault does not blow the estimate up: no square counts more
// than nine times the present estimate, which for normal noise makes the
// variance 0.51 % too small and is corrected. Old differences fade, beyond the
// last hundred or so of each octave. The zero value is ready.
type Noise struct {
	// Step is the least change that the figures can show, a count of the
	// display, 0 where there is none: a square of one step always counts in
	// full, since in a display that mostly stands each flip would look like a
	// fault.
	Step float64

	octave [octaves]octave
}

// octave is what is known of averages over 2^k figures.
type octave struct {
	last   float64 // the average before
	seen   bool    // there is one
	paired bool    // it has been made part of an average of the next octave
	first  [early]float64
	v, n   float64 // half mean square of the differences, and how many it rests on
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
		mean := (o.last + y) / 2
		if o.seen {
			o.learn(square(y-o.last)/2, square(s.Step)/2)
		}
		carry := o.seen && !o.paired
		o.last, o.seen, o.paired = y, true, carry
		if !carry {
			return
		}
		y = mean
	}
}

// Restart says that the series was interrupted: averages under way are dropped,
// what was learnt stays.
func (s *Noise) Restart() {
	for k := range s.octave {
		s.octave[k].seen, s.octave[k].paired = false, false
	}
}

// learn takes one more half square of a difference; the least clip is never
// under floor.
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
// says of normal noise (for which it is 2 to 3 % too small).
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

// Deviation is the two-sample deviation of averages over 2^octave figures, in
// the unit of the figures, and the number of differences that it rests on
// (they overlap in what they compare, so its own relative error is about
// 0.9/√n for white noise). It is NaN with n 0 while there is none, or for an
// octave out of range. It is 0 for figures that never move: then the noise, if
// any, hides under a count.
func (s *Noise) Deviation(octave int) (sd, n float64) {
	if octave < 0 || octave >= octaves || s.octave[octave].n == 0 {
		return math.NaN(), 0
	}
	o := &s.octave[octave]
	return math.Sqrt(o.v / clipBias), o.n
}

// EffectiveSize is how many independent figures n successive ones are worth for
// their mean, from 1 to n: the variance of a single figure over that of the mean.
//
// The variance of a mean of 2^k figures, as far as averages as long can tell, is
// the two-sample variance of octave k, V(k). That of a single figure among them
// is half the sum of V over the octaves below plus V(k), since halving a
// stretch again and again splits the variance into what the halves differ by (the
// Haar wavelet variance is half the two-sample variance: Percival & Guttorp
// 1994). For white noise that is n; for a first-order autoregression n
// (1-ρ)/(1+ρ), once n is many correlation times; for 1/f noise it grows only
// with the logarithm of n, and for a random walk it stops at 1.5. Between
// octaves it is interpolated.
//
// It fails where the noise is not alike over time; where hum beats with the
// pace of the figures, for one octave then sees it and its neighbours do not;
// where a drift runs through everything learnt (it then says too few); and
// for n beyond what was seen: octaves with fewer than 6 differences are left
// out, and longer means are taken to be no better than the longest that was
// seen, so it says too few there as well. While nothing is known it is 1.
func (s *Noise) EffectiveSize(n float64) float64 {
	if !(n > 1) {
		return 1
	}
	n = min(n, 1<<(octaves-1))
	k := bits.Len(uint(n)) - 1
	size := s.size(k)
	if whole := float64(uint(1) << k); n > whole {
		size += float64((n/whole - 1) * (s.size(k+1) - size))
	}
	return size
}

// size is the effective size of 2^k figures.
func (s *Noise) size(k int) float64 {
	var below float64
	top := 0
	for ; top < k && top+1 < octaves && s.octave[top+1].n >= enough; top++ {
		below += s.octave[top].v
	}
	if v := s.octave[top].v; v > 0 && s.octave[top].n >= enough {
		return min(below/2/v+1, float64(int(1)<<k))
	}
	return 1
}
