package acquire

import (
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/acquire/bench"
)

// What is used of a meter in a minute, by what it sends: at a pace that a meter
// may have everything, glued together by a gateway too; of a flood the stated
// bound. What is not used is counted.
func TestPace(t *testing.T) {
	for _, c := range []struct {
		name  string
		every time.Duration // between deliveries
		each  int           // readings in one
		speed float64
		used  int // of a minute's
	}{
		{"ten a second", 100 * time.Millisecond, 1, 1, 600},
		{"just the bound", 20 * time.Millisecond, 1, 1, 3000},
		{"five a second, held back for a minute", time.Minute, 300, 1, 300},
		{"500 at once", time.Minute, 500, 1, 500},
		{"a thousand a second", time.Millisecond, 1, 1, 500 + 60*bench.MostReadings},
		{"a thousand a second, of which a demo shows a hundred a second of run time", 10 * time.Millisecond, 10, 10, 500 + 600*bench.MostReadings},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := pace{clock: NewClock(0, c.speed)}
				used, sent := 0, 0
				for at := time.Duration(0); at < time.Minute; at += c.every {
					for range c.each {
						sent++
						if p.allows() {
							used++
						}
					}
					time.Sleep(c.every)
				}
				// What comes last may fall either side of the minute.
				if used < c.used-c.each || used > c.used+c.each {
					t.Errorf("%d of %d used, want %d", used, sent, c.used)
				}
				if p.left != uint64(sent-used) {
					t.Errorf("%d of %d used, %d counted as left out", used, sent, p.left)
				}
			})
		})
	}
}
