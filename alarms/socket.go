package alarms

import (
	"cmp"
	"math"
	"slices"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms/trend"
)

// warmUpBlind is the first stretch of conduction, in which emission still rises
// and every curve looks like a runaway (estimate from emission reaching 90 % in
// 15-30 s).
const warmUpBlind = 3 * time.Minute

// socketState is one socket as the engine judges it.
type socketState struct {
	*bench.Socket
	e     *Engine
	index int
	meter *meter // of the sense
	plate *meter // nil without one
	conds []*cond
	// Those of conds that every reading asks for.
	over, intermittent *cond

	measured  socket.Measured  // what its meters show
	fig       socket.Estimates // from it; figures has the rest
	senseOpen bool             // sense volts beyond what any tube passes
	sensed    bool             // the sense meter tells, be it by overload
	plateOff  bool             // conducts, while its plate meter reads next to nothing
	readAt    time.Duration    // last usable sense reading
	read      bool

	conducted       bool          // since HT came up
	conductionArmed bool          // no-conduction may be judged
	since           time.Duration // trends look no further back

	pending pendingBin
	bins    []bin // oldest first
	answer  answer
	history history
	contact contact
	absorb  absorb
	points  []trend.Point
	slopes  trend.Slopes

	holding    bool // the settle rate has been kept since holdSince
	holdSince  time.Duration
	forecast   forecast
	settled    bool
	settledAt  time.Duration // 0 before, and once its trimmer was turned
	settledBin bin           // figures it last settled at
	reference  bin           // what drift is measured from: the settled figures, or those after a step
	growth     growth
	roseAt     time.Duration // it last rose as a runaway does

	asFound, asLeft *Idle
}

func (e *Engine) newSocket(i int) *socketState {
	js := &e.job.Sockets[i]
	s := &socketState{Socket: js, e: e, index: i}
	s.settledBin = bin{volts: math.NaN(), ratio: math.NaN()}
	s.answer = newAnswer()
	attach := func(index int) *meter {
		m := e.meterAt(index)
		if m != nil {
			m.use(voltage, true)
			if !slices.Contains(m.sockets, s) {
				m.sockets = append(m.sockets, s)
			}
		}
		return m
	}
	s.meter = attach(js.Sense.Meter)
	if s.meter != nil {
		s.meter.sense = true
		if js.Sense.Roving && s.meter.roving == nil {
			s.meter.roving = s
		}
	}
	s.plate = attach(js.PlateMeter)
	attach(js.CathodeMeter)
	attach(js.ScreenMeter)
	attach(js.ScreenSupply)
	for _, r := range socketRules {
		s.conds = append(s.conds, e.newCond(&r.rule, js.Name, func() string { return r.text(s) }))
	}
	s.over, s.intermittent = s.cond("over-dissipation"), s.cond("intermittent")
	return s
}

// restart forgets what was learnt of the current, so that it settles anew.
func (s *socketState) restart(now time.Duration) {
	s.since = now
	s.bins = s.bins[:0]
	s.pending.reset()
	s.settled, s.holding = false, false
	s.forecast, s.growth = forecast{}, growth{}
	s.answer.interrupt()
	s.history.restart()
	s.contact = contact{}
}

// is says whether an alarm of this socket stands.
func (s *socketState) is(alarm string) bool { return s.cond(alarm).active }

// cond is one alarm of this socket.
func (s *socketState) cond(alarm string) *cond {
	i := slices.IndexFunc(s.conds, func(c *cond) bool { return c.rule.name == alarm })
	return s.conds[i]
}

// current is the cathode current or, where the sense gives none (transformer
// drop), the plate current.
func (s *socketState) current() socket.Value {
	if s.fig.CathodeCurrent.Known {
		return s.fig.CathodeCurrent
	}
	return s.fig.PlateCurrent
}

// conducting says whether the socket's current is known and above the job's conduction limit.
func (s *socketState) conducting() bool {
	i := s.current()
	return i.Known && i.X > s.e.job.Limits.Conduction
}

// update computes the figures from the meters' latest values.
func (e *Engine) update(s *socketState) {
	m := &s.measured
	m.Sense = e.valueOf(s.meter)
	m.Plate = e.valueOf(s.plate)
	m.Cathode = e.valueOf(e.meterAt(s.CathodeMeter))
	m.Screen = e.valueOf(e.meterAt(s.ScreenMeter))
	m.ScreenSupply = e.valueOf(e.meterAt(s.ScreenSupply))
	elsewhere := s.elsewhere()
	if elsewhere {
		m.Sense = socket.Value{}
	}
	s.sensed = m.Sense.Known || s.meter.fresh(e.now) && s.meter.over() && !elsewhere
	s.senseOpen = s.sensed && (s.meter.over() || math.Abs(m.Sense.X) > s.senseOpenVolts())
	if s.senseOpen {
		m.Sense = socket.Value{}
	}
	s.fig = socket.Estimate(s.Socket, m)
	s.plateOff = s.conducting() && m.Plate.Known && m.Plate.X < e.job.Limits.HTUp
	if s.plateOff {
		// A tube does not conduct without plate volts: the clip has come off.
		m.Plate = socket.Value{}
		s.fig = socket.Estimate(s.Socket, m)
	}
	if m.Sense.Known {
		s.readAt, s.read = s.meter.lastAt, true
	}
	if s.conducting() && (e.phase == WarmUp || e.phase == Soak) && !s.conducted {
		s.conducted, s.conductionArmed = true, true
		s.restart(e.now)
	}
}

// figures are those of the last update, with their uncertainties.
func (s *socketState) figures() socket.Figures { return socket.Convert(s.Socket, s.measured) }

// elsewhere says whether the roving probe is at another socket.
func (s *socketState) elsewhere() bool { return s.Sense.Roving && s.meter.roving != s }

// senseOpenVolts is the sense voltage above which the resistor must be open:
// five times what the tube at its limit would drop across it. Without plate
// volts the handbook's cathode current stands in for the limit, or 150 mA
// (estimate: no output tube of the handbook idles there).
func (s *socketState) senseOpenVolts() float64 {
	volts := s.e.supply.reference()
	if volts > 0 {
		return socket.SenseOpenVolts(s.Socket, volts)
	}
	limit := 0.150
	if s.Tube.CathodeCurrent > 0 {
		limit = s.Tube.CathodeCurrent
	}
	return 5 * limit * max(s.Sense.Ohms, s.Sense.TransformerOhms) * float64(max(s.Sense.SharedBy, 1))
}

// ratioForLimit is the dissipation ratio to judge the limit by: the known one,
// or, while plate volts or screen current are lost, what the current gives at
// the last settled plate volts, at most.
func (s *socketState) ratioForLimit() (ratio float64, known bool) {
	if s.fig.DissipationRatio.Known {
		return s.fig.DissipationRatio.X, true
	}
	if i := cmp.Or(s.fig.PlateCurrent, s.fig.CathodeCurrent); i.Known && s.plate != nil && s.settledBin.volts > 0 {
		return i.X * s.settledBin.volts / s.Limit, true
	}
	return 0, false
}
