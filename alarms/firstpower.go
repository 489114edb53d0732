package alarms

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
)

// FirstPowerName is the alarm of a first power-up: where there is a cut-off, it
// always drops the mains.
const FirstPowerName = "first-power"

// The limits of a first power-up, run time and ratios; estimates where nothing
// else is said. They hold from "begin --first-power" until the soak begins.
const (
	// firstPowerShare is the share of the plate dissipation limit that no socket
	// may pass where the job has no idle target (common practice, no source: idle
	// is set at 60 to 70 %).
	firstPowerShare = 0.70
	// firstPowerDeadband is of those of the limits that are compared with a figure.
	firstPowerDeadband = 0.02
	// mainsOn is the share of the nominal mains from which HT must be there, and
	// under which HT is not measured against them: a rectifier takes its share first.
	mainsOn = 0.5
	// risesWithin is how long HT may then take: a valve rectifier warms in 10 to 30 s.
	risesWithin = 30 * time.Second
	// aloneFor is how long one socket may conduct while the others do not. Heaters
	// of one type differ by seconds, but on a variac that comes up in ten minutes
	// tubes whose cut-offs lie a tenth of the mains apart pass their first
	// milliamps a minute apart. It conducts at twice the job's limit, the others
	// stay under it: with the variac at rest near cut-off, a pair may differ by less.
	aloneFor = 2 * time.Minute
	// nothingFor is how long HT may stand above mainsOn of what is expected with no
	// current at all: a quarter of the job's conduction limit. Heaters on half
	// their volts give little, but not nothing.
	nothingFor = time.Minute
	// heatersAt for heatersFor is when every tube must conduct (CONTRACT).
	heatersAt  = 0.9
	heatersFor = time.Minute
)

// firstPower follows a first power-up.
type firstPower struct {
	begun bool // so begun
	over  bool // the soak has begun, or the run has ended
	// What a variac leaves behind when it is turned down is no fault: HT is
	// measured against the most that the mains have been.
	mains socket.Value // share of the nominal mains at most; unknown without a watch
	flat, alone, nothing,
	warm lasting
	armed  bool // no-conduction has been, since HT came up
	tenths int  // of Rise, so far
	found  []finding
	blind  bool // some figure that is judged is not known
	report FirstPowerState
}

// finding is one limit passed.
type finding struct {
	meter *meter // whose figure passes it
	text  func() string
}

// lasting is how long something has been so without a break.
type lasting struct {
	is    bool
	since time.Duration
}

// see takes whether it is so now, and says for how long it has been.
func (l *lasting) see(is bool, now time.Duration) time.Duration {
	if is && !l.is {
		l.since = now
	}
	if l.is = is; !is {
		return -1
	}
	return now - l.since
}

// FirstPowerState is what a first power-up has shown. Times are run time.
type FirstPowerState struct {
	Holds    bool          // its limits hold now
	From, To time.Duration // To is 0 while it holds
	// Mains is what the job's mains watch shows now, volt; MainsRatio of the nominal.
	Mains, MainsRatio socket.Value
	Watched           bool         // the job has such a watch
	HTLimit           socket.Value // what HT may be at most now, volt; unknown where the job expects none
	HTUp              socket.Value // when HT first came up, second
	HTHighest         Highest      // volt
	Rise              []RisePoint  // oldest first
	Sockets           []FirstPowerSocket
}

// Highest is the highest of a figure in the phase.
type Highest struct {
	Value socket.Value
	T     time.Duration
}

// RisePoint is one moment of HT coming up: the first at each tenth of the
// nominal mains or, without a mains watch, of the HT that is expected.
type RisePoint struct {
	T     time.Duration
	Mains socket.Value // volt; unknown without a watch
	HT    socket.Value // volt
}

// FirstPowerSocket is one socket of it.
type FirstPowerSocket struct {
	Name    string
	At      socket.Value // when it first conducted, by the job's limit; second
	HT      socket.Value // then, volt
	Highest Highest      // current, ampere
}

func (h *Highest) see(v socket.Value, now time.Duration) {
	if v.Known && (!h.Value.Known || v.X > h.Value.X) {
		h.Value, h.T = v, now
	}
}

// holds says whether the limits of a first power-up hold.
func (p *firstPower) holds() bool { return p.begun && !p.over }

// beginFirstPower takes that the run begins as one.
func (e *Engine) beginFirstPower() {
	e.first.begun = true
	e.first.report = FirstPowerState{Holds: true, From: e.now, Watched: e.job.FirstPower.Mains.Volts > 0, HTLimit: e.firstPowerHT()}
	for _, s := range e.sockets {
		e.first.report.Sockets = append(e.first.report.Sockets, FirstPowerSocket{Name: s.Name})
	}
}

// endFirstPower takes that its limits hold no more: what stood by them is over
// at once, for there is nothing left that it could be judged by.
func (e *Engine) endFirstPower() {
	p := &e.first
	if !p.holds() {
		return
	}
	p.over, p.found = true, nil
	p.report.Holds, p.report.To = false, e.now
	p.report.Mains, p.report.MainsRatio, p.report.HTLimit = socket.Value{}, socket.Value{}, socket.Value{}
	c := e.ownCond(FirstPowerName)
	c.judge(no)
	if c.timer.armed = false; c.active {
		c.delayOver()
	}
}

// interrupt takes that nobody watched for a while.
func (p *firstPower) interrupt() {
	p.flat, p.alone, p.nothing, p.warm = lasting{}, lasting{}, lasting{}, lasting{}
}

// ratioOf is what a watch shows, and its share of what is nominal.
func (e *Engine) ratioOf(n bench.Nominal) (v, ratio socket.Value) {
	if n.Volts == 0 {
		return v, ratio
	}
	v = e.valueOf(e.watches[n.Watch].meter)
	if v.Known {
		ratio = known(v.X / n.Volts)
	}
	return v, ratio
}

// followFirstPower judges the figures of this moment by the limits.
func (e *Engine) followFirstPower() {
	p := &e.first
	if !p.holds() {
		return
	}
	job, r, ht := &e.job.FirstPower, &p.report, e.supply.volts
	p.found, p.blind = p.found[:0], !ht.Known
	inside := e.ownCond(FirstPowerName).inside()
	find := func(m *meter, text func() string) { p.found = append(p.found, finding{m, text}) }

	r.Mains, r.MainsRatio = e.ratioOf(job.Mains)
	if m := r.MainsRatio; m.Known && m.X > p.mains.X {
		p.mains = m
	}
	e.followHeaters()
	e.noteFirstPower()

	if r.HTLimit = e.firstPowerHT(); r.HTLimit.Known && ht.Known && ht.X > r.HTLimit.X*inside {
		find(e.supply.meter, func() string {
			text := fmt.Sprintf("HT %.0f V, past %.0f V", ht.X, r.HTLimit.X)
			if r.Mains.Known {
				text += fmt.Sprintf(" at mains of %.0f V", r.Mains.X)
			}
			return text
		})
	}
	lowest := e.job.Limits.HTUp
	if p.flat.see(r.MainsRatio.Known && r.MainsRatio.X > mainsOn && ht.Known && ht.X < lowest, e.now) >= risesWithin {
		find(e.supply.meter, func() string {
			return fmt.Sprintf("HT does not rise: %.1f V, under %.0f V, with mains at %.0f V for %s", ht.X, lowest, r.Mains.X, people(e.now-p.flat.since))
		})
	}

	share := float64(e.job.IdleTarget + e.job.Limits.IdleTolerance)
	if e.job.IdleTarget == 0 {
		share = firstPowerShare
	}
	conduction := e.job.Limits.Conduction
	var conducts *socketState
	conducting, idle, none := 0, 0, 0 // sockets that clearly do, that do not, that pass nothing at all
	for _, s := range e.sockets {
		i := s.current()
		ratio, isKnown := s.ratioForLimit()
		taken := ""
		if !isKnown && i.Known && !ht.Known && job.PlateVolts > 0 {
			ratio, isKnown = i.X*job.PlateVolts/s.Limit, true
			taken = fmt.Sprintf(", taking HT as the %.0f V expected", job.PlateVolts)
		}
		p.blind = p.blind || !isKnown
		if isKnown && ratio > share*inside {
			find(s.meter, func() string {
				return fmt.Sprintf("%s at %.0f %% of its %.3g W and %s, past %.0f %%%s", s.Name, 100*ratio, s.Limit, milliamps(i.X), 100*share, taken)
			})
		}
		if !i.Known {
			continue
		}
		switch x := math.Abs(i.X); {
		case x > 2*conduction:
			conducting, conducts = conducting+1, s
		case x < conduction:
			idle++
			if x < conduction/4 {
				none++
			}
		}
	}
	others := len(e.sockets) - 1
	if p.alone.see(conducting == 1 && others > 0 && idle == others, e.now) >= aloneFor {
		find(conducts.meter, func() string {
			return fmt.Sprintf("%s conducts alone, %s, while every other socket is under %s for %s", conducts.Name, milliamps(conducts.current().X), milliamps(conduction), people(e.now-p.alone.since))
		})
	}
	if p.nothing.see(none == len(e.sockets) && ht.Known && ht.X > mainsOn*job.PlateVolts && job.PlateVolts > 0, e.now) >= nothingFor {
		find(e.supply.meter, func() string {
			return fmt.Sprintf("no current at all with HT at %.0f V, above %.0f V for %s", ht.X, mainsOn*job.PlateVolts, people(e.now-p.nothing.since))
		})
	}
}

// firstPowerHT is what HT may be at most now: what is expected at full mains with
// its tolerance, less in proportion where a watch shows that the mains are less.
func (e *Engine) firstPowerHT() socket.Value {
	job := &e.job.FirstPower
	if job.PlateVolts == 0 {
		return socket.Value{}
	}
	at := 1.0
	if e.first.mains.Known {
		at = max(e.first.mains.X, mainsOn)
	}
	return known(job.PlateVolts * at * (1 + job.Tolerance))
}

// followHeaters arms no-conduction once heaters have been warm for long enough
// with HT up. Heaters without a watch of their own follow the mains.
func (e *Engine) followHeaters() {
	p := &e.first
	_, at := e.ratioOf(e.job.FirstPower.Heaters)
	if e.job.FirstPower.Heaters.Volts == 0 {
		at = p.report.MainsRatio
	}
	if warm := p.warm.see(at.Known && at.X >= heatersAt, e.now); warm >= heatersFor && e.phase == WarmUp && !p.armed {
		p.armed = true
		e.arm(e.armConduction, e.now)
	}
}

// noteFirstPower keeps what the report says of it.
func (e *Engine) noteFirstPower() {
	p, r, ht := &e.first, &e.first.report, e.supply.volts
	if e.phase == WarmUp && !r.HTUp.Known {
		r.HTUp = known(e.phaseSince.Seconds())
	}
	r.HTHighest.see(ht, e.now)
	for i, s := range e.sockets {
		k := &r.Sockets[i]
		k.Highest.see(s.current(), e.now)
		if s.conducting() && !k.At.Known {
			k.At, k.HT = known(s.readAt.Seconds()), ht
		}
	}
	at := r.MainsRatio
	if job := &e.job.FirstPower; job.Mains.Volts == 0 && job.PlateVolts > 0 && ht.Known {
		at = known(ht.X / job.PlateVolts)
	}
	if !at.Known || !ht.Known {
		return
	}
	// A variac that is switched on half way up passes several tenths at once.
	if tenths := int(math.Floor(10 * min(at.X, 1.2))); tenths > p.tenths {
		p.tenths = tenths
		r.Rise = append(r.Rise, RisePoint{T: e.now, Mains: r.Mains, HT: ht})
	}
}

var firstPowerRule = &benchRule{
	rule: rule{name: FirstPowerName, priority: High, offDelay: 10 * time.Second, deadband: firstPowerDeadband,
		// One excursion of a display is no reason to drop the mains; what lasts over
		// two or three of its readings is.
		onDelay:     delay(time.Second),
		advice:      "Switch off at the mains and prove every capacitor dead before touching. A socket too hot: bias, coupling capacitor, tube. HT too high: tapping, rectifier, no load. HT that does not rise: standby switch, HT fuse, rectifier, a short. One alone, or none: heaters, cathodes, screens, bias. Find it before the next try.",
		cause:       "What was repaired, or what had made the repair necessary, is still wrong.",
		consequence: "In these minutes a short or a lost bias takes tubes, transformer and rectifier with it.",
		within:      AtOnce},
	judge: func(e *Engine) verdict {
		switch p := &e.first; {
		case !p.holds():
			return no
		case len(p.found) > 0:
			return stands
		case p.blind:
			return unknown
		}
		return no
	},
	text: func(e *Engine) string {
		var all []string
		for _, f := range e.first.found {
			all = append(all, f.text())
		}
		return "First power-up: " + strings.Join(all, "; ")
	},
	meter: func(e *Engine) *meter {
		if len(e.first.found) == 0 {
			return nil
		}
		return e.first.found[0].meter
	},
}

// clone shares nothing with the engine.
func (r FirstPowerState) clone() *FirstPowerState {
	r.Rise, r.Sockets = slices.Clone(r.Rise), slices.Clone(r.Sockets)
	return &r
}
