// Package alarms is the core: readings and acts in, events and snapshots out.
// It has no clock of its own and does no I/O, so that a live night, the same
// night replayed, the demo and the tests all run the same code and give the
// same events, byte for byte.
//
// Every reading is judged as it arrives. Advance moves time on when nothing
// arrives, which serves silence and delays only; an event that a delay causes
// carries the moment the delay ended, whenever Advance was called.
package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms/trend"
	"nightsoak/drivers"
)

// Core names the judgement this engine gives. It changes whenever the same
// inputs could give other events; replayed and recorded events are compared
// only under the same Core.
const Core = "6"

// Engine judges one run. It is used by one goroutine.
type Engine struct {
	// OnFigures, when set, is called for each reading that moved a socket's
	// figures, with the socket's index in the job.
	OnFigures func(socket int, t time.Duration, f socket.Figures)

	bench *bench.Bench
	job   *bench.Job
	now   time.Duration
	out   []Event
	seq   int

	phase      Phase
	phaseSince time.Duration
	begun      bool
	leftAlone  bool // a departure check without a fail was the last that a person did
	first      firstPower
	timers     []*timer
	nextTimer  time.Duration // no armed timer is earlier

	meters  []meter
	sockets []*socketState
	watches []*watchState
	conds   []*cond
	own     []*cond // those of benchRules
	causes  []*cond // those that stand and explain what others do
	flood   flood
	supply  supplyState
	charge  charge

	binNumber int // of the stretch that is being gathered
	binEnd    time.Duration
	common    common
	fitter    trend.Fitter
	fit       fit
	scratch   [2][]float64

	settleBy, armConduction, soakOver *timer
}

// timer is a moment at which the engine acts by itself.
type timer struct {
	at    time.Duration
	armed bool
	fire  func()
}

// New makes an engine for a job on a bench, both validated. A job without
// sockets makes an engine that only follows the meters.
func New(b *bench.Bench, j *bench.Job) *Engine {
	e := &Engine{bench: b, job: j, phase: Standby, nextTimer: math.MaxInt64}
	e.meters = make([]meter, len(b.Meters))
	for i := range b.Meters {
		e.meters[i].Meter = &b.Meters[i]
	}
	for i := range j.Sockets {
		e.sockets = append(e.sockets, e.newSocket(i))
	}
	for i := range j.Watches {
		e.watches = append(e.watches, e.newWatch(i))
	}
	for i := range e.meters {
		e.meterConds(&e.meters[i])
	}
	for _, r := range benchRules {
		c := e.newCond(&r.rule, b.Name, func() string { return r.text(e) })
		if r.meter != nil {
			c.reads = func() *meter { return r.meter(e) }
		}
		e.own = append(e.own, c)
	}
	e.newFlood()
	e.settleBy = e.newTimer(func() {
		if e.phase == WarmUp {
			e.setPhase(Soak)
		}
	})
	e.armConduction = e.newTimer(func() {
		for _, s := range e.sockets {
			s.conductionArmed = true
			e.judgeSocket(s, false)
		}
	})
	e.soakOver = e.newTimer(func() {
		then := "nothing was switched"
		if j.CutAtEnd {
			then = "the job has the mains dropped now"
		}
		e.emit(Event{Event: EventSoakOver, Text: fmt.Sprintf("the soak of %s is over; %s", people(j.SoakFor), then)})
	})
	return e
}

// Now is the run time up to which the run has been judged.
func (e *Engine) Now() time.Duration { return e.now }

// Due is the earliest run time at which a delay may end; until then, and without
// input, Advance changes nothing. It is false when no delay runs.
func (e *Engine) Due() (t time.Duration, ok bool) { return e.nextTimer, e.nextTimer != math.MaxInt64 }

// Last is the last reading of the meter with that index in the bench, and when it
// came, run time; false before the first, and for no meter.
func (e *Engine) Last(meter int) (r drivers.Reading, t time.Duration, ok bool) {
	if meter < 0 || meter >= len(e.meters) || !e.meters[meter].seen {
		return r, 0, false
	}
	return e.meters[meter].last, e.meters[meter].lastAt, true
}

// Phase is where the run stands.
func (e *Engine) Phase() Phase { return e.phase }

// Feed takes one input and returns the events it caused, those of delays that
// ended before it first. An input earlier than what was judged already is
// taken as happening now. The events are valid until the next call.
func (e *Engine) Feed(in Input) []Event {
	e.out = e.out[:0]
	if in.Gap != nil {
		e.advance(time.Duration(in.Gap.From))
		e.gap(in)
		return e.out
	}
	e.advance(in.T)
	switch {
	case in.Act != nil:
		e.act(in.Act)
	case in.Port != nil:
		e.port(in.Port)
	case in.Meter >= 0 && in.Meter < len(e.meters):
		e.reading(&e.meters[in.Meter], in.Reading)
	}
	return e.out
}

// Advance moves time on to t and returns the events of the delays that ended.
// It is idempotent, and calling it often or seldom makes no difference to the
// events. They are valid until the next call.
func (e *Engine) Advance(t time.Duration) []Event {
	e.out = e.out[:0]
	e.advance(t)
	return e.out
}

func (e *Engine) advance(t time.Duration) {
	for t >= e.nextTimer {
		var due *timer
		e.nextTimer = math.MaxInt64
		for _, x := range e.timers {
			switch {
			case !x.armed:
			case due == nil || x.at < due.at:
				if due != nil {
					e.nextTimer = min(e.nextTimer, due.at)
				}
				due = x
			default:
				e.nextTimer = min(e.nextTimer, x.at)
			}
		}
		if due == nil {
			break
		}
		if due.at > t {
			e.nextTimer = due.at
			break
		}
		e.now = max(e.now, due.at)
		due.armed = false
		due.fire()
	}
	e.now = max(e.now, t)
}

func (e *Engine) newTimer(fire func()) *timer {
	t := &timer{fire: fire}
	e.timers = append(e.timers, t)
	return t
}

func (e *Engine) arm(t *timer, at time.Duration) {
	t.at, t.armed = at, true
	e.nextTimer = min(e.nextTimer, at)
}

func (e *Engine) emit(ev Event) {
	e.seq++
	ev.Seq, ev.T = e.seq, Seconds(e.now)
	e.out = append(e.out, ev)
}

func (e *Engine) setPhase(p Phase) {
	if p == e.phase {
		return
	}
	e.phase, e.phaseSince = p, e.now
	e.emit(Event{Event: EventPhase, Phase: p})
	switch p {
	case WarmUp:
		e.supply = supplyState{}
		for _, s := range e.sockets {
			s.restart(e.now)
			s.conducted, s.conductionArmed = false, false
		}
		e.arm(e.settleBy, e.now+e.job.Limits.SettleBy)
		if e.first.armed = false; !e.first.holds() { // on a variac, tubes conduct when they can
			e.arm(e.armConduction, e.now+conductionArmsAfter)
		}
	case Soak:
		e.endFirstPower()
		e.settleBy.armed = false
		e.arm(e.armConduction, e.now)
		if e.job.SoakFor > 0 {
			e.arm(e.soakOver, e.now+e.job.SoakFor)
		}
	case CoolDown, Ended:
		e.supply.low = math.Inf(1)
		e.settleBy.armed, e.armConduction.armed, e.soakOver.armed = false, false, false
		if p == Ended {
			e.endFirstPower()
			for _, t := range e.timers {
				t.armed = false
			}
			return
		}
	}
	e.judgeAll()
}

// judgeAll judges everything again after something other than a reading changed.
func (e *Engine) judgeAll() {
	for _, s := range e.sockets {
		e.judgeSocket(s, false)
		e.judgeSocket(s, true)
	}
	e.judgeBench()
}

func (e *Engine) judgeBench() {
	for i, r := range benchRules {
		e.own[i].judge(r.judge(e))
	}
}

// reading takes one reading of a meter.
func (e *Engine) reading(m *meter, r drivers.Reading) {
	if e.now >= e.binEnd {
		e.closeBins()
	}
	m.take(r, e.now)
	e.followDigits(m)
	for _, s := range m.sockets {
		e.update(s) // also after the end: what is shown must be live
	}
	e.findSupply()
	e.followCharge()
	if e.phase == Ended || !e.begun {
		return
	}
	e.judgeMeter(m)
	e.followSupply()
	e.followFirstPower()
	for _, s := range m.sockets {
		if s.meter == m {
			s.bin()
		}
		e.judgeSocket(s, false)
		if e.OnFigures != nil {
			e.OnFigures(s.index, e.now, s.figures())
		}
	}
	for _, w := range m.watches {
		w.cond.judge(w.judge())
	}
	e.judgeBench()
}

// port takes a port opened or lost.
func (e *Engine) port(p *PortChange) {
	if i := e.bench.MeterIndex(p.Meter); i >= 0 {
		e.meters[i].portText = p.Text
		e.meters[i].portLost = !p.Open
	}
	e.emit(Event{Event: EventPort, Meter: p.Meter, Open: &p.Open, Text: p.Text})
}

// resettleAfter is how long a gap may be before the settled values of before
// it stop counting.
const resettleAfter = 5 * time.Minute

// gap takes a stretch in which no daemon ran: nothing was watched in it, so no
// delay runs on through it, and every meter has its full time to speak again.
func (e *Engine) gap(in Input) {
	e.now = max(e.now, in.T)
	e.emit(Event{Event: EventGap, From: &in.Gap.From, Text: in.Gap.Text})
	for _, t := range e.timers {
		if t.armed {
			t.at = max(t.at, e.now)
		}
	}
	for _, c := range e.conds {
		c.forget()
	}
	e.charge.low = false
	e.first.interrupt()
	for i := range e.meters {
		m := &e.meters[i]
		m.seen, m.value, m.overs = false, socket.Value{}, 0
		e.watchForSilence(m)
	}
	for _, s := range e.sockets {
		s.measured, s.fig = socket.Measured{}, socket.Estimates{}
		s.bins = s.bins[:0]
		s.pending.reset()
		s.answer.interrupt()
		s.history.restart()
		if e.now-time.Duration(in.Gap.From) > resettleAfter {
			s.restart(e.now)
		}
	}
}
