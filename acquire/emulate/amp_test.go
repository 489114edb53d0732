package emulate

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

func newAmp(t *testing.T, cfg Config) *Amp {
	t.Helper()
	a, err := NewAmp(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// within fails unless got lies in [low, high]; a NaN lies nowhere.
func within(t *testing.T, what string, got, low, high float64) {
	t.Helper()
	if !(got >= low && got <= high) {
		t.Errorf("%s: %.5g, want %.5g to %.5g", what, got, low, high)
	}
}

// Published idle points of the 6L6GC, plate plus screen current per tube:
// transcribed sheets (Tung-Sol 6L6, 1960; Ei-RC 6L6GC; single-ended points of
// the RCA sheet). The screen currents of the push-pull points are from memory.
func TestTubeLawMeetsPublishedPoints(t *testing.T) {
	for _, p := range []struct{ plate, screen, grid, plateA, screenA float64 }{
		{450, 400, -37, 0.058, 0.0028},
		{360, 270, -22.5, 0.044, 0.0025},
		{250, 250, -14, 0.072, 0.005},
		{350, 250, -18, 0.054, 0.0025},
	} {
		got := perveance * law(p.grid, p.screen, p.plate)
		want := p.plateA + p.screenA
		within(t, "cathode current over the published one", got/want, 0.99, 1.01)
	}
}

// Child's law: exponent 1.5. All electrodes up by 10 % give 1.154 times the
// current and 1.27 times the dissipation (1.1^1.5, 1.1^2.5).
func TestTubeLawExponent(t *testing.T) {
	one, two := law(-14, 250, 250), law(-28, 500, 500)
	within(t, "exponent from all volts doubled", math.Log2(two/one), 1.495, 1.505)

	// The plate alone, from two plate voltages: the equivalent diode's volts are known.
	diode := func(plate float64) float64 { return -14 + 250/mu2 + plate/mu1 }
	exponent := math.Log(law(-14, 250, 500)/law(-14, 250, 250)) / math.Log(diode(500)/diode(250))
	within(t, "exponent from two plate voltages", exponent, 1.495, 1.505)

	ten := law(biasVolts*1.1, 400*1.1, 462*1.1) / law(biasVolts, 400, 462)
	within(t, "current at +10 %", ten, 1.15, 1.158)
	within(t, "dissipation at +10 %", ten*1.1, 1.265, 1.275)
}

func TestWarmUp(t *testing.T) {
	for seed := range uint64(5) {
		a := newAmp(t, Config{Seed: seed})
		if got := a.At(2900 * time.Millisecond); got.HT != 0 {
			t.Errorf("HT %.1f V before it comes up", got.HT)
		}
		within(t, "HT without load, V", a.At(5*time.Second).HT, 468, 482)
		settled := a.At(15 * time.Minute)
		for i, s := range settled.Sockets {
			cold := newAmp(t, Config{Seed: seed})
			reaches := func(share float64) float64 {
				for at := time.Duration(0); ; at += step {
					if cold.At(at).Sockets[i].Current >= share*s.Current {
						return at.Seconds()
					}
				}
			}
			// Octal output tubes from cold (common practice, no source).
			within(t, "first current, s", reaches(0.02), 8, 15)
			within(t, "90 % of emission, s", reaches(0.90), 15, 30)
		}
	}
}

func TestIdlePoint(t *testing.T) {
	for seed := range uint64(10) {
		s := newAmp(t, Config{Seed: seed}).At(15 * time.Minute)
		within(t, "HT, V", s.HT, 457, 467)
		var sum float64
		lowest, highest := math.Inf(1), 0.0
		for _, k := range s.Sockets {
			within(t, "current, A", k.Current, 0.039, 0.0435)
			within(t, "share of 30 W", k.Dissipation/30, 0.60, 0.67)
			within(t, "sense over current, ohm", k.Sense/k.Current, 0.999, 1.001)
			sum += k.Current
			lowest, highest = min(lowest, k.Current), max(highest, k.Current)
		}
		within(t, "mean current, A", sum/numSockets, 0.0403, 0.0417)
		within(t, "spread of the tubes", highest/lowest-1, 0.02, 0.06)
		halves := (s.Sockets[V5].Current + s.Sockets[V6].Current) / (s.Sockets[V7].Current + s.Sockets[V8].Current)
		within(t, "balance of the halves", halves, 0.96, 1.04)
		// The supply's sag: what is missing from its volts without load is its ohms times the current.
		within(t, "source resistance, ohm", (s.Mains*htNoLoad-s.HT)/sum, htOhms-1, htOhms+1)
	}
}

func TestMainsWander(t *testing.T) {
	a := newAmp(t, Config{Seed: 7})
	var sum, squares, n float64
	for at := time.Minute; at < 6*time.Hour; at += time.Minute {
		m := a.At(at).Mains - 1
		within(t, "mains, off nominal", m, -0.015, 0.015)
		sum, squares, n = sum+m, squares+m*m, n+1
	}
	within(t, "rms wander", math.Sqrt(squares/n), 0.001, 0.006)
}

// theilSen is the median slope per sample, and the median.
func theilSen(y []float64) (slope, median float64) {
	var slopes []float64
	for i := range y {
		for j := i + 1; j < len(y); j++ {
			slopes = append(slopes, (y[j]-y[i])/float64(j-i))
		}
	}
	slices.Sort(slopes)
	y = slices.Sorted(slices.Values(y))
	return slopes[len(slopes)/2], y[len(y)/2]
}

// The rule: the robust slope over 5 min, times 5 min, under 1 % of the median,
// continuously for 5 min.
func TestSettlesInAboutElevenMinutes(t *testing.T) {
	for seed := range uint64(6) {
		for i := range numSockets {
			a := newAmp(t, Config{Seed: seed})
			const every, perWindow = 10 * time.Second, 30
			var window []float64
			var flatFrom time.Duration
			for at := a.cfg.HTAt + 15*time.Second; ; at += every {
				window = append(window, a.At(at).Sockets[i].Current)
				if len(window) <= perWindow {
					flatFrom = at
					continue
				}
				window = window[1:]
				if slope, median := theilSen(window); math.Abs(slope)*perWindow >= 0.01*median {
					flatFrom = at
				}
				if at-flatFrom >= 5*time.Minute {
					within(t, "settled, min after HT up", (at - a.cfg.HTAt).Minutes(), 10, 12.5)
					break
				}
			}
		}
	}
}

// night runs 60 minutes with a fault beside the same night without it.
func night(t *testing.T, seed uint64, f Fault, each func(sinceFault time.Duration, with, without Sample)) {
	t.Helper()
	a, b := newAmp(t, Config{Seed: seed, Fault: f}), newAmp(t, Config{Seed: seed})
	for at := time.Duration(0); at <= time.Hour; at += time.Second {
		with, without := a.At(at), b.At(at)
		if at < a.FaultAt() && with != without {
			t.Fatalf("%s shows at %v, before it begins", f, at)
		}
		each(at-a.FaultAt(), with, without)
	}
}

func TestRunaway(t *testing.T) {
	for seed := range uint64(4) {
		var crossed time.Duration
		var excess [4]float64 // A, at 0, 5, 10, 15 min
		night(t, seed, Runaway, func(since time.Duration, with, without Sample) {
			if since < 0 {
				return
			}
			if m := since.Minutes(); m == math.Trunc(m/5)*5 && m <= 15 {
				excess[int(m)/5] = with.Sockets[V7].Current - without.Sockets[V7].Current
			}
			if crossed == 0 && with.Sockets[V7].Dissipation > 30 {
				crossed = since
			}
			within(t, "V7 current over idle", with.Sockets[V7].Current/without.Sockets[V7].Current, 1, 4.5)
			for _, i := range []int{V5, V6, V8} {
				// HT sags: they fall a little, and never rise.
				within(t, "another tube over its idle", with.Sockets[i].Current/without.Sockets[i].Current, 0.95, 1)
			}
		})
		within(t, "passes 30 W, min after onset", crossed.Minutes(), 13.5, 16.5)
		// A straight line would add the same in each five minutes.
		for i := range 2 {
			within(t, "growth of the rise from one five minutes to the next",
				(excess[i+2]-excess[i+1])/(excess[i+1]-excess[i]), 1.8, 5)
		}
	}
}

func TestDrift(t *testing.T) {
	var excess [6]float64 // ratio, every 9 min
	night(t, 1, Drift, func(since time.Duration, with, without Sample) {
		if m := since.Minutes(); since >= 0 && m == math.Trunc(m/9)*9 {
			excess[int(m)/9] = with.Sockets[V6].Current/without.Sockets[V6].Current - 1
		}
	})
	within(t, "drift in 36 min", excess[4], 0.12, 0.15)
	for i := 1; i <= 2; i++ { // the first nine minutes also warm the tube
		within(t, "rate from one nine minutes to the next", (excess[i+2]-excess[i+1])/(excess[i+1]-excess[i]), 0.95, 1.02)
	}
}

func TestOpenAndDead(t *testing.T) {
	night(t, 1, Open, func(since time.Duration, with, without Sample) {
		if since > time.Second {
			within(t, "floating cathode, V", with.Sockets[V8].Sense, 15, 60)
			within(t, "current of the tube near cut-off, A", with.Sockets[V8].Current, 0, 10e-6)
		}
	})
	night(t, 1, Dead, func(since time.Duration, with, without Sample) {
		if since > 5*time.Second {
			within(t, "current of the dead tube, A", with.Sockets[V6].Current, 0, 0.001)
			within(t, "V5 with less load on HT", with.Sockets[V5].Current/without.Sockets[V5].Current, 1, 1.03)
		}
	})
}

// The same moments asked for in order, by leaps, backwards and at once by many.
func TestSameNightWhoeverAsks(t *testing.T) {
	cfg := Config{Seed: 3, Fault: Runaway, FaultAt: time.Minute}
	const moments = 900 // of 50 ms: within what an Amp remembers
	first := 2 * time.Minute
	at := func(i int) time.Duration { return first + time.Duration(i)*step }
	want := make([]Sample, moments)
	a := newAmp(t, cfg)
	for i := range want {
		want[i] = a.At(at(i))
	}
	leaps := newAmp(t, cfg)
	for _, i := range rand.New(rand.NewPCG(1, 1)).Perm(moments) {
		if got := leaps.At(at(i) + 20*time.Millisecond); got != want[i] {
			t.Fatalf("by leaps, at %v: %+v, want %+v", at(i), got, want[i])
		}
	}
	many := newAmp(t, cfg)
	var wg sync.WaitGroup
	for g := range 4 {
		wg.Go(func() {
			for i := g; i < moments; i += 4 {
				if got := many.At(at(i)); got != want[i] {
					t.Errorf("by many, at %v: %+v, want %+v", at(i), got, want[i])
				}
			}
		})
	}
	wg.Wait()
	if other := newAmp(t, Config{Seed: 4}).At(first); other == newAmp(t, Config{Seed: 3}).At(first) {
		t.Error("two seeds give the same night")
	}
	if got := a.At(0).T; got != want[moments-1].T-time.Duration(len(a.past)-1)*step {
		t.Errorf("long past: state of %v, want the oldest that is remembered", got)
	}
}

func TestNewAmpRefuses(t *testing.T) {
	for _, c := range []struct {
		cfg  Config
		want string
	}{
		{Config{Fault: "red"}, `fault "red" is not known`},
		{Config{HTAt: -1}, "before switching on"},
		{Config{FaultAt: -1}, "before switching on"},
	} {
		if _, err := NewAmp(c.cfg); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: error %v, want %q", c.cfg, err, c.want)
		}
	}
}
