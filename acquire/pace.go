package acquire

import (
	"time"

	"nightsoak/acquire/bench"
)

// What floods is bounded where it comes in: a meter over TCP that repeats one
// frame without a pause would else write megabytes a second into the record.
const (
	paceEvery = time.Second / bench.MostReadings
	paceBurst = 10 * time.Second // of readings that may come at once
)

// pace is what of one meter's readings is used, by run time: the generic cell
// rate algorithm (ITU-T I.371, from memory).
type pace struct {
	clock *Clock
	next  time.Duration // when one more would keep the pace
	left  uint64        // readings left out, not yet told
}

// allows says whether a reading that came now is used, and counts it if not.
func (p *pace) allows() bool {
	now := p.clock.Now()
	next := max(p.next, now) + paceEvery
	if next-now > paceBurst {
		p.left++
		return false
	}
	p.next = next
	return true
}
