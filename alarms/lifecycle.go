package alarms

import (
	"fmt"
	"slices"
	"time"

	"nightsoak/acquire/bench"
)

// rule is what is common to every alarm: how it is named, how urgent it is,
// how long its condition must stand or be gone, and what a person should do.
type rule struct {
	name     string
	priority Priority
	// onDelay is how long the condition must stand before the alarm is raised;
	// nil for at once. offDelay is how long it must be gone before it returns.
	onDelay  func(*bench.Job) time.Duration
	offDelay time.Duration
	advice   string
	// once says that the text describes a moment; others are said anew for as
	// long as the condition stands.
	once bool
	// explains says that what the other sockets and the supply do meanwhile may
	// come of this.
	explains bool
}

// delay is an on-delay that no file sets.
func delay(d time.Duration) func(*bench.Job) time.Duration {
	return func(*bench.Job) time.Duration { return d }
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
	subject  string
	id       string
	describe func() string

	e            *Engine
	timer        *timer
	stands       bool // the last verdict
	unsure       bool // there was no telling at the last verdict: the text stands as it was
	active       bool // the condition stands, delays counted
	state        State
	priority     Priority
	wanted       Priority // priority of the last standing verdict
	since        time.Duration
	text         string
	shelvedUntil *timer
}

func (e *Engine) newCond(r *rule, subject string, describe func() string) *cond {
	c := &cond{rule: r, subject: subject, id: r.name + "/" + subject, describe: describe, e: e, state: Normal}
	c.timer = e.newTimer(c.delayOver)
	c.shelvedUntil = e.newTimer(c.unshelve)
	e.conds = append(e.conds, c)
	return c
}

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
	if v.priority == "" {
		v.priority = c.rule.priority
	}
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
	var d time.Duration
	switch {
	case !c.stands:
		d = c.rule.offDelay
	case c.rule.onDelay != nil:
		d = c.rule.onDelay(c.e.job)
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
		c.enter(Normal)
	}
}

func (c *cond) raise() {
	if c.rule.explains && !c.active {
		c.e.causes = append(c.e.causes, c)
	}
	c.active = true
	c.priority, c.since, c.text = c.wanted, c.e.now, c.describe()
	if c.state != Shelved {
		c.enter(Unacknowledged)
	}
}

// forget drops what was pending, for a stretch that nobody watched.
func (c *cond) forget() {
	c.timer.armed, c.unsure = false, true
	c.stands = c.active
}

func (c *cond) acknowledge() {
	switch c.state {
	case Unacknowledged:
		c.enter(Acknowledged)
	case Returned:
		c.enter(Normal)
	}
}

func (c *cond) shelve(d time.Duration) {
	c.e.arm(c.shelvedUntil, c.e.now+d)
	c.enter(Shelved)
}

// unshelve ends a shelving, by act or because its time is over: the state then
// follows the condition.
func (c *cond) unshelve() {
	c.shelvedUntil.armed = false
	if c.active {
		c.enter(Unacknowledged)
	} else {
		c.enter(Normal)
	}
}

// enter makes the transition and says so. Text and advice go with the states
// that ask something of a person.
func (c *cond) enter(s State) {
	c.state = s
	ev := Event{Event: EventAlarm, ID: c.id, Alarm: c.rule.name, Subject: c.subject, Priority: c.priority, State: s}
	if ev.Priority == "" {
		ev.Priority = c.rule.priority
	}
	if s == Unacknowledged {
		ev.Text, ev.Advice = c.text, c.rule.advice
	}
	c.e.emit(ev)
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
