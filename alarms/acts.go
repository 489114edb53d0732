package alarms

import (
	"cmp"
	"errors"
	"fmt"
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
	case "acknowledge", "shelve", "unshelve":
		c := e.cond(a.ID)
		if c == nil {
			return refuse("no alarm %q; alarms are named like runaway/V7", a.ID)
		}
		switch {
		case a.Act == "acknowledge" && c.state != Unacknowledged && c.state != Returned:
			return refuse("%s is %s: nothing to acknowledge", a.ID, c.state)
		case a.Act == "unshelve" && c.state != Shelved:
			return refuse("%s is not shelved", a.ID)
		case a.Act == "shelve":
			if d, err := time.ParseDuration(a.For); err != nil || d <= 0 || d > maxShelf {
				return refuse("for %q: write how long, at most 24h, for example 30m", a.For)
			}
		}
	default:
		return refuse("not an act; acts are begin, end, note, mark, adjusted, move, acknowledge, shelve, unshelve, cut, rearm")
	}
	return nil
}

// act does what Check allows and says that it was done. What Check refuses
// does nothing.
func (e *Engine) act(a *Act) {
	if e.Check(*a) != nil {
		return
	}
	e.emit(Event{Event: EventAct, Act: a.Act, ID: a.ID, Text: a.Text, For: a.For, Meter: a.Meter, Socket: a.Socket, Watch: a.Watch, FirstPower: a.FirstPower, Reading: a.Reading, ReadT: a.ReadT})
	switch a.Act {
	case "begin":
		e.begun, e.firstPower = true, a.FirstPower
		e.emit(Event{Event: EventPhase, Phase: Standby})
		e.phaseSince = e.now
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
		e.cond(a.ID).acknowledge()
	case "unshelve":
		e.cond(a.ID).unshelve()
	case "shelve":
		d, _ := time.ParseDuration(a.For) // Check parsed it
		e.cond(a.ID).shelve(d)
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
