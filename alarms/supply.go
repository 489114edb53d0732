package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/acquire/socket"
)

// supplyState is what the engine knows of the plate supply since it came up.
type supplyState struct {
	volts    socket.Value  // highest fresh plate meter, to chassis
	meter    *meter        // which one
	readAt   time.Duration // of before
	before   float64       // volts of the reading before, volt
	peak     float64       // highest seen since HT up, volt
	settled  float64       // at the last settling, volt; 0 before
	falling  bool          // under half of reference since fellAt
	fellAt   time.Duration
	low      float64       // in cool-down: lowest seen, volt
	unseenAt time.Duration // tubes have conducted since then without HT to be seen; 0 for not
	from     *meter        // settled was read there; nil before
	idleAt   time.Duration // no current since then; 0 for not
	leadOff  bool          // HT reads next to nothing while tubes conduct
}

// reference is the plate supply to compare with: settled, or the peak before that; 0 for none.
func (p *supplyState) reference() float64 {
	if p.settled > 0 {
		return p.settled
	}
	return p.peak
}

// settle takes the plate supply of this moment as the settled one.
func (p *supplyState) settle() {
	if p.volts.Known {
		p.settled, p.from = p.volts.X, p.meter
	}
}

// sunk says whether the supply stands so low that tubes may pass nothing with
// nothing wrong in them: a bias that is held cuts them off.
func (p *supplyState) sunk() bool {
	return p.volts.Known && p.volts.X < cutsOff*p.reference()
}

// fallingTogether says whether, with no volts to tell, another socket has lost
// its current as well: that is the supply.
func (e *Engine) fallingTogether(but *socketState) bool {
	if e.supply.volts.Known {
		return false
	}
	for _, s := range e.sockets {
		if i := s.current(); s != but && i.Known && s.conducted && !s.is("no-conduction") && i.X < s.level()/2 {
			return true
		}
	}
	return false
}

// level is what the socket passed lately at most, ampere.
func (s *socketState) level() float64 {
	level := 0.0
	for _, b := range s.bins[max(0, len(s.bins)-4):] {
		level = max(level, b.current)
	}
	return level
}

// cutsOff is the share of the settled volts below which that may be (estimate).
const cutsOff = 0.8

// fallConfirm is how long HT must have been under half before the phase
// changes: each current then has had time to tell whether it fell too.
const fallConfirm = 2 * time.Second

// unseenConfirm is how long tubes must have conducted for HT to count as up
// though no plate meter shows it: longer than a supply takes to drain.
const unseenConfirm = 30 * time.Second

// findSupply finds the plate supply in the meters' values.
func (e *Engine) findSupply() {
	p := &e.supply
	p.volts, p.meter = socket.Value{}, nil
	for _, s := range e.sockets {
		if v := e.valueOf(s.plate); v.Known && (p.from == nil || p.from == s.plate) && (!p.volts.Known || v.X > p.volts.X) {
			p.volts, p.meter = v, s.plate
		}
	}
}

// followSupply moves the phase by the plate supply that was found.
func (e *Engine) followSupply() {
	p := &e.supply
	plateMeters, conducting, knownCurrents := 0, 0, 0
	for _, s := range e.sockets {
		if s.plate != nil {
			plateMeters++
		}
		// A current read before the fall says nothing about after it.
		if s.current().Known && (!p.falling || s.readAt > p.fellAt+time.Second) {
			knownCurrents++
			if s.conducting() {
				conducting++
			}
		}
	}
	htUp := e.job.Limits.HTUp
	switch e.phase {
	case Standby, CoolDown:
		up := p.volts.Known && p.volts.X > htUp
		if plateMeters == 0 {
			up = conducting > 0
		} else if e.phase == CoolDown && p.volts.Known {
			// Draining, even past ht_up with a flickering digit: only a clear rise is HT coming back.
			p.low = min(p.low, p.volts.X)
			up = up && p.volts.X > 1.2*p.low
		}
		// Tubes do not conduct without HT: it is there, and not seen.
		switch {
		case up || conducting == 0:
			p.unseenAt = 0
		case p.unseenAt == 0:
			p.unseenAt = e.now
		default:
			up = e.now-p.unseenAt >= unseenConfirm
		}
		if up {
			v, m := p.volts, p.meter
			e.setPhase(WarmUp)
			p.volts, p.meter = v, m
		}
	case WarmUp, Soak:
		if seen := p.peak > 0 || p.before > 0 || p.volts.Known && p.volts.X > htUp; !seen {
			p.leadOff = p.volts.Known && conducting > 0
			e.coolDownWithoutPlateMeter(conducting, knownCurrents)
			return
		}
		if !p.volts.Known {
			// A silent plate meter is no sign of HT falling; all currents gone are.
			e.coolDownWithoutPlateMeter(conducting, knownCurrents)
			return
		}
		// Two readings in a row: one alone may be a glitch.
		if at := p.meter.lastAt; at > p.readAt {
			p.peak, p.before, p.readAt = max(p.peak, min(p.volts.X, p.before)), p.volts.X, at
		}
		if p.volts.X >= p.reference()/2 {
			p.falling, p.leadOff = false, false
			return
		}
		if !p.falling {
			p.falling, p.fellAt = true, e.now
		}
		if e.now-p.fellAt < fallConfirm {
			return
		}
		p.leadOff = p.volts.X < htUp && conducting > 0
		if !p.leadOff && (p.volts.X >= htUp || knownCurrents > 0 || e.now-p.fellAt > 5*fallConfirm) {
			e.setPhase(CoolDown)
		}
	}
}

// coolDownWithoutPlateMeter takes HT as gone when no current has been seen for 3 s,
// or for 5 s where one socket speaks for all: its probe may have been lifted.
func (e *Engine) coolDownWithoutPlateMeter(conducting, known int) {
	p := &e.supply
	switch {
	case conducting > 0 || known == 0:
		p.idleAt, p.falling = 0, false
	case p.idleAt == 0:
		p.idleAt, p.falling = e.now, true
	case e.now-p.idleAt >= 5*time.Second || known > 1 && e.now-p.idleAt >= 3*time.Second:
		e.setPhase(CoolDown)
	}
}

// dissipating says whether the phase is one in which tubes are judged.
func (e *Engine) dissipating() bool { return e.phase == WarmUp || e.phase == Soak }

// aftermath is how long an alarm of one socket explains what the others and
// the supply do: what moves later has another cause.
const aftermath = 5 * time.Minute

// explained says whether an alarm of some socket already says what a
// bench-wide figure or another socket's drift would say again.
func (e *Engine) explained(but *socketState, within time.Duration) bool {
	for _, c := range e.causes {
		if (but == nil || c.subject != but.Name) && (e.now-c.since < within || c.rule.name == "runaway" && c.priority == High) {
			return true
		}
	}
	return false
}

var supplyRule = &benchRule{
	rule: rule{name: "supply", priority: Medium, onDelay: delay(10 * time.Second), offDelay: 30 * time.Second, deadband: 0.2,
		advice:      "Look at the mains voltage and the HT fuse. Every current moves with the supply.",
		cause:       "The mains moved, a tube draws far more or less than before, or rectifier or reservoir fail.",
		consequence: "Idle and dissipation are no longer what was set; a failing rectifier takes the transformer with it.",
		within:      TenMinutes},
	judge: func(e *Engine) verdict {
		p := &e.supply
		if e.phase == CoolDown && e.leftAlone {
			return stands
		}
		if !e.dissipating() || p.settled == 0 || p.falling {
			return no
		}
		if !p.volts.Known || e.explained(nil, aftermath) {
			return unknown
		}
		off := math.Abs(p.volts.X/p.settled - 1)
		return when(off > e.job.Limits.Supply*e.ownCond("supply").inside())
	},
	text: func(e *Engine) string {
		if e.phase == CoolDown {
			return "HT has gone while the bench was left alone"
		}
		return fmt.Sprintf("HT %.0f V, %+.1f %% from the settled %.0f V", math.Round(e.supply.volts.X)+0, 100*(e.supply.volts.X/e.supply.settled-1), e.supply.settled)
	},
}

// clipOff is a socket that conducts while its plate meter reads next to
// nothing though another shows HT, nil for none.
func (e *Engine) clipOff() *socketState {
	for _, s := range e.sockets {
		if s.plateOff && e.supply.volts.Known && e.supply.volts.X > e.job.Limits.HTUp && !e.supply.falling {
			return s
		}
	}
	return nil
}

var plateLead = &benchRule{
	rule: rule{name: "plate-lead", priority: High, onDelay: delay(2 * time.Second), offDelay: 5 * time.Second,
		advice:      "The plate clip has come off: HT is still there. Switch the amplifier off and prove every capacitor dead before putting it back.",
		cause:       "The clip of the plate meter has slipped off, or its lead is broken.",
		consequence: "HT lies bare on a loose clip, and no dissipation is known.",
		within:      AtOnce},
	judge: func(e *Engine) verdict { return when(e.dissipating() && (e.supply.leadOff || e.clipOff() != nil)) },
	text: func(e *Engine) string {
		if s := e.clipOff(); s != nil {
			return fmt.Sprintf("%s reads %s %s while HT is up and %s conducts: the plate lead is off and dissipation is unknown; the last settled volts are used for the limit",
				s.plate.Name, s.plate.last.Text(), s.plate.last.Unit(), s.Name)
		}
		if e.supply.reference() == 0 {
			return fmt.Sprintf("HT reads %.0f V while tubes conduct: the plate lead is off and dissipation is unknown", math.Round(e.supply.volts.X)+0)
		}
		return fmt.Sprintf("HT reads %.0f V while tubes still conduct: the plate lead is off and dissipation is unknown; the last settled %.0f V are used for the limit",
			math.Round(e.supply.volts.X)+0, e.supply.reference())
	},
}
