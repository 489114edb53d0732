package alarms_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// bringUp is an amplifier on a variac: what each meter shows at a moment. Meters
// are those of the demo's bench and two more, half a second apart.
type bringUp struct {
	mains, heater, ht float64 // volt
	ik                [4]float64
	mute              [7]bool // k1 to k4, ht, mains, heater
}

// powered feeds what show gives for so long, beginning as a first power-up.
type powered struct {
	*alarms.Engine
	now time.Duration
	ev  []alarms.Event
}

// powerBench is the demo's bench with a mains and a heater meter.
func powerBench(t testing.TB) *bench.Bench {
	t.Helper()
	b, _ := files(t)
	text := string(b.Text)
	for _, name := range []string{"mains", "heater"} {
		text += "\n[[meter]]\nname = \"" + name + "\"\nport = \"/dev/" + name + "\"\nformat = \"fs9922\"\n"
	}
	b, err := bench.Parse("bench.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

const powerWatches = `
[[watch]]
name = "mains"
meter = "mains"
unit = "V"
[[watch]]
name = "heater"
meter = "heater"
unit = "V"
`

const expected = `
[first_power]
plate_volts = "462V"
mains = { watch = "mains", volts = 230 }
heaters = { watch = "heater", volts = 6.3 }
`

// power begins a first power-up of the demo's job; without takes lines out of it.
func power(t testing.TB, table string, without ...string) *powered {
	t.Helper()
	text := emulate.JobTOML()
	for _, w := range without {
		if !strings.Contains(text, w) {
			t.Fatalf("the job has no %q", w)
		}
		text = strings.ReplaceAll(text, w, "")
	}
	b := powerBench(t)
	j, err := bench.ParseJob("job.toml", []byte(text+powerWatches+table), b)
	if err != nil {
		t.Fatal(err)
	}
	p := &powered{Engine: alarms.New(b, j)}
	p.act(alarms.Act{Act: "begin", FirstPower: true})
	return p
}

func (p *powered) act(a alarms.Act) {
	p.ev = append(p.ev, p.Feed(alarms.Input{T: p.now, Act: &a})...)
}

// run lets d pass; show is asked at each half second since the call.
func (p *powered) run(d time.Duration, show func(t time.Duration) bringUp) []alarms.Event {
	from, began := len(p.ev), p.now
	for p.now < began+d {
		p.now += 500 * time.Millisecond
		x := show(p.now - began)
		for m, v := range []float64{x.ik[0], x.ik[1], x.ik[2], x.ik[3], x.ht, x.mains, x.heater} {
			if x.mute[m] {
				continue
			}
			r := shown(v, -2)
			if m < 4 {
				r = shown(v, -5) // across 1 ohm
			}
			if m == 5 {
				r.Flags |= drivers.AC
			}
			p.ev = append(p.ev, p.Feed(alarms.Input{T: p.now, Meter: m, Reading: r})...)
		}
		p.ev = append(p.ev, p.Advance(p.now)...)
	}
	return p.ev[from:]
}

// fourAt is an amplifier at a share of its mains, with cold tubes or idling ones.
func fourAt(share, ik float64) bringUp {
	return bringUp{mains: 230 * share, heater: 6.3 * share, ht: 462 * share, ik: [4]float64{ik, ik, ik, ik}}
}

// first is the first time that the alarm was raised, its text, its meter and its advice.
func first(ev []alarms.Event) (e alarms.Event, ok bool) {
	i := slices.IndexFunc(ev, func(e alarms.Event) bool {
		return e.Alarm == alarms.FirstPowerName && e.State == alarms.Unacknowledged
	})
	if i < 0 {
		return e, false
	}
	return ev[i], true
}

// Each limit alone: what passes it is told with its figure, the limit and the
// meter, after its delay and not before; just inside it nothing is.
func TestFirstPowerLimits(t *testing.T) {
	const noTarget = "idle_target = \"65%\"\n"
	still := func(b bringUp) func(time.Duration) bringUp { return func(time.Duration) bringUp { return b } }
	// 6L6GC: 30 W. Target 65 % and 5 points: 21 W. At 462 V, 45.45 mA less what is across the ohm.
	over := func(b bringUp, socket int, ik float64) bringUp { b.ik[socket] = ik; return b }
	volts := func(b bringUp, ht float64) bringUp { b.ht = ht; return b }
	full, cold := fourAt(1, 0.041), fourAt(1, 0)
	for _, c := range []struct {
		name    string
		table   string
		without []string
		show    bringUp
		after   time.Duration // as it is raised; 0 for never, in 5 min
		text    string
		meter   string
	}{
		{"all well", expected, nil, full, 0, "", ""},
		{"all well, nothing expected", "", nil, full, 0, "", ""},
		{"past the target", expected, nil, over(full, emulate.V7, 0.0462), time.Second, "V7 at 71 % of its 30 W and 46.2 mA, past 70 %", "k3"},
		{"just inside the target", expected, nil, over(full, emulate.V7, 0.0451), 0, "", ""},
		{"past 70 %", expected, []string{noTarget}, over(full, emulate.V5, 0.0462), time.Second, "V5 at 71 % of its 30 W and 46.2 mA, past 70 %", "k1"},
		{"just inside 70 %", expected, []string{noTarget}, over(full, emulate.V5, 0.0451), 0, "", ""},
		{"no plate meter", "[first_power]\nplate_volts = \"462V\"\n", []string{"plate = { meter = \"ht\" }\n"}, over(full, emulate.V8, 0.0462), time.Second, "V8 at 71 % of its 30 W and 46.2 mA, past 70 %, taking HT as the 462 V expected", "k4"},
		{"HT too high", expected, nil, volts(full, 509), time.Second, "HT 509 V, past 508 V at mains of 230 V", "ht"},
		{"HT just not too high", expected, nil, volts(full, 508), 0, "", ""},
		{"HT too high, its own tolerance, no mains", "[first_power]\nplate_volts = \"440V\"\ntolerance = \"5%\"\n", nil, volts(full, 463), time.Second, "HT 463 V, past 462 V", "ht"},
		{"HT too high for the mains", expected, nil, volts(fourAt(0.6, 0.008), 310), time.Second, "HT 310 V, past 305 V at mains of 138 V", "ht"},
		{"HT not too high for the mains", expected, nil, volts(fourAt(0.6, 0.008), 304), 0, "", ""},
		{"HT does not rise", expected, nil, volts(fourAt(0.55, 0), 3.1), 31 * time.Second, "HT does not rise: 3.1 V, under 60 V, with mains at 126 V for 31 s", "ht"},
		{"HT does not rise, but the mains are low", expected, nil, volts(fourAt(0.49, 0), 3.1), 0, "", ""},
		{"HT does not rise, no mains watch", "[first_power]\nplate_volts = \"462V\"\n", nil, volts(fourAt(0.55, 0), 3.1), 0, "", ""},
		{"one alone", expected, nil, over(fourAt(0.6, 0.0005), emulate.V6, 0.0042), 121 * time.Second, "V6 conducts alone, 4.2 mA, while every other socket is under 2.0 mA for 2 min 1 s", "k2"},
		{"one ahead", expected, nil, over(fourAt(0.6, 0.0015), emulate.V6, 0.0039), 0, "", ""},
		{"one alone, as far as is known", expected, nil, func() bringUp {
			b := over(fourAt(0.6, 0.0005), emulate.V6, 0.0042)
			b.mute[emulate.V8] = true
			return b
		}(), 0, "", ""},
		{"no current", expected, nil, cold, 61 * time.Second, "no current at all with HT at 462 V, above 231 V for 1 min 1 s", "ht"},
		{"little current", expected, nil, fourAt(0.55, 0.0006), 0, "", ""},
		{"no current, HT low", expected, nil, fourAt(0.49, 0), 0, "", ""},
		{"no current, nothing expected", "", nil, cold, 0, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := power(t, c.table, c.without...)
			p.run(5*time.Second, still(bringUp{}))
			began := p.now
			p.run(5*time.Minute, still(c.show))
			e, got := first(p.ev)
			if c.after == 0 {
				if got {
					t.Errorf("raised: %s", e.Text)
				}
				return
			}
			// The first reading that passes the limit comes half a second in.
			if at := time.Duration(e.T) - began - 500*time.Millisecond; !got || at != c.after {
				t.Fatalf("raised after %v, want %v\n%s", at, c.after, lines(t, p.ev))
			}
			if e.Text != "First power-up: "+c.text || e.Meter != c.meter || e.Priority != alarms.High || e.ID != "first-power/north" || e.Advice == "" {
				t.Errorf("%s, by %s, %+v\nwant %s, by %s", e.Text, e.Meter, e, c.text, c.meter)
			}
		})
	}
}

// Two limits at once are told together; one excursion of a display is no reason
// to drop the mains; and with the soak the limits end, at once.
func TestFirstPowerLife(t *testing.T) {
	p := power(t, expected)
	at := func(b bringUp) func(time.Duration) bringUp { return func(time.Duration) bringUp { return b } }
	full := fourAt(1, 0.041)
	glitch := full
	glitch.ik[emulate.V5] = 0.060
	p.run(time.Minute, at(full))
	p.run(500*time.Millisecond, at(glitch)) // one reading
	p.run(time.Minute, at(full))
	if e, ok := first(p.ev); ok {
		t.Fatalf("a glitch: %s", e.Text)
	}
	both := fourAt(1, 0.039)
	both.ht, both.ik[emulate.V5] = 520, 0.046
	p.run(5*time.Second, at(both))
	e, _ := first(p.ev)
	if want := "First power-up: HT 520 V, past 508 V at mains of 230 V; V5 at 80 % of its 30 W and 46.0 mA, past 70 %"; e.Text != want {
		t.Errorf("%s\nwant %s", e.Text, want)
	}
	// It stands on until the soak begins, at settle_by.
	for p.Phase() != alarms.Soak && p.now < time.Hour {
		p.run(time.Minute, at(both))
	}
	if s := p.Snapshot(); p.Phase() != alarms.Soak || standsIn(s) || s.FirstPower == nil || s.FirstPower.Holds || s.FirstPower.To != s.PhaseSince {
		t.Errorf("in soak since %v: %+v %+v", s.PhaseSince, s.FirstPower, s.Alarms)
	}
}

// standsIn says whether the alarm stands.
func standsIn(s alarms.Snapshot) bool {
	return slices.ContainsFunc(s.Alarms, func(a alarms.AlarmState) bool { return a.Alarm == alarms.FirstPowerName && a.Active })
}

// variac is the amplifier of the emulator's tube law as it comes up on a variac,
// everything from the mains: heaters that lag, HT that lags, four tubes that
// differ in perveance and in how soon they warm (figures are estimates).
func variac(seed uint64, up time.Duration) func(t time.Duration) bringUp {
	rng := rand.New(rand.NewPCG(seed, 5))
	var warm [4]float64
	var k, tau [4]float64
	for i := range k {
		k[i], tau[i] = 0.93+0.10*rng.Float64(), 6+2*rng.Float64()
		warm[i] = 0.28
	}
	ht, total := 0.0, 0.0
	return func(t time.Duration) bringUp {
		m := min(1, t.Seconds()/up.Seconds())
		b := bringUp{mains: 230*m + 0.3*rng.NormFloat64(), heater: 6.3 * m}
		ht += (m*475.5 - 80*total - ht) * 0.99 // 40 ms, seen each half second
		ht = max(ht, 0)
		total = 0
		for i := range k {
			for range 10 {
				warm[i] += 0.05 / (4 * tau[i]) * (m*m - math.Pow(warm[i], 4))
			}
			emission := 0.17 * warm[i] * warm[i] * math.Exp(-11.05*(1/warm[i]-1))
			v := max(0, -40.83*m+401.6*m/7.72+ht/264)
			space := 9.07e-4 * k[i] * math.Pow(v, 1.5)
			if space > 0 && emission > 0 {
				b.ik[i] = space / math.Pow(1+math.Pow(space/emission, 4), 0.25)
			}
			total += b.ik[i]
		}
		b.ht = ht
		return b
	}
}

// An ordinary first power-up raises nothing, over 10 min and slower or faster,
// and what it showed is there for the report.
func TestOrdinaryFirstPower(t *testing.T) {
	for seed := range uint64(6) {
		for _, up := range []time.Duration{2 * time.Second, 4 * time.Minute, 10 * time.Minute, 20 * time.Minute} {
			p := power(t, expected)
			show := variac(seed, up)
			p.run(up+20*time.Minute, show)
			for _, e := range p.ev {
				if e.Event == alarms.EventAlarm {
					t.Errorf("seed %d, up in %v: %s at %v: %s", seed, up, e.ID, time.Duration(e.T), e.Text)
				}
			}
			s := p.Snapshot()
			r := s.FirstPower
			if p.Phase() != alarms.Soak || r.Holds || !r.HTUp.Known || r.HTHighest.Value.X < 455 || r.HTHighest.Value.X > 480 {
				t.Fatalf("seed %d, up in %v: %s %+v", seed, up, p.Phase(), r)
			}
			for _, k := range r.Sockets {
				if !k.At.Known || !k.HT.Known || k.HT.X < 60 || k.At.X < r.HTUp.X || k.Highest.Value.X < 0.035 || k.Highest.Value.X > 0.046 {
					t.Errorf("seed %d, up in %v: %+v", seed, up, k)
				}
			}
			if up < 4*time.Minute {
				continue
			}
			if n := len(r.Rise); n < 9 || n > 11 {
				t.Fatalf("seed %d, up in %v: %d points: %+v", seed, up, n, r.Rise)
			}
			for i, x := range r.Rise {
				share := 0.1 * float64(i+1)
				if math.Abs(x.Mains.X-230*share) > 3 || math.Abs(x.HT.X/(475*share)-1) > 0.1 || i > 0 && x.T <= r.Rise[i-1].T {
					t.Errorf("seed %d, up in %v: point %d: %+v", seed, up, i, x)
				}
			}
		}
	}
}

// A dead tube: at first power-up it is only looked for once heaters have had 90 %
// for a minute, or the mains have where no watch shows the heaters.
func TestConductionArmsWithTheHeaters(t *testing.T) {
	for _, c := range []struct {
		name, table string
		share       float64
		raised      bool
	}{
		{"heater watch", expected, 0.91, true},
		{"heater watch, too cold", expected, 0.89, false},
		{"mains watch", "[first_power]\nmains = { watch = \"mains\", volts = 230 }\n", 0.91, true},
		{"mains watch, too low", "[first_power]\nmains = { watch = \"mains\", volts = 230 }\n", 0.89, false},
		{"none", "", 1, false},
	} {
		p := power(t, c.table)
		p.run(10*time.Second, func(time.Duration) bringUp { return bringUp{} })
		began := p.now
		p.run(4*time.Minute, func(time.Duration) bringUp {
			b := fourAt(c.share, 0.035)
			b.ik[emulate.V6] = 0.0001
			return b
		})
		i := slices.IndexFunc(p.ev, func(e alarms.Event) bool { return e.ID == "no-conduction/V6" })
		if (i >= 0) != c.raised {
			t.Fatalf("%s: %s", c.name, lines(t, p.ev))
		}
		// A minute of heaters, and the alarm's own 3 s.
		if i >= 0 && time.Duration(p.ev[i].T) != began+500*time.Millisecond+63*time.Second {
			t.Errorf("%s: after %v", c.name, time.Duration(p.ev[i].T)-began)
		}
	}
}

// Whatever meters show, the alarm stands only from begin --first-power until the
// soak begins, and never in a run that did not begin so.
func TestFirstPowerStaysInItsPhase(t *testing.T) {
	stood := 0
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 77))
		p := power(t, expected+"[limits]\nsettle_by = \"6m\"\n")
		ordinary := seed%4 == 0
		if ordinary {
			p.Engine, p.ev = power(t, expected).Engine, nil
			b := powerBench(t)
			j, err := bench.ParseJob("job.toml", []byte(emulate.JobTOML()+powerWatches+expected+"[limits]\nsettle_by = \"6m\"\n"), b)
			if err != nil {
				t.Fatal(err)
			}
			p = &powered{Engine: alarms.New(b, j)}
			p.act(alarms.Act{Act: "begin"})
		}
		soaked := false
		for range 40 {
			share, ik := rng.Float64()*1.2, rng.Float64()*0.06
			b := fourAt(share, ik)
			if rng.IntN(3) == 0 {
				b.ht *= rng.Float64() * 2
			}
			b.ik[rng.IntN(4)] = rng.Float64() * 0.08
			b.mute[rng.IntN(7)] = rng.IntN(4) == 0
			p.run(time.Duration(rng.IntN(40))*time.Second, func(time.Duration) bringUp {
				s := p.Snapshot()
				soaked = soaked || s.Phase == alarms.Soak || s.Phase == alarms.Ended
				if standsIn(s) {
					if stood++; ordinary || soaked {
						t.Fatalf("seed %d: stands in %s at %v", seed, s.Phase, s.T)
					}
				}
				return b
			})
			if rng.IntN(60) == 0 {
				p.act(alarms.Act{Act: "end"})
			}
		}
	}
	if stood == 0 {
		t.Error("it never stood: this shows nothing")
	}
}
