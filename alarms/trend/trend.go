// Package trend is the numerics of judging a current over time: robust slope,
// straight-line, exponential and general fits, control charts, and how noisy a
// series is. It is pure: no clock, no I/O.
//
// The same input gives the same bits on every machine with IEEE 754 doubles.
// Go may fuse x*y + z into one rounding (it does on arm64, and on amd64 from
// GOAMD64=v3), so every product that is added is rounded first by an explicit
// conversion, which the language says prevents it. Of package math only what is
// exact or correctly rounded is used (Sqrt, Abs, Frexp, Ldexp, Copysign):
// math.Exp is assembly on amd64 and arm64, of two different methods, and on
// amd64 it even differs with the processor (with FMA or without); math.Log is
// assembly on amd64 and fused Go on arm64. So Exp and Log are here, in Go.
package trend

import (
	"math"
	"slices"
)

// Point is a moment and a figure: T in seconds, Y in any one unit.
type Point struct{ T, Y float64 }

// Slopes computes robust slopes; it keeps its working store between calls, so
// it allocates only while growing. Use one per goroutine.
type Slopes struct{ s []float64 }

// TheilSen is the median of the slopes between all pairs of points, Y per
// second, with its 95 % confidence interval by the ranks of Kendall's S
// (Sen 1968; interval after Gilbert 1987, with the correction for ties in Y
// and linear interpolation between ranks). Pairs at equal T are left out.
// All three are NaN when no pair is left.
func (w *Slopes) TheilSen(p []Point) (slope, lo, hi float64) {
	w.pairs(p)
	if len(w.s) == 0 {
		nan := math.NaN()
		return nan, nan, nan
	}
	slices.Sort(w.s)
	n := float64(len(p))
	v := float64(n*(n-1)*(float64(2*n)+5)) - w.ties(p)
	c := float64(1.959963984540054 * math.Sqrt(max(v, 0)/18))
	m := float64(len(w.s))
	return rank(w.s, (m+1)/2), rank(w.s, (m-c)/2), rank(w.s, float64((m+c)/2)+1)
}

// Median is TheilSen without the interval, in linear time in the number of pairs.
func (w *Slopes) Median(p []Point) float64 {
	w.pairs(p)
	return Median(w.s)
}

func (w *Slopes) pairs(p []Point) {
	w.s = w.s[:0]
	for i := range p {
		for j := i + 1; j < len(p); j++ {
			if dt := p[j].T - p[i].T; dt != 0 {
				w.s = append(w.s, (p[j].Y-p[i].Y)/dt)
			}
		}
	}
}

// ties is the sum of u(u-1)(2u+5) over groups of u equal figures.
func (w *Slopes) ties(p []Point) float64 {
	var sum float64
	for i := range p {
		var before, u int
		for j := range p {
			if p[j].Y == p[i].Y {
				if j < i {
					before++
				}
				u++
			}
		}
		if before == 0 && u > 1 {
			sum += float64(u * (u - 1) * (2*u + 5))
		}
	}
	return sum
}

// rank is the r-th smallest of sorted s, counting from 1 and interpolating; it
// clamps to the ends.
func rank(s []float64, r float64) float64 {
	r = min(max(r, 1), float64(len(s)))
	i := int(r)
	if i == len(s) {
		return s[i-1]
	}
	f := r - float64(i)
	return float64(s[i-1]*(1-f)) + float64(s[i]*f)
}

// Median is the median of s, which it reorders; NaN when s is empty.
func Median(s []float64) float64 {
	n := len(s)
	if n == 0 {
		return math.NaN()
	}
	m := nth(s, n/2)
	if n%2 == 1 {
		return m
	}
	return (m + slices.Max(s[:n/2])) / 2
}

// nth puts the k-th smallest (from 0) at s[k], nothing greater before it, and
// returns it (Hoare's quickselect, middle pivot: the input is often sorted).
func nth(s []float64, k int) float64 {
	lo, hi := 0, len(s)-1
	for lo < hi {
		p := s[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for s[i] < p {
				i++
			}
			for s[j] > p {
				j--
			}
			if i <= j {
				s[i], s[j] = s[j], s[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return s[k]
		}
	}
	return s[k]
}

// Line is the least-squares line Y = A + B·X with standard deviations of both
// and the residual sum of squares.
type Line struct {
	A, B, SDA, SDB, RSS float64
}

// FitLine fits a straight line to n points given by at, in two passes about
// the means (the sums of squares of raw data would lose the digits that NIST's
// Norris set asks for). All is NaN when X does not vary.
func FitLine(n int, at func(i int) (x, y float64)) Line {
	var mx, my, cx, cy float64
	for i := range n {
		x, y := at(i)
		mx, cx = kahan(mx, cx, x)
		my, cy = kahan(my, cy, y)
	}
	mx /= float64(n)
	my /= float64(n)
	var sxx, sxy float64
	for i := range n {
		x, y := at(i)
		x, y = x-mx, y-my
		sxx += float64(x * x)
		sxy += float64(x * y)
	}
	l := Line{B: sxy / sxx}
	if sxx == 0 {
		l.B = math.NaN()
	}
	l.A = my - float64(l.B*mx)
	for i := range n {
		x, y := at(i)
		r := (y - my) - float64(l.B*(x-mx))
		l.RSS += float64(r * r)
	}
	s2 := l.RSS / float64(n-2)
	l.SDB = math.Sqrt(s2 / sxx)
	l.SDA = math.Sqrt(s2 * (1/float64(n) + float64(mx*mx)/sxx))
	return l
}

func kahan(sum, c, x float64) (float64, float64) {
	y := x - c
	t := sum + y
	return t, (t - sum) - y
}
