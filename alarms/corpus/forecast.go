package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"nightsoak/acquire/emulate/night"
	"nightsoak/alarms"
)

// settling is how the core did at telling when, and at what, sockets settle.
type settling struct {
	forecasts      int // stated, once a minute and socket, of settlings that came
	inTime, inAmps int // of these, whose 95 % interval held the time, and the current

	reaches, inReach int // times to the limit, once a minute of what is named a runaway; whose 95 % interval held it

	settled int      // settlings
	over    int      // those that were over the settle rate at some minute of the next half hour, with no cause
	left    []string // those that were so for five minutes on end, as long as settling asks to be under it
}

// add adds another's.
func (s *settling) add(o settling) {
	s.forecasts += o.forecasts
	s.inTime += o.inTime
	s.inAmps += o.inAmps
	s.reaches += o.reaches
	s.inReach += o.inReach
	s.settled += o.settled
	s.over += o.over
	s.left = append(s.left, o.left...)
}

func (s *settling) print(w io.Writer) {
	share := func(n, of int) string { return fmt.Sprintf("%.1f %%", 100*float64(n)/float64(max(of, 1))) }
	fmt.Fprintf(w, "forecasts of settling: %d; within the stated 95 %% interval: time %s, current %s\n", s.forecasts, share(s.inTime, s.forecasts), share(s.inAmps, s.forecasts))
	fmt.Fprintf(w, "times of a runaway to its limit: %d; within the stated 95 %% interval: %s\n", s.reaches, share(s.inReach, s.reaches))
	fmt.Fprintf(w, "settled: %d times; in the next half hour, without a cause, over the settle rate at some minute: %d, for five minutes on end: %d\n", s.settled, s.over, len(s.left))
}

// settleWatch looks at the core once a minute.
type settleWatch struct {
	settling
	night   *night.Night
	next    time.Duration
	pending map[string][]forecast
	since   map[string]*followed
}

// forecast is one that was stated.
type forecast struct {
	at                   time.Duration
	in, inU, amps, ampsU float64
}

// followed is a socket from its settling on.
type followed struct {
	since time.Duration
	over  int // minutes on end over the settle rate
	told  bool
}

// stays is for how long after a settling it must stay within the settle rate.
const stays = 30 * time.Minute

func newSettleWatch(n *night.Night) *settleWatch {
	return &settleWatch{night: n, pending: map[string][]forecast{}, since: map[string]*followed{}}
}

// event takes what the core said.
func (w *settleWatch) event(ev alarms.Event) {
	switch ev.Event {
	case alarms.EventSettled:
		for _, f := range w.pending[ev.Socket] {
			w.forecasts++
			if math.Abs((time.Duration(ev.T)-f.at).Seconds()-f.in) <= 2*f.inU {
				w.inTime++
			}
			if math.Abs(ev.CathodeCurrent.X-f.amps) <= 2*f.ampsU {
				w.inAmps++
			}
		}
		delete(w.pending, ev.Socket)
		w.settled++
		w.since[ev.Socket] = &followed{since: time.Duration(ev.T)}
	case alarms.EventAct, alarms.EventPhase, alarms.EventAlarm:
		// Something else happened: what follows has a cause, and what was foreseen is void.
		if ev.Phase != alarms.Soak {
			clear(w.pending)
			clear(w.since)
		}
	}
}

// look looks at the core, if it is time.
func (w *settleWatch) look(e *alarms.Engine) {
	if e.Now() < w.next {
		return
	}
	w.next = e.Now() + time.Minute
	for _, l := range w.night.Labels {
		if l.Onset <= e.Now() && l.Onset > w.night.HTAt {
			clear(w.since)
		}
	}
	for _, s := range e.Snapshot().Sockets {
		w.reach(&s, e.Now())
		if !s.Settled && s.SettlesIn.Known && s.SettlesAt.Known {
			w.pending[s.Name] = append(w.pending[s.Name], forecast{e.Now(), s.SettlesIn.X, s.SettlesIn.U, s.SettlesAt.X, s.SettlesAt.U})
		}
		f, ok := w.since[s.Name]
		switch {
		case !ok:
		case e.Now()-f.since > stays:
			delete(w.since, s.Name)
		case s.DriftPerHour.Known && math.Abs(s.DriftPerHour.X)/12 > 0.01: // the rule's 1 % in 5 min
			if f.over++; f.over == 1 && !f.told {
				f.told = true
				w.over++
			}
			if f.over == 5 {
				w.left = append(w.left, fmt.Sprintf("%s at %v, %v after it settled", s.Name, e.Now(), e.Now()-f.since))
				delete(w.since, s.Name)
			}
		default:
			f.over = 0
		}
	}
}

// reach holds the time to the limit that is stated of a runaway against the true one.
func (w *settleWatch) reach(s *alarms.SocketState, now time.Duration) {
	for i := range w.night.Labels {
		if l := &w.night.Labels[i]; s.LimitEarly.Known && l.Limit > now && slices.Contains(l.Subjects, s.Name) {
			w.reaches++
			left := (l.Limit - now).Seconds()
			if s.LimitEarly.X <= left && (!s.LimitLate.Known || left <= s.LimitLate.X) {
				w.inReach++
			}
		}
	}
}
