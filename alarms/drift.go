package alarms

import (
	"fmt"
	"math"
	"time"
)

// change is how far the current of b is from that of reference, as a ratio,
// with what the supply's movement explains taken out.
func change(reference, b bin) float64 {
	volts := reference.volts
	if math.IsNaN(b.volts) {
		volts = math.NaN()
	}
	return b.atVolts(volts)/reference.current - 1
}

// recent is the median of the last 10 s.
func (s *socketState) recent() bin { return s.medians(s.bins[len(s.bins)-2:]) }

var drift = &socketRule{
	binned: true,
	rule: rule{name: "drift", priority: Medium, onDelay: delay(20 * time.Second), offDelay: time.Minute,
		advice: "Watch this tube and its coupling capacitor and bias supply. If it goes on, switch off and test both."},
	judge: func(s *socketState) verdict {
		if !s.settled || !s.e.dissipating() {
			return no
		}
		if len(s.bins) < 2 || !s.conducting() || s.worse() || s.e.explained(s, aftermath) {
			return unknown
		}
		limit := s.e.job.Limits.Drift
		if s.is("drift") {
			limit *= 0.8 // deadband
		}
		b := s.recent()
		return when(math.Abs(change(s.reference, b)) > float64(limit)+doubt(s.reference, b))
	},
	text: func(s *socketState) string {
		b := s.recent()
		return fmt.Sprintf("%s %+.0f %% from its settled %s, supply movement taken out: %s now", s.Name,
			100*change(s.reference, b), milliamps(s.reference.current), milliamps(s.reference.current*(1+change(s.reference, b))))
	},
}

// worse says whether an alarm of this socket stands that says more than a
// drift or a step would.
func (s *socketState) worse() bool { return s.is("runaway") || s.is("over-dissipation") }

// step compares 10 s with the 10 s before, leaving one bin between them for a
// step that falls inside it. Both bins after must have moved: one alone is an
// excursion, not a step. Explained is how much of it a change of the sense
// meter's range may be.
func (s *socketState) step() (size, explained float64, after bin, ok bool) {
	n := len(s.bins)
	if n < 5 || s.bins[n-1].t-s.bins[n-5].t > 6*binLength.Seconds() {
		return 0, 0, bin{}, false
	}
	before := s.medians(s.bins[n-5 : n-3])
	x, y := change(before, s.bins[n-2]), change(before, s.bins[n-1])
	if math.Abs(y) < math.Abs(x) {
		x = y
	}
	after = s.recent()
	return x, doubt(before, after), after, true
}

var step = &socketRule{
	binned: true,
	rule: rule{name: "step", priority: Medium, offDelay: time.Minute, once: true,
		advice: "Look for a bad joint: sense resistor, socket pin, bias trimmer, coupling capacitor. Tap gently with an insulated stick, HT on only if you must."},
	judge: func(s *socketState) verdict {
		if !s.settled || !s.e.dissipating() {
			return no
		}
		size, explained, after, ok := s.step()
		if !ok || !s.conducting() || s.worse() || s.e.explained(s, aftermath) {
			return unknown
		}
		if math.Abs(size) <= s.e.job.Limits.Step+explained {
			return no
		}
		// The step is told; what drifts from here is another matter.
		s.reference = after
		return stands
	},
	text: func(s *socketState) string {
		size, _, after, _ := s.step()
		return fmt.Sprintf("%s stepped by %+.0f %% within 15 s, to %s", s.Name, 100*size, milliamps(after.current))
	},
}

var imbalance = &benchRule{
	rule: rule{name: "imbalance", priority: Low, onDelay: delay(time.Minute), offDelay: time.Minute,
		advice: "Match the halves anew when the amplifier is next on the bench: unequal halves magnetise the transformer and hum."},
	judge: func(e *Engine) verdict {
		a, b, doubt, ok := e.halves()
		if !e.dissipating() {
			return no
		}
		if !ok || e.explained(nil, math.MaxInt64) {
			return unknown
		}
		limit := e.job.Limits.Imbalance
		if e.standing("imbalance") {
			limit *= 0.8 // deadband
		}
		return when(2*max(math.Abs(a-b)-doubt, 0) > limit*(a+b))
	},
	text: func(e *Engine) string {
		a, b, _, _ := e.halves()
		return fmt.Sprintf("half a draws %s, half b %s: %.0f %% apart", milliamps(a), milliamps(b), 200*math.Abs(a-b)/(a+b))
	},
}

// halves sums the plate currents of the two halves, and of both what changes of
// the sense meters' ranges may have added; ok only while every socket that has
// a half has settled and is known.
func (e *Engine) halves() (a, b, doubt float64, ok bool) {
	for _, s := range e.sockets {
		if s.Half == "" {
			continue
		}
		i := s.fig.PlateCurrent
		if !i.Known || !s.settled {
			return 0, 0, 0, false
		}
		doubt += float64(s.doubt() * i.X)
		if s.Half == "a" {
			a += i.X
		} else {
			b += i.X
		}
	}
	return a, b, doubt, a > 0 && b > 0
}
