package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/drivers"
)

const (
	// rangeHolds is how long after a switch it is told: on its way to a new
	// figure a meter passes through several ranges.
	rangeHolds = 2 * time.Second
	// rangeEvery is the least time between two events of a meter. A figure at
	// the edge of two ranges switches all night: then it doubles, up to
	// rangeAtMost.
	rangeEvery  = time.Minute
	rangeAtMost = time.Hour
)

// rangeState is the range a meter is in.
type rangeState struct {
	// shown is set once the meter has shown that it ranges by itself: only
	// then is its last digit that of a range.
	shown    bool
	count    drivers.Reading // one count of the display in the present range
	told     drivers.Reading // as last told
	toldAt   time.Duration
	every    time.Duration // least time between then and the next
	switches int           // since then
	since    time.Duration // the first of them
	timer    *timer
}

// followRange takes the range of the reading just taken.
func (e *Engine) followRange(m *meter) {
	if m.Format.NewAsker != nil {
		return // it answers in text or floating point, whose last digit follows the figure
	}
	g, r := &m.ranges, m.last
	g.shown = g.shown || r.Flags&drivers.Auto != 0
	if !g.shown || !m.usable() {
		return
	}
	r.Digits, r.Flags = 1, 0
	first := g.count.Digits == 0
	switch {
	case r == g.count:
	case first:
		g.count, g.told, g.toldAt, g.every = r, r, e.now-rangeAtMost, rangeEvery
	default:
		g.count = r
		if g.switches++; g.switches == 1 {
			g.since = e.now
			e.arm(g.timer, max(e.now+rangeHolds, g.toldAt+g.every))
		}
	}
}

// tellRange makes the event of the switches since the last one.
func (e *Engine) tellRange(m *meter) {
	g := &m.ranges
	text := m.Name + " switched range"
	if g.switches > 1 {
		text += fmt.Sprintf(" %d times in %s", g.switches, people((e.now - g.since).Round(time.Second)))
	}
	count := func(r drivers.Reading) string { return r.Text() + " " + r.Unit() }
	if g.count == g.told {
		text += ", one count is " + count(g.count) + " as before"
	} else {
		text += ": one count was " + count(g.told) + ", is " + count(g.count)
	}
	e.emit(Event{Event: EventRange, Meter: m.Name, Switches: g.switches, Text: text})
	if e.now-g.toldAt < 2*g.every {
		g.every = min(2*g.every, rangeAtMost)
	} else {
		g.every = rangeEvery
	}
	g.told, g.toldAt, g.switches = g.count, e.now, 0
}

// mixedRanges stands for the range of figures that came from more than one.
const mixedRanges = math.MaxInt8

// doubt is how far off the last figure may be for the range it was read in, as
// a ratio of it: by the meter's accuracy, or three counts where none is given
// (common practice, no source). It is 0 for a meter without ranges.
func (m *meter) doubt() float64 {
	switch x := math.Abs(m.value.X); {
	case !m.ranges.shown || x == 0:
		return 0
	case m.value.U > 0: // the standard uncertainty of a rectangular distribution (GUM 4.3.7)
		return math.Sqrt(3) * m.value.U / x
	default:
		return 3 * m.last.Resolution() / x
	}
}

// ranged is the range that a figure, or several, came from.
type ranged struct {
	exp   int8    // of one count of the sense meter; mixedRanges for several
	doubt float64 // see meter.doubt
}

// with is the range of both figures.
func (a ranged) with(b ranged) ranged {
	if a.exp != b.exp {
		a.exp = mixedRanges
	}
	a.doubt = max(a.doubt, b.doubt)
	return a
}

// apart is how far apart two figures may be, as a ratio, because the sense meter
// changed its range between them: each range has an error of its own. Within
// one range it is 0, for the error is the same.
func (a ranged) apart(b ranged) float64 {
	if a.exp == b.exp && a.exp != mixedRanges {
		return 0
	}
	return a.doubt + b.doubt
}

// doubt is that since the socket settled.
func (s *socketState) doubt() float64 {
	n := len(s.bins)
	if n < 2 {
		return 0
	}
	return s.settledBin.apart(s.bins[n-2].with(s.bins[n-1].ranged))
}
