package main

import (
	"fmt"
	"time"

	"nightsoak/acquire"
	"nightsoak/alarms"
)

// The wall clock names hours and nothing else: how long things take is told by a
// clock that never jumps. That it jumped is told, since from then on the hours of
// the run's anchor and those of a watch differ.

// hostTime is what this machine's clocks say besides time.Now's monotonic one. A
// test puts others here: the machine's own cannot be set for a test.
var hostTime = struct {
	wall  func(now time.Time) time.Time // without a monotonic reading
	slept func() time.Duration          // this machine since it was started
}{func(now time.Time) time.Time { return now.Round(0) }, hostSlept}

// jumpAtLeast is what counts as a jump: a leap second does, and what a clock is
// slewed by between two ticks never comes near (at most 500 ppm, adjtimex(2)).
const jumpAtLeast = 500 * time.Millisecond

// clockWatch compares the clocks from one tick to the next. It is the core's.
type clockWatch struct {
	last  time.Time // monotonic
	wall  time.Time
	slept time.Duration
}

// look is by how much the wall clock jumped, and how long the machine slept, since
// the last look. Sleep moves the wall clock on and the monotonic one not, and so is
// no jump.
func (w *clockWatch) look(now time.Time) (jump, slept time.Duration) {
	wall, asleep := hostTime.wall(now), hostTime.slept()
	if !w.last.IsZero() {
		slept = max(0, asleep-w.slept)
		jump = wall.Sub(w.wall) - now.Sub(w.last) - slept
	}
	w.last, w.wall, w.slept = now, wall, max(w.slept, asleep)
	if jump.Abs() < jumpAtLeast {
		jump = 0
	}
	if slept < jumpAtLeast {
		slept = 0
	}
	return jump, slept
}

const clockJumped = "clock-jumped"

// watchClock tells of jumps, and has the run's clock count the time slept: nothing
// was watched in it.
func (d *daemon) watchClock(now time.Time) {
	jump, slept := d.clocks.look(now)
	if jump != 0 {
		way := "forwards"
		if jump < 0 {
			way = "backwards"
		}
		wall := d.clocks.wall
		text := fmt.Sprintf("the wall clock jumped %s by %v, to %s", way, jump.Abs().Round(100*time.Millisecond), wall.UTC().Format(time.RFC3339))
		d.notice(clockJumped, text)
		if d.watched() {
			d.run.writer.Host(wall, text)
		}
	}
	if slept == 0 {
		return
	}
	text := fmt.Sprintf("this computer slept for %v: nothing was watched", slept.Round(100*time.Millisecond))
	d.log.Warn().Msg(text)
	r := d.run
	from := max(r.clock.Now(), r.engine.Now())
	r.clock = acquire.NewClock(from+slept.Round(time.Millisecond), d.speed)
	if d.watched() {
		d.feed(alarms.Input{T: r.clock.Now(), Gap: &alarms.Gap{From: alarms.Seconds(from), Text: text}})
	}
}
