package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms/trend"
)

// follow takes the bin that was just closed into everything that looks back.
func (s *socketState) follow() {
	b := &s.bins[len(s.bins)-1]
	s.followContact()
	if !s.conducted || b.current <= s.e.job.Limits.Conduction {
		return
	}
	if !s.settled {
		s.judgeSettling()
	}
	if s.history.add(s, b) {
		s.growth = s.judgeGrowth()
	}
	s.followAbsorb()
}

// warmsTogether is for how long sockets may well settle alike: what they have in
// common then is not the mains alone (estimate).
const warmsTogether = 20 * time.Minute

// went is how far the sockets' currents went together from one bin to another,
// log ratio: the median of all and of no movement.
func (e *Engine) went(from, to int) float64 {
	v := append(e.scratch[0][:0], 0)
	for _, o := range e.sockets {
		if a, b := o.binAt(from), o.binAt(to); a != nil && b != nil {
			v = append(v, b.y-a.y)
		}
	}
	e.scratch[0] = v
	return trend.Median(v)
}

// held are the bins as points of the current in ampere as it would be at the
// plate volts of the last or, where no meter tells them, with what all sockets
// do taken out.
func (s *socketState) held(bins []bin) []trend.Point {
	s.points = s.points[:0]
	last := &bins[len(bins)-1]
	together := math.IsNaN(last.x) && s.e.now-s.since > warmsTogether
	for i := range bins {
		b := &bins[i]
		y := b.current
		switch dx := last.x - b.x; {
		case together:
			y *= trend.Exp(s.e.went(b.k, last.k))
		case !math.IsNaN(dx):
			y *= trend.Exp(s.answer.follows(dx))
		}
		s.points = append(s.points, trend.Point{T: b.t, Y: y})
	}
	return s.points
}

// slope is the robust slope of the current over the last settle window, supply
// movement taken out, in ampere per second, and the current it is of; unknown
// while the window is not full.
func (s *socketState) slope() (slope socket.Value, current float64) {
	l, now := s.e.job.Limits, s.e.now
	window := s.last(l.SettlePer)
	// The window must be full but for the stretch that is still being gathered.
	if len(window) < 6 || now-s.since < l.SettlePer || window[0].t > (now-l.SettlePer+2*binLength).Seconds() {
		return socket.Value{}, 0
	}
	return socket.Value{X: s.slopes.Median(s.held(window)), Known: true}, middle(window).current
}

// settleHistory is how much of the past the forecast looks at.
const settleHistory = 10 * time.Minute

// judgeSettling applies CONTRACT's rule: the robust slope of the current over the
// settle window, times the window, is under the settle rate of the median,
// continuously for one window, and the forecast agrees.
func (s *socketState) judgeSettling() {
	l := s.e.job.Limits
	now := s.e.now
	slope, m := s.slope()
	// Nothing settles unseen, in a silence.
	if n := len(s.bins); !slope.Known || n > 1 && s.bins[n-1].t-s.bins[n-2].t > (s.meter.SilentAfter+binLength).Seconds() {
		s.holding = false
		return
	}
	still := s.foresee(slope.X, m)
	if !still || math.Abs(slope.X)*l.SettlePer.Seconds() >= l.SettleRate*m {
		s.holding = false
		return
	}
	if !s.holding {
		s.holding, s.holdSince = true, now
	}
	if now-s.holdSince < l.SettlePer {
		return
	}
	s.settled, s.settledAt, s.forecast = true, now, forecast{}
	window := s.last(time.Minute)
	s.settledBin = middle(window)
	s.reference = s.settledBin
	if s.asFound != nil {
		s.asLeft = s.settledBin.idle(now)
	}
	s.e.supply.settle()
	ev := Event{Event: EventSettled, Socket: s.Name, CathodeCurrent: &socket.Value{X: s.settledBin.current, Known: !s.settledBin.plateOnly},
		DissipationRatio: &socket.Value{X: s.settledBin.ratio, Known: !math.IsNaN(s.settledBin.ratio)}}
	s.e.emit(ev)
	s.e.afterSettling()
}

// independent is how many bins are worth one independent point: readings
// are quantised and follow each other closely (estimate).
const independent = 3

// forecast is what is foreseen of a settling.
type forecast struct {
	at socket.Value // current when it will have settled, ampere, with its standard uncertainty
	in socket.Value // second until then, with its standard uncertainty
}

// How far forecasts were off on the model nights, where the least squares alone
// says too little: a single exponential stands for several, and the mains moves
// meanwhile. Standard uncertainties, half a 95 % interval.
const (
	atFloor  = 0.0028 // of the current, and it grows with the root of the time to go:
	atPer    = 20     // second for it to grow by half
	atToCome = 0.25   // of what is still to come
	inFloor  = 30     // second
	inToCome = 0.25   // of the time to go
)

// foresee fits an exponential to the settling so far and says from it when, and
// at what, the rule will be met. still says that what is left to come is small.
func (s *socketState) foresee(slope, median float64) (still bool) {
	l := s.e.job.Limits
	per := l.SettlePer.Seconds()
	allowed := float64(l.SettleRate * median)
	s.forecast = forecast{}
	bins := s.last(settleHistory)
	for len(bins) > 0 && bins[0].t <= (s.since+30*time.Second).Seconds() {
		bins = bins[1:]
	}
	if len(bins) < 6 {
		return true
	}
	p := s.held(bins)
	now := p[len(p)-1].Y
	n := float64(len(p)) / independent
	f := s.e.fitter.Curve(p, false, n)
	in, at, sd, loose := per, median, 0.0, 0.0
	if s.holding {
		in = per - (s.e.now - s.holdSince).Seconds()
	}
	still = true
	if f.Curved(n) {
		left := math.Abs(f.B)
		still = left < 2*allowed
		wait := max(s.untilUnder(left*per/-f.Tau, allowed, -f.Tau)+float64(per/2), s.untilUnder(left, 2*allowed, -f.Tau))
		if !still || math.Abs(slope)*per >= allowed {
			in = wait + per
		}
		at, sd, loose = f.A+float64(f.B*trend.Exp(in/f.Tau)), f.SDA, f.SDTau/-f.Tau
		if !(loose < 0.5) {
			return still // too loose to be told
		}
	} else if math.Abs(slope)*per >= allowed {
		return true // it moves, and there is no telling for how long
	}
	s.forecast.in = socket.Value{X: in, U: hypot(inFloor+float64(inToCome*in), loose*in), Known: true}
	toCome := atToCome * (at - now)
	s.forecast.at = socket.Value{X: at, U: hypot(hypot(sd, toCome), atFloor*at*math.Sqrt(1+in/atPer)), Known: true}
	return still
}

// untilUnder is in how many seconds what fades with time constant tau is under
// a limit; 0 when it is.
func (s *socketState) untilUnder(x, limit, tau float64) float64 {
	if x <= limit {
		return 0
	}
	return tau * trend.Log(x/limit)
}

// afterSettling begins the soak once every conducting socket has settled.
func (e *Engine) afterSettling() {
	if e.phase != WarmUp {
		return
	}
	for _, s := range e.sockets {
		if s.conducting() && !s.settled {
			return
		}
	}
	e.setPhase(Soak)
}

var notSettled = &socketRule{
	binned: true,
	rule: rule{name: "not-settled", priority: Low, onDelay: func(j *bench.Job) time.Duration { return j.Limits.SettleBy }, offDelay: 0,
		advice:      "Leave it on longer and watch it. A tube that never settles is tired, gassy, or its bias is not steady.",
		cause:       "A tired or gassy tube, a bias supply that creeps, a draught or a mains that moves.",
		consequence: "What is set on it now will not be what it idles at.",
		within:      BeforeNight},
	judge: func(s *socketState) verdict {
		if s.e.dissipating() && (s.elsewhere() || s.conducted && !s.conducting()) {
			return unknown
		}
		return when(s.e.dissipating() && s.conducted && !s.settled)
	},
	text: func(s *socketState) string {
		text := fmt.Sprintf("%s has not settled %s after it began to conduct", s.Name, people(s.e.job.Limits.SettleBy))
		if slope, _ := s.slope(); slope.Known {
			text += fmt.Sprintf(": still moving by %+.2g mA in 5 min", 1000*300*slope.X)
		}
		return text
	},
}
