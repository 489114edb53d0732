// Package trend is the numerics of judging a current over time: robust slope,
// straight-line and exponential fits. It is pure: no clock, no I/O, and the
// same bits on every architecture as far as the language allows (products that
// are added are rounded first, since Go may fuse them on arm64).
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
	v := n * (n - 1) * (2*n + 5)
	v -= w.ties(p)
	c := 1.959963984540054 * math.Sqrt(max(v, 0)/18)
	m := float64(len(w.s))
	return rank(w.s, (m+1)/2), rank(w.s, (m-c)/2), rank(w.s, (m+c)/2+1)
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

// Exp is Y = A + B·exp(t/Tau), t in seconds before the last point (so t ≤ 0
// there and B is what is left of the exponential now). Tau < 0 is a settling,
// Tau > 0 a growth. Linear is the same points fitted with a straight line.
type Exp struct {
	A, B, Tau float64
	RSS       float64
	Linear    Line
	accepted  []Exp // every time constant that the points do not refuse
}

// tauRatio is how far apart neighbouring time constants of the grid are.
const tauRatio = 1.25

// taus are the time constants tried, in seconds: from faster than one can act
// on to slower than one can see in a window of minutes.
var taus = func() []float64 {
	var t []float64
	for x := 20.0; x < 3600; x *= tauRatio {
		t = append(t, x)
	}
	return t
}()

// FitExp fits an exponential to p by separable least squares: for each time
// constant of a grid the other two are linear. growth tries rising exponents,
// otherwise settling ones. nEff is how many independent points p is worth, which
// widens what is accepted: readings follow each other closely, so it is less
// than len(p).
func FitExp(p []Point, growth bool, nEff float64) Exp {
	best := Exp{RSS: math.Inf(1)}
	if len(p) < 6 {
		best.RSS = math.NaN()
		return best
	}
	last := p[len(p)-1].T
	fits := make([]Exp, 0, len(taus))
	g := make([]float64, len(p))
	try := func(tau float64) {
		for i := range p {
			// Counted from the last point, so that growth cannot overflow and
			// B is what matters now.
			g[i] = math.Exp((p[i].T - last) / tau)
		}
		l := FitLine(len(p), func(i int) (float64, float64) { return g[i], p[i].Y })
		f := Exp{A: l.A, B: l.B, Tau: tau, RSS: l.RSS}
		if math.IsNaN(f.RSS) || math.IsInf(f.RSS, 0) {
			f.RSS = math.Inf(1)
		} else {
			fits = append(fits, f)
		}
		if f.RSS < best.RSS {
			best = f
		}
	}
	sign := -1.0
	if growth {
		sign = 1
	}
	for _, tau := range taus {
		try(sign * tau)
	}
	// The grid brackets the least misfit; ever smaller steps about it bring the
	// time constant to 0.1 %.
	for step := math.Sqrt(tauRatio); step > 1.001; step = math.Sqrt(step) {
		tau := best.Tau
		try(tau * step)
		try(tau / step)
	}
	best.Linear = FitLine(len(p), func(i int) (float64, float64) { return p[i].T - last, p[i].Y })
	// Profile of the residual sum of squares: a time constant is refused when
	// its misfit is beyond the 95 % point of chi-square with one degree of
	// freedom, 3.84, in units of the residual variance.
	limit := best.refusal(nEff)
	for _, f := range fits {
		if f.RSS <= limit {
			best.accepted = append(best.accepted, f)
		}
	}
	return best
}

func (e Exp) refusal(nEff float64) float64 { return e.RSS * (1 + 3.84/max(nEff-3, 1)) }

// Curved says whether the points refuse the straight line in favour of the
// exponential, at 95 % with nEff independent points.
func (e Exp) Curved(nEff float64) bool { return e.Linear.RSS > e.refusal(nEff) }

// Reach is when the fitted curve passes level, in seconds after the last
// point: the best estimate, and the early and late ends over every time
// constant that the points do not refuse. Inf means never.
func (e Exp) Reach(level float64) (best, early, late float64) {
	best = e.reach(level)
	early, late = best, best
	for _, f := range e.accepted {
		r := f.reach(level)
		early, late = min(early, r), max(late, r)
	}
	return best, early, late
}

func (e Exp) reach(level float64) float64 {
	q := (level - e.A) / e.B
	if e.Tau > 0 && e.B > 0 && level <= e.A+e.B {
		return 0 // passed already
	}
	if !(q > 0) {
		return math.Inf(1)
	}
	if t := e.Tau * math.Log(q); t >= 0 {
		return t
	}
	return math.Inf(1)
}
