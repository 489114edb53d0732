package alarms

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"nightsoak/acquire/bench"
)

// setting is how one alarm is set under a job: its rule's own figures, or what
// the bench and job files have in their place.
type setting struct {
	priority          Priority
	grows             bool     // priority is the highest it may take, not the one it has
	starts            Priority // what it is before it was ever raised
	onDelay, offDelay time.Duration
	deadband          float64
	latch             *bool          // nil: when it was high
	again             *time.Duration // nil: when it is high
	out               string         // why it is out of service from the start; empty for in service
}

// setting is the rule's under a job.
func (r *rule) setting(j *bench.Job) setting {
	f := j.Alarms[r.name]
	s := setting{priority: cmp.Or(Priority(f.Priority), r.priority), grows: r.worst != "", onDelay: r.on(j), offDelay: r.offDelay,
		deadband: r.deadband, latch: f.Latch, again: f.ReAlarm, out: f.OutOfService}
	if s.starts = s.priority; s.grows {
		s.priority = cmp.Or(Priority(f.Priority), r.worst)
		s.starts = s.limit(r.priority)
	}
	if f.OnDelay != nil {
		s.onDelay = *f.OnDelay
	}
	if f.OffDelay != nil {
		s.offDelay = *f.OffDelay
	}
	if f.Deadband != nil {
		s.deadband = *f.Deadband
	}
	return s
}

// limit is the priority for a verdict's own; empty for none.
func (s *setting) limit(p Priority) Priority {
	if !s.grows || p == "" || p.Rank() > s.priority.Rank() {
		return s.priority
	}
	return p
}

// latches says whether an alarm that reached that priority stays until it is reset.
func (s *setting) latches(peak Priority) bool {
	if s.latch != nil {
		return *s.latch && peak != ""
	}
	return peak == High
}

// reAlarm is after how long an acknowledged alarm of that priority calls again;
// 0 for never.
func (s *setting) reAlarm(p Priority) time.Duration {
	switch {
	case s.again != nil:
		return *s.again
	case p == High:
		return reAlarmHigh
	}
	return 0
}

// words are what the files set in the place of the rule's own, and whether that
// makes an alarm less that is or grows high.
func (s *setting) words(r *rule, j *bench.Job) (words string, weakened bool) {
	f := j.Alarms[r.name]
	var w []string
	say := func(less bool, format string, args ...any) {
		w = append(w, fmt.Sprintf(format, args...))
		weakened = weakened || less && r.highest() == High
	}
	if f.OutOfService != "" {
		say(true, "out of service: %s", f.OutOfService)
	}
	if p := Priority(f.Priority); p != "" && p != r.highest() {
		say(p.Rank() < r.highest().Rank(), "priority %s, its own is %s", p, r.highest())
	}
	if own := r.on(j); s.onDelay != own {
		say(s.onDelay > own, "on-delay %s, its own is %s", people(s.onDelay), people(own))
	}
	if s.offDelay != r.offDelay {
		say(s.offDelay < r.offDelay, "off-delay %s, its own is %s", people(s.offDelay), people(r.offDelay))
	}
	if s.deadband != r.deadband {
		say(false, "deadband %.3g %% of the limit, its own is %.3g %%", 100*s.deadband, 100*r.deadband)
	}
	if own := r.highest() == High; f.Latch != nil && *f.Latch != own {
		say(own, "latch %v, its own is %v", *f.Latch, own)
	}
	if f.ReAlarm != nil {
		own := (&setting{}).reAlarm(r.highest())
		if *f.ReAlarm != own {
			say(own > 0 && (*f.ReAlarm == 0 || *f.ReAlarm > own), "re-alarm %s, its own is %s", orNever(*f.ReAlarm), orNever(own))
		}
	}
	return strings.Join(w, "; "), weakened
}

func orNever(d time.Duration) string {
	if d == 0 {
		return "never"
	}
	return people(d)
}

// tellSettings says at the beginning what the files set of the alarms, so that
// none is weakened without the record saying so, and takes out of service what
// they say.
func (e *Engine) tellSettings() {
	var last *rule
	for _, r := range allRules() {
		for _, c := range e.conds {
			if c.rule != r {
				continue
			}
			if last != r {
				last = r
				if text, weakened := c.set.words(r, e.job); text != "" {
					e.emit(Event{Event: EventSetting, Alarm: r.name, Priority: r.highest(), Weakened: weakened, Text: text})
				}
			}
			if c.set.out != "" {
				c.why = c.set.out
				c.enter(OutOfService)
			}
		}
	}
}
