package main

import (
	"fmt"
	"io"
	"math"
	"time"

	"nightsoak/acquire/emulate/night"
	"nightsoak/alarms"
)

// settling is how the core did at telling when, and at what, sockets settle.
type settling struct {
	forecasts      int // stated, once a minute and socket, of settlings that came
	inTime, inAmps int // of these, whose 95 % interval held the time, and the current

	settled int      // settlings
	left    []string // those that left the settle rate within half an hour with no cause
}

// add adds another's.
func (s *settling) add(o settling) {
	s.forecasts += o.forecasts
	s.inTime += o.inTime
	s.inAmps += o.inAmps
	s.settled += o.settled
	s.left = append(s.left, o.left...)
}

func (s *settling) print(w io.Writer) {
	share := func(n, of int) string { return fmt.Sprintf("%.1f %%", 100*float64(n)/float64(max(of, 1))) }
	fmt.Fprintf(w, "forecasts of settling: %d; within the stated 95 %% interval: time %s, current %s\n", s.forecasts, share(s.inTime, s.forecasts), share(s.inAmps, s.forecasts))
	fmt.Fprintf(w, "settled: %d times; left the settle rate within half an hour without a cause: %d\n", s.settled, len(s.left))
}

// settleWatch looks at the core once a minute.
type settleWatch struct {
	settling
	night   *night.Night
	next    time.Duration
	pending map[string][]forecast
	since   map[string]time.Duration // settled, and followed from then on
}

// forecast is one that was stated.
type forecast struct {
	at                   time.Duration
	in, inU, amps, ampsU float64
}

// stays is for how long after a settling it must stay within the settle rate.
const stays = 30 * time.Minute

func newSettleWatch(n *night.Night) *settleWatch {
	return &settleWatch{night: n, pending: map[string][]forecast{}, since: map[string]time.Duration{}}
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
		w.since[ev.Socket] = time.Duration(ev.T)
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
		switch since, ok := w.since[s.Name]; {
		case !s.Settled && s.SettlesIn.Known && s.SettlesAt.Known:
			w.pending[s.Name] = append(w.pending[s.Name], forecast{e.Now(), s.SettlesIn.X, s.SettlesIn.U, s.SettlesAt.X, s.SettlesAt.U})
		case ok && e.Now()-since > stays:
			delete(w.since, s.Name)
		case ok && s.DriftPerHour.Known && math.Abs(s.DriftPerHour.X)/12 > 0.01: // the rule's 1 % in 5 min
			w.left = append(w.left, fmt.Sprintf("%s at %v, %v after it settled", s.Name, e.Now(), e.Now()-since))
			delete(w.since, s.Name)
		}
	}
}
