package alarms

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/drivers"
)

// noise is what a meter's input does about its level, in counts, at five
// readings a second.
type noise func(rng *rand.Rand) func() float64

func white(sigma float64) noise {
	return func(rng *rand.Rand) func() float64 { return func() float64 { return sigma * rng.NormFloat64() } }
}

// slow noise follows itself for tau readings (Ornstein and Uhlenbeck's process).
func slow(sigma, tau float64) noise {
	return func(rng *rand.Rand) func() float64 {
		x, lag := sigma*rng.NormFloat64(), 1-math.Exp(-1/tau)
		return func() float64 {
			x += -lag*x + sigma*math.Sqrt(lag*(2-lag))*rng.NormFloat64()
			return x
		}
	}
}

func sum(all ...noise) noise {
	return func(rng *rand.Rand) func() float64 {
		var next []func() float64
		for _, n := range all {
			next = append(next, n(rng))
		}
		return func() (x float64) {
			for _, f := range next {
				x += f()
			}
			return x
		}
	}
}

// display shows a level and its noise to stillness, reading by reading.
type display struct {
	stillness
	now time.Duration
}

func (d *display) show(counts float64) bool {
	d.now += 200 * time.Millisecond
	d.take(drivers.Reading{Digits: int64(math.Round(counts)), Exp: -5, Prefix: -3, Quantity: drivers.Voltage}, d.now, 1, true)
	return d.still(d.now)
}

// Noise of any kind, wherever the level lies between two counts and while it
// wanders, is never taken for a frozen display: and the longest swing is far
// from the factor at which it would be.
func TestNoiseIsNotFrozen(t *testing.T) {
	for name, n := range map[string]noise{
		"white 0.05":       white(0.05),
		"white 0.2":        white(0.2),
		"white 0.4":        white(0.4),
		"white 1":          white(1),
		"white 5":          white(5),
		"slow 0.3, 10 s":   slow(0.3, 50),
		"slow 2, 10 s":     slow(2, 50),
		"slow 2, 10 min":   slow(2, 3000),
		"slow 10, 1 h":     slow(10, 18000),
		"white and slow":   sum(white(0.3), slow(1, 50), slow(5, 18000)),
		"mains over night": sum(white(0.1), slow(0.2, 50), slow(20, 18000)),
	} {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(1, 1))
			next := n(rng)
			var d display
			worst, swings := 0.0, 0
			for i := range 400_000 { // 22 h
				// The level creeps through a count every half hour.
				if d.show(4100 + float64(i)/9000 + next()) {
					t.Fatalf("frozen after %v: %+v", d.now, d.stillness)
				}
				if d.learnt() {
					worst = max(worst, float64(d.same)/float64(d.longest))
				}
				swings = max(swings, d.swings)
			}
			t.Logf("%d swings; digits stood at most %.2f times the longest", swings, worst)
			if worst > frozenTimes/4 {
				t.Errorf("digits stood %.1f times the longest swing", worst)
			}
		})
	}
}

// A meter whose noise falls to a quarter for the rest of the night is not frozen.
func TestSteadierIsNotFrozen(t *testing.T) {
	for _, n := range []noise{white(1), white(3), slow(2, 50)} {
		rng := rand.New(rand.NewPCG(1, 1))
		next, all := n(rng), 1.0
		var d display
		for i := range 300_000 {
			if i == 20_000 {
				all = 0.25
			}
			if d.show(4100 + all*next()) {
				t.Fatalf("frozen after %v: %+v", d.now, d.stillness)
			}
		}
		if !d.learnt() {
			t.Error("nothing learnt")
		}
	}
}

// What never swings is never learnt: one digit for ever, two that take turns, a creep.
func TestNothingToLearnFrom(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for name, show := range map[string]func(i int) float64{
		"constant":          func(int) float64 { return 462 },
		"about zero":        func(int) float64 { return float64(rng.IntN(3) - 1) },
		"a creep, then one": func(i int) float64 { return min(4100+float64(i)/100, 4400) },
		"two neighbours, then one": func(i int) float64 {
			if i > 50_000 {
				return 462
			}
			return 462 + float64(rng.IntN(2))
		},
	} {
		var d display
		for i := range 200_000 {
			if d.show(show(i)) {
				t.Fatalf("%s: frozen after %d: %+v", name, i, d.stillness)
			}
		}
	}
}

// A frozen display is found, however often, and what it showed meanwhile is
// not learnt from; a switch of range or another level is learnt anew.
func TestFrozen(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	next := white(0.7)(rng)
	var d display
	live := func(level float64, n int) {
		d.show(level + 3) // whatever stood has ended
		for range n {
			if d.show(level + next()) {
				t.Fatalf("frozen while it moves: %+v", d.stillness)
			}
		}
	}
	freeze := func() (readings int) {
		at := 4100.0
		for readings = 1; !d.show(at); readings++ {
			if readings > 100_000 {
				t.Fatalf("never frozen: %+v", d.stillness)
			}
		}
		d.stuck = true
		return readings
	}
	for range 3 {
		live(4100, 20_000)
		longest := d.longest
		n := freeze()
		if n < int(frozenLeast/(200*time.Millisecond)) || n > max(int(frozenLeast/(200*time.Millisecond)), frozenTimes*longest)+2 {
			t.Errorf("frozen after %d readings, the longest swing was %d", n, longest)
		}
		live(4100, 1000)
		if d.longest > 2*longest {
			t.Errorf("longest swing %d, then %d: it learnt from the frozen stretch", longest, d.longest)
		}
	}
	live(8200, 0)
	if d.swings != 0 || d.learnt() {
		t.Errorf("at twice the level it still goes by %d swings", d.swings)
	}
	live(8200, 2000)
	if !d.learnt() {
		t.Error("not learnt anew")
	}
	d.take(drivers.Reading{Digits: 8200, Exp: -4, Prefix: -3, Quantity: drivers.Voltage}, d.now, 1, true)
	if d.learnt() {
		t.Error("what was learnt in one range holds in another")
	}
	d.take(drivers.Reading{Digits: 8200, Exp: -4, Prefix: -3, Quantity: drivers.Voltage}, d.now, 1, false)
	if d.swings != 0 {
		t.Error("it learns when it is not to")
	}
}

// The bound of frozen.go: P(the last of N+1 exponential times is over c times
// the longest of the others) = 1/C(N+c, c), and its sum over N.
func TestFalseAlarmBound(t *testing.T) {
	choose := func(n, k float64) float64 {
		lg := func(x float64) float64 { v, _ := math.Lgamma(x + 1); return v }
		return math.Exp(lg(n) - lg(k) - lg(n-k))
	}
	rng := rand.New(rand.NewPCG(1, 1))
	const tries, n, c = 200_000, 6, 3
	over := 0
	for range tries {
		longest := 0.0
		for range n {
			longest = max(longest, rng.ExpFloat64())
		}
		if rng.ExpFloat64() > c*longest {
			over++
		}
	}
	want := tries / choose(n+c, c)
	if math.Abs(float64(over)-want) > 4*math.Sqrt(want) {
		t.Errorf("%d of %d over %d times the longest of %d, want %.0f", over, tries, c, n, want)
	}
	total := 0.0
	for n := float64(minSwings); n < 1e5; n++ {
		total += 1 / choose(n+frozenTimes, frozenTimes)
	}
	closed := frozenTimes / (frozenTimes - 1.0) / choose(minSwings+frozenTimes-1, frozenTimes-1)
	if math.Abs(total/closed-1) > 1e-6 || closed > 2.1e-11 {
		t.Errorf("summed %.3g, in closed form %.3g, stated 2e-11", total, closed)
	}
}

// Half of the learnt and live meters on other ports must have grown calm for
// the supply to be the cause.
func TestCalm(t *testing.T) {
	live := stillness{swings: minSwings, longest: 10, length: 10}
	calm, stuck, learning := live, live, live
	calm.length, stuck.length, learning.length = 11, 1000, 1000
	stuck.stuck, learning.swings = true, minSwings-1
	const now = time.Hour
	for _, c := range []struct {
		name   string
		ports  string // a letter for each meter, the one in question first; a silent one has a capital
		meters []stillness
		want   bool
	}{
		{"alone", "a", []stillness{calm}, false},
		{"the only other is calm too", "ab", []stillness{calm, calm}, true},
		{"one of two others", "abc", []stillness{calm, calm, live}, true},
		{"one of three others", "abcd", []stillness{calm, live, live, calm}, false},
		{"a channel of the same instrument", "aa", []stillness{calm, calm}, false},
		{"a frozen one", "ab", []stillness{calm, stuck}, false},
		{"a silent one", "aB", []stillness{calm, calm}, false},
		{"one of which too little is known", "ab", []stillness{calm, learning}, false},
	} {
		e := &Engine{now: now}
		for i, s := range c.meters {
			m := meter{Meter: &bench.Meter{Port: c.ports[i : i+1], SilentAfter: time.Second}, digits: s, seen: true, lastAt: now}
			if m.Port == strings.ToUpper(m.Port) {
				m.lastAt = 0
			}
			e.meters = append(e.meters, m)
		}
		if got := e.calm(&e.meters[0]); got != c.want {
			t.Errorf("%s: calm %v, want %v", c.name, got, c.want)
		}
	}
}

func TestCountOf(t *testing.T) {
	for scale, want := range map[float64]int64{0: 1, 1: 1, 1000: 1, 0.001: 1, 1e6: 1, 2: 4, 1001: 4, 0.3: 4} {
		if got := countOf(scale); got != want {
			t.Errorf("scale %g: one count is %d digits, want %d", scale, got, want)
		}
	}
}

// A meter's function is named as its knob names it.
func TestFunction(t *testing.T) {
	for want, r := range map[string]drivers.Reading{
		"DC volts":                 {Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto},
		"AC volts":                 {Quantity: drivers.Voltage, Flags: drivers.AC},
		"AC+DC volts":              {Quantity: drivers.Voltage, Flags: drivers.AC | drivers.DC},
		"volts":                    {Quantity: drivers.Voltage},
		"DC amperes":               {Quantity: drivers.Current, Flags: drivers.DC},
		"ohms":                     {Quantity: drivers.Resistance, Flags: drivers.DC},
		"diode test":               {Quantity: drivers.Voltage, Flags: drivers.Diode | drivers.DC},
		"continuity test":          {Quantity: drivers.Resistance, Flags: drivers.Continuity},
		"hertz":                    {Quantity: drivers.Frequency},
		"something without a unit": {},
	} {
		if got := function(r.Quantity, r.Flags); got != want {
			t.Errorf("%v: %q, want %q", r, got, want)
		}
	}
	for q := drivers.Voltage; q <= drivers.Gain; q++ {
		if function(q, 0) == function(drivers.NoQuantity, 0) {
			t.Errorf("%s has no name", fmt.Sprint(q.SIUnit()))
		}
	}
}
