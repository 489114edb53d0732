package alarms

import (
	"fmt"
	"time"

	"nightsoak/acquire/bench"
)

// A meter that talks by itself and sends more than [bench.MostReadings] a second
// is broken or is not what the bench file says. acquire leaves out what is more,
// so all that is seen of it here is a pace that has come near that bound.
const (
	paceOver  = 10 * time.Second // the length of the stretches in which readings are counted
	paceShare = 0.9              // of the bound: a stretch may be cut by what was left out
)

// pace is how many readings a second a meter sends.
type pace struct {
	from    time.Duration // of the stretch being counted
	n       int
	flooded bool // the last whole stretch was near the bound
}

func (p *pace) take(now time.Duration) {
	if now-p.from >= paceOver {
		p.flooded = float64(p.n) >= paceShare*bench.MostReadings*(now-p.from).Seconds()
		p.from, p.n = now, 0
	}
	p.n++
}

var meterFlooding = &meterRule{
	rule: rule{name: "meter-flooding", priority: Low, offDelay: 10 * time.Second,
		advice:      "See what is on that port: a meter sends a few readings a second. Look at the format, and whether a gateway repeats what it has sent.",
		cause:       "The gateway or the instrument repeats itself without a pause, or the format of the bench file makes readings of what is none.",
		consequence: fmt.Sprintf("Its figures may be none of the meter's; of more than %d a second the rest is left out and counted.", bench.MostReadings),
		within:      Hour},
	judge: func(m *meter) verdict { return when(m.Format.NewDecoder != nil && m.pace.flooded) },
	text: func(m *meter) string {
		return fmt.Sprintf("%s sends %d readings a second or more; what is more is left out and counted as too many", m.Name, bench.MostReadings)
	},
}
