package trend

import "math"

// Curve is Y = A + B·exp(t/Tau), t in seconds before the last point (so t ≤ 0
// there and B is what is left of the exponential now). Tau < 0 is a settling,
// Tau > 0 a growth. Linear is the same points fitted with a straight line.
//
// SDA, SDB and SDTau are standard errors by the linear theory about the
// solution, for nEff independent points: n points worth nEff are taken for n/nEff
// copies of each, so the residual variance is RSS/(nEff-3) where least squares
// of independent points has RSS/(n-3). They are +Inf where the points do not
// determine a time constant (the least misfit lies at an end of the grid).
type Curve struct {
	A, B, Tau         float64
	SDA, SDB, SDTau   float64
	RSS               float64
	Linear            Line
	quickest, slowest candidate // the ends of what the points do not refuse
}

// candidate is the curve that is the best that a given time constant can do.
type candidate struct{ a, b, tau, rss float64 }

// The time constants tried, three an octave: from faster than one can act on
// to slower than one can see in a window of minutes.
const (
	gridSize    = 24
	slowTau     = 3600.0             // second; the fastest is 2^(-23/3) of it, 17.7 s
	octaveThird = 1.2599210498948732 // 2^(1/3)
)

// Curve fits an exponential to p, which may be unevenly spaced: growth tries
// rising exponents, otherwise settling ones. nEff, at most len(p), is how many
// independent points p is worth: it widens the standard errors and what is
// accepted, for readings follow each other closely. RSS is NaN for fewer than 6
// points, and when no exponential gives a finite misfit.
//
// The problem is separable (Golub & Pereyra 1973): for a given time constant
// the other two parameters are linear. So a grid of time constants finds the
// least misfit without a start, and Fit polishes the time constant alone.
func (f *Fitter) Curve(p []Point, growth bool, nEff float64) Curve {
	nan, inf := math.NaN(), math.Inf(1)
	e := Curve{A: nan, B: nan, Tau: nan, SDA: inf, SDB: inf, SDTau: inf, RSS: nan}
	n := len(p)
	if n < 6 {
		return e
	}
	f.load(p)
	e.Linear = FitLine(n, func(i int) (float64, float64) { return f.t[i], p[i].Y })
	sign := -1.0
	if growth {
		sign = 1
	}
	f.tryGrid(sign / slowTau)
	best := 0
	for i := range f.grid {
		if f.grid[i].rss < f.grid[best].rss {
			best = i
		}
	}
	c := f.grid[best]
	if !finite(c.rss) {
		return e
	}
	nEff = min(nEff, float64(n))
	if best > 0 && best < gridSize-1 {
		if polished, ok := f.polish(&e, c.tau, nEff); ok {
			c = polished
		}
	}
	e.A, e.B, e.Tau, e.RSS = c.a, c.b, c.tau, c.rss
	limit := e.refusal(nEff)
	e.slowest = f.end(c, limit, -1)
	e.quickest = f.end(c, limit, 1)
	return e
}

// load takes the points: times before the last, figures less their mean.
func (f *Fitter) load(p []Point) {
	n := len(p)
	f.t, f.y, f.g, f.tg = grow(f.t, n), grow(f.y, n), grow(f.g, n), grow(f.tg, n)
	var sum float64
	for i := range p {
		f.t[i] = p[i].T - p[n-1].T
		sum += p[i].Y
	}
	f.mean = sum / float64(n)
	for i := range p {
		f.y[i] = p[i].Y - f.mean
	}
}

// tryGrid fits every time constant of the grid, the slowest first. Halving the
// time constant squares the exponentials, at any spacing of the points, so only
// those of one octave are computed; the squaring doubles the relative error
// each time, to 1e-14 in the end.
func (f *Fitter) tryGrid(rate float64) {
	for j, q := range [3]float64{1, octaveThird, octaveThird * octaveThird} {
		rate := rate * q
		f.exponentials(rate)
		for i := j; i < gridSize; i += 3 {
			f.grid[i] = f.linear(rate)
			rate *= 2
			for l, g := range f.g {
				f.g[l] = g * g
			}
		}
	}
}

func (f *Fitter) exponentials(rate float64) {
	for i, t := range f.t {
		f.g[i] = Exp(rate * t)
	}
}

// regression is the straight line of some figures against the exponentials.
type regression struct{ a, b, rss, mean, sxx float64 }

// against fits the line in one pass about a point of the data (shifted data:
// Chan, Golub & LeVeque 1983).
func (f *Fitter) against(y []float64) regression {
	g := f.g
	y = y[:len(g)]
	at := len(g) / 2
	g0, y0 := g[at], y[at]
	var sg, sgg, sgy, sy, syy float64
	for i := range g {
		h, v := g[i]-g0, y[i]-y0
		sg += h
		sy += v
		sgg += float64(h * h)
		sgy += float64(h * v)
		syy += float64(v * v)
	}
	n := float64(len(g))
	r := regression{mean: g0 + sg/n, sxx: sgg - float64(sg*sg)/n}
	sxy := sgy - float64(sg*sy)/n
	r.b = sxy / r.sxx
	r.a = y0 + sy/n - float64(r.b*r.mean)
	r.rss = max(syy-float64(sy*sy)/n-float64(r.b*sxy), 0)
	return r
}

// linear is the best with the exponentials as they stand, +Inf its misfit when
// there is no finite one.
func (f *Fitter) linear(rate float64) candidate {
	r := f.against(f.y)
	c := candidate{r.a + f.mean, r.b, 1 / rate, r.rss}
	if !(r.sxx > 0) || !finite(c.a) || !finite(c.rss) {
		c.rss = math.Inf(1)
	}
	return c
}

// polish frees the time constant, as its inverse: the misfit is nearer to a
// parabola in that. The other two follow it, so the gradient is what the
// constant and the exponential cannot make up for (Kaufman 1975), and at the
// solution the variances are those of all three parameters at once: of the
// time constant what Fit says; of the others their own, were it known, and how
// they follow it (partitioned regression). It fails where the solution is not
// between the neighbours in the grid.
func (f *Fitter) polish(e *Curve, tau, nEff float64) (candidate, bool) {
	var line, follow regression
	project := func(rate float64) {
		f.exponentials(rate)
		for i, g := range f.g {
			f.tg[i] = f.t[i] * g
		}
		line, follow = f.against(f.y), f.against(f.tg)
	}
	fit, err := f.Fit(len(f.t), []float64{1 / tau}, func(i int, b, gradient *[MaxParameters]float64) float64 {
		if i == 0 {
			project(b[0])
		}
		gradient[0] = line.b * (f.tg[i] - follow.a - float64(follow.b*f.g[i]))
		return f.y[i] - line.a - float64(line.b*f.g[i])
	})
	rate := fit.B[0]
	if err != nil || !(rate*tau > 1/octaveThird && rate*tau < octaveThird) {
		return candidate{}, false
	}
	project(rate)
	s2 := fit.RSS / freedom(nEff)
	vRate := square(fit.SD[0]) * float64(len(f.t)-1) / freedom(nEff)
	e.SDA = math.Sqrt(float64(s2*(1/float64(len(f.t))+square(line.mean)/line.sxx)) + float64(square(line.b*follow.a)*vRate))
	e.SDB = math.Sqrt(s2/line.sxx + float64(square(line.b*follow.b)*vRate))
	e.SDTau = math.Sqrt(vRate) / square(rate)
	return candidate{line.a + f.mean, line.b, 1 / rate, fit.RSS}, true
}

// end is the outermost one that the points do not refuse, slower than the
// best, c (side -1), or quicker (+1). The profile of the misfit is crossed between
// an accepted and a refused time constant, where its root above the least is
// nearly straight in 1/tau (profile likelihood: Venzon & Moolgavkar 1988).
func (f *Fitter) end(c candidate, limit float64, side int) candidate {
	outermost := 0
	if side > 0 {
		outermost = gridSize - 1
	}
	in, out := c, c
	for i := outermost; i >= 0 && i < gridSize && float64(side)*(c.tau/f.grid[i].tau-1) > 0; i -= side {
		if f.grid[i].rss <= limit {
			in = f.grid[i]
			break
		}
		out = f.grid[i]
	}
	end := in
	root := func(rss float64) float64 { return math.Sqrt(max(rss-c.rss, 0)) }
	for range 2 {
		q := (root(limit) - root(in.rss)) / (root(out.rss) - root(in.rss))
		if !(q > 0 && q < 1) {
			break // also where the grid ends before the points refuse
		}
		rate := 1/in.tau + float64(q*(1/out.tau-1/in.tau))
		f.exponentials(rate)
		if end = f.linear(rate); end.rss <= limit {
			in = end
		} else {
			out = end
		}
	}
	return end
}

// freedom is how many degrees of freedom nEff points leave three parameters.
func freedom(nEff float64) float64 {
	if d := nEff - 3; d > 1 {
		return d
	}
	return 1
}

// refusal is the misfit from which on a curve is refused: the excess over the
// least, in units of the residual variance, is F-distributed with 1 and nEff-3
// degrees of freedom, so it is refused beyond the square of Student's 97.5 % point.
func (e Curve) refusal(nEff float64) float64 {
	v := freedom(nEff)
	return e.RSS * (1 + square(student(v))/v)
}

// student is the 97.5 % point of Student's t with v degrees of freedom, from the
// normal's (Abramowitz & Stegun 1964, 26.7.5, to the second term): 1 % low at 5,
// 0.1 % at 10.
func student(v float64) float64 {
	const z = 1.959963984540054
	return z + (z*z*z+z)/4/v + (5*z*z*z*z*z+16*z*z*z+3*z)/96/v/v
}

// Curved says whether the points refuse the straight line in favour of the
// exponential, at 95 % with nEff independent points.
func (e Curve) Curved(nEff float64) bool { return e.Linear.RSS > e.refusal(nEff) }

// Reach is when the fitted curve passes level, in seconds after the last
// point: the best estimate, and the early and late ends over the time constants
// that the points do not refuse. Inf means never.
func (e Curve) Reach(level float64) (best, early, late float64) {
	best = candidate{a: e.A, b: e.B, tau: e.Tau}.reach(level)
	quick, slow := e.quickest.reach(level), e.slowest.reach(level)
	return best, min(best, quick, slow), max(best, quick, slow)
}

func (c candidate) reach(level float64) float64 {
	q := (level - c.a) / c.b
	if c.tau > 0 && c.b > 0 && level <= c.a+c.b {
		return 0 // passed already
	}
	if !(q > 0) {
		return math.Inf(1)
	}
	if t := c.tau * Log(q); t >= 0 {
		return t
	}
	return math.Inf(1)
}
