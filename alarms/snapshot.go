package alarms

import (
	"cmp"
	"slices"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/drivers"
)

// Snapshot is the state of a run at one moment: a value that shares nothing
// with the engine, so an outlet may keep it as long as it likes.
type Snapshot struct {
	T          time.Duration // run time
	Phase      Phase
	PhaseSince time.Duration // run time
	HT         HTState
	Amplifier  AmplifierState
	Sockets    []SocketState
	Meters     []MeterState
	Watches    []WatchState
	Alarms     []AlarmState // not normal, most important first
	// FirstPower is what a first power-up shows or has shown; nil in a run that
	// did not begin as one.
	FirstPower *FirstPowerState
}

// HTState is what is known of the plate supply.
type HTState struct {
	Volts socket.Value // highest fresh plate meter, to chassis
	// Charged is nil when there is no telling, which people must read as charged;
	// false once the probe has read 60 V or less for 10 s without a break.
	Charged *bool
	// Low is since when it has, run time in seconds; unknown while it has not for 10 s.
	Low socket.Value
	// Settled is the plate supply at the last settling, volt.
	Settled socket.Value
}

// AmplifierState is what the sockets come to together, where all of them are
// known. Uncertainties that may be correlated are added linearly: U is at most.
type AmplifierState struct {
	HTCurrent socket.Value // ampere, of all output tubes; without the screens' where plate current alone is known
	Power     socket.Value // watt, plate and known screen dissipation of all output tubes
	FuseRatio socket.Value // HTCurrent, of the HT fuse; unknown without one in the job
	Imbalance socket.Value // between the halves' plate currents, ratio of their mean: (a - b) / mean
}

// Idle is what a socket idled at.
type Idle struct {
	T                time.Duration // run time
	CathodeCurrent   socket.Value  // ampere
	PlateCurrent     socket.Value  // ampere; only where it is what is sensed and the cathode's is unknown
	PlateVolts       socket.Value  // volt, plate to cathode
	DissipationRatio socket.Value
}

// SocketState is one socket.
type SocketState struct {
	Name string
	Tube string
	Half string
	socket.Figures
	Limit  float64 // plate dissipation limit, watt
	Target float64 // idle target as ratio of the limit; 0 without one
	// TargetTolerance is how far either side of Target the idle may be, ratio of the limit.
	TargetTolerance float64
	DriftPerHour    socket.Value // slope of the current over the last 5 min, as a ratio of it per hour
	Settled         bool
	SettledRatio    socket.Value  // dissipation ratio at the last settling, whether or not it holds now; unknown once its trimmer was turned
	SettledAt       time.Duration // run time of the last settling
	SettlesIn       socket.Value  // forecast, second; unknown when there is none or it has settled
	SettlesAt       socket.Value  // forecast of the current when it will have settled, ampere; likewise
	// LimitEarly and LimitLate are the 95 % interval of the time until a runaway
	// reaches the limit, second: 0 once it is past. Both are unknown while nothing
	// runs away, and LimitLate while there may be no reaching it.
	LimitEarly, LimitLate socket.Value
	Age                   socket.Value // since the last reading of its sense meter, second
	NotConducting         bool
	AsFound               *Idle // when the operator first said that a trimmer was turned; nil before
	AsLeft                *Idle // at the last settling since a trimmer was last turned; nil before
	// Neighbour is how far its plate current is from the mean of the others of
	// its half, as a ratio of that; unknown where there are none.
	Neighbour socket.Value
	// Why says in words why the current is unknown; empty when it is known.
	Why string
}

// MeterState is one meter. Its State is "ok", "silent", "waiting" (nothing
// yet), "overload", "hold", "frozen", "flooding",
// "wrong-function" or "port" (not open).
type MeterState struct {
	Name     string
	State    string
	Reading  drivers.Reading // the last one
	Age      socket.Value    // since the last reading, second; unknown before the first
	Readings uint64
	Text     string // what is wrong with the port, and how to mend it
}

// WatchState is one watch.
type WatchState struct {
	Name  string
	Value socket.Value // in the SI unit of Quantity
	drivers.Quantity
	Marks []Mark // in the order they were made
}

// Mark is a figure of a watch that the operator wants to keep: before and after
// a repair, with and without a part.
type Mark struct {
	T       time.Duration // run time
	Label   string
	Reading drivers.Reading
}

// AlarmState is one alarm that is not normal.
type AlarmState struct {
	ID       string
	Alarm    string
	Subject  string
	Meter    string // whose figure a bench-wide alarm stands by; empty for its usual one
	Priority Priority
	State    State
	Active   bool          // the condition stands now
	Since    time.Duration // run time of the last raise
	Until    time.Duration // run time at which its shelving ends; 0 when it is not shelved
	Text     string
	Advice   string
	// Cause and Consequence are what most likely is behind it, and what comes of
	// it when nobody acts within the time of Within.
	Cause, Consequence string
	Within             Response
}

// Snapshot is the state of the run now.
func (e *Engine) Snapshot() Snapshot {
	p := &e.supply
	sn := Snapshot{T: e.now, Phase: e.phase, PhaseSince: e.phaseSince}
	sn.HT.Volts = e.valueOf(p.meter)
	if p.settled > 0 {
		sn.HT.Settled = known(p.settled)
	}
	if sn.HT.Charged = e.charged(); sn.HT.Charged != nil && !*sn.HT.Charged {
		sn.HT.Low = known(e.charge.from.Seconds())
	}
	for _, s := range e.sockets {
		st := SocketState{Name: s.Name, Tube: s.Tube.Name, Half: s.Half, Figures: s.figures(), Limit: s.Limit, Target: e.job.IdleTarget, TargetTolerance: e.job.Limits.IdleTolerance,
			Settled: s.settled, SettledAt: s.settledAt, SettlesIn: s.forecast.in, SettlesAt: s.forecast.at, NotConducting: s.is("no-conduction"), AsFound: s.asFound.clone(), AsLeft: s.asLeft.clone()}
		if !s.meter.fresh(e.now) {
			st.Figures = socket.Figures{}
		}
		if !st.CathodeCurrent.Known && !st.PlateCurrent.Known {
			// What was learnt of a current that is not known now is not shown as if it held.
			st.Settled, st.SettlesIn, st.SettlesAt, st.NotConducting, st.Why = false, socket.Value{}, socket.Value{}, false, s.why()
		}
		if g := s.growth; g.rising && s.is("runaway") && st.Why == "" {
			st.LimitEarly, st.LimitLate = finite(g.early), finite(g.late)
		}
		if s.read {
			st.Age = known((e.now - s.readAt).Seconds())
		}
		if slope, of := s.slope(); slope.Known && st.Why == "" {
			st.DriftPerHour = known(3600 * slope.X / of)
		}
		if s.settledAt > 0 {
			st.SettledRatio = known(s.settledBin.ratio)
		}
		sn.Sockets = append(sn.Sockets, st)
	}
	sn.Amplifier = e.amplifier(sn.Sockets)
	for i := range sn.Sockets {
		sn.Sockets[i].Neighbour = e.neighbour(sn.Sockets, i)
	}
	for i := range e.meters {
		m := &e.meters[i]
		st := MeterState{Name: m.Name, State: m.state(e.now), Reading: m.last, Readings: m.readings, Text: m.portText}
		if m.seen {
			st.Age = known((e.now - m.lastAt).Seconds())
		}
		sn.Meters = append(sn.Meters, st)
	}
	if e.first.begun {
		sn.FirstPower = e.first.report.clone()
	}
	for _, w := range e.watches {
		sn.Watches = append(sn.Watches, WatchState{Name: w.Name, Value: e.valueOf(w.meter), Quantity: w.Quantity, Marks: slices.Clone(w.marks)})
	}
	for _, c := range e.conds {
		if c.state != Normal {
			a := AlarmState{ID: c.id, Alarm: c.rule.name, Subject: c.subject, Meter: c.meter, Priority: cmp.Or(c.priority, c.set.starts), State: c.state,
				Active: c.active, Since: c.since, Text: c.words(), Advice: c.advice(),
				Cause: c.rule.cause, Consequence: c.rule.consequence, Within: c.rule.within}
			if c.state == Shelved {
				a.Until = c.later.at
			}
			sn.Alarms = append(sn.Alarms, a)
		}
	}
	// What asks most of a person first: standing before gone, unacknowledged
	// before acknowledged, by priority, a flood, which begins with its first cause,
	// then a limit passed before all else of its priority, then the first cause on top.
	limit := func(a AlarmState) int {
		switch a.Alarm {
		case floodRule.name:
			return 0
		case overDissipation.name:
			return 1
		}
		return 2
	}
	slices.SortStableFunc(sn.Alarms, func(a, b AlarmState) int {
		return cmp.Or(cmp.Compare(b.urgency(), a.urgency()), cmp.Compare(limit(a), limit(b)), cmp.Compare(a.Since, b.Since))
	})
	return sn
}

func (a AlarmState) urgency() int {
	u := a.Priority.Rank()
	if a.Active {
		u += 10
	}
	switch a.State {
	case Unacknowledged:
		u += 5
	case Shelved, Suppressed, OutOfService:
		u -= 20
	}
	return u
}

// why says why a socket's current is unknown.
func (s *socketState) why() string {
	m := s.meter
	switch now := s.e.now; {
	case s.elsewhere():
		return "probe at " + m.roving.Name
	case !m.seen:
		return "no reading yet"
	case !m.fresh(now):
		return m.Name + " silent for " + people(now-m.lastAt)
	case s.Sense.Roving && m.lastAt <= s.since:
		return "no reading yet since the probe came"
	case s.senseOpen:
		return "sense resistor open"
	case m.wrongFunction():
		return m.Name + " in the wrong function"
	case m.held():
		return m.Name + " on hold"
	case m.digits.stuck:
		return m.Name + " frozen"
	case m.overs > 0:
		return m.Name + " over range"
	}
	return "current unknown"
}
