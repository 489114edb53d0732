package main

import (
	"math"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate/night"
	"nightsoak/acquire/socket"
	"nightsoak/alarms/trend"
)

// yardstickNames are the textbook detectors that every other is to beat, in
// the order of yardsticks.events.
var yardstickNames = [...]string{
	"100 % limit for 3 s",
	"10 % from the value at 30 min",
	"EWMA (0.05, 3) / CUSUM (0.5, 5) on raw current",
}

// yardsticks are the textbook detectors, as they would be set up on a bench by
// hand. They look at the raw figures of each socket, one reading at a time,
// while HT is up. Each tells once of a socket, and again only after the figure
// has been back within its limits for long.
type yardsticks struct {
	events [len(yardstickNames)][]night.Event // what each has raised so far

	job     *bench.Job
	upAt    time.Duration // HT came up; -1 while it is not
	values  []socket.Value
	sockets []yardSocket
}

// Their settings, by the textbook and by the trade's habit.
const (
	yardPersists  = 3 * time.Second  // how long a figure must be past a limit
	yardBack      = 10 * time.Minute // how long it must be back before it is told again. Chosen
	yardValueAt   = 30 * time.Minute // when the value to compare with is taken
	yardValueOver = time.Minute      // and over how long it is averaged. Chosen
	yardBaseline  = 5 * time.Minute  // over which the charts learn mean and deviation. Chosen
	yardBand      = 0.10
	ewmaLambda    = 0.05
	ewmaL         = 3.0
	cusumK        = 0.5
	cusumH        = 5.0
)

type yardSocket struct {
	hot, off persistence
	value    moments // current at 30 min
	base     moments // the charts' baseline
	ewma     trend.Ewma
	cusum    trend.Cusum
	told     bool // by the charts, which are not reset
}

// moments are a running mean and sum of squares (Welford 1962, from memory).
type moments struct{ n, mean, squares float64 }

func (m *moments) add(x float64) {
	m.n++
	d := x - m.mean
	m.mean += d / m.n
	m.squares += d * (x - m.mean)
}

// persistence is a condition that must last.
type persistence struct {
	since time.Duration // it has been as it is
	on    bool
	told  bool
}

// judge says whether a condition has just lasted long enough.
func (p *persistence) judge(on bool, t time.Duration) bool {
	if on != p.on {
		p.on, p.since = on, t
	}
	if !on && t-p.since >= yardBack {
		p.told = false
	}
	if !on || p.told || t-p.since < yardPersists {
		return false
	}
	p.told = true
	return true
}

// newYardsticks makes them for a job on a bench.
func newYardsticks(b *bench.Bench, j *bench.Job) *yardsticks {
	return &yardsticks{job: j, upAt: -1, values: make([]socket.Value, len(b.Meters)), sockets: make([]yardSocket, len(j.Sockets))}
}

// feed takes the next input of a night. What an act says is nothing to them.
func (y *yardsticks) feed(in night.Input) {
	if in.Act != nil {
		return
	}
	y.values[in.Meter] = socket.MeasuredValue(in.Reading, bench.Accuracy{})
	if !y.up() {
		y.upAt = -1
		clear(y.sockets)
		return
	}
	if y.upAt < 0 {
		y.upAt = in.T
	}
	for i := range y.job.Sockets {
		if s := &y.job.Sockets[i]; s.Sense.Meter == in.Meter {
			y.judge(i, y.figures(s), in.T)
		}
	}
}

// figures of a socket now.
func (y *yardsticks) figures(s *bench.Socket) socket.Figures {
	m := socket.Measured{Sense: y.values[s.Sense.Meter]}
	if s.PlateMeter >= 0 {
		m.Plate = y.values[s.PlateMeter]
	}
	return socket.Convert(s, m)
}

// up says whether HT is up: by the plate meter or, without one, by any current.
func (y *yardsticks) up() bool {
	for i := range y.job.Sockets {
		s := &y.job.Sockets[i]
		if s.PlateMeter >= 0 {
			if v := y.values[s.PlateMeter]; v.Known && v.X > y.job.Limits.HTUp {
				return true
			}
		} else if f := y.figures(s); f.CathodeCurrent.Known && f.CathodeCurrent.X > y.job.Limits.Conduction {
			return true
		}
	}
	return false
}

func (y *yardsticks) judge(i int, f socket.Figures, t time.Duration) {
	s := &y.sockets[i]
	tell := func(which int, alarm, priority string) {
		y.events[which] = append(y.events[which], night.Event{T: t, Alarm: alarm, Subject: y.job.Sockets[i].Name, Priority: priority})
	}
	if f.DissipationRatio.Known && s.hot.judge(f.DissipationRatio.X > y.job.Limits.Dissipation, t) {
		tell(0, "over-dissipation", "high")
	}
	if !f.CathodeCurrent.Known {
		return
	}
	x := f.CathodeCurrent.X
	switch up := t - y.upAt; {
	case up < yardValueAt-yardBaseline:
		return
	case up < yardValueAt:
		s.base.add(x)
		if up >= yardValueAt-yardValueOver {
			s.value.add(x)
		}
		return
	case s.value.n > 0 && s.off.judge(math.Abs(x-s.value.mean) > yardBand*s.value.mean, t):
		tell(1, "drift", "medium")
	}
	if s.base.n < 2 || s.base.squares == 0 || s.told {
		return
	}
	z := (x - s.base.mean) / math.Sqrt(s.base.squares/(s.base.n-1))
	s.ewma.Lambda, s.ewma.L, s.ewma.Asymptotic = ewmaLambda, ewmaL, true
	s.cusum.K, s.cusum.H = cusumK, cusumH
	out := s.ewma.Add(z)
	if up, down := s.cusum.Add(z); out || up || down {
		s.told = true
		tell(2, "drift", "medium")
	}
}
