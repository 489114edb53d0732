package alarms

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/socket"
)

// ErrRefused is wrapped by every error of Check.
var ErrRefused = errors.New("refused")

// maxShelf is the longest that an alarm may be shelved: a shelf always ends.
const maxShelf = 24 * time.Hour

// Check says whether an act can be done now: nil, or an error that says why
// not and what would do.
func (e *Engine) Check(a Act) error {
	refuse := func(format string, args ...any) error {
		return fmt.Errorf("%w: %s: %s", ErrRefused, a.Act, fmt.Sprintf(format, args...))
	}
	if a.Act == "begin" {
		if e.begun {
			return refuse("the run has begun already")
		}
		return nil
	}
	if !e.begun || e.phase == Ended {
		return refuse("no run is on")
	}
	switch a.Act {
	case "end", "cut", "rearm":
	case "walkaway", "drill":
		if len(a.Lines) == 0 {
			return refuse("it has no lines: the daemon makes them")
		}
	case "note":
		if strings.TrimSpace(a.Text) == "" {
			return refuse("the note is empty")
		}
	case "mark":
		switch w := e.watch(a.Watch); {
		case w == nil:
			var names []string
			for _, w := range e.watches {
				names = append(names, w.Name)
			}
			return refuse("no watch %q; known are %s", a.Watch, cmp.Or(strings.Join(names, ", "), "none: the job has no [[watch]]"))
		case strings.TrimSpace(a.Text) == "":
			return refuse("say what this figure is, for example before")
		case !e.valueOf(w.meter).Known:
			return refuse("%s has no figure now", a.Watch)
		}
	case "adjusted":
		if a.Socket != "all" && e.socket(a.Socket) == nil {
			return refuse("no socket %q; known are %s, or all", a.Socket, e.socketNames())
		}
	case "move":
		i := e.bench.MeterIndex(a.Meter)
		s := e.socket(a.Socket)
		switch {
		case i < 0 || e.meters[i].roving == nil:
			return refuse("meter %q does not rove in this job", a.Meter)
		case s == nil || s.meter != &e.meters[i]:
			return refuse("socket %q is not one that %s roves over", a.Socket, a.Meter)
		}
	case "acknowledge", "reset", "shelve", "unshelve", "out-of-service", "in-service":
		c := e.cond(a.ID)
		if c == nil {
			return refuse("no alarm %q; alarms are named like runaway/V7", a.ID)
		}
		if why := c.refuses(&a); why != "" {
			return refuse("%s", why)
		}
	default:
		return refuse("not an act; acts are begin, end, note, mark, adjusted, move, acknowledge, reset, shelve, unshelve, out-of-service, in-service, cut, rearm, walkaway, drill")
	}
	return nil
}

// refuses says why an act on this alarm cannot be done now; empty when it can.
func (c *cond) refuses(a *Act) string {
	is := c.id + " is " + string(c.state)
	switch a.Act {
	case "acknowledge":
		switch {
		case c.state == Latched:
			return is + ": it was acknowledged; reset it once its cause is found"
		case !c.canAcknowledge():
			return is + ": nothing to acknowledge"
		}
	case "reset":
		switch {
		case c.state == Returned || c.state == Unacknowledged && !c.active:
			return is + ": acknowledge it first"
		case c.state != Latched:
			return is + ": nothing to reset; an alarm latches once it is over and was high"
		}
	case "shelve":
		switch d, err := time.ParseDuration(a.For); {
		case c == c.e.flood.cond:
			return "a flood cannot be put aside: shelve the alarms that it names"
		case c.state == OutOfService:
			return is + " already, which has no end; put it back in service first"
		case err != nil || d <= 0 || d > maxShelf:
			return fmt.Sprintf("for %q: write how long, at most 24h, for example 30m", a.For)
		}
	case "unshelve":
		if c.state != Shelved {
			return c.id + " is not shelved"
		}
	case "out-of-service":
		switch {
		case c == c.e.flood.cond:
			return "a flood cannot be put aside: take the alarms that it names out of service"
		case c.state == OutOfService:
			return is + " already: " + c.why
		case strings.TrimSpace(a.By) == "":
			return "say who takes it out, by name"
		case strings.TrimSpace(a.Text) == "":
			return "say why: who reads the record must know why nothing was raised"
		}
	case "in-service":
		switch {
		case c.state != OutOfService:
			return is + ", and so in service"
		case strings.TrimSpace(a.By) == "":
			return "say who puts it back, by name"
		}
	}
	return ""
}

// act does what Check allows and says that it was done. What Check refuses
// does nothing.
func (e *Engine) act(a *Act) {
	if e.Check(*a) != nil {
		return
	}
	e.emit(Event{Event: EventAct, Act: a.Act, ID: a.ID, Text: a.Text, For: a.For, By: a.By, Meter: a.Meter, Socket: a.Socket, Watch: a.Watch, FirstPower: a.FirstPower, Reading: a.Reading, ReadT: a.ReadT, Lines: a.Lines})
	if a.Act != "drill" {
		failed := func(l Finding) bool { return l.Is == Fail }
		e.leftAlone = a.Act == "walkaway" && !slices.ContainsFunc(a.Lines, failed)
	}
	switch a.Act {
	case "begin":
		if e.begun = true; a.FirstPower {
			e.beginFirstPower()
		}
		e.emit(Event{Event: EventPhase, Phase: Standby})
		e.phaseSince = e.now
		e.tellSettings()
		for i := range e.meters {
			e.watchForSilence(&e.meters[i])
		}
	case "end":
		e.setPhase(Ended)
	case "mark":
		w := e.watch(a.Watch)
		w.marks = append(w.marks, Mark{T: e.now, Label: a.Text, Reading: w.meter.last})
	case "adjusted":
		for _, s := range e.sockets {
			if a.Socket == "all" || a.Socket == s.Name {
				s.adjusted()
				e.judgeSocket(s, true)
			}
		}
	case "move":
		m := &e.meters[e.bench.MeterIndex(a.Meter)]
		m.roving = e.socket(a.Socket)
		for _, s := range m.sockets {
			if s.meter == m {
				if s == m.roving {
					s.restart(e.now)
				}
				// What the probe showed at the other socket is not this one's,
				// and nobody watches the one it left.
				m.value, m.overs, m.digits = socket.Value{}, 0, stillness{}
				s.pending.reset()
				for _, c := range s.conds {
					c.forget()
				}
				e.update(s)
				e.judgeSocket(s, true)
			}
		}
	case "acknowledge":
		if c := e.cond(a.ID); c == e.flood.cond {
			e.flood.acknowledge()
		} else {
			c.acknowledge()
		}
	case "reset":
		e.cond(a.ID).enter(Normal)
	case "unshelve", "in-service":
		e.cond(a.ID).follow()
	case "shelve":
		d, _ := time.ParseDuration(a.For) // Check parsed it
		e.cond(a.ID).shelve(d)
	case "out-of-service":
		c := e.cond(a.ID)
		c.why = a.Text + ", says " + a.By
		c.enter(OutOfService)
	}
}

func (e *Engine) cond(id string) *cond {
	for _, c := range e.conds {
		if c.id == id {
			return c
		}
	}
	return nil
}

func (e *Engine) socket(name string) *socketState {
	for _, s := range e.sockets {
		if s.Name == name {
			return s
		}
	}
	return nil
}

func (e *Engine) watch(name string) *watchState {
	for _, w := range e.watches {
		if w.Name == name {
			return w
		}
	}
	return nil
}

func (e *Engine) socketNames() string {
	var n []string
	for _, s := range e.sockets {
		n = append(n, s.Name)
	}
	return strings.Join(n, ", ")
}
