package panel

import (
	"fmt"
	"sync"
	"time"

	"nightsoak/export"
)

// pace is how fast the meters read of late, as seen by those who look.
type pace struct {
	mu   sync.Mutex
	past []counts
}

// counts are the readings of every meter at one moment.
type counts struct {
	wall     time.Time
	t        time.Duration // run time
	run      string
	readings []uint64
}

// The pace is that of the last paceOver of wall time at most, looked at once a second.
const paceOver = 10 * time.Second

// say puts each meter's pace into v, in readings a second of run time; of the
// first look at a run, that since it began.
func (p *pace) say(v *view, s *export.State, now time.Time) {
	c := counts{wall: now, t: s.Snapshot.T, run: s.RunID}
	for i := range s.Snapshot.Meters {
		c.readings = append(c.readings, s.Snapshot.Meters[i].Readings)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	for len(p.past) > 0 && (p.past[0].run != c.run || p.past[0].t > c.t || len(p.past[0].readings) != len(c.readings) || now.Sub(p.past[0].wall) > paceOver) {
		p.past = p.past[1:]
	}
	before := counts{readings: make([]uint64, len(c.readings))}
	if len(p.past) > 0 && c.t-p.past[0].t >= time.Second {
		before = p.past[0]
	}
	for i := range v.Meters {
		v.Meters[i].Pace = "unknown"
		if took := (c.t - before.t).Seconds(); took >= 1 && c.readings[i] >= before.readings[i] {
			v.Meters[i].Pace = fmt.Sprintf("%.1f a second", float64(c.readings[i]-before.readings[i])/took)
		}
	}
	if n := len(p.past); n == 0 || now.Sub(p.past[n-1].wall) >= time.Second {
		p.past = append(p.past, c)
	}
}
