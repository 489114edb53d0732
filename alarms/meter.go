package alarms

import (
	"fmt"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/drivers"
)

// meter is one meter of the bench, as the engine sees it.
type meter struct {
	*bench.Meter
	want     drivers.Quantity // what the job expects of it; NoQuantity when the job does not use it
	dc       bool             // the job expects DC
	sense    bool             // overload here is sense-open, not meter-overload
	sockets  []*socketState   // whose figures it moves
	watches  []*watchState
	last     drivers.Reading
	lastAt   time.Duration
	heard    time.Duration // since then without a silence
	seen     bool
	readings uint64
	value    socket.Value // usable figure of the last reading, times scale; unknown when it is not one
	overs    int          // overloads in a row, up to the last reading
	count    int64        // what one count of the display is worth in the readings' digits, at most
	digits   stillness
	pace     pace
	ranges   rangeState
	portLost bool
	portText string
	roving   *socketState // where the one probe is now; nil when it does not rove
	conds    []*cond      // in the order of meterRules
}

// use says what the job wants of a meter; it may want it twice.
func (m *meter) use(q drivers.Quantity, dc bool) {
	m.want, m.dc = q, m.dc || dc
}

// take keeps a reading; what is not live or not what was asked has no value.
func (m *meter) take(r drivers.Reading, now time.Duration) {
	if !m.fresh(now) {
		m.heard = now
		m.digits.restart()
	}
	m.last, m.lastAt, m.seen = r, now, true
	m.readings++
	m.pace.take(now)
	m.value = socket.Value{}
	if r.Flags&drivers.Overload == 0 || m.wrongFunction() || m.held() {
		m.overs = 0
	} else {
		m.overs++
	}
	if m.usable() {
		m.value = socket.MeasuredValue(r, m.Accuracy)
	}
}

// usable says whether the last reading is a live figure of what was asked.
func (m *meter) usable() bool { return m.last.HasValue() && !m.wrongFunction() && !m.held() }

// over says whether the meter is over range: more overloads in a row than it has
// ranges to pass. One that ranges by itself shows overload once for each on its
// way up, and a current that a tube can pass is never more than two away from
// another; but over a cathode resistor HT coming up takes it from millivolts to
// tens of volts.
func (m *meter) over() bool {
	for _, s := range m.sockets {
		if s.meter == m && s.Sense.Ohms > cathodeOhms {
			return m.overs > 4
		}
	}
	return m.overs > 2
}

// cathodeOhms is what a sense resistor has at most that is no cathode resistor
// (common practice, no source: 1 and 10 Ω).
const cathodeOhms = 22

func (m *meter) wrongFunction() bool {
	r := m.last
	return m.want != drivers.NoQuantity &&
		(r.Quantity != m.want || r.Flags&(drivers.Diode|drivers.Continuity) != 0 || m.dc && r.Flags&drivers.AC != 0)
}

func (m *meter) held() bool {
	return m.last.Flags&(drivers.Hold|drivers.Relative|drivers.MinMax) != 0
}

// fresh says whether the last reading still counts.
func (m *meter) fresh(now time.Duration) bool { return m.seen && now-m.lastAt < m.SilentAfter }

// valueOf is the meter's usable value at this moment.
func (e *Engine) valueOf(m *meter) socket.Value {
	if m == nil || !m.fresh(e.now) {
		return socket.Value{}
	}
	return m.value
}

// meterAt is the meter with that index in the bench, nil for -1.
func (e *Engine) meterAt(i int) *meter {
	if i < 0 {
		return nil
	}
	return &e.meters[i]
}

// A meterRule is an alarm whose subject is a meter that the job uses.
type meterRule struct {
	rule
	judge func(*meter) verdict
	text  func(*meter) string
}

// meterSilent is not judged on readings but by their absence: each reading
// restarts its on-delay.
var meterSilent = &meterRule{
	rule: rule{name: "meter-silent", priority: Medium,
		advice:      "Look whether the meter is on and its cable and adaptor are seated. What it watched is not watched now.",
		cause:       "The meter switched itself off, its battery is empty, or cable, adaptor or port came loose.",
		consequence: "What it watched is not watched: a runaway behind it shows nowhere.",
		within:      TenMinutes},
	text: func(m *meter) string {
		what := fmt.Sprintf("%s has sent nothing for %s", m.Name, people(m.SilentAfter))
		if m.portLost {
			what += " (" + m.portText + ")"
		}
		return what + m.unwatched()
	},
}

// unwatched names what is not watched while the meter's readings are not used.
func (m *meter) unwatched() string {
	var names []string
	for _, s := range m.sockets {
		names = append(names, s.Name)
	}
	for _, w := range m.watches {
		names = append(names, w.Name)
	}
	return "; not watched now: " + strings.Join(names, ", ")
}

// functions are the quantities as the knob of a meter names them.
var functions = map[drivers.Quantity]string{
	drivers.Voltage: "volts", drivers.Current: "amperes", drivers.Resistance: "ohms", drivers.Frequency: "hertz",
	drivers.Capacitance: "farads", drivers.Temperature: "degrees Celsius", drivers.Fahrenheit: "degrees Fahrenheit",
	drivers.Percent: "percent", drivers.Decibel: "decibels", drivers.Gain: "transistor gain",
}

// function names what a meter is set to: "AC volts", "diode test".
func function(q drivers.Quantity, f drivers.Flags) string {
	name, known := functions[q]
	switch {
	case f&drivers.Diode != 0:
		return "diode test"
	case f&drivers.Continuity != 0:
		return "continuity test"
	case !known:
		return "something without a unit"
	case q != drivers.Voltage && q != drivers.Current:
		return name
	}
	switch f & (drivers.AC | drivers.DC) {
	case drivers.AC:
		return "AC " + name
	case drivers.DC:
		return "DC " + name
	case drivers.AC | drivers.DC:
		return "AC+DC " + name
	}
	return name
}

var meterRules = []*meterRule{
	meterSilent,
	{
		rule: rule{name: "meter-overload", priority: Medium, onDelay: delay(3 * time.Second), offDelay: 3 * time.Second,
			advice:      "Set the meter to a higher range, or see what drives it there.",
			cause:       "The range is too low, or what is measured has left all bounds.",
			consequence: "What it watched is not watched.",
			within:      TenMinutes},
		judge: func(m *meter) verdict { return when(m.over() && !m.sense) },
		text:  func(m *meter) string { return fmt.Sprintf("%s shows overload", m.Name) },
	},
	{
		rule: rule{name: "meter-wrong-function", priority: Medium, onDelay: delay(2 * time.Second), offDelay: 2 * time.Second,
			advice:      "Turn the meter to the function named. Its readings are not used until then.",
			cause:       "Somebody used the meter for something else, or its knob was bumped.",
			consequence: "What it watched is not watched.",
			within:      TenMinutes},
		judge: func(m *meter) verdict { return when(m.wrongFunction()) },
		text: func(m *meter) string {
			var coupling drivers.Flags
			if m.dc {
				coupling = drivers.DC
			}
			return fmt.Sprintf("%s is set to %s (it shows %s %s); the job needs %s%s", m.Name, function(m.last.Quantity, m.last.Flags),
				m.last.Text(), m.last.Unit(), function(m.want, coupling), m.unwatched())
		},
	},
	{
		rule: rule{name: "meter-hold", priority: Medium, onDelay: delay(2 * time.Second), offDelay: 2 * time.Second,
			advice:      "Switch hold, relative and min/max off on the meter. Its readings are not used until then.",
			cause:       "A key of the meter was pressed.",
			consequence: "The figure shown is not live: what it watched is not watched.",
			within:      TenMinutes},
		judge: func(m *meter) verdict { return when(m.held()) },
		text: func(m *meter) string {
			key := "hold"
			switch f := m.last.Flags; {
			case f&drivers.MinMax != 0:
				key = "min/max"
			case f&drivers.Relative != 0:
				key = "relative"
			}
			return fmt.Sprintf("%s shows %s %s, which is not live: %s is on%s", m.Name, m.last.Text(), m.last.Unit(), key, m.unwatched())
		},
	},
	meterFrozen,
	meterFlooding,
	{
		rule: rule{name: "meter-low-battery", priority: Low, onDelay: delay(10 * time.Second), offDelay: 10 * time.Second,
			advice:      "Change the battery before the night: a meter low on battery reads wrong, then goes silent.",
			cause:       "The battery is nearly empty.",
			consequence: "The meter reads wrong, then falls silent in the night.",
			within:      BeforeNight},
		judge: func(m *meter) verdict { return when(m.last.Flags&drivers.LowBattery != 0) },
		text:  func(m *meter) string { return fmt.Sprintf("%s says its battery is low", m.Name) },
	},
	{
		// How to stop it: common practice, no source.
		rule: rule{name: "meter-auto-off", priority: Low, onDelay: delay(10 * time.Second), offDelay: 10 * time.Second,
			advice:      "Switch the meter off, and on again with the button held down that its manual names: most then stay on. Some also stay on when a supply feeds them in place of the battery.",
			cause:       "The meter's automatic power-off is on.",
			consequence: "It falls silent within the hour, and what it watched is not watched.",
			within:      Hour},
		judge: func(m *meter) verdict { return when(m.last.Flags&drivers.AutoPowerOff != 0) },
		text: func(m *meter) string {
			return fmt.Sprintf("%s will switch itself off: its automatic power-off is on", m.Name)
		},
	},
}

func (e *Engine) meterConds(m *meter) {
	for _, r := range meterRules {
		m.conds = append(m.conds, e.newCond(&r.rule, m.Name, func() string { return r.text(m) }))
	}
	m.count = countOf(m.Scale)
	m.ranges.timer = e.newTimer(func() { e.tellRange(m) })
	silent := m.conds[0]
	silent.timer.fire = func() {
		silent.delayOver()
		for _, s := range m.sockets { // its last figure is not a figure any more
			e.update(s)
			e.judgeSocket(s, false)
		}
		e.judgeBench()
	}
}

// judgeMeter judges a meter on the reading it just sent.
func (e *Engine) judgeMeter(m *meter) {
	if m.want == drivers.NoQuantity {
		return
	}
	e.watchForSilence(m)
	e.followRange(m)
	for i, r := range meterRules {
		if r.judge != nil {
			m.conds[i].judge(r.judge(m))
		}
	}
}

// watchForSilence starts the meter's silence anew: it is not silent now, and
// will be after silent_after.
func (e *Engine) watchForSilence(m *meter) {
	if m.want == drivers.NoQuantity || !e.begun || e.phase == Ended {
		return
	}
	c := m.conds[0]
	// A meter that is heard now and then is silent all the same.
	if m.seen && (!c.active || e.now-m.heard >= m.SilentAfter) {
		c.judge(no)
	}
	if !c.active {
		c.stands, c.unsure, c.wanted = true, false, c.set.priority
		e.arm(c.timer, e.now+m.SilentAfter)
	}
}

// state is the one word the panel shows.
func (m *meter) state(now time.Duration) string {
	switch {
	case m.portLost:
		return "port"
	case !m.seen:
		return "waiting"
	case !m.fresh(now):
		return "silent"
	case m.wrongFunction():
		return "wrong-function"
	case m.held():
		return "hold"
	case m.digits.stuck:
		return "frozen"
	case m.overs > 0:
		return "overload"
	case m.Format.NewDecoder != nil && m.pace.flooded:
		return "flooding"
	}
	return "ok"
}
