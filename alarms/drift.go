package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/alarms/trend"
)

// common is what the sockets' movements since their references have in common:
// the median of all and of no movement, so that of two sockets the one that
// moved is the one that moved.
type common struct {
	net float64 // supply movement taken out, log ratio
	raw float64 // as read, log ratio
}

// findCommon looks at the last bins of all sockets.
func (e *Engine) findCommon() {
	net, raw := e.scratch[0][:0], e.scratch[1][:0]
	for _, s := range e.sockets {
		if n := len(s.bins); s.settled && n > 0 && s.bins[n-1].k >= e.binNumber-3 && s.conducting() {
			b := s.recent()
			net, raw = append(net, s.net(s.reference, b)), append(raw, b.y-s.reference.y)
		}
	}
	if len(net) == 1 {
		e.common = common{net[0], raw[0]}
		return
	}
	net, raw = append(net, 0), append(raw, 0)
	e.common = common{trend.Median(net), trend.Median(raw)}
	e.scratch[0], e.scratch[1] = net, raw
}

// net is how far the current went from one bin to another, log ratio, with what
// the supply explains taken out. Without plate volts it is all of it.
func (s *socketState) net(from, to bin) float64 {
	dx := to.x - from.x
	if math.IsNaN(dx) {
		dx = 0
	}
	return to.y - from.y - s.answer.follows(dx)
}

// unsure is how far off net may be for what is not known of the answer to the
// supply, at 95 %, and for the sense meter's change of range.
func (s *socketState) unsure(from, to bin) float64 {
	dx := to.x - from.x
	if math.IsNaN(dx) {
		dx = 0
	}
	answer := float64(2*s.answer.se()) + float64(answerLaw*math.Abs(s.answer.n))
	return float64(answer*math.Abs(dx)) + from.apart(to.ranged)
}

// ownShare is how far sockets may differ in what moves them all, as a ratio of it (estimate).
const ownShare = 0.15

// moved is how far the current has gone from its reference by the tube's own
// doing, log ratio: its own part, and of what all sockets have in common only
// what the currents themselves show. A plate meter that goes astray moves all
// sockets' net alike, but no current.
func (s *socketState) moved(b bin) (own, unsure float64) {
	c := s.e.common
	own = s.net(s.reference, b) - c.net
	unsure = s.unsure(s.reference, b) + float64(ownShare*math.Abs(c.net))
	if s.plate != nil && c.net*c.raw > 0 {
		own += math.Copysign(min(math.Abs(c.net), math.Abs(c.raw)), c.net)
	}
	return own, unsure
}

// steady is the last 10 s, when they are calm and not long ago.
func (s *socketState) steady() (bin, bool) {
	n := len(s.bins)
	if n < 2 || !s.bins[n-1].calm() || !s.bins[n-2].calm() || s.bins[n-2].k < s.e.binNumber-4 {
		return bin{}, false
	}
	return s.recent(), true
}

// beyond takes from a movement what it may be off by.
func beyond(x, unsure float64) float64 { return math.Copysign(max(math.Abs(x)-unsure, 0), x) }

var drift = &socketRule{
	binned: true,
	rule: rule{name: "drift", priority: Medium, onDelay: delay(20 * time.Second), offDelay: time.Minute, deadband: 0.2,
		advice:      "Watch this tube and its coupling capacitor and bias supply. If it goes on, switch off and test both.",
		cause:       "The coupling capacitor leaks, the bias supply creeps, or the tube itself ages.",
		consequence: "The idle is no longer what was set; what creeps upwards can end in a runaway.",
		within:      Hour},
	judge: func(s *socketState) verdict {
		if !s.settled || !s.e.dissipating() {
			return no
		}
		b, ok := s.steady()
		if !ok || !s.conducting() || s.worse() || s.e.explained(s, aftermath) || s.fig.PlateVolts.Known != !math.IsNaN(s.reference.x) {
			return unknown
		}
		return when(math.Abs(trend.Expm1(beyond(s.moved(b)))) > s.e.job.Limits.Drift*s.cond("drift").inside())
	},
	text: func(s *socketState) string {
		own, _ := s.moved(s.recent())
		return fmt.Sprintf("%s %+.0f %% from its settled %s, supply movement taken out: %s now", s.Name,
			100*trend.Expm1(own), milliamps(s.reference.current), milliamps(s.reference.current*trend.Exp(own)))
	},
}

// worse says whether an alarm of this socket stands that says more than a
// drift or a step would.
func (s *socketState) worse() bool {
	return s.is("runaway") || s.over.active && s.e.now-s.over.since < aftermath
}

// stepQuiet is for how many bins the supply must have stood still: bias and
// heaters follow it in their own time, and the current steps with them.
const stepQuiet = 9

// stepped compares 10 s with the 10 s before, leaving one bin between them for a
// step that falls inside it: log ratio. Both bins after must have moved from both
// before: one alone is an excursion, not a step.
func (s *socketState) stepped() (size float64, ok bool) {
	n := len(s.bins)
	if n < 5 || s.bins[n-1].k != s.bins[n-5].k+4 || s.bins[n-1].k < s.e.binNumber-2 {
		return 0, false
	}
	size = math.Inf(1)
	for _, before := range s.bins[n-5 : n-3] {
		for _, after := range s.bins[n-2:] {
			if x := s.net(before, after); math.Abs(x) < math.Abs(size) {
				size = x
			}
		}
	}
	return size, true
}

// step is a step between calm bins, while the supply stands still: size and
// what it is unsure by, both log ratio.
func (s *socketState) step() (size, unsure float64, after bin, ok bool) {
	if size, ok = s.stepped(); !ok {
		return 0, 0, bin{}, false
	}
	n := len(s.bins)
	for _, i := range [...]int{1, 2, 4, 5} {
		if !s.bins[n-i].calm() {
			return 0, 0, bin{}, false
		}
	}
	for i := range min(n, stepQuiet) {
		if math.Abs(s.bins[n-1-i].x-s.bins[n-1].x) > calmBand {
			return 0, 0, bin{}, false
		}
	}
	after = s.recent()
	return size, s.unsure(middle(s.bins[n-5:n-3]), after), after, true
}

// alone says whether no other socket stepped at the same moment, calm or not, by
// nearly as much or more: what moves several is the supply, and the greatest is the cause.
func (s *socketState) alone(size float64) bool {
	for _, o := range s.e.sockets {
		if other, ok := o.stepped(); o != s && ok && math.Abs(other) > math.Abs(size)/2 {
			return false
		}
	}
	return true
}

var step = &socketRule{
	binned: true,
	rule: rule{name: "step", explains: true, priority: Medium, offDelay: time.Minute, once: true,
		advice:      "Look for a bad joint: sense resistor, socket pin, bias trimmer, coupling capacitor. Tap gently with an insulated stick, HT on only if you must.",
		cause:       "A joint, a pin, a trimmer's wiper or a capacitor that changed at once.",
		consequence: "What stepped once will step again, and the next step may go past the limit.",
		within:      Hour},
	judge: func(s *socketState) verdict {
		if !s.settled || !s.e.dissipating() {
			return no
		}
		size, unsure, after, ok := s.step()
		if !ok || !s.conducting() || s.worse() || s.intermittent.active || s.e.explained(s, aftermath) {
			return unknown
		}
		if math.Abs(trend.Expm1(beyond(size, unsure))) <= s.e.job.Limits.Step {
			return no
		}
		if !s.alone(size) {
			return unknown
		}
		// The step is told; what drifts from here is another matter.
		s.reference = after
		s.history.restart()
		return stands
	},
	text: func(s *socketState) string {
		size, _, after, _ := s.step()
		return fmt.Sprintf("%s stepped by %+.0f %% within 15 s, to %s", s.Name, 100*trend.Expm1(size), milliamps(after.current))
	},
}
