package alarms_test

import (
	"encoding/json"
	"fmt"
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

const benchText = `
name = "north"
[[meter]]
name = "k1"
port = "/dev/ttyUSB0"
format = "fs9721"
accuracy = "0.5% + 3"
[[meter]]
name = "k2"
port = "/dev/ttyUSB1"
format = "fs9721"
accuracy = "0.5% + 3"
[[meter]]
name = "k3"
port = "/dev/ttyUSB2"
format = "es51922"
accuracy = "0.1% + 5"
[[meter]]
name = "k4"
port = "/dev/ttyUSB3"
format = "es51922"
accuracy = "0.1% + 5"
[[meter]]
name = "ht"
port = "tcp://192.0.2.7:5025"
format = "scpi"
function = "VOLT:DC"
accuracy = "0.05% + 2"
`

// files is the demo's job on a bench of five meters.
func files(t testing.TB) (*bench.Bench, *bench.Job) {
	t.Helper()
	b, err := bench.Parse("bench.toml", []byte(benchText))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", []byte(emulate.JobTOML()), b)
	if err != nil {
		t.Fatal(err)
	}
	return b, j
}

// shown is a voltage as a display with that resolution (a power of ten) shows it.
func shown(volts float64, exp int8) drivers.Reading {
	return drivers.Reading{Digits: int64(math.Round(volts * math.Pow10(-int(exp)))), Exp: exp, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC}
}

// inputs is an emulated night as the core gets it: begin, then the readings of
// five meters, k1 and k2 with 0.1 mV resolution, k3 and k4 with 0.01 mV, ht 10 mV.
func inputs(t testing.TB, cfg emulate.Config, long time.Duration) []alarms.Input {
	t.Helper()
	amp, err := emulate.NewAmp(cfg)
	if err != nil {
		t.Fatal(err)
	}
	in := []alarms.Input{{Act: &alarms.Act{Act: "begin"}}}
	for now := 100 * time.Millisecond; now < long; now += 100 * time.Millisecond {
		s := amp.At(now)
		for m := range 4 {
			if (now/(100*time.Millisecond)+time.Duration(m))%4 != 0 || m == 3 && cfg.Fault == emulate.Silent && now > amp.FaultAt() {
				continue
			}
			exp := int8(-4)
			if m >= 2 {
				exp = -5
			}
			r := shown(s.Sockets[m].Sense, exp)
			if math.Abs(s.Sockets[m].Sense) > 0.2 {
				r = shown(s.Sockets[m].Sense, -2)
			}
			in = append(in, alarms.Input{T: now, Meter: m, Reading: r})
		}
		if now%(500*time.Millisecond) == 0 {
			in = append(in, alarms.Input{T: now, Meter: 4, Reading: shown(s.HT, -2)})
		}
	}
	return in
}

// judge runs inputs through a new engine and returns the events.
func judge(t testing.TB, in []alarms.Input, end time.Duration) []alarms.Event {
	t.Helper()
	return feed(alarms.New(files(t)), in, end)
}

// feed is judge for an engine of the caller's.
func feed(e *alarms.Engine, in []alarms.Input, end time.Duration) []alarms.Event {
	var out []alarms.Event
	for _, x := range in {
		out = append(out, e.Feed(x)...)
	}
	return append(out, e.Advance(end)...)
}

// raised lists what was raised, each as "id priority", in order.
func raised(ev []alarms.Event) []string {
	var s []string
	for _, e := range ev {
		if e.Event == alarms.EventAlarm && e.State == alarms.Unacknowledged {
			s = append(s, fmt.Sprintf("%s %s", e.ID, e.Priority))
		}
	}
	return s
}

func find(ev []alarms.Event, id string, p alarms.Priority) (alarms.Event, bool) {
	i := slices.IndexFunc(ev, func(e alarms.Event) bool {
		return e.ID == id && e.Priority == p && e.State == alarms.Unacknowledged
	})
	if i < 0 {
		return alarms.Event{}, false
	}
	return ev[i], true
}

func lines(t testing.TB, ev []alarms.Event) string {
	t.Helper()
	var b strings.Builder
	for _, e := range ev {
		j, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		b.Write(j)
		b.WriteByte('\n')
	}
	return b.String()
}

// seeds of emulated amplifiers that every night below is tried on.
const seeds = 5

// Each fault of the demo raises its alarm, on its socket, and nothing else of
// medium or high priority; a quiet night raises nothing at all.
func TestNights(t *testing.T) {
	for _, c := range []struct {
		fault  emulate.Fault
		long   time.Duration
		want   []string // every alarm raised
		within time.Duration
	}{
		{emulate.None, 2 * time.Hour, nil, 0},
		{emulate.Drift, 70 * time.Minute, []string{"drift/V6 medium"}, 40 * time.Minute},
		{emulate.Open, 40 * time.Minute, []string{"sense-open/V8 high"}, 5 * time.Second},
		{emulate.Dead, 40 * time.Minute, []string{"no-conduction/V6 medium"}, 15 * time.Second},
		{emulate.Silent, 40 * time.Minute, []string{"meter-silent/k4 medium"}, 6 * time.Second},
	} {
		t.Run(string(c.fault), func(t *testing.T) {
			t.Parallel()
			for seed := range uint64(seeds) {
				cfg := emulate.Config{Seed: seed, Fault: c.fault}
				ev := judge(t, inputs(t, cfg, c.long), c.long)
				settled := 0
				for _, e := range ev {
					if e.Event == alarms.EventSettled {
						settled++
						if at := time.Duration(e.T); at < 8*time.Minute || at > 20*time.Minute {
							t.Errorf("seed %d: %s settled at %v", seed, e.Socket, at)
						}
					}
				}
				if settled != 4 {
					t.Errorf("seed %d: %d sockets settled", seed, settled)
				}
				if got := raised(ev); !slices.Equal(got, c.want) {
					t.Errorf("seed %d: raised %q, want %q\n%s", seed, got, c.want, lines(t, ev))
				} else if len(c.want) > 0 {
					i := slices.IndexFunc(ev, func(e alarms.Event) bool { return e.State == alarms.Unacknowledged })
					if late := time.Duration(ev[i].T) - 20*time.Minute; late > c.within+10*time.Second {
						t.Errorf("seed %d: %s came %v after the fault", seed, ev[i].ID, late)
					}
				}
			}
		})
	}
}

// A runaway is called one long before the limit, grows in priority, and is
// blamed on no other socket.
func TestRunawayNights(t *testing.T) {
	for seed := range uint64(seeds) {
		cfg := emulate.Config{Seed: seed, Fault: emulate.Runaway}
		const long = 50 * time.Minute
		ev := judge(t, inputs(t, cfg, long), long)
		amp, err := emulate.NewAmp(cfg)
		if err != nil {
			t.Fatal(err)
		}
		var over time.Duration
		for now := 20 * time.Minute; over == 0; now += time.Second {
			if amp.At(now).Sockets[2].Dissipation > 30 {
				over = now
			}
		}
		for _, r := range raised(ev) {
			if r != "runaway/V7 medium" && r != "runaway/V7 high" && r != "over-dissipation/V7 high" {
				t.Errorf("seed %d: raised %s", seed, r)
			}
		}
		first := slices.IndexFunc(ev, func(e alarms.Event) bool { return e.ID == "runaway/V7" })
		high, ok := find(ev, "runaway/V7", alarms.High)
		if !ok || first < 0 {
			t.Errorf("seed %d: no runaway\n%s", seed, lines(t, ev))
			continue
		}
		if lead := over - time.Duration(high.T); lead < 2*time.Minute {
			t.Errorf("seed %d: high only %v before the limit", seed, lead)
		}
		t.Logf("seed %d: limit at %v; first %v before it (%s); high %v before it: %s", seed, over, over-time.Duration(ev[first].T), ev[first].Priority, over-time.Duration(high.T), high.Text)
	}
}

// edit is a quiet night in which meters do something of their own.
func edit(in []alarms.Input, each func(m int, t time.Duration, r *drivers.Reading)) []alarms.Input {
	in = slices.Clone(in)
	for i := range in {
		if in[i].Act == nil {
			each(in[i].Meter, in[i].T, &in[i].Reading)
		}
	}
	return in
}

// Each trouble of a meter raises its alarm, on that meter, and nothing else:
// what the meter's change of range explains is not blamed on the tube, what it
// does not explain is.
func TestMeterNights(t *testing.T) {
	const long, at = 110 * time.Minute, 80 * time.Minute
	const k3, k4, ht = 2, 3, 4
	quiet := inputs(t, emulate.Config{Seed: 4}, long)
	var stuck [5]drivers.Reading
	freeze := func(m int, now time.Duration, r *drivers.Reading) {
		if now < at {
			stuck[m] = *r
		}
		*r = stuck[m]
	}
	ranged := func(m int, r *drivers.Reading, exp, prefix int8, off float64) {
		v := r.Value()
		*r = shown(v*(1+off), exp)
		r.Prefix, r.Flags = prefix, drivers.DC|drivers.Auto
	}
	for _, c := range []struct {
		name string
		each func(m int, now time.Duration, r *drivers.Reading)
		want []string
		by   time.Duration // after at
	}{
		{"k4 freezes", func(m int, now time.Duration, r *drivers.Reading) {
			if m == k4 {
				freeze(m, now, r)
			}
		}, []string{"meter-frozen/k4 medium"}, 25 * time.Minute},
		{"ht freezes", func(m int, now time.Duration, r *drivers.Reading) {
			if m == ht {
				freeze(m, now, r)
			}
		}, []string{"meter-frozen/ht medium"}, 10 * time.Minute},
		{"the whole bench becomes perfectly steady", freeze, nil, 0},
		{"k4 will switch itself off", func(m int, now time.Duration, r *drivers.Reading) {
			if m == k4 && now > at {
				r.Flags |= drivers.AutoPowerOff
			}
		}, []string{"meter-auto-off/k4 low"}, 15 * time.Second},
		{"k3 and k4 go to a range in which they read five counts high, 11 %", func(m int, now time.Duration, r *drivers.Reading) {
			switch {
			case m != k3 && m != k4:
			case now < at:
				r.Flags |= drivers.Auto
			default:
				ranged(m, r, -3, 0, 0.11)
			}
		}, nil, 0},
		{"k3 goes to a range in which it reads 1.5 % high, while its current grows by 1.2 %", func(m int, now time.Duration, r *drivers.Reading) {
			if m == k3 {
				r.Flags |= drivers.Auto
				if now >= at {
					ranged(m, r, -4, -3, 0.015+0.012*math.Exp(min((now-at-6*time.Minute).Seconds()/100, 0)))
				}
			}
		}, nil, 0},
		{"k3 goes to a range in which it reads more high than it may", func(m int, now time.Duration, r *drivers.Reading) {
			switch {
			case m != k3:
			case now < at:
				r.Flags |= drivers.Auto
			default:
				ranged(m, r, -3, 0, 0.35)
			}
		}, []string{"step/V7 medium", "idle-off-target/V7 low"}, 2 * time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			ev := judge(t, edit(quiet, c.each), long)
			if got := raised(ev); !slices.Equal(got, c.want) {
				t.Fatalf("raised %q, want %q\n%s", got, c.want, lines(t, ev))
			}
			for _, e := range ev {
				if e.State == alarms.Unacknowledged {
					t.Logf("%v later: %s", time.Duration(e.T)-at, e.Text)
					if late := time.Duration(e.T) - at; late < 0 || late > c.by {
						t.Errorf("%s came %v after the trouble began", e.ID, late)
					}
				}
			}
		})
	}
}

// autorange is a display that ranges by itself, as the emulated chips do: one
// range a reading, overload once for each range that overflows, a count up or
// down one time in four.
type autorange struct {
	exp        int8 // of one count in the lowest range
	ranges     int8
	full, down float64
	at         int8
	rng        *rand.Rand
}

func (d *autorange) show(volts float64) drivers.Reading {
	r := drivers.Reading{Exp: d.exp + d.at, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}
	if d.at == 0 {
		r.Prefix = -3
	}
	counts := math.Round(volts*math.Pow10(-int(r.Exp)) + d.rng.Float64() + d.rng.Float64() - 1)
	switch {
	case math.Abs(counts) >= d.full:
		r.Flags |= drivers.Overload
		d.at = min(d.at+1, d.ranges-1)
	default:
		r.Digits = int64(counts)
		if math.Abs(counts) < d.down {
			d.at = max(d.at-1, 0)
		}
	}
	return r
}

// A quiet night from standby to cool-down on meters of every kind, which range
// by themselves, raises nothing.
func TestQuietNightOnEveryChip(t *testing.T) {
	const long, off = 2*time.Hour + 10*time.Minute, 2 * time.Hour
	chips := []autorange{
		{exp: -4, ranges: 5, full: 4000, down: 380},   // es51986
		{exp: -5, ranges: 5, full: 22000, down: 2000}, // es51922
		{exp: -4, ranges: 4, full: 6000, down: 540},   // dtm0660, fs9922
		{exp: -5, ranges: 5, full: 20000, down: 1900}, // ascii14
	}
	for seed := range uint64(2) {
		amp, err := emulate.NewAmp(emulate.Config{Seed: seed, HTAt: 2 * time.Minute})
		if err != nil {
			t.Fatal(err)
		}
		var meters [5]autorange
		for m := range meters {
			meters[m] = chips[(m+int(seed))%len(chips)]
			meters[m].rng = rand.New(rand.NewPCG(seed, uint64(m)))
		}
		in := []alarms.Input{{Act: &alarms.Act{Act: "begin"}}}
		for now := 500 * time.Millisecond; now < long; now += 500 * time.Millisecond {
			s := amp.At(now)
			since := max(0, (now - off).Seconds())
			for m := range meters {
				v := s.HT * math.Exp(-since/3)
				if m < 4 {
					v = s.Sockets[m].Sense * math.Exp(-since)
				}
				in = append(in, alarms.Input{T: now, Meter: m, Reading: meters[m].show(v)})
			}
		}
		b, j := files(t)
		b.Meters[4].Format = b.Meters[3].Format // a display too: what is asked is not followed through its ranges
		ev := feed(alarms.New(b, j), in, long)
		if got := raised(ev); len(got) > 0 {
			t.Errorf("seed %d: raised %q\n%s", seed, got, lines(t, ev))
		}
		if got := strings.Join(phases(ev), " "); got != "standby warm-up soak cool-down" {
			t.Errorf("seed %d: phases %s", seed, got)
		}
		switched := 0
		for _, e := range ev {
			if e.Event == alarms.EventRange {
				switched++
				t.Logf("seed %d: %v: %s", seed, time.Duration(e.T), e.Text)
			}
		}
		if switched < 2 { // ht, up and down
			t.Errorf("seed %d: %d events of range", seed, switched)
		}
	}
}
