package alarms

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// How many alarms may be told in ten minutes. ISA-18.2 / IEC 62682 call more
// than 10 in 10 min a flood, more than a person can manage; ours never tells of
// as many: floodSingly by their own names and one more that is high, and of the
// rest in one alarm, which is told anew no sooner than floodAgain later, so at
// most twice.
const (
	floodWindow = 10 * time.Minute
	floodSingly = 6
	floodAgain  = floodWindow / 2
	// floodGather is for how long the first of a flood waits for the others: all
	// that one cause does at once comes within a few readings (estimate).
	floodGather = 10 * time.Second
)

// flood groups what comes beyond that. Its members are suppressed by design:
// each in the record, each named in the flood's text, none told by itself. To
// acknowledge the flood is to acknowledge each that it has named; it stands until
// each is acknowledged or put aside, so that what comes and goes does not call again.
type flood struct {
	e       *Engine
	cond    *cond
	singles []time.Duration // run times of those told by their own names, within the window
	members []*cond         // in the order they came
	told    int             // members[:told] are named in what was last told
	at      time.Duration   // when it was last told
	ever    bool
	timer   *timer
}

// FloodName is the alarm that tells of those that are too many to be told one by one.
const FloodName = "alarm-flood"

var floodRule = rule{name: FloodName, priority: Low, worst: High,
	cause:       "One fault that shows in many places, or a bench that is badly set: limits in the noise, a lead that moves.",
	consequence: "A person who is told of everything sees nothing: the first of them is lost among what came of it.",
	advice:      "Begin with the first, which most likely caused the others.",
	within:      AtOnce}

func (e *Engine) newFlood() {
	f := &e.flood
	f.e = e
	f.cond = e.newCond(&floodRule, e.bench.Name, f.text)
	f.timer = e.newTimer(f.tell)
}

// takes says whether the alarm is to be told by the flood and not by itself. If
// not, it counts as told.
func (f *flood) takes(c *cond) bool {
	if c == f.cond {
		return false
	}
	now := f.e.now
	f.singles = slices.DeleteFunc(f.singles, func(t time.Duration) bool { return t <= now-floodWindow })
	most := floodSingly
	if c.priority == High {
		most++
	}
	if len(f.singles) >= most {
		return true
	}
	f.singles = append(f.singles, now)
	return false
}

// join makes the alarm a member that has not been named yet.
func (f *flood) join(c *cond) {
	f.drop(c)
	f.members = append(f.members, c)
	if !f.timer.armed {
		at := f.e.now + floodGather
		if f.ever {
			at = max(at, f.at+floodAgain)
		}
		f.e.arm(f.timer, at)
	}
}

// drop takes the alarm off the list.
func (f *flood) drop(c *cond) {
	if i := slices.Index(f.members, c); i >= 0 {
		f.members = slices.Delete(f.members, i, i+1)
		if i < f.told {
			f.told--
		}
	}
}

// leave takes an alarm off the list that has a state of its own again.
func (f *flood) leave(c *cond) {
	f.drop(c)
	f.follow()
}

// follow ends a flood of which none is left: a person has seen each by itself.
func (f *flood) follow() {
	if c := f.cond; len(f.members) == 0 && c.active {
		c.active, c.stands = false, false
		c.enter(Normal)
	}
}

// tell names all members.
func (f *flood) tell() {
	if len(f.members) == f.told {
		return // those who waited have a state of their own by now
	}
	f.told, f.at, f.ever = len(f.members), f.e.now, true
	c := f.cond
	c.active, c.stands = true, true
	c.priority, c.since, c.text = f.priority(), f.e.now, f.text()
	if c.priority.Rank() > c.peak.Rank() {
		c.peak = c.priority
	}
	c.enter(Unacknowledged)
}

// acknowledge takes that a person has seen all that was named.
func (f *flood) acknowledge() {
	f.cond.enter(Acknowledged)
	for _, c := range slices.Clone(f.members[:f.told]) {
		c.acknowledge()
	}
}

// priority is the highest of the members'.
func (f *flood) priority() Priority {
	p := Low
	for _, c := range f.members {
		if c.peak.Rank() > p.Rank() {
			p = c.peak
		}
	}
	return p
}

// first is what came first of all that is not normal, the cause of the others
// most likely: a member or one told by its own name.
func (f *flood) first() *cond {
	var first *cond
	for _, c := range f.e.conds {
		switch c.state {
		case Unacknowledged, Acknowledged, Returned, Suppressed:
			if c != f.cond && (first == nil || c.began < first.began) {
				first = c
			}
		}
	}
	return first
}

// text has the first cause and then every member by name, the gravest kind first.
func (f *flood) text() string {
	type kind struct {
		rule  *rule
		peak  Priority
		names []string
	}
	var kinds []*kind
	for _, c := range f.members {
		i := slices.IndexFunc(kinds, func(k *kind) bool { return k.rule == c.rule && k.peak == c.peak })
		if i < 0 {
			i = len(kinds)
			kinds = append(kinds, &kind{rule: c.rule, peak: c.peak})
		}
		kinds[i].names = append(kinds[i].names, c.subject)
	}
	slices.SortStableFunc(kinds, func(a, b *kind) int { return cmp.Compare(b.peak.Rank(), a.peak.Rank()) })
	var w []string
	for _, k := range kinds {
		w = append(w, fmt.Sprintf("%s (%s) %s", k.rule.name, k.peak, strings.Join(k.names, ", ")))
	}
	text := fmt.Sprintf("%d more than can be told one by one: %s", len(f.members), strings.Join(w, "; "))
	if first := f.first(); first != nil {
		text = fmt.Sprintf("first %s at %s: %s; then %s", first.id, Seconds(first.began).clock(), first.text, text)
	}
	return text
}

// advice is what to do about the gravest member, else the first.
func (f *flood) advice() string {
	advice := f.cond.rule.advice
	for _, c := range append([]*cond{f.first()}, f.members...) {
		if c != nil && c.peak == f.priority() {
			return c.rule.advice + " " + advice
		}
	}
	return advice
}
