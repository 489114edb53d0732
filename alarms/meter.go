package alarms

import (
	"fmt"
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
	count    uint64
	value    socket.Value // usable figure of the last reading, times scale; unknown when it is not one
	over     bool         // the last reading was an overload
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
	}
	m.last, m.lastAt, m.seen = r, now, true
	m.count++
	m.value, m.over = socket.Value{}, false
	if m.wrongFunction() || m.frozen() {
		return
	}
	m.over = r.Flags&drivers.Overload != 0
	if r.HasValue() {
		m.value = socket.MeasuredValue(r, m.Accuracy)
	}
}

func (m *meter) wrongFunction() bool {
	r := m.last
	return m.want != drivers.NoQuantity &&
		(r.Quantity != m.want || r.Flags&(drivers.Diode|drivers.Continuity) != 0 || m.dc && r.Flags&drivers.AC != 0)
}

func (m *meter) frozen() bool {
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
		advice: "Look whether the meter is on and its cable and adaptor are seated. What it watched is not watched now."},
	text: func(m *meter) string {
		what := fmt.Sprintf("%s has sent nothing for %s", m.Name, people(m.SilentAfter))
		if m.portLost {
			what += " (" + m.portText + ")"
		}
		for i, s := range m.sockets {
			if i == 0 {
				what += "; not watched now: "
			} else {
				what += ", "
			}
			what += s.Name
		}
		return what
	},
}

var meterRules = []*meterRule{
	meterSilent,
	{
		rule: rule{name: "meter-overload", priority: Medium, onDelay: delay(3 * time.Second), offDelay: 3 * time.Second,
			advice: "Set the meter to a higher range, or see what drives it there."},
		judge: func(m *meter) verdict { return when(m.over && !m.sense) },
		text:  func(m *meter) string { return fmt.Sprintf("%s shows overload", m.Name) },
	},
	{
		rule: rule{name: "meter-wrong-function", priority: Medium, onDelay: delay(2 * time.Second), offDelay: 2 * time.Second,
			advice: "Turn the meter to the function named. Its readings are not used until then."},
		judge: func(m *meter) verdict { return when(m.wrongFunction()) },
		text: func(m *meter) string {
			want := m.want.SIUnit()
			if m.dc {
				want += " DC"
			}
			return fmt.Sprintf("%s shows %v; the job needs %s", m.Name, m.last, want)
		},
	},
	{
		rule: rule{name: "meter-hold", priority: Medium, onDelay: delay(2 * time.Second), offDelay: 2 * time.Second,
			advice: "Switch hold, relative and min/max off on the meter. Its readings are not used until then."},
		judge: func(m *meter) verdict { return when(m.frozen()) },
		text: func(m *meter) string {
			return fmt.Sprintf("%s does not show a live figure: %v", m.Name, m.last)
		},
	},
	{
		rule: rule{name: "meter-low-battery", priority: Low, onDelay: delay(10 * time.Second), offDelay: 10 * time.Second,
			advice: "Change the battery before the night: a meter low on battery reads wrong, then goes silent."},
		judge: func(m *meter) verdict { return when(m.last.Flags&drivers.LowBattery != 0) },
		text:  func(m *meter) string { return fmt.Sprintf("%s says its battery is low", m.Name) },
	},
}

func (e *Engine) meterConds(m *meter) {
	for _, r := range meterRules {
		m.conds = append(m.conds, e.newCond(&r.rule, m.Name, func() string { return r.text(m) }))
	}
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
		c.stands, c.unsure, c.wanted = true, false, c.rule.priority
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
	case m.frozen():
		return "hold"
	case m.over:
		return "overload"
	}
	return "ok"
}
