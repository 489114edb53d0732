package alarms

import (
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
)

// Follower works out figures from any stretch of a recorded run, as the engine
// that judged it did, but judges nothing: so a stretch need not be read from the
// run's beginning, and is read some ten times as fast. What only a whole run
// tells it does not know: that a display was frozen.
type Follower struct {
	e      *Engine
	wanted []bool
	tell   func(socket int, t time.Duration, f socket.Estimates)
}

// NewFollower follows a job on a bench, both validated. tell is called for each
// reading that moved the figures of a socket wanted, with its index in the job;
// wanted has an element for each. settled is the HT at which the run had
// settled, volt, from which an open sense resistor is told; 0 where it is not known.
func NewFollower(b *bench.Bench, j *bench.Job, settled float64, wanted []bool, tell func(socket int, t time.Duration, f socket.Estimates)) *Follower {
	e := New(b, j)
	e.supply.settled = settled
	return &Follower{e: e, wanted: wanted, tell: tell}
}

// Uses says whether the meter with that index in the bench moves a socket wanted.
func (f *Follower) Uses(meter int) bool {
	for _, s := range f.e.meters[meter].sockets {
		if f.wanted[s.index] {
			return true
		}
	}
	return false
}

// Feed takes one input; they come in order, acts and gaps from the run's
// beginning on, readings from silent_after before the first figure wanted.
func (f *Follower) Feed(in Input) {
	e := f.e
	switch {
	case in.Gap != nil:
		for i := range e.meters {
			e.meters[i].seen = false
		}
	case in.Act != nil:
		if in.Act.Act != "move" {
			return
		}
		m, s := e.bench.MeterIndex(in.Act.Meter), e.socket(in.Act.Socket)
		if m < 0 || s == nil {
			return
		}
		e.meters[m].roving, e.meters[m].value = s, socket.Value{}
	case in.Port != nil || in.Meter < 0 || in.Meter >= len(e.meters):
	default:
		e.now = max(e.now, in.T)
		m := &e.meters[in.Meter]
		m.take(in.Reading, e.now)
		for _, s := range m.sockets {
			if f.wanted[s.index] {
				e.update(s)
				f.tell(s.index, e.now, s.fig)
			}
		}
	}
}
