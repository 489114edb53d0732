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

const (
	// binLength is the stretch of readings that is one point of a trend: short
	// enough for a step to show in 15 s, long enough for a median to be free of
	// the last digit's flicker.
	binLength = 5 * time.Second
	// keepBins is how much of the past a trend may look at: 12 min.
	keepBins = 144
	// independent is how many bins are worth one independent point: readings
	// are quantised and follow each other closely (estimate; a later version measures it).
	independent = 3
	// warmUpBlind is the first stretch of conduction, in which emission still
	// rises and every curve looks like a runaway (estimate from emission reaching 90 % in 15-30 s).
	warmUpBlind = 3 * time.Minute
)

// bin is the medians of one stretch of readings.
type bin struct {
	t       float64 // middle of the stretch, run time, second
	current float64 // ampere
	volts   float64 // plate volts; NaN when unknown
	ratio   float64 // dissipation ratio; NaN when unknown
	exp     int8    // of one count of the sense meter: its range; mixedRanges for several
	doubt   float64 // for the range it was read in, see meter.doubt

	plateOnly bool // current is the plate's, the cathode's being unknown
}

// pendingBin gathers readings until their stretch is over.
type pendingBin struct {
	end                       time.Duration
	currents, volts, ratioses []float64
	tSum                      float64
	exp                       int8
	doubt                     float64
	plateOnly                 bool
}

func (p *pendingBin) reset() {
	p.currents, p.volts, p.ratioses, p.tSum, p.doubt, p.plateOnly = p.currents[:0], p.volts[:0], p.ratioses[:0], 0, 0, false
}

// socketState is one socket as the engine judges it.
type socketState struct {
	*bench.Socket
	e     *Engine
	index int
	meter *meter // of the sense
	plate *meter // nil without one
	conds []*cond

	fig       socket.Figures
	senseOpen bool          // sense volts beyond what any tube passes
	sensed    bool          // the sense meter tells, be it by overload
	plateOff  bool          // conducts, while its plate meter reads next to nothing
	readAt    time.Duration // last usable sense reading
	read      bool

	conducted       bool          // since HT came up
	conductionArmed bool          // no-conduction may be judged
	since           time.Duration // trends look no further back

	pending pendingBin
	bins    []bin // oldest first
	points  []trend.Point
	slopes  trend.Slopes

	slope      socket.Value // ampere per second over the last settle window
	holding    bool         // the settle rate has been kept since holdSince
	holdSince  time.Duration
	settlesIn  socket.Value // second
	settled    bool
	settledAt  time.Duration // 0 before, and once its trimmer was turned
	settledBin bin           // figures it last settled at
	reference  bin           // what drift is measured from: the settled figures, or those after a step
	growth     growth

	asFound, asLeft *Idle
}

func (e *Engine) newSocket(i int) *socketState {
	js := &e.job.Sockets[i]
	s := &socketState{Socket: js, e: e, index: i}
	s.settledBin = bin{volts: math.NaN(), ratio: math.NaN()}
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
	return s
}

// restart forgets what was learnt of the current, so that it settles anew.
func (s *socketState) restart(now time.Duration) {
	s.since = now
	s.bins = s.bins[:0]
	s.pending.reset()
	s.settled, s.holding = false, false
	s.slope, s.settlesIn, s.growth = socket.Value{}, socket.Value{}, growth{}
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
	m := socket.Measured{
		Sense:   e.valueOf(s.meter),
		Plate:   e.valueOf(s.plate),
		Cathode: e.valueOf(e.meterAt(s.CathodeMeter)),
		Screen:  e.valueOf(e.meterAt(s.ScreenMeter)),

		ScreenSupply: e.valueOf(e.meterAt(s.ScreenSupply)),
	}
	elsewhere := s.elsewhere()
	if elsewhere {
		m.Sense = socket.Value{}
	}
	s.sensed = m.Sense.Known || s.meter.fresh(e.now) && s.meter.over() && !elsewhere
	s.senseOpen = s.sensed && (s.meter.over() || math.Abs(m.Sense.X) > s.senseOpenVolts())
	if s.senseOpen {
		m.Sense = socket.Value{}
	}
	s.fig = socket.Convert(s.Socket, m)
	s.plateOff = s.conducting() && m.Plate.Known && m.Plate.X < e.job.Limits.HTUp
	if s.plateOff {
		// A tube does not conduct without plate volts: the clip has come off.
		m.Plate = socket.Value{}
		s.fig = socket.Convert(s.Socket, m)
	}
	if m.Sense.Known {
		s.readAt, s.read = s.meter.lastAt, true
	}
	if s.conducting() && (e.phase == WarmUp || e.phase == Soak) && !s.conducted {
		s.conducted, s.conductionArmed = true, true
		s.restart(e.now)
	}
}

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

// bin adds the reading just taken and closes the stretch when it is over.
func (e *Engine) bin(s *socketState) {
	p := &s.pending
	if e.now >= p.end {
		s.closeBin()
		p.end = e.now.Truncate(binLength) + binLength
	}
	i := s.current()
	if !i.Known || e.phase != WarmUp && e.phase != Soak {
		return
	}
	exp := s.meter.ranges.count.Exp
	if len(p.currents) > 0 && exp != p.exp {
		exp = mixedRanges
	}
	p.exp, p.doubt = exp, max(p.doubt, s.meter.doubt())
	p.plateOnly = p.plateOnly || !s.fig.CathodeCurrent.Known
	p.currents = append(p.currents, i.X)
	p.tSum += e.now.Seconds()
	if v := s.fig.PlateVolts; v.Known {
		p.volts = append(p.volts, v.X)
	}
	if r := s.fig.DissipationRatio; r.Known {
		p.ratioses = append(p.ratioses, r.X)
	}
}

func (s *socketState) closeBin() {
	p := &s.pending
	n := len(p.currents)
	if n == 0 {
		return
	}
	b := bin{t: p.tSum / float64(n), current: trend.Median(p.currents), volts: trend.Median(p.volts), ratio: trend.Median(p.ratioses), exp: p.exp, doubt: p.doubt, plateOnly: p.plateOnly}
	p.reset()
	if len(s.bins) == keepBins {
		copy(s.bins, s.bins[1:])
		s.bins = s.bins[:keepBins-1]
	}
	s.bins = append(s.bins, b)
	if s.conducted && b.current > s.e.job.Limits.Conduction {
		s.judgeSettling()
		s.growth = s.judgeGrowth()
	} else {
		s.slope = socket.Value{}
	}
	s.e.judgeSocket(s, true)
}

// last is the bins of the last d, oldest first.
func (s *socketState) last(d time.Duration) []bin {
	from := s.e.now.Seconds() - d.Seconds()
	i := len(s.bins)
	for i > 0 && s.bins[i-1].t >= from {
		i--
	}
	return s.bins[i:]
}

// median of one figure over bins.
func (s *socketState) median(b []bin, of func(bin) float64) float64 {
	var buf [keepBins]float64
	v := buf[:0]
	for _, x := range b {
		if y := of(x); !math.IsNaN(y) {
			v = append(v, y)
		}
	}
	return trend.Median(v)
}

func currentOf(b bin) float64 { return b.current }
func voltsOf(b bin) float64   { return b.volts }
func ratioOf(b bin) float64   { return b.ratio }

// medians of the last bins are one bin.
func (s *socketState) medians(b []bin) bin {
	m := bin{t: s.median(b, func(b bin) float64 { return b.t }), current: s.median(b, currentOf), volts: s.median(b, voltsOf), ratio: s.median(b, ratioOf), exp: b[0].exp}
	for _, x := range b {
		if x.exp != m.exp {
			m.exp = mixedRanges
		}
		m.doubt = max(m.doubt, x.doubt)
		m.plateOnly = m.plateOnly || x.plateOnly
	}
	return m
}

// atVolts is the current of a bin as it would be at other plate volts: by the
// three-halves law (Child-Langmuir), which holds where every electrode follows
// the supply. With plate volts unknown the current stands as it is. A later
// version learns each socket's own answer.
func (b bin) atVolts(volts float64) float64 {
	r := volts / b.volts
	if !(r > 0.5 && r < 2) {
		return b.current
	}
	return b.current * float64(r*math.Sqrt(r))
}

// settleHistory is how much of the past the forecast looks at.
const settleHistory = 10 * time.Minute

// judgeSettling applies CONTRACT's rule: the robust slope over the settle
// window, times the window, is under the settle rate of the median,
// continuously for one window, and the forecast agrees.
func (s *socketState) judgeSettling() {
	l := s.e.job.Limits
	now := s.e.now
	s.slope = socket.Value{}
	window := s.last(l.SettlePer)
	// The window must be full but for the stretch that is still being gathered,
	// and nothing settles unseen, in a silence.
	if len(window) < 6 || now-s.since < l.SettlePer || window[0].t > (now-l.SettlePer+2*binLength).Seconds() ||
		window[len(window)-1].t < (now-s.meter.SilentAfter-binLength).Seconds() {
		s.holding = false
		return
	}
	s.points = s.points[:0]
	for _, b := range window {
		s.points = append(s.points, trend.Point{T: b.t, Y: b.current})
	}
	per := l.SettlePer.Seconds()
	m := s.median(window, currentOf)
	s.slope = socket.Value{X: s.slopes.Median(s.points), Known: true}
	if s.settled {
		return
	}
	s.settlesIn = socket.Value{}
	if still, wait := s.forecast(m); !still || math.Abs(s.slope.X)*per >= l.SettleRate*m {
		s.holding = false
		if wait > 0 {
			s.settlesIn = socket.Value{X: wait + per, Known: true}
		}
		return
	}
	if !s.holding {
		s.holding, s.holdSince = true, now
	}
	if left := l.SettlePer - (now - s.holdSince); left > 0 {
		s.settlesIn = socket.Value{X: left.Seconds(), Known: true}
		return
	}
	s.settled, s.settledAt = true, now
	s.settledBin = s.medians(window[max(0, len(window)-int(time.Minute/binLength)):])
	s.reference = s.settledBin
	if s.asFound != nil {
		s.asLeft = s.settledBin.idle(now)
	}
	s.e.supply.settle()
	ev := Event{Event: EventSettled, Socket: s.Name, CathodeCurrent: &socket.Value{X: s.settledBin.current, Known: !s.settledBin.plateOnly},
		DissipationRatio: &socket.Value{X: s.settledBin.ratio, Known: !math.IsNaN(s.settledBin.ratio)}}
	s.e.emit(ev)
	s.e.afterSettling()
}

// forecast fits an exponential to the settling so far: still says that what is
// left to come is small, wait how many seconds until the settle rate will be
// kept (0 when there is no telling).
func (s *socketState) forecast(median float64) (still bool, wait float64) {
	l := s.e.job.Limits
	s.points = s.points[:0]
	for _, b := range s.last(settleHistory) {
		if b.t > (s.since + 30*time.Second).Seconds() {
			s.points = append(s.points, trend.Point{T: b.t, Y: b.current})
		}
	}
	n := float64(len(s.points)) / independent
	f := trend.FitExp(s.points, false, n)
	if !f.Curved(n) {
		return true, 0 // no curve to speak of: the slope alone decides
	}
	left := math.Abs(f.B)
	allowed := l.SettleRate * median
	if q := left * l.SettlePer.Seconds() / (-f.Tau * allowed); q > 1 {
		wait = -f.Tau * math.Log(q)
	}
	return left < 2*allowed, wait
}

// afterSettling begins the soak once every conducting socket has settled.
func (e *Engine) afterSettling() {
	if e.phase != WarmUp {
		return
	}
	for _, s := range e.sockets {
		if s.conducting() && !s.settled {
			return
		}
	}
	e.setPhase(Soak)
}
