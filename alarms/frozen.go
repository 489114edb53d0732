package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/drivers"
)

// A frozen display is told by what its own digits did before.
//
// A swing lasts from one turn of the digits to the next: up until they have
// fallen three counts from the highest, then down until they have risen three
// counts from the lowest. What swings by three counts on the display swings by
// more than two at the input, so no luck of rounding can hide it behind a
// single digit. A figure that flickers between neighbours, or creeps one way as
// while settling, makes no swings: of such a meter nothing is learnt and
// nothing said, and one whose digits never move is not frozen.
//
// The time that noise takes to cross a band has a tail that falls
// exponentially, for independent readings and for noise that follows itself
// slowly alike (first passage of a stationary Markov process). For N+1 such
// swings the chance that the last is longer than c times the longest of the
// others is at most 1/C(N+c, c), whatever their mean: with E exponential and U
// the largest of N uniforms, P(E > c·max) = E[(1-U)^c] = N·B(N, c+1). Summed
// over every N from 60 on that is c/(c-1)/C(59+c, c-1), 2e-11 for c = 10: for
// each time that a meter is learnt, however long the night and fast the
// readings. Nine meters over 12 h at five readings a second make 2 million
// readings; learnt anew a thousand times each they come to one false alarm in 5
// million nights. And standing digits are only a part of a swing: over the
// noises of the test never longer than half the longest.
//
// What the bound does not cover is noise that itself dies down: on all meters
// at once, which is the supply's doing and excused, or on one meter to less
// than about a quarter of what it was.
const (
	swingCounts = 3
	minSwings   = 60
	// frozenTimes is how many times the longest swing the digits must stand.
	frozenTimes = 10
	// frozenLeast is how long they must stand at the very least (estimate): a
	// lull shorter than that is no news to anybody.
	frozenLeast = 2 * time.Minute
)

// stillness is how a meter's digits move, and whether they do.
type stillness struct {
	figure drivers.Reading // the last one, its flags left out
	same   int             // readings in a row that showed it
	since  time.Duration   // of the first of them
	stuck  bool            // frozen, until the figure is another

	level     int64         // digits when learning began
	turned    bool          // a turn was seen: the swing is a whole one
	up        bool          // the way it goes
	far       int64         // the furthest it came
	length    int           // readings in it
	from      time.Duration // its first reading
	swings    int           // whole ones, learnt from
	longest   int           // of them, readings
	longestIn time.Duration // it took so long
}

// restart forgets the swing that was going on, for a stretch that was not seen.
// A frozen figure stays so until another is seen.
func (st *stillness) restart() {
	if !st.stuck {
		st.same, st.turned, st.length = 0, false, 0
	}
}

// take follows one live reading; count is what the display's last place is
// worth in its digits. What was learnt holds for one range, about one level,
// and only while learn.
func (st *stillness) take(r drivers.Reading, now time.Duration, count int64, learn bool) {
	r.Flags = 0
	before := st.figure
	if st.figure = r; r != before {
		st.same = 0
		if st.stuck {
			st.stuck = false
			st.restart() // the swing it stood still in is none to learn from
		}
	}
	if st.same == 0 {
		st.since = now
	}
	st.same++

	d := r.Digits
	before.Digits = d
	if !learn || r != before || 2*abs(d) > 3*abs(st.level) || 3*abs(d) < 2*abs(st.level) {
		st.level, st.swings, st.longest = d, 0, 0
		st.turned, st.length = false, 0
	}
	if st.length == 0 {
		st.far, st.from = d, now
	}
	st.length++
	back := st.far - d
	if !st.up {
		back = -back
	}
	switch {
	case back < 0:
		st.far = d
	case back >= swingCounts*count:
		if st.turned {
			st.swings++
			if st.length > st.longest {
				st.longest, st.longestIn = st.length, now-st.from
			}
		}
		st.turned, st.up = true, !st.up
		st.far, st.from, st.length = d, now, 1
	}
}

func abs(d int64) int64 { return max(d, -d) }

// learnt says whether enough is known of the digits to judge by.
func (st *stillness) learnt() bool { return st.swings >= minSwings }

// still says whether the digits have stood far longer than their noise allows.
func (st *stillness) still(now time.Duration) bool {
	return st.learnt() && st.same > frozenTimes*st.longest && now-st.since >= frozenLeast
}

// followDigits takes the reading just taken for how the digits move. A frozen
// figure is not used: as long as it stands it says nothing, and it could hide a
// runaway behind a current that looks well.
func (e *Engine) followDigits(m *meter) {
	st := &m.digits
	if m.want == drivers.NoQuantity {
		return
	}
	if !m.usable() {
		st.restart()
		return
	}
	st.take(m.last, e.now, m.count, e.phase == Soak)
	if !st.stuck && st.still(e.now) && !e.calm(m) {
		st.stuck = true
	}
	if st.stuck {
		m.value = socket.Value{}
	}
}

// calm says whether half the meters on other ports are having the longest swing
// of their lives too: then it is the supply that has become steadier. Silent and
// frozen ones are no witnesses.
func (e *Engine) calm(m *meter) bool {
	witnesses, calm := 0, 0
	for i := range e.meters {
		o := &e.meters[i]
		if o.Port == m.Port || !o.fresh(e.now) || !o.digits.learnt() || o.digits.stuck {
			continue
		}
		witnesses++
		if o.digits.length > o.digits.longest {
			calm++
		}
	}
	return calm > 0 && 2*calm >= witnesses
}

// countOf is what one count of a display is worth in the digits of its
// readings, at most, when they are multiplied by scale: a power of ten moves
// the exponent only, any other factor multiplies the digits by up to √10.
func countOf(scale float64) int64 {
	if scale == 0 {
		return 1
	}
	for e := -12; e <= 6; e++ {
		if scale == math.Pow10(e) {
			return 1
		}
	}
	return 4
}

var meterFrozen = &meterRule{
	rule: rule{name: "meter-frozen", priority: Medium, offDelay: 10 * time.Second,
		advice:      "Look at the meter. If its display stands still too, switch it off and on; if it moves, its adaptor or gateway repeats itself. Its readings are not used until they change: a stuck display can hide a runaway.",
		cause:       "The display or the gateway hangs and repeats itself.",
		consequence: "What it watched is not watched: a runaway behind it shows nowhere.",
		within:      TenMinutes},
	judge: func(m *meter) verdict { return when(m.digits.stuck) },
	text: func(m *meter) string {
		st := &m.digits
		return fmt.Sprintf("%s has shown the same %s %s for %s; before, its digits went up and down within %s%s", m.Name, m.last.Text(), m.last.Unit(),
			people((m.lastAt - st.since).Round(time.Second)), people(st.longestIn.Round(100*time.Millisecond)), m.unwatched())
	},
}
