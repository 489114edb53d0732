package alarms

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// follows are the transitions that the record may hold; to the same state only
// while the alarm is put aside, and where it is told anew as worse than it was.
var follows = map[State][]State{
	Normal:         {Unacknowledged, Shelved, Suppressed, OutOfService},
	Unacknowledged: {Unacknowledged, Acknowledged, Returned, Shelved, Suppressed, OutOfService},
	Acknowledged:   {Unacknowledged, Normal, Latched, Shelved, Suppressed, OutOfService},
	Returned:       {Unacknowledged, Normal, Latched, Shelved, Suppressed, OutOfService},
	Latched:        {Unacknowledged, Normal, Shelved, Suppressed, OutOfService},
	Shelved:        {Shelved, Unacknowledged, Normal, Latched, Suppressed, OutOfService},
	Suppressed:     {Suppressed, Unacknowledged, Acknowledged, Normal, Latched, Shelved, OutOfService},
	OutOfService:   {OutOfService, Unacknowledged, Normal, Latched, Suppressed},
}

// Audit reads a record as a person would who trusts nobody, and says what is
// wrong with it: a transition that there is none, an alarm that went away
// without anyone having seen it, a latch without its reason, a suppression that
// nothing told of, ten alarms told in ten minutes. It is empty when all is well.
func Audit(events []Event, end time.Duration) string {
	type past struct {
		state State
		seen  bool // somebody acted on it since it was last told
		reset bool
		high  bool          // since it was last normal
		until time.Duration // of its shelf
		owed  time.Duration // suppressed since, and no flood has named it
	}
	all := map[string]*past{}
	of := func(id string) *past {
		if all[id] == nil {
			all[id] = &past{state: Normal, owed: -1}
		}
		return all[id]
	}
	var told []time.Duration
	gap := false
	for i, ev := range events {
		at := time.Duration(ev.T)
		wrong := func(format string, args ...any) string {
			return fmt.Sprintf("event %d at %v, %s %s %s: ", i, at, ev.ID, ev.Act, ev.State) + fmt.Sprintf(format, args...)
		}
		switch ev.Event {
		case EventGap:
			gap = true
		case EventAct:
			switch ev.Act {
			case "end": // nothing is told any more
				gap = true
			case "acknowledge":
				of(ev.ID).seen = true
				if strings.HasPrefix(ev.ID, floodRule.name+"/") {
					for _, p := range all {
						if p.state == Suppressed && p.owed < 0 {
							p.seen = true
						}
					}
				}
			case "shelve":
				d, _ := time.ParseDuration(ev.For)
				of(ev.ID).seen, of(ev.ID).until = true, at+d
			case "out-of-service", "unshelve", "in-service":
				of(ev.ID).seen = true
			case "reset":
				of(ev.ID).reset = true
			}
		case EventAlarm:
			p := of(ev.ID)
			flood := ev.Alarm == floodRule.name
			if !slices.Contains(follows[p.state], ev.State) && !(flood && p.state == Unacknowledged && ev.State == Normal) {
				return wrong("cannot follow %s", p.state)
			}
			if p.state == Shelved && ev.State != Shelved && at > p.until && !gap {
				return wrong("shelved until %v", p.until)
			}
			switch ev.State {
			case Unacknowledged:
				if p.seen = false; ev.Text == "" || ev.Advice == "" {
					return wrong("told without text or advice")
				}
				told = append(told, at)
				if n := len(told); n >= 10 && told[n-1]-told[n-10] < 10*time.Minute {
					return wrong("the tenth within %v", told[n-1]-told[n-10])
				}
				if flood {
					for id, q := range all {
						if _, subject, _ := strings.Cut(id, "/"); q.owed >= 0 && strings.Contains(ev.Text, subject) {
							q.owed = -1
						}
					}
				}
			case Suppressed:
				if ev.Active && p.state != Suppressed {
					p.owed, p.seen = at, false
				}
			case Acknowledged:
				if !p.seen {
					return wrong("nobody acknowledged it")
				}
			case Normal:
				if p.state == Latched && !p.reset {
					return wrong("nobody reset it")
				}
				if !p.seen && p.state != Shelved && p.state != OutOfService && !p.reset && !flood {
					return wrong("nobody saw it")
				}
			case Latched:
				if p.reset = false; !strings.Contains(ev.Text, "latched") || strings.Contains(ev.Text, "was high") && !p.high {
					return wrong("latched without a reason")
				}
			case OutOfService:
				if p.state != OutOfService && ev.Text == "" {
					return wrong("out of service without a reason")
				}
			}
			p.high = ev.State != Normal && (p.high || ev.Priority == High && (ev.State == Unacknowledged || ev.Active))
			if p.state = ev.State; ev.State != Suppressed {
				p.owed = -1
			}
		}
	}
	for id, p := range all {
		if p.owed >= 0 && end-p.owed > floodAgain+floodGather && !gap {
			return fmt.Sprintf("%s was suppressed at %v and never named", id, p.owed)
		}
	}
	return ""
}
