package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/alarms/trend"
)

// adjustedWorth is how much of what was learnt of the answer to the supply still
// counts after a trimmer was turned (estimate).
const adjustedWorth = 0.1

// adjusted takes that the socket's trimmer was turned. As found is what it idled
// at when that was first said: as last settled, else the median of the last
// minute that was seen of it.
func (s *socketState) adjusted() {
	if s.asFound == nil {
		found, at := bin{current: math.NaN(), volts: math.NaN(), ratio: math.NaN()}, s.e.now
		switch n := len(s.bins); {
		case s.settledAt > 0:
			found, at = s.settledBin, s.settledAt
		case n > 0:
			found = middle(s.bins[max(0, n-int(time.Minute/binLength)):])
			at = time.Duration(math.Round(1000*found.t)) * time.Millisecond
		}
		s.asFound = found.idle(at)
	}
	s.asLeft, s.settledAt = nil, 0
	s.answer.loosen(adjustedWorth)
	s.restart(s.e.now)
}

func (i *Idle) clone() *Idle {
	if i == nil {
		return nil
	}
	c := *i
	return &c
}

// idle is the dissipation ratio of the last 10 s as it would be at the plate
// volts it settled at: the mains moves it, but is no matter of the trimmer.
func (s *socketState) idle() float64 {
	b := s.recent()
	if dx := s.settledBin.x - b.x; !math.IsNaN(dx) {
		return b.ratio * trend.Exp(dx+s.answer.follows(dx))
	}
	return b.ratio
}

var idleOffTarget = &socketRule{
	binned: true,
	rule: rule{name: "idle-off-target", priority: Low, onDelay: delay(30 * time.Second), offDelay: 30 * time.Second, deadband: 0.2,
		advice:      "Set the idle anew, then say that it was adjusted.",
		cause:       "The trimmer was set before the tube had settled, or the mains was another.",
		consequence: "Too hot and the tube wears, too cold and the amplifier distorts at the crossing.",
		within:      BeforeNight},
	judge: func(s *socketState) verdict {
		j := s.e.job
		if j.IdleTarget == 0 || !s.settled || !s.e.dissipating() {
			return no
		}
		if !s.fig.DissipationRatio.Known || len(s.bins) < 2 || !s.conducting() || s.worse() || s.is("drift") || s.e.standing("supply") || s.e.explained(nil, aftermath) {
			return unknown
		}
		tolerance := j.Limits.IdleTolerance * s.cond("idle-off-target").inside()
		return when(math.Abs(s.idle()-j.IdleTarget) > float64(tolerance)+float64(s.idle()*s.doubt()))
	},
	text: func(s *socketState) string {
		return fmt.Sprintf("%s idles at %.0f %% of its limit; the job asks for %.0f %%", s.Name, 100*s.idle(), 100*s.e.job.IdleTarget)
	},
}
