package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/alarms/trend"
)

const (
	// pointBins is how many bins make one point of a runaway's history.
	pointBins = 6
	// keepPoints is how much of it is kept: 2 h.
	keepPoints = 240
	// growthFloor is the least rise that counts, as a ratio of the current:
	// above the wander of a quiet night (estimate).
	growthFloor = 0.015
	// reachOff and reachFloor are how far off, as a factor and in second, the time to
	// the limit was on the model nights in 19 of 20 cases, near and far alike: none
	// grows for long as it began, and a point is half a minute.
	reachOff   = 2.5
	reachFloor = 60.0
	// sameSupply is how far apart, in log ratio, the plate volts may be for currents
	// to be compared by one answer: beyond, tubes are on another part of their curve.
	sameSupply = 0.08
	// warming is for how many points what was switched or trimmed still warms.
	warming = 60
	// driftPace is how fast a drift goes that is no runaway, as a ratio of the
	// current per point: 10 % in an hour, one standard deviation (common practice, no source).
	driftPace = 0.10 / 120
	// evidence is how much better, in chi-square, a growth must fit than a
	// straight rise for a runaway to be called one, and evidenceKept for one that is
	// called so to go on.
	evidence     = 20.0
	evidenceKept = 10.0
	// ranAway is by how much, log ratio, a current that grows no more must have
	// grown to have run away (estimate: from 70 % of the limit to 95 %).
	ranAway = 0.30
	// lull is for how long one that has grown by at least a little may seem to rest
	// and still be one (estimate).
	lull = 15 * time.Minute
	// priorNoise is how much averages over a point differ from the next on a
	// quiet night, as a ratio, and how many differences this is worth (estimate).
	priorNoise = 0.0010
	priorWorth = 10.0
)

// point is half a minute of a socket's current.
type point struct {
	k int     // number of the half minute
	z float64 // mean current, ampere
	y float64 // its natural logarithm
	s float64 // straightened
	x float64 // mean log of the plate volts, NaN when unknown
	ranged
}

// history is the points of a socket since it was last watched anew.
type history struct {
	points []point
	noise  trend.Noise
	z, x   float64 // sums of the point to come
	n      int
	k      int
}

// restart forgets the points, not how noisy they are.
func (h *history) restart() {
	h.points = h.points[:0]
	h.z, h.x, h.n = 0, 0, 0
	h.noise.Restart()
}

// add takes the bin just closed, and says whether it completed a point.
func (h *history) add(s *socketState, b *bin) bool {
	k := b.k / pointBins
	done := false
	if h.n > 0 && k != h.k {
		done = h.close(s)
	}
	if !b.calm() {
		return done
	}
	h.k = k
	h.z += b.current
	h.x += b.x
	h.n++
	return done
}

// close makes a point of the bins gathered, if they are most of it.
func (h *history) close(s *socketState) bool {
	n := float64(h.n)
	p := point{k: h.k, z: h.z / n, x: h.x / n, ranged: s.bins[len(s.bins)-1].ranged}
	h.z, h.x, h.n = 0, 0, 0
	if n < pointBins/2 {
		return false
	}
	p.y, p.s = trend.Log(p.z), straightened(p.z)
	if m := len(h.points); m > 0 && (p.k > h.points[m-1].k+4 || math.IsNaN(p.x) != math.IsNaN(h.points[m-1].x)) {
		// A hole, or volts that came or went: what was before is not to be compared.
		h.points = h.points[:0]
		h.noise.Restart()
	}
	h.points = slide(h.points, p, keepPoints)
	h.noise.Prior, h.noise.Worth = hypot(priorNoise, s.count()), priorWorth
	if s.settled {
		y := p.y
		if !math.IsNaN(p.x - s.settledBin.x) {
			y -= s.answer.follows(p.x - s.settledBin.x)
		}
		h.noise.Add(y)
	}
	return true
}

// at is the point with that number, nil for none.
func (h *history) at(k int) *point {
	return numbered(h.points, k, func(p *point) int { return p.k })
}

// growth is what was judged of a socket's rise at the last point.
type growth struct {
	rising            bool
	rise              float64 // ampere over span, supply movement taken out
	span              time.Duration
	supply            float64 // change of the plate volts over the same span, ratio
	best, early, late float64 // seconds to the limit; +Inf never or unknown
	evidence          float64 // chi-square by which the growth fits better than any other explanation
}

// windows of points in which a growth is looked for.
var windows = [...]int{12, 24, 48, 96, 240}

// ages of an onset, in points.
var ages = [...]int{3, 4, 5, 7, 9, 12, 16, 21, 28, 37, 49, 65, 86, 114, 150, 200}

// bends are how many growth times may have passed since the onset.
var bends = [...]float64{0.4, 0.8, 1.3, 2, 3, 4.5}

// count is what the rounding of the sense meter's last digit leaves in a point, as
// a ratio of the current.
func (s *socketState) count() float64 {
	return 0.3 * s.meter.last.Resolution() / max(math.Abs(s.meter.value.X), 1e-9)
}

// hypot is √(x²+y²), of figures near 1, with the same bits everywhere.
func hypot(x, y float64) float64 { return math.Sqrt(float64(x*x) + float64(y*y)) }

// judgeGrowth looks for a current that rises faster and faster, significantly,
// beyond what the supply explains.
func (s *socketState) judgeGrowth() growth {
	g := growth{best: math.Inf(1), early: math.Inf(1), late: math.Inf(1)}
	pts := s.history.points
	blind := int((s.since + warmUpBlind) / (pointBins * binLength))
	for len(pts) > 0 && (pts[0].k <= blind || len(pts) > keepPoints) {
		pts = pts[1:]
	}
	for i := len(pts) - 1; i >= 0; i-- {
		if math.Abs(pts[i].x-pts[len(pts)-1].x) > sameSupply {
			pts = pts[i+1:]
			break
		}
	}
	if len(pts) < 6 {
		return growth{}
	}
	f := &s.e.fit
	for _, w := range windows {
		p := pts[max(0, len(pts)-w):]
		if len(p) < 6 || len(p) < w && len(p) < len(pts) {
			break
		}
		if f.look(s, p) {
			f.judge(s, &g)
		}
		if len(p) == len(pts) {
			break
		}
	}
	return g
}

// fit is the working store of one look at a window of points.
type fit struct {
	n        int
	t        [keepPoints]int     // points before the last, so 0 at the end and negative before
	z, x     [keepPoints]float64 // current over the window's mean less what the supply explains; its log volts; both about their means
	sd       float64
	lambda   float64
	szz, sxx float64
	szx      float64
	level    float64 // current that is 1
	floor    float64
	supply   float64
}

// candidate is a growth that may explain a rise.
type candidate struct {
	chi2 float64
	age  float64 // points since the onset
	bend float64 // growth times since then
	rise float64 // since the onset, ratio
}

// look takes the points and says whether there is any rise to look into.
func (f *fit) look(s *socketState, p []point) bool {
	f.n = len(p)
	last := p[f.n-1]
	f.level, f.floor = 0, growthFloor
	for i := range p {
		f.level += p[i].z
	}
	f.level /= float64(f.n)
	steep, se := s.answer.n, s.answer.se()
	// While it warms up its answer is hardly learnt, and what all do tells more.
	if !math.IsNaN(last.x) && (s.settled || len(s.e.sockets) < 3) {
		for i := range p {
			f.x[i] = p[i].x
		}
	} else {
		steep, se = 1, ownShare
		if !f.inCommon(s, p) {
			return false
		}
	}
	one := straightened(f.level) / straightened(1)
	var mx, mz float64
	for i := range p {
		mx += f.x[i] / float64(f.n)
	}
	for i := range p {
		f.t[i] = p[i].k - last.k
		f.x[i] -= mx
		f.z[i] = p[i].s/one - float64(steep*f.x[i])
		mz += f.z[i]
		f.floor = max(f.floor, growthFloor+p[i].apart(last.ranged))
	}
	mz /= float64(f.n)
	f.szz, f.sxx, f.szx = 0, 0, 0
	least := math.Inf(1)
	for i := range f.n {
		f.z[i] -= mz
		f.szz += float64(f.z[i] * f.z[i])
		f.sxx += float64(f.x[i] * f.x[i])
		f.szx += float64(f.z[i] * f.x[i])
		if i > 0 && i < f.n-2 {
			least = min(least, (f.z[i-1]+f.z[i])/2)
		}
	}
	if float64((f.z[f.n-1]+f.z[f.n-2])/2)-least < f.floor {
		return false
	}
	f.sd = s.history.noise.Over(f.n)
	f.lambda = f.sd * f.sd / (se * se)
	f.supply = 0
	if !math.IsNaN(last.x) {
		f.supply = trend.Expm1(last.x - p[0].x)
	}
	return true
}

// straightened is a current, of any unit, on the scale on which it follows
// its grid in a straight line by the three-halves law: on it the bias creeping
// steadily is a straight rise, and grid current growing e-fold is an exponential.
func straightened(z float64) float64 {
	return 1.5 * trend.Exp(trend.Log(max(z, 1e-9))*2/3)
}

// inCommon puts in place of the plate volts what all sockets' currents do, log
// ratio to the last point: the median of all and of no movement. It
// says whether the current itself has risen at all.
func (f *fit) inCommon(s *socketState, p []point) bool {
	least := math.Inf(1)
	for i := 1; i < f.n-2; i++ {
		least = min(least, (p[i-1].z+p[i].z)/2)
	}
	if float64((p[f.n-1].z+p[f.n-2].z)/2)-least < f.floor*f.level {
		return false
	}
	e := s.e
	for i := range p {
		v := append(e.scratch[0][:0], 0)
		for _, o := range e.sockets {
			then, now := o.history.at(p[i].k), o.history.at(p[f.n-1].k)
			if then != nil && now != nil {
				v = append(v, then.y-now.y)
			}
		}
		f.x[i] = trend.Median(v)
		e.scratch[0] = v
	}
	return true
}

// shape fits the rise g, which is 0 before point from and 1 at the last.
func (f *fit) shape(g []float64, from int) (rise, chi2 float64) {
	var sg, sgg, sgx, sgz float64
	for i := from; i < f.n; i++ {
		sg += g[i]
		sgg += float64(g[i] * g[i])
		sgx += float64(g[i] * f.x[i])
		sgz += float64(g[i] * f.z[i])
	}
	sgg -= sg * sg / float64(f.n)
	sxx := f.sxx + f.lambda
	det := float64(sgg*sxx) - float64(sgx*sgx)
	if !(det > 0) {
		return 0, f.szz / (f.sd * f.sd)
	}
	rise = (float64(sgz*sxx) - float64(sgx*f.szx)) / det
	c := (float64(sgg*f.szx) - float64(sgx*sgz)) / det
	return rise, (f.szz - float64(rise*sgz) - float64(c*f.szx)) / (f.sd * f.sd)
}

// judge compares a growth with every other explanation of a rise.
func (f *fit) judge(s *socketState, out *growth) {
	var g [keepPoints]float64
	// Nothing but the supply, and a straight rise, the less believed the faster it is.
	other := (f.szz - f.szx*f.szx/(f.sxx+f.lambda)) / (f.sd * f.sd)
	best := candidate{chi2: math.Inf(1)}
	long := -f.t[0]
	straight := func(a int) (from int) {
		from = f.n
		for from > 0 && f.t[from-1] > -a {
			from--
			g[from] = float64(f.t[from]+a) / float64(a)
		}
		rise, chi2 := f.shape(g[:], from)
		pace := max(rise/float64(a)/driftPace, 0)
		other = min(other, chi2+float64(pace*pace))
		return from
	}
	for a := 1; a < long; a += 1 + a/16 {
		straight(a)
		// A step is no growth, wherever in its half minute it was.
		from := f.n
		for from > 0 && f.t[from-1] > -a {
			from--
			g[from] = 1
		}
		for part := 0.2; part < 1.1; part += 0.2 {
			if from < f.n {
				g[from] = part
			}
			_, chi2 := f.shape(g[:], from)
			other = min(other, chi2)
		}
	}
	for _, a := range ages {
		if a > long {
			if a > 2*long {
				break
			}
			a = long
		}
		from := straight(a)
		for _, bend := range bends {
			step := trend.Exp(bend / float64(a))
			scale := 1 / trend.Expm1(bend)
			e := trend.Exp(bend) // at the last point
			for i, t := f.n-1, 0; i >= from; i-- {
				for ; t > f.t[i]; t-- {
					e /= step
				}
				g[i] = (e - 1) * scale
			}
			rise, chi2 := f.shape(g[:], from)
			if chi2 < best.chi2 && rise > f.floor {
				best = candidate{chi2, float64(a), bend, rise}
			}
		}
	}
	if !s.settled || len(s.history.points) < warming { // a warm-up rises too, ever slower
		for _, tau := range [...]float64{4, 8, 16, 32, 64} {
			step := trend.Exp(1 / tau)
			e := 1.0
			for i, t := f.n-1, 0; i >= 0; i-- {
				for ; t > f.t[i]; t-- {
					e *= step
				}
				g[i] = e
			}
			_, chi2 := f.shape(g[:], 0)
			other = min(other, chi2)
		}
	}
	ev := other - best.chi2
	if math.IsInf(best.chi2, 0) || ev <= out.evidence {
		return
	}
	out.evidence = ev
	out.rising = ev > evidence || ev > evidenceKept && s.is("runaway")
	out.rise = best.rise * f.level
	out.span = time.Duration(best.age) * pointBins * binLength
	out.supply = f.supply
	f.reach(s, best, out)
}

// reach finds when the limit is reached if it goes on as in the best explanation.
func (f *fit) reach(s *socketState, best candidate, out *growth) {
	out.best, out.early, out.late = math.Inf(1), math.Inf(1), math.Inf(1)
	ratio := s.e.job.Limits.Dissipation
	var far float64 // how much the current may still rise, ratio
	switch last := s.recent(); {
	case last.ratio > 0:
		far = ratio/last.ratio - 1
	case s.settledBin.ratio > 0:
		far = ratio/s.settledBin.ratio*s.settledBin.current/last.current - 1
	default:
		return
	}
	here := straightened(s.recent().current / f.level)
	far = float64(here*straightened(1+far)/1.5) - here
	out.best = float64(best.reach(far) * (pointBins * binLength).Seconds())
	out.early, out.late = max(out.best/reachOff-reachFloor, 0), float64(out.best*reachOff)+reachFloor
}

// reach is in how many points the current has risen by a further ratio.
func (c candidate) reach(far float64) float64 {
	if far <= 0 {
		return 0
	}
	q := 1 + far/c.rise // times the rise so far
	return c.age * (trend.Log(1+float64(q*trend.Expm1(c.bend)))/c.bend - 1)
}

// grown says whether a runaway that does not rise now is still one. Far above
// where it settled it is: it has met the limit of what the tube can pass. What
// comes to rest before that has drifted.
func (s *socketState) grown() bool {
	if !s.settled || len(s.bins) < 2 {
		return false
	}
	up := s.net(s.settledBin, s.recent())
	return up > ranAway || up > 0.05 && s.e.now-s.roseAt < lull
}

var runaway = &socketRule{
	binned: true,
	rule: rule{name: "runaway", explains: true, priority: Low, worst: High, onDelay: delay(15 * time.Second), offDelay: 2 * time.Minute,
		advice:      "Switch the amplifier off before the plate turns red. Then look for a gassy tube, a leaking coupling capacitor or a grid resistor too high.",
		cause:       "Gas or grid emission in the tube, a leaking coupling capacitor, a grid resistor too high: the hotter, the more it draws.",
		consequence: "The plate passes its limit within the time told, then glows.",
		within:      TenMinutes},
	judge: func(s *socketState) verdict {
		if !s.e.dissipating() {
			return no
		}
		switch i := s.current(); {
		case !i.Known:
			return unknown
		case i.X <= s.e.job.Limits.Conduction:
			return no // no-conduction says so
		}
		if !s.growth.rising {
			return verdict{stands: s.is("runaway") && s.grown(), priority: Low}
		}
		s.roseAt = s.e.now
		v := verdict{stands: true, priority: Low}
		within := s.e.job.Limits.RunawayWithin.Seconds()
		switch {
		case s.growth.early < within:
			v.priority = High
		case s.growth.early < 3*within:
			v.priority = Medium
		}
		return v
	},
	text: func(s *socketState) string {
		g := s.growth
		if !g.rising {
			return fmt.Sprintf("%s has run away: %s now, settled at %s", s.Name, milliamps(s.recent().current), milliamps(s.settledBin.current))
		}
		text := fmt.Sprintf("%s up %s in %s and accelerating; ", s.Name, milliamps(g.rise), people(g.span.Round(time.Minute)))
		if math.Abs(g.supply) < 0.005 {
			text += "supply flat"
		} else {
			text += fmt.Sprintf("supply %+.1f %%", 100*g.supply)
		}
		switch {
		case math.IsInf(g.best, 0):
		case g.best == 0:
			text += fmt.Sprintf("; past %.3g W", s.Limit*s.e.job.Limits.Dissipation)
		case math.IsInf(g.late, 0):
			text += fmt.Sprintf("; reaches %.3g W in %.0f min or later", s.Limit*s.e.job.Limits.Dissipation, math.Floor(g.early/60))
		case g.late > 2*time.Hour.Seconds():
			text += fmt.Sprintf("; reaches %.3g W in %s to %s", s.Limit*s.e.job.Limits.Dissipation, wholeMinutes(math.Floor(g.early/60)), wholeMinutes(math.Ceil(g.late/60)))
		default:
			text += fmt.Sprintf("; reaches %.3g W in %.0f to %.0f min", s.Limit*s.e.job.Limits.Dissipation, math.Floor(g.early/60), math.Ceil(g.late/60))
		}
		return text
	},
}

func wholeMinutes(n float64) string { return people(time.Duration(n) * time.Minute) }
