package alarms

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"nightsoak/acquire/bench"
)

// rule is what is common to every alarm: how it is named, how urgent it is,
// how long its condition must stand or be gone, and what a person must know of
// it. bench.Alarm may set much of it anew.
type rule struct {
	name     string
	priority Priority
	// worst is the highest priority of an alarm that grows by itself; empty for
	// one that does not.
	worst Priority
	// onDelay is how long the condition must stand before the alarm is raised;
	// nil for at once. offDelay is how long it must be gone before it returns.
	onDelay  func(*bench.Job) time.Duration
	offDelay time.Duration
	// deadband is how far inside its limit a figure must come back, as a ratio
	// of the limit; 0 for an alarm that compares no figure.
	deadband float64
	// cause and consequence say what is most likely behind it and what comes of
	// it when nobody acts, advice what to do, and within how soon.
	cause, consequence, advice string
	within                     Response
	// once says that the text describes a moment; others are said anew for as
	// long as the condition stands.
	once bool
	// explains says that what the other sockets and the supply do meanwhile may
	// come of this.
	explains bool
}

// Response is the class of time in which a person must act for it to help.
type Response string

// The classes of response (common practice, no source).
const (
	AtOnce      Response = "at once"
	TenMinutes  Response = "within 10 min"
	Hour        Response = "within the hour"
	BeforeNight Response = "before the next night"
)

// reAlarmHigh is after how long an acknowledged high alarm that still stands
// calls again (estimate: a person called at night has come by then, or fell asleep again).
const reAlarmHigh = 30 * time.Minute

// highest is the highest priority that the alarm can reach.
func (r *rule) highest() Priority { return cmp.Or(r.worst, r.priority) }

// delay is an on-delay that no file sets.
func delay(d time.Duration) func(*bench.Job) time.Duration {
	return func(*bench.Job) time.Duration { return d }
}

// on is the on-delay under a job.
func (r *rule) on(j *bench.Job) time.Duration {
	if r.onDelay == nil {
		return 0
	}
	return r.onDelay(j)
}

// verdict is what a rule says of its subject at one moment.
type verdict struct {
	stands   bool
	unknown  bool     // there is no telling: nothing is raised, and what is raised stays
	priority Priority // of a standing condition; empty for the rule's own
}

var (
	no      = verdict{}
	stands  = verdict{stands: true}
	unknown = verdict{unknown: true}
)

// when is stands or no.
func when(b bool) verdict { return verdict{stands: b} }

// cond is one alarm of one subject and its life after ISA-18.2.
type cond struct {
	rule     *rule
	set      setting
	subject  string
	id       string
	describe func() string
	reads    func() *meter // whose figure a bench-wide alarm stands by; nil for its usual one

	e        *Engine
	timer    *timer
	stands   bool // the last verdict
	unsure   bool // there was no telling at the last verdict: the text stands as it was
	active   bool // the condition stands, delays counted
	state    State
	priority Priority
	peak     Priority // the highest since it was last normal: what latches
	wanted   Priority // priority of the last standing verdict
	since    time.Duration
	began    time.Duration // first raised since it was last normal
	text     string
	meter    string // of reads, as the text was made
	why      string // why it is out of service

	later     *timer   // the end of its shelf, or its re-alarm
	shelvedAt Priority // what it was shelved as
}

func (e *Engine) newCond(r *rule, subject string, describe func() string) *cond {
	c := &cond{rule: r, set: r.setting(e.job), subject: subject, id: r.name + "/" + subject, describe: describe, e: e, state: Normal}
	c.timer = e.newTimer(c.delayOver)
	c.later = e.newTimer(c.follow)
	e.conds = append(e.conds, c)
	return c
}

// band is how far inside its limit a figure must be now, as a ratio of the
// limit: the deadband while the alarm stands, else nothing.
func (c *cond) band() float64 {
	if c.active {
		return c.set.deadband
	}
	return 0
}

// inside is what of a limit counts now.
func (c *cond) inside() float64 { return 1 - c.band() }

// judge takes the verdict of this moment.
func (c *cond) judge(v verdict) {
	c.unsure = v.unknown
	if !v.stands && !v.unknown && !c.stands {
		return // as nearly always
	}
	if v.unknown {
		if c.stands && !c.active {
			return // an on-delay goes on: what is not known is no sign of its being over
		}
		c.timer.armed = false
		c.stands = c.active
		return
	}
	v.priority = c.set.limit(v.priority)
	if v.stands {
		c.wanted = v.priority
	}
	if v.stands == c.stands {
		switch {
		case c.active && v.stands && v.priority.Rank() > c.priority.Rank():
			c.raise() // worse than it was: a person must look again
		case !c.active && v.stands && !c.timer.armed:
			c.raise() // the delay was over while there was no telling
		}
		return
	}
	c.stands = v.stands
	c.timer.armed = false
	if c.stands == c.active {
		return
	}
	d := c.set.offDelay
	if c.stands {
		d = c.set.onDelay
	}
	if d == 0 {
		c.delayOver()
		return
	}
	c.e.arm(c.timer, c.e.now+d)
}

func (c *cond) delayOver() {
	if c.stands {
		if !c.unsure {
			c.raise()
		}
		return
	}
	c.active = false
	c.e.causes = slices.DeleteFunc(c.e.causes, func(o *cond) bool { return o == c })
	switch c.state {
	case Unacknowledged:
		c.enter(Returned)
	case Acknowledged:
		c.rest()
	case Shelved, Suppressed, OutOfService:
		c.enter(c.state) // the record says that it is over
	}
}

// raise takes that the condition stands, or stands at a higher priority. An
// alarm that is put aside is evaluated all the same and the record has it.
func (c *cond) raise() {
	if c.rule.explains && !c.active {
		c.e.causes = append(c.e.causes, c)
	}
	worse := c.wanted.Rank() > c.priority.Rank()
	if c.active = true; c.peak == "" {
		c.began = c.e.now
	}
	c.priority, c.since, c.text = c.wanted, c.e.now, c.describe()
	if c.reads != nil {
		if m := c.reads(); m != nil {
			c.meter = m.Name
		}
	}
	if c.priority.Rank() > c.peak.Rank() {
		c.peak = c.priority
	}
	switch {
	case c.state == OutOfService,
		c.state == Shelved && c.priority.Rank() <= c.shelvedAt.Rank(),
		c.state == Suppressed && !worse:
		c.enter(c.state)
	default: // one shelved as less than this was not shelved as this
		c.call()
	}
}

// call tells of it: by its own name or, in a flood, by the flood's.
func (c *cond) call() {
	if c.e.flood.takes(c) {
		c.enter(Suppressed)
		c.e.flood.join(c)
		return
	}
	c.enter(Unacknowledged)
}

// follow lets the state follow the condition: after what put the alarm aside, by
// act or because its time is over, and when an acknowledged one calls again.
func (c *cond) follow() {
	if c.active {
		c.text = c.now()
		c.call()
	} else {
		c.rest()
	}
}

// now is the text as it would be said now: anew for as long as the condition is
// seen to stand.
func (c *cond) now() string {
	if c.active && c.stands && !c.unsure && !c.rule.once {
		return c.describe()
	}
	return c.text
}

// rest is where an alarm goes that is over and was seen.
func (c *cond) rest() {
	if c.set.latches(c.peak) {
		c.enter(Latched)
	} else {
		c.enter(Normal)
	}
}

// forget drops what was pending, for a stretch that nobody watched.
func (c *cond) forget() {
	c.timer.armed, c.unsure = false, true
	c.stands = c.active
}

// acknowledge takes that a person has seen it.
func (c *cond) acknowledge() {
	if c.active {
		c.enter(Acknowledged)
	} else {
		c.rest()
	}
}

// canAcknowledge says whether there is anything to acknowledge.
func (c *cond) canAcknowledge() bool {
	return c.state == Unacknowledged || c.state == Returned || c.state == Suppressed
}

func (c *cond) shelve(d time.Duration) {
	c.shelvedAt = cmp.Or(c.peak, c.set.starts)
	c.e.arm(c.later, c.e.now+d)
	c.enter(Shelved)
}

// enter makes the transition and says so. Text and advice go with the states
// that ask something of a person; one that is put aside says what stands behind.
func (c *cond) enter(s State) {
	was := c.state
	c.state = s
	if s != Shelved {
		c.later.armed = false
	}
	ev := Event{Event: EventAlarm, ID: c.id, Alarm: c.rule.name, Subject: c.subject, Priority: cmp.Or(c.priority, c.set.starts), State: s}
	switch s {
	case Unacknowledged:
		ev.Text, ev.Advice = c.text, c.advice()
	case Acknowledged:
		if d := c.set.reAlarm(c.priority); d > 0 {
			c.e.arm(c.later, c.e.now+d)
		}
	case Latched:
		ev.Text = c.latched()
	case Shelved, Suppressed, OutOfService:
		ev.Active = c.active
		if c.active {
			ev.Text = c.text
		}
		if s == OutOfService && was != s {
			ev.Text = "out of service: " + c.why
		}
	case Normal:
		c.peak = ""
	}
	if c.active {
		ev.Meter = c.meter
	}
	c.e.emit(ev)
	if was == Suppressed && s != Suppressed {
		c.e.flood.leave(c)
	}
}

// latched says why an alarm that is over is still there.
func (c *cond) latched() string {
	if c.set.latch != nil {
		return "over, and latched as the files ask: reset it once its cause is found"
	}
	return "over, and latched because it was " + string(c.peak) + ": reset it once its cause is found"
}

// words are the text with what a person must know of a state that is not plain.
func (c *cond) words() string {
	text := c.now()
	switch c.state {
	case Latched:
		return text + " (" + c.latched() + ")"
	case Suppressed:
		return text + " (told by " + c.e.flood.cond.id + ")"
	case OutOfService:
		if !c.active {
			return "out of service: " + c.why
		}
		return "out of service: " + c.why + "; stands: " + text
	case Shelved:
		if !c.active {
			return "shelved; its condition does not stand"
		}
	}
	return text
}

// advice is what to do about it.
func (c *cond) advice() string {
	if c == c.e.flood.cond {
		return c.e.flood.advice()
	}
	return c.rule.advice
}

// people writes a duration as a person would: "45 min", "10 h", "1 h 30 min", "3 s".
func people(d time.Duration) string {
	switch h, m := int(d.Hours()), int(d.Minutes())%60; {
	case d < time.Minute:
		return fmt.Sprintf("%.3g s", d.Seconds())
	case h == 0 && (d%time.Minute == 0 || d >= 10*time.Minute):
		return fmt.Sprintf("%d min", int(d.Minutes()+0.5))
	case h == 0:
		return fmt.Sprintf("%d min %d s", int(d.Minutes()), int(d.Seconds())%60)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	default:
		return fmt.Sprintf("%d h %d min", h, m)
	}
}
