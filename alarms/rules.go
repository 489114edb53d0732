package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/drivers"
)

const voltage = drivers.Voltage

// A socketRule is an alarm whose subject is a socket.
type socketRule struct {
	rule
	binned bool // judged on the medians of 5 s, else on every reading
	judge  func(*socketState) verdict
	text   func(*socketState) string
}

// A benchRule is an alarm whose subject is the bench.
type benchRule struct {
	rule
	judge func(*Engine) verdict
	text  func(*Engine) string
}

// The alarms. A new one is a file with its rule and a line here.
var (
	socketRules []*socketRule
	benchRules  []*benchRule
)

// The lists are filled here, not where they are declared: a rule may ask
// whether another stands, which the compiler would take for a cycle.
func init() {
	socketRules = []*socketRule{overDissipation, senseOpen, runaway, noConduction, step, intermittent, drift, idleOffTarget, notSettled}
	benchRules = []*benchRule{plateLead, supplyRule, imbalance}
}

// standing says whether a bench-wide alarm stands.
func (e *Engine) standing(alarm string) bool {
	for _, c := range e.own {
		if c.rule.name == alarm {
			return c.active
		}
	}
	return false
}

// judgeSocket judges a socket by the rules for every reading or, when a bin
// was closed or something else changed, by the others.
func (e *Engine) judgeSocket(s *socketState, binned bool) {
	for i, r := range socketRules {
		if r.binned == binned {
			s.conds[i].judge(r.judge(s))
		}
	}
}

// conductionArmsAfter is how long after HT up a tube may take to conduct.
const conductionArmsAfter = 60 * time.Second

var overDissipation = &socketRule{
	rule: rule{name: "over-dissipation", explains: true, priority: High, offDelay: 10 * time.Second,
		onDelay: func(j *bench.Job) time.Duration { return j.Limits.DissipationFor },
		advice:  "Switch the amplifier off now. The plate may be red. Find the cause before it comes on again."},
	judge: func(s *socketState) verdict {
		if !s.e.dissipating() {
			return no
		}
		ratio, known := s.ratioForLimit()
		if !known {
			return unknown
		}
		limit := s.e.job.Limits.Dissipation
		if s.over.active {
			limit -= 0.02 // deadband: two points of the limit
		}
		return when(ratio > limit)
	},
	text: func(s *socketState) string {
		ratio, _ := s.ratioForLimit()
		text := fmt.Sprintf("%s at %.0f %% of its %.3g W", s.Name, 100*ratio, s.Limit)
		if r := s.figures().DissipationRatio; r.Known && r.U > 0 && ratio-2*r.U < s.e.job.Limits.Dissipation {
			text += ", over by less than the uncertainty"
		}
		if !s.fig.DissipationRatio.Known {
			text += fmt.Sprintf(", taking HT as the last settled %.0f V", s.settledBin.volts)
		}
		return text
	},
}

var senseOpen = &socketRule{
	rule: rule{name: "sense-open", explains: true, priority: High, onDelay: delay(time.Second), offDelay: 10 * time.Second,
		advice: "Switch the amplifier off. The sense resistor or its joint is open and the cathode may stand at tens of volts or more."},
	judge: func(s *socketState) verdict {
		if s.e.dissipating() && !s.sensed {
			return unknown
		}
		return when(s.senseOpen && s.e.dissipating())
	},
	text: func(s *socketState) string {
		shows := "overload"
		if r := s.meter.last; r.HasValue() {
			shows = r.Text() + " " + r.Unit()
		}
		return fmt.Sprintf("%s: %s shows %s, more than any tube passes through %.3g Ω: sense resistor open, current unknown", s.Name, s.meter.Name, shows, s.Sense.Ohms)
	},
}

var noConduction = &socketRule{
	rule: rule{name: "no-conduction", explains: true, priority: Medium, onDelay: delay(3 * time.Second), offDelay: 10 * time.Second,
		advice: "Switch off and look at heater, socket and cathode connection. The other tubes carry the load."},
	judge: func(s *socketState) verdict {
		e := s.e
		if !e.dissipating() || e.supply.falling {
			return no
		}
		i := s.current()
		if !s.conductionArmed || !i.Known || e.supply.sunk() || e.fallingTogether(s) || s.intermittent.active && !s.gone() {
			return unknown
		}
		return when(i.X < e.job.Limits.Conduction)
	},
	text: func(s *socketState) string {
		if i := s.current(); i.X < -s.e.job.Limits.Conduction {
			return fmt.Sprintf("%s reads %s: its sense leads are the wrong way round, and it is not watched", s.Name, milliamps(i.X))
		}
		return fmt.Sprintf("%s does not conduct: %.1f mA with HT up", s.Name, 1000*s.current().X)
	},
}

// milliamps of a current, as people read it.
func milliamps(a float64) string { return fmt.Sprintf("%.1f mA", 1000*a) }

// finite is a figure that is unknown when it is beyond all numbers.
func finite(x float64) socket.Value {
	if math.IsInf(x, 0) {
		return socket.Value{}
	}
	return known(x)
}

// known is a Value of x, or unknown for NaN.
func known(x float64) socket.Value {
	if math.IsNaN(x) {
		return socket.Value{}
	}
	return socket.Value{X: x, Known: true}
}
