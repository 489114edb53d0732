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

// rig is a bench whose mains and tubes do what a test writes down, one reading a
// second of each meter: k1 to k4 show 0.01 mV, ht 10 mV.
type rig struct {
	t   *testing.T
	e   *alarms.Engine
	rng *rand.Rand
	now time.Duration
	ev  []alarms.Event

	tubes int
	blind bool    // no plate meter
	n     float64 // how every current answers to the plate volts
	// Each current's own unrest, ratio: white, and slow in three parts whose time
	// constants lie a decade apart, as flicker noise has it.
	noise float64
	slow  [4][3]float64
	// What happens, as log ratios to 462 V and to what the tube idles at: of the
	// plate volts, and of each current by itself. nil for nothing.
	mains func(t time.Duration) float64
	own   [4]func(t time.Duration) float64
	// meter changes what a meter shows, and may leave it out. nil for nothing.
	meter func(m int, t time.Duration, r *drivers.Reading) bool
}

const ht = 4 // index of the plate meter

// newRig is a rig that has begun, at so many tubes, with or without a plate meter.
func newRig(t *testing.T, tubes int, blind bool) *rig {
	t.Helper()
	b, _ := files(t)
	text := emulate.JobTOML()
	if blind {
		text = strings.ReplaceAll(text, "plate = { meter = \"ht\" }\n", "")
	}
	text = strings.ReplaceAll(text, "idle_target = \"65%\"\n", "")
	parts := strings.Split(text, "[[socket]]")
	j, err := bench.ParseJob("job.toml", []byte(strings.Join(parts[:tubes+1], "[[socket]]")), b)
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, e: alarms.New(b, j), rng: rand.New(rand.NewPCG(5, uint64(tubes))), tubes: tubes, blind: blind, n: 1.5, noise: 0.0005}
	r.act(alarms.Act{Act: "begin"})
	return r
}

func (r *rig) act(a alarms.Act) {
	r.t.Helper()
	if err := r.e.Check(a); err != nil {
		r.t.Fatal(err)
	}
	r.ev = append(r.ev, r.e.Feed(alarms.Input{T: r.now, Act: &a})...)
}

// run lets d pass and returns the events of it. HT is up from the first second on.
func (r *rig) run(d time.Duration) []alarms.Event {
	from := len(r.ev)
	for end := r.now + d; r.now < end; {
		r.now += time.Second
		x := 0.0
		if r.mains != nil {
			x = r.mains(r.now)
		}
		for m := range ht + 1 {
			if m >= r.tubes && m != ht || m == ht && r.blind {
				continue
			}
			s := shown(462*math.Exp(x)+0.02*r.rng.NormFloat64(), -2)
			if m != ht {
				own := 0.0
				if f := r.own[m]; f != nil {
					own = f(r.now)
				}
				off := r.noise * r.rng.NormFloat64()
				for k, tau := range [...]float64{10, 100, 1000} {
					z := &r.slow[m][k]
					*z += -*z/tau + r.noise*math.Sqrt(2/tau)*r.rng.NormFloat64()
					off += *z
				}
				s = shown((0.0410+0.0003*float64(m))*math.Exp(r.n*x+own)*(1+off), -5)
			}
			if r.meter == nil || r.meter(m, r.now, &s) {
				r.ev = append(r.ev, r.e.Feed(alarms.Input{T: r.now, Meter: m, Reading: s})...)
			}
		}
		r.ev = append(r.ev, r.e.Advance(r.now)...)
	}
	return r.ev[from:]
}

// soak runs until all have settled.
func (r *rig) soak() {
	r.t.Helper()
	r.run(15 * time.Minute)
	if r.e.Phase() != alarms.Soak {
		r.t.Fatalf("not in soak after 15 min: %s\n%s", r.e.Phase(), lines(r.t, r.ev))
	}
}

// want fails unless just these were raised, in any order and at any priority, each as often as it is named.
func (r *rig) want(got []alarms.Event, ids ...string) {
	r.t.Helper()
	var g []string
	for _, e := range got {
		if e.Event == alarms.EventAlarm && e.State == alarms.Unacknowledged {
			g = append(g, e.ID)
		}
	}
	slices.Sort(g)
	slices.Sort(ids)
	if !slices.Equal(g, ids) {
		r.t.Errorf("raised %q, want %q\n%s", g, ids, lines(r.t, got))
	}
}

// line is one of an explanation's figures.
func (r *rig) line(socket, section, name string) alarms.Line {
	r.t.Helper()
	x := explain(r.t, r.e, socket)
	for _, s := range x.Sections {
		for _, l := range s.Lines {
			if s.Name == section && l.Name == name {
				return l
			}
		}
	}
	r.t.Fatalf("no %q in %q of\n%s", name, section, x)
	return alarms.Line{}
}

// figure is the value of that.
func (r *rig) figure(socket, section, name string) float64 {
	r.t.Helper()
	l := r.line(socket, section, name)
	if l.Value == nil || !l.Value.Known {
		r.t.Fatalf("%s: %s of %s is unknown", name, section, socket)
	}
	return l.Value.X
}

// answer is what is known of how a socket answers to the plate volts.
func (r *rig) answer(socket string) (n, se float64) {
	r.t.Helper()
	l := r.line(socket, "supply taken out", "percent of current for one of plate volts")
	return l.Value.X, l.U.X
}

// since is a thing that begins at a moment: f of the time since then, 0 before.
func since(at time.Duration, f func(s float64) float64) func(time.Duration) float64 {
	return func(t time.Duration) float64 {
		if t < at {
			return 0
		}
		return f((t - at).Seconds())
	}
}

// ramp goes straight to a ratio of 1+size in long, and stays.
func ramp(at, long time.Duration, size float64) func(time.Duration) float64 {
	return since(at, func(s float64) float64 { return math.Log1p(size * min(s/long.Seconds(), 1)) })
}

// jump goes to a ratio of 1+size at once.
func jump(at time.Duration, size float64) func(time.Duration) float64 {
	return since(at, func(float64) float64 { return math.Log1p(size) })
}

// steps is a mains whose tap changer goes up and down by size, every so often.
func steps(every time.Duration, size float64) func(time.Duration) float64 {
	return func(t time.Duration) float64 {
		if t/every%2 == 0 {
			return 0
		}
		return size
	}
}

// wander is a mains that goes about its mean by size at most.
func wander(size float64) func(time.Duration) float64 {
	return func(t time.Duration) float64 {
		s := t.Seconds()
		return size * (0.6*math.Sin(s/67) + 0.4*math.Sin(s/220))
	}
}

// state is that of one alarm.
func (r *rig) state(id string) alarms.State {
	for _, a := range r.e.Snapshot().Alarms {
		if a.ID == id {
			return a.State
		}
	}
	return alarms.Normal
}
