package alarms

import (
	"fmt"
	"time"
)

const (
	// A reading under dropDepth of the current around it is a drop-out.
	dropDepth = 0.75
	// Within dropsWithin as many as dropsTold are told: one alone may be the
	// mains, or somebody at the leads (estimate).
	dropsWithin = 30 * time.Minute
	dropsTold   = 3
)

// contact counts the drop-outs of one socket.
type contact struct {
	at   [dropsTold]time.Duration // run times of the last ones, latest first
	seen int                      // since the socket was last watched anew
}

// followContact counts a drop-out in the bin before the last: by then every
// meter has told of those seconds, so that what the supply did, or all sockets
// did, is not blamed on one.
func (s *socketState) followContact() {
	n := len(s.bins)
	// On a variac a current rises by more than a drop-out's depth within a bin.
	if s.e.first.holds() || n < 3 || !s.conducted || s.bins[n-1].k != s.bins[n-3].k+2 {
		return
	}
	b := &s.bins[n-2]
	level := max(s.bins[n-3].current, s.bins[n-1].current)
	volts := min(s.bins[n-3].volts, s.bins[n-1].volts)
	if b.low*b.current > dropDepth*level || min(s.bins[n-3].current, s.bins[n-1].current) < s.e.job.Limits.Conduction || s.e.sagging(s, b.k, volts) {
		return
	}
	c := &s.contact
	copy(c.at[1:], c.at[:])
	c.at[0] = s.e.now
	c.seen++
}

// gone says whether the current has been away for longer than a bad contact's
// usual drop-out.
func (s *socketState) gone() bool {
	n := len(s.bins)
	return n > 1 && s.bins[n-1].current < s.e.job.Limits.Conduction && s.bins[n-2].current < s.e.job.Limits.Conduction
}

// sagging says whether in a bin or its neighbours the supply fell below volts, or
// another socket dropped too.
func (e *Engine) sagging(but *socketState, k int, volts float64) bool {
	for _, s := range e.sockets {
		for at := k - 1; at <= k+1; at++ {
			if b := s.binAt(at); b != nil && (b.least < (1-calmBand)*volts || s != but && b.low < calmDip) {
				return true
			}
		}
	}
	return false
}

var intermittent = &socketRule{
	binned: true,
	rule: rule{name: "intermittent", priority: Medium, offDelay: dropsWithin,
		advice:      "Look for a bad contact: socket pins, cathode joint, sense resistor, the meter's own lead. Switch off before you touch any.",
		cause:       "A socket pin, a joint or the meter's own lead that opens and closes.",
		consequence: "It arcs, burns and in the end stays open; a grid contact that opens takes the bias away.",
		within:      Hour},
	judge: func(s *socketState) verdict {
		if !s.e.dissipating() {
			return no
		}
		last := s.contact.at[dropsTold-1]
		return when(last > 0 && s.e.now-last < dropsWithin)
	},
	text: func(s *socketState) string {
		return fmt.Sprintf("%s drops out and comes back: %d times so far, last %s ago", s.Name, s.contact.seen, people((s.e.now - s.contact.at[0]).Round(time.Second)))
	},
}
