package alarms_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// eightTubes is an amplifier of eight tubes with a meter each and one on the
// HT: 1 Ω sense resistors, 60 % of 30 W.
func eightTubes(t testing.TB) (*bench.Bench, *bench.Job) {
	t.Helper()
	benchText, jobText := "name = \"eight\"\n", "ticket = \"R-2288\"\n"
	for i := range 9 {
		name := fmt.Sprintf("k%d", i+1)
		if i == 8 {
			name = "ht"
		}
		benchText += fmt.Sprintf("[[meter]]\nname = %q\nport = \"/dev/ttyUSB%d\"\nformat = \"es51922\"\naccuracy = \"0.1%% + 5\"\n", name, i)
		if i < 8 {
			jobText += fmt.Sprintf("[[socket]]\nname = \"V%d\"\ntube = \"6L6GC\"\nhalf = %q\nsense = { meter = %q, ohms = 1.0, tolerance = \"1%%\" }\nplate = { meter = \"ht\" }\n",
				i+1, "ab"[i/4:i/4+1], name)
		}
	}
	b, err := bench.Parse("bench.toml", []byte(benchText))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", []byte(jobText), b)
	if err != nil {
		t.Fatal(err)
	}
	return b, j
}

// readingsPerSecond of each meter of eightNight.
const readingsPerSecond = 5

// eightNight is a night of eightTubes: HT up after half a minute, a warm-up, a
// mains that wanders. grown is by what factor a tube's current differs from
// what it would be.
func eightNight(long time.Duration, grown func(tube int, t float64) float64) []alarms.Input {
	rng := rand.New(rand.NewPCG(8, 12))
	const every = time.Second / readingsPerSecond
	in := make([]alarms.Input, 1, 1+9*int(long/every))
	in[0].Act = &alarms.Act{Act: "begin"}
	for now := every; now < long; now += every {
		t := now.Seconds() - 30
		var ht, current float64
		if t > 0 {
			mains := 1 + 0.008*math.Sin(t/450) + 0.004*math.Sin(t/70)
			ht = 460 * mains * (1 - math.Exp(-t/2))
			current = 0.039 * math.Pow(mains, 1.5) * (1 - 0.9*math.Exp(-t/12) - 0.1*math.Exp(-t/150))
		}
		for m := range 9 {
			r := drivers.Reading{Exp: -5, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}
			v := current * (1 + 0.02*float64(m-4))
			if m == 8 {
				r.Exp, r.Prefix = -2, 0
				v = ht
			} else if grown != nil {
				v *= grown(m, t)
			}
			r.Digits = int64(math.Round(v*math.Pow10(-int(r.Exp)) + rng.NormFloat64()))
			in = append(in, alarms.Input{T: now + time.Duration(m)*time.Millisecond, Meter: m, Reading: r})
		}
	}
	return in
}

// BenchmarkReplay is a night of nine meters at 5 readings a second for 12 h,
// 1.94 million readings, through a new engine: quiet, and with a tube that
// drifts and one that runs away, which must be looked at all night. The floor
// is what it takes to read the same figures and add them up.
func BenchmarkReplay(b *testing.B) {
	const long = 12 * time.Hour
	bench, job := eightTubes(b)
	floor := math.NaN() // ns a reading
	measure := func(b *testing.B, in []alarms.Input, night func()) (ns float64) {
		b.ReportAllocs()
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		for b.Loop() {
			night()
		}
		runtime.ReadMemStats(&after)
		n := float64(b.N * len(in))
		ns = float64(b.Elapsed().Nanoseconds()) / n
		b.ReportMetric(ns, "ns/reading")
		b.ReportMetric(float64(after.TotalAlloc-before.TotalAlloc)/n, "B/reading")
		b.ReportMetric(float64(after.Mallocs-before.Mallocs)/n, "allocs/reading")
		return ns
	}
	replay := func(b *testing.B, in []alarms.Input) {
		ns := measure(b, in, func() {
			e := alarms.New(bench, job)
			for i := range in {
				e.Feed(in[i])
			}
			e.Advance(long)
		})
		b.ReportMetric(ns/floor, "floors")
	}
	in := eightNight(long, nil)
	b.Run("floor", func(b *testing.B) {
		sum := 0.0
		floor = measure(b, in, func() {
			for i := range in {
				sum += in[i].Reading.Value()
			}
		})
		if !(sum > 0) {
			b.Fatal(sum)
		}
	})
	b.Run("quiet", func(b *testing.B) { replay(b, in) })
	in = eightNight(long, func(tube int, t float64) float64 {
		switch tube {
		case 1: // 25 % in the night
			return 1 + 0.25*max(t, 0)/long.Seconds()
		case 5: // e-fold in 40 min
			return 1 + min(0.001*math.Exp(max(t-4*3600, 0)/2400), 0.9)
		}
		return 1
	})
	b.Run("busy", func(b *testing.B) { replay(b, in) })
}

// Once a run has settled, a reading costs no memory.
func TestSteadyStateAllocatesNothing(t *testing.T) {
	const settled, more = 40 * time.Minute, 10 * time.Minute
	in := eightNight(settled+more, nil)
	e := alarms.New(eightTubes(t))
	for len(in) > 0 && in[0].T < settled {
		e.Feed(in[0])
		in = in[1:]
	}
	if e.Phase() != alarms.Soak {
		t.Fatalf("%s", e.Phase())
	}
	if n := testing.AllocsPerRun(1, func() {
		for i := range len(in) / 2 {
			e.Feed(in[i])
		}
		in = in[len(in)/2:]
	}); n > 0 {
		t.Errorf("%v allocations in %v", n, more/2)
	}
}
