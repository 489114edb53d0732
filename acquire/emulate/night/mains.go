package night

import (
	"cmp"
	"math"
	"slices"
)

// stretch is a part of the night, in seconds of run time.
type stretch struct{ from, to float64 }

func (s stretch) has(t float64) bool { return t >= s.from && t < s.to }

// level is a lasting change of the mains, ratio to nominal.
type level struct{ at, add float64 }

// dip is a passing one; a motor's is deep while it runs up, then shallow.
type dip struct {
	stretch
	depth float64
	motor bool
}

// mainsSpec is what the mains does all night.
type mainsSpec struct {
	off, diurnal, phase    float64
	sigma, tau, quickSigma float64
	levels                 []level
	dips                   []dip
	cuts                   []stretch
}

const (
	quickMainsTau = 2.0 // second
	motorRunUp    = 0.4 // second, time constant of the inrush. Estimate
	motorLoad     = 0.2 // of the inrush while it runs. Estimate
)

// mains draws the mains of a quiet night.
func (d dice) mains() mainsSpec {
	return mainsSpec{
		off: d.in(mainsOff), diurnal: d.in(mainsDiurnal), phase: d.in(span{0, 2 * math.Pi}),
		sigma: d.in(quietSigma), tau: d.inLog(wanderTau), quickSigma: d.in(quickSigma),
	}
}

// taps adds a night's work of a tap changer from a moment on.
func (m *mainsSpec) taps(d dice, from, to float64) {
	sum := 0.0
	for _, at := range d.moments(d.count(tapSteps), from, to) {
		step := d.in(tapStep) * d.sign()
		if math.Abs(sum+step) > tapBound {
			step = -step
		}
		if math.Abs(sum+step) > tapBound { // either way is too far: back to nominal
			step = -sum
		}
		sum += step
		m.levels = append(m.levels, level{at, step})
	}
}

// sags adds dips, and on some nights a neighbour's motor.
func (m *mainsSpec) sags(d dice, from, to float64) {
	for _, at := range d.moments(d.count(dips), from, to) {
		m.dips = append(m.dips, dip{stretch{at, at + d.inLog(dipLong)}, d.in(dipDepth), false})
	}
	if d.chance(0.6) {
		depth, every := d.in(motorInrush), d.in(motorEvery)
		for at := from + d.in(span{0, every}); at < to; at += d.about(every, 0.3) {
			m.dips = append(m.dips, dip{stretch{at, at + d.in(motorRuns)}, d.about(depth, 0.1), true})
		}
	}
	slices.SortFunc(m.dips, func(a, b dip) int { return cmp.Compare(a.from, b.from) })
}

// moments are n moments between from and to, in order.
func (d dice) moments(n int, from, to float64) []float64 {
	at := make([]float64, n)
	for i := range at {
		at[i] = d.in(span{from, to})
	}
	slices.Sort(at)
	return at
}

// mainsState follows a mainsSpec.
type mainsState struct {
	*mainsSpec
	wander, quick       float64
	wanderLag, quickLag float64
	shift               float64
	levels              []level // to come
	dips                []dip   // now and to come
}

func newMains(m *mainsSpec) mainsState {
	return mainsState{mainsSpec: m, wanderLag: lag(m.tau), quickLag: lag(quickMainsTau), levels: m.levels, dips: m.dips}
}

// at is the mains at t, ratio to nominal. t must not go back.
func (m *mainsState) at(t float64, noise dice) float64 {
	m.wander = min(max(ou(m.wander, m.sigma, m.wanderLag, noise), -mainsBound), mainsBound)
	m.quick = ou(m.quick, m.quickSigma, m.quickLag, noise)
	for len(m.levels) > 0 && t >= m.levels[0].at {
		m.shift += m.levels[0].add
		m.levels = m.levels[1:]
	}
	if slices.ContainsFunc(m.cuts, func(s stretch) bool { return s.has(t) }) {
		return 0
	}
	v := 1 + m.off + m.diurnal*math.Sin(2*math.Pi*t/(24*hour)+m.phase) + m.wander + m.quick + m.shift
	for len(m.dips) > 0 && t >= m.dips[0].to {
		m.dips = m.dips[1:]
	}
	if len(m.dips) > 0 && m.dips[0].has(t) {
		switch x := &m.dips[0]; {
		case x.motor:
			v -= x.depth * (motorLoad + (1-motorLoad)*math.Exp((x.from-t)/motorRunUp))
		default:
			v -= x.depth
		}
	}
	return v
}

// lag is how far something with time constant tau gets in one step.
func lag(tau float64) float64 { return 1 - math.Exp(-dt/tau) }

// ou advances an Ornstein-Uhlenbeck process about 0 by one step.
func ou(x, sigma, lag float64, noise dice) float64 {
	return x*(1-lag) + sigma*math.Sqrt(lag*(2-lag))*noise.NormFloat64()
}
