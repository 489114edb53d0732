package acquire

import (
	"context"
	"time"
)

// Clock is the run's own time: it starts at a given moment, never jumps when
// the wall clock does (Go's monotonic reading), and may run faster than the
// wall, which is how a night is shown in minutes.
type Clock struct {
	start time.Time     // wall moment, with monotonic reading, at which run time was base
	base  time.Duration // run time at start
	speed float64       // run seconds per wall second
}

// NewClock starts a clock that reads base now and runs speed times as fast as
// the wall. speed must be positive; 1 is real time.
func NewClock(base time.Duration, speed float64) *Clock {
	return &Clock{start: time.Now(), base: base, speed: speed}
}

// Now is the run time, rounded to 1 ms.
func (c *Clock) Now() time.Duration { return c.At(time.Now()) }

// At is the run time of a moment that time.Now gave, rounded to 1 ms.
func (c *Clock) At(t time.Time) time.Duration {
	return (c.base + time.Duration(float64(t.Sub(c.start))*c.speed)).Round(time.Millisecond)
}

// Speed is how many run seconds pass in one wall second.
func (c *Clock) Speed() float64 { return c.speed }

// Wall is how long d of run time takes on the wall.
func (c *Clock) Wall(d time.Duration) time.Duration { return time.Duration(float64(d) / c.speed) }

// Sleep waits for d of run time, or until ctx is done; it says whether ctx is
// not done.
func (c *Clock) Sleep(ctx context.Context, d time.Duration) bool { return sleep(ctx, c.Wall(d)) }

// sleep is Sleep for wall time.
func sleep(ctx context.Context, d time.Duration) bool {
	if d > 0 {
		t := time.NewTimer(d)
		defer t.Stop()
		select {
		case <-ctx.Done():
		case <-t.C:
		}
	}
	return ctx.Err() == nil
}
