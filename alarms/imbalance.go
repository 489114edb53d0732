package alarms

import (
	"fmt"
	"math"
	"time"
)

var imbalance = &benchRule{
	rule: rule{name: "imbalance", priority: Low, onDelay: delay(time.Minute), offDelay: time.Minute, deadband: 0.2,
		advice:      "Match the halves anew when the amplifier is next on the bench: unequal halves magnetise the transformer and hum.",
		cause:       "Tubes that are not matched, or one that has aged.",
		consequence: "Hum, and less power before the transformer saturates.",
		within:      BeforeNight},
	judge: func(e *Engine) verdict {
		if !e.dissipating() {
			return no
		}
		a, b, ok := e.halves()
		if !ok || e.explained(nil, math.MaxInt64) {
			return unknown
		}
		limit := e.job.Limits.Imbalance * e.ownCond("imbalance").inside()
		apart := math.Abs(a - b)
		if 2*apart > limit*(a+b) {
			apart = max(apart-e.doubt(), 0)
		}
		return when(2*apart > limit*(a+b))
	},
	text: func(e *Engine) string {
		a, b, _ := e.halves()
		return fmt.Sprintf("half a draws %s, half b %s: %.0f %% apart", milliamps(a), milliamps(b), 200*math.Abs(a-b)/(a+b))
	},
}

// halves sums the plate currents of the two halves; ok only while every socket
// that has a half has settled and is known.
func (e *Engine) halves() (a, b float64, ok bool) {
	for _, s := range e.sockets {
		if s.Half == "" {
			continue
		}
		i := s.fig.PlateCurrent
		if !i.Known || !s.settled {
			return 0, 0, false
		}
		if s.Half == "a" {
			a += i.X
		} else {
			b += i.X
		}
	}
	return a, b, a > 0 && b > 0
}

// doubt is what changes of the sense meters' ranges may have added to the
// difference of the halves, ampere.
func (e *Engine) doubt() (sum float64) {
	for _, s := range e.sockets {
		if s.Half != "" {
			sum += float64(s.doubt() * s.fig.PlateCurrent.X)
		}
	}
	return sum
}
