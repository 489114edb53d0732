package alarms

import (
	"math"

	"nightsoak/alarms/trend"
)

// absorb follows a socket while an alarm of another explains what it does: a
// tube that dies lifts its neighbours, by more than the mains would for the same
// volts. When that is over, its reference has moved by as much.
type absorb struct {
	on     bool
	before float64 // net movement from the reference before the other's alarm, log ratio
}

// absorbBack is how many bins before the other's alarm its cause may have begun:
// a heater takes half a minute to cool.
const absorbBack = 12

func (s *socketState) followAbsorb() {
	a := &s.absorb
	explained := s.settled && s.e.explained(s, aftermath)
	if explained == a.on {
		return
	}
	a.on = explained
	b, ok := s.steady()
	switch {
	case explained:
		n := len(s.bins)
		from := s.bins[max(0, n-absorbBack-2):max(1, n-absorbBack)]
		a.before = s.net(s.reference, middle(from))
	case s.settled && ok:
		if shift := s.net(s.reference, b) - a.before; math.Abs(shift) > 0.01 {
			s.reference.y += shift
			s.reference.current *= trend.Exp(shift)
		}
	}
	s.history.restart()
}
