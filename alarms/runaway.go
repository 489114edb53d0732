package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/alarms/trend"
)

const (
	// growthWindow is how much of the past is searched for a runaway.
	growthWindow = 10 * time.Minute
	// growthFloor is the least rise that counts, as a ratio of the current:
	// above the wander of a quiet night (estimate).
	growthFloor = 0.02
	// onsetShare is the share of a rise at which it counts as begun: above the
	// noise of a bin (estimate).
	onsetShare = 0.15
	// supplyDoubt is how many more percent of current one percent of plate
	// volts may explain than the three-halves law takes out: with a bias that
	// does not follow the mains the answer is several times steeper (estimate
	// from tube form and a 6L6GC at 450 V; a later version learns it).
	supplyDoubt = 3.5
)

// growth is what was judged of a socket's rise at the last bin.
type growth struct {
	rising            bool
	rise              float64 // ampere over span, at the plate volts of now
	span              time.Duration
	supply            float64 // change of the plate volts over the same span, ratio
	best, early, late float64 // seconds to the limit; +Inf never or unknown
}

// judgeGrowth looks for a current that rises faster and faster, significantly,
// beyond what the supply explains.
func (s *socketState) judgeGrowth() growth {
	g := growth{best: math.Inf(1), early: math.Inf(1), late: math.Inf(1)}
	w := s.last(growthWindow)
	for len(w) > 0 && w[0].t < (s.since+warmUpBlind).Seconds() {
		w = w[1:]
	}
	const minute = int(time.Minute / binLength)
	if len(w) < 3*minute {
		return growth{}
	}
	first, now := s.medians(w[:minute]), s.medians(w[len(w)-minute:])
	g.supply = now.volts/first.volts - 1
	if math.IsNaN(g.supply) {
		g.supply = 0
	}
	from := first.atVolts(now.volts)
	g.rise = now.current - from
	g.span = time.Duration((now.t - first.t) * float64(time.Second))
	if g.rise < (growthFloor+float64(supplyDoubt*max(g.supply, 0))+doubt(first, now))*from {
		return g
	}
	// Only the rise itself is fitted: with the flat stretch before it, the onset
	// of a steady drift would bend the curve as a runaway does.
	start := len(w) - 1
	for start > 0 && w[start].atVolts(now.volts) > from+onsetShare*g.rise {
		start--
	}
	if len(w)-start < 2*minute {
		return g
	}
	s.points = s.points[:0]
	for _, b := range w[start:] {
		s.points = append(s.points, trend.Point{T: b.t, Y: b.atVolts(now.volts)})
	}
	// The latest stretch must itself be rising, beyond doubt.
	if _, lo, _ := s.slopes.TheilSen(s.points[len(s.points)-2*minute:]); !(lo > 0) {
		return g
	}
	n := float64(len(s.points)) / independent
	f := trend.FitExp(s.points, true, n)
	if !f.Curved(n) || f.B <= 0 {
		return g
	}
	g.rising = true
	ratio := s.e.job.Limits.Dissipation
	switch last := s.recent(); {
	case last.ratio > 0:
		g.best, g.early, g.late = f.Reach(last.current * ratio / last.ratio)
	case s.settledBin.ratio > 0:
		g.best, g.early, g.late = f.Reach(s.settledBin.current * ratio / s.settledBin.ratio)
	}
	return g
}

// grown says whether the current still stands well above where it settled: a
// runaway that has met the limit of what the tube can pass is no less one.
func (s *socketState) grown() bool {
	return s.settled && len(s.bins) >= 2 && change(s.settledBin, s.recent()) > 0.05
}

var runaway = &socketRule{
	binned: true,
	rule: rule{name: "runaway", priority: Low, onDelay: delay(15 * time.Second), offDelay: 2 * time.Minute,
		advice: "Switch the amplifier off before the plate turns red. Then look for a gassy tube, a leaking coupling capacitor or a grid resistor too high."},
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
		default:
			text += fmt.Sprintf("; reaches %.3g W in %.0f to %.0f min", s.Limit*s.e.job.Limits.Dissipation, math.Floor(g.early/60), math.Ceil(g.late/60))
		}
		return text
	},
}
