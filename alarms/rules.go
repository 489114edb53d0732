package alarms

import (
	"fmt"
	"math"
	"slices"
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
	meter func(*Engine) *meter // whose figure it stands by; nil for the plate meter
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
	benchRules = []*benchRule{plateLead, supplyRule, imbalance, firstPowerRule}
}

// standing says whether a bench-wide alarm stands.
func (e *Engine) standing(alarm string) bool { return e.ownCond(alarm).active }

// ownCond is a bench-wide alarm.
func (e *Engine) ownCond(alarm string) *cond {
	i := slices.IndexFunc(e.own, func(c *cond) bool { return c.rule.name == alarm })
	return e.own[i]
}

// allRules are the rules of the core in the order of their files' list.
func allRules() []*rule {
	var all []*rule
	for _, r := range socketRules {
		all = append(all, &r.rule)
	}
	for _, r := range benchRules {
		all = append(all, &r.rule)
	}
	for _, r := range meterRules {
		all = append(all, &r.rule)
	}
	return append(all, &watchRule, &floodRule)
}

// hostRules are the daemon's own about itself, raised outside the core.
var hostRules = []*rule{{name: "cutoff-failed", priority: High,
	advice:      "Switch the amplifier off at the mains yourself, now. Then look at contactor, adaptor and cable.",
	cause:       "A contact that has welded, a cable or adaptor that came loose, a relay without supply.",
	consequence: "What was to be dropped goes on: the heat, the current, the HT.",
	within:      AtOnce,
}, {name: "record-failing", priority: High,
	advice:      "Look at the disk of this computer: space, mount, cable. The run goes on being watched, but not written down.",
	cause:       "The disk is full, gone, or does not answer.",
	consequence: "What happens from now on cannot be proved, and after a restart it is as if it had not been.",
	within:      TenMinutes,
}, {name: "outlet-losing", priority: Low,
	advice:      "See why the database takes nothing: is it on, is its disk full, is the token right? Then send the run again with nightsoak export: the record has all of it. Acknowledge it once that is noted.",
	cause:       "A database that was away for longer than the spool holds, or that refuses what it is sent.",
	consequence: "The dashboards that read there have a hole; the record and the report have none.",
	within:      BeforeNight,
}, {name: "clock-jumped", priority: Low,
	advice:      "Look at this computer's clock and what sets it. Times in the record count from the run's beginning by a clock that does not jump; the hour of the day that stands beside them is off by the jump. Acknowledge it once that is noted.",
	cause:       "A computer without a battery clock that has found the time on the network, somebody who set it, or a computer that slept.",
	consequence: "The hours of the day in report and messages do not fit those of a watch; what happened when, within the run, stays right.",
	within:      BeforeNight,
}}

// Sheet is what a person must know of an alarm.
type Sheet struct {
	Alarm              string
	Priority           Priority // the highest that it may take of itself
	Cause, Consequence string   // likely, and of nobody acting
	Advice             string
	Within             Response
}

// About is the sheet of the alarm with that name; false for none such.
func About(alarm string) (Sheet, bool) {
	for _, r := range append(allRules(), hostRules...) {
		if r.name == alarm {
			return Sheet{r.name, r.highest(), r.cause, r.consequence, r.advice, r.within}, true
		}
	}
	return Sheet{}, false
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
		onDelay:     func(j *bench.Job) time.Duration { return j.Limits.DissipationFor },
		deadband:    0.02,
		advice:      "Switch the amplifier off now. The plate may be red. Find the cause before it comes on again.",
		cause:       "Bias lost or set too hot, a leaking coupling capacitor, a gassy or red-plating tube.",
		consequence: "The plate glows, the glass can crack, transformer and fuse follow; heat starts fires.",
		within:      AtOnce},
	judge: func(s *socketState) verdict {
		if !s.e.dissipating() {
			return no
		}
		ratio, known := s.ratioForLimit()
		if !known {
			return unknown
		}
		return when(ratio > s.e.job.Limits.Dissipation*s.over.inside())
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
		advice:      "Switch the amplifier off. The sense resistor or its joint is open and the cathode may stand at tens of volts or more.",
		cause:       "The sense resistor or its joint has burnt out or come off, often after a short in the tube.",
		consequence: "Nobody knows what this tube draws, and its cathode, the leads and the meter stand at what the clamp lets through.",
		within:      AtOnce},
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
		advice:      "Switch off and look at heater, socket and cathode connection. The other tubes carry the load.",
		cause:       "A heater or cathode connection is open, or the tube is dead or not seated.",
		consequence: "The other tubes of the pair carry the load, and the output transformer is magnetised one way.",
		within:      TenMinutes},
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
