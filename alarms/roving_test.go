package alarms_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// rovingJob is four sockets and one probe, which begins at V5.
func rovingJob(t *testing.T) (*bench.Bench, *bench.Job) {
	t.Helper()
	b, _ := files(t)
	text := "ticket = \"R-1187\"\namplifier = \"four-tube bass head, 100 W\"\nidle_target = \"65%\"\n"
	for i, v := range rovingOver {
		text += fmt.Sprintf("[[socket]]\nname = %q\ntube = \"6L6GC\"\nhalf = %q\nsense = { meter = \"k1\", ohms = 1.0, roving = true }\nplate = { meter = \"ht\" }\n", v, "aabb"[i:i+1])
	}
	j, err := bench.ParseJob("job.toml", []byte(text), b)
	if err != nil {
		t.Fatal(err)
	}
	return b, j
}

// mute stands among flags for no reading at all.
const mute = drivers.Flags(1 << 15)

var rovingOver = []string{"V5", "V6", "V7", "V8"}

// rover is a night with one probe, and what may be known of it: a second
// account, kept beside the engine's.
type rover struct {
	t   *testing.T
	e   *alarms.Engine
	rng *rand.Rand
	now time.Duration
	in  []alarms.Input
	ev  []alarms.Event

	at        int     // where the probe is
	reading   float64 // the last one, ampere
	usable    bool    // a reading came since the probe did, and the last one is usable
	heard     [4]bool
	heardAt   [4]time.Duration // the last usable reading at each
	settled   [4]alarms.Event  // the last, if its trimmer was not turned since
	found     [4]*alarms.Event // settled when its trimmer was first turned; empty when it was not
	shown     [4]int           // snapshots with a present current
	settlings int
	here      bool // it settled since the probe came
}

func (r *rover) feed(in alarms.Input) {
	in.T = r.now
	r.in = append(r.in, in)
	r.take(r.e.Feed(in))
}

func (r *rover) take(events []alarms.Event) {
	for _, ev := range events {
		r.ev = append(r.ev, ev)
		i := slices.Index(rovingOver, ev.Socket)
		switch {
		case ev.Event == alarms.EventSettled:
			r.settled[i], r.here = ev, true
			r.settlings++
			if i != r.at || !ev.CathodeCurrent.Known {
				r.t.Fatalf("at %v: the probe is at %s:\n%s", r.now, rovingOver[r.at], lines(r.t, []alarms.Event{ev}))
			}
		case ev.Event == alarms.EventAlarm && ev.State == alarms.Unacknowledged:
			if i := slices.Index(rovingOver, ev.Subject); i >= 0 && i != r.at {
				r.t.Fatalf("at %v: judged without data, the probe being at %s:\n%s", r.now, rovingOver[r.at], lines(r.t, []alarms.Event{ev}))
			}
		}
	}
}

// check holds a snapshot against the second account.
func (r *rover) check() {
	r.t.Helper()
	r.take(r.e.Advance(r.now))
	snap := r.e.Snapshot()
	wrong := func(k alarms.SocketState, what string) {
		r.t.Helper()
		r.t.Fatalf("at %v, the probe being at %s: %s: %+v", r.now, rovingOver[r.at], what, k)
	}
	if a := snap.Amplifier; a != (alarms.AmplifierState{}) {
		r.t.Fatalf("at %v: one socket in four is known, and the amplifier %+v", r.now, a)
	}
	for i, k := range snap.Sockets {
		present := k.CathodeCurrent.Known || k.PlateCurrent.Known || k.PlateDissipation.Known || k.DissipationRatio.Known || k.CathodeCurrentRatio.Known
		claims := k.Settled || k.NotConducting || k.SettlesIn.Known || k.DriftPerHour.Known || k.Neighbour.Known
		switch {
		case i != r.at:
			if present || claims {
				wrong(k, "shown fresh without the probe")
			}
			if k.Why != "probe at "+rovingOver[r.at] {
				wrong(k, "does not say where the probe is")
			}
		case !r.usable || r.now-r.heardAt[i] >= 5*time.Second:
			if present || claims || k.Why == "" {
				wrong(k, "shown fresh without a reading")
			}
		default:
			if k.CathodeCurrent.X != r.reading || !k.CathodeCurrent.Known || k.Why != "" {
				wrong(k, fmt.Sprintf("reads %g A", r.reading))
			}
			if k.Settled && !r.here {
				wrong(k, "settled before it was seen to")
			}
			r.shown[i]++
		}
		if age := (r.now - r.heardAt[i]).Seconds(); k.Age.Known != r.heard[i] || r.heard[i] && k.Age.X != age {
			wrong(k, fmt.Sprintf("last read %g s ago", age))
		}
		last := r.settled[i]
		if k.SettledRatio.Known != (last.Event != "") || last.Event != "" && (k.SettledRatio.X != last.DissipationRatio.X || k.SettledAt != time.Duration(last.T)) {
			wrong(k, fmt.Sprintf("last settled: %+v", last))
		}
		if (k.AsFound == nil) != (r.found[i] == nil) || k.AsFound != nil && !idled(k.AsFound, *r.found[i]) {
			wrong(k, fmt.Sprintf("found %+v, settled %+v", k.AsFound, r.found[i]))
		}
		if (k.AsLeft != nil) != (k.AsFound != nil && last.Event != "") || k.AsLeft != nil && !idled(k.AsLeft, last) {
			wrong(k, fmt.Sprintf("left %+v, settled %+v", k.AsLeft, last))
		}
	}
}

// idled says whether i is what the event says; of one that never settled it may be anything.
func idled(i *alarms.Idle, settled alarms.Event) bool {
	return settled.Event == "" || i.T == time.Duration(settled.T) && i.CathodeCurrent == *settled.CathodeCurrent && i.DissipationRatio == *settled.DissipationRatio
}

// act does an act, and keeps the account of it.
func (r *rover) act(a alarms.Act) {
	r.t.Helper()
	if err := r.e.Check(a); err != nil {
		r.t.Fatal(err)
	}
	for i, v := range rovingOver {
		if a.Act == "adjusted" && (a.Socket == v || a.Socket == "all") {
			if r.found[i] == nil {
				was := r.settled[i]
				r.found[i] = &was
			}
			r.settled[i] = alarms.Event{}
		}
	}
	if a.Act == "move" {
		r.at, r.usable, r.here = slices.Index(rovingOver, a.Socket), false, false
	}
	r.feed(alarms.Input{Act: &a})
	r.check()
}

// A night with one probe and four sockets, moved about at random, now and then
// on hold, over range, in the wrong function, silent or unwatched, the amplifier
// switched off and on, trimmers turned: at every reading no socket is shown
// fresh when it is not, and each keeps the last that was settled of it.
func TestRovingNight(t *testing.T) {
	for seed := range uint64(2) {
		b, j := rovingJob(t)
		r := &rover{t: t, e: alarms.New(b, j), rng: rand.New(rand.NewPCG(seed, 4))}
		r.act(alarms.Act{Act: "begin"})
		idle := [4]float64{0.0410, 0.0420, 0.0405, 0.0415}
		ht, htAt := 0.0, 20*time.Second
		next := r.dwell()
		var flags drivers.Flags
		var trouble time.Duration // the probe's meter is not well until then
		for r.now < 5*time.Hour {
			r.now += time.Second
			switch x := r.rng.IntN(10000); {
			case r.now >= htAt && ht == 0:
				ht, htAt = 462, r.now+time.Duration(1+r.rng.IntN(3))*time.Hour
			case r.now >= htAt:
				ht, htAt = 0, r.now+2*time.Minute
			case r.now >= next:
				r.act(alarms.Act{Act: "move", Meter: "k1", Socket: rovingOver[r.rng.IntN(4)]})
				next = r.now + r.dwell()
			case x < 4:
				i := r.rng.IntN(4)
				idle[i] *= 0.97 + 0.06*r.rng.Float64()
				r.act(alarms.Act{Act: "adjusted", Socket: rovingOver[i]})
			case x < 5:
				r.act(alarms.Act{Act: "adjusted", Socket: "all"})
			case x < 8:
				from := r.now
				r.now += time.Duration(r.rng.IntN(600)) * time.Second
				r.usable = false
				r.feed(alarms.Input{Gap: &alarms.Gap{From: alarms.Seconds(from), Text: "the daemon was stopped"}})
			case x < 40:
				flags = []drivers.Flags{drivers.Hold, drivers.AC, drivers.Overload, mute}[r.rng.IntN(4)]
				trouble = r.now + time.Duration(r.rng.IntN(20))*time.Second
			}
			if r.now >= trouble {
				flags = 0
			}
			if r.now%(2*time.Second) == 0 {
				r.feed(alarms.Input{Meter: 4, Reading: shown(ht, -2)})
				r.check()
			}
			if flags != mute {
				amps := 0.0
				if ht > 0 {
					amps = idle[r.at]
				}
				x := shown(amps+5e-5*r.rng.NormFloat64(), -5)
				x.Flags |= flags
				if flags&drivers.Overload != 0 {
					x.Digits = 0
				}
				if r.usable = flags == 0; r.usable {
					r.reading, r.heard[r.at], r.heardAt[r.at] = x.Value(), true, r.now
				}
				r.feed(alarms.Input{Meter: 0, Reading: x})
			}
			r.check()
		}
		if slices.Min(r.shown[:]) < 1000 || r.settlings < 5 {
			t.Errorf("night %d tried little: snapshots with a present current %v, %d settlings", seed, r.shown, r.settlings)
		}
		// The same inputs, as after a restart, lead to the same.
		again := alarms.New(b, j)
		var ev []alarms.Event
		for _, in := range r.in {
			ev = append(ev, again.Feed(in)...)
		}
		ev = append(ev, again.Advance(r.now)...)
		if got, want := lines(t, ev), lines(t, r.ev); got != want {
			t.Errorf("night %d replayed:\n%s\nwant\n%s", seed, got, want)
		}
		if diff := cmp.Diff(r.e.Snapshot(), again.Snapshot()); diff != "" {
			t.Errorf("night %d replayed: %s", seed, diff)
		}
	}
}

// dwell is how long the probe stays: often about as long as a settling takes.
func (r *rover) dwell() time.Duration {
	if r.rng.IntN(2) == 0 {
		return 10*time.Minute + time.Duration(r.rng.IntN(12))*time.Second
	}
	return time.Duration(r.rng.IntN(20*60)) * time.Second
}

// What was pending of a socket when the probe left it is not judged later: no
// settling by its last seconds, no delay that runs out unwatched.
func TestProbeLeaves(t *testing.T) {
	night := func(before time.Duration) *script {
		b, j := rovingJob(t)
		s := &script{t: t, e: alarms.New(b, j), quant: drivers.Voltage, mute: [5]bool{1: true, 2: true, 3: true}}
		s.act(alarms.Act{Act: "begin"})
		s.sense[0], s.ht = 0.041, 462
		s.run(before)
		return s
	}
	move := func(s *script, to string) { s.act(alarms.Act{Act: "move", Meter: "k1", Socket: to}) }

	s := night(11 * time.Minute)
	i := slices.IndexFunc(s.ev, func(e alarms.Event) bool { return e.Event == alarms.EventSettled })
	if i < 0 {
		t.Fatalf("V5 does not settle:\n%s", lines(t, s.ev))
	}
	for early := 500 * time.Millisecond; early <= 5*time.Second; early += 500 * time.Millisecond {
		s := night(time.Duration(s.ev[i].T) - early)
		n := len(s.ev)
		move(s, "V6")
		s.run(20 * time.Second)
		if len(s.ev) > n+1 { // the act itself
			t.Errorf("gone %v before V5 would have settled:\n%s", early, lines(t, s.ev[n:]))
		}
	}

	for _, stay := range []struct {
		to   string
		long time.Duration
		amps float64
	}{
		{"V6", 3 * time.Minute, 0.041}, {"V5", 3 * time.Minute, 0.041}, {"V6", time.Hour, 0.041}, {"V5", 10 * time.Second, 0.041},
		{"V5", 2 * time.Second, 0}, {"V6", time.Minute, 0.041}, {"V5", time.Second, 0}, {"V5", time.Minute, 0.041},
	} {
		s.sense[0] = stay.amps
		move(s, stay.to)
		s.run(stay.long)
	}
	s.want(s.ev)

	move(s, "V6")
	move(s, "V5")
	if why := s.e.Snapshot().Sockets[0].Why; why != "no reading yet since the probe came" {
		t.Errorf("the probe is back at V5, nothing read: %q", why)
	}
	s.sense[0] = 0
	s.run(10 * time.Second)
	s.want(s.ev, "no-conduction/V5 medium")
	if !s.e.Snapshot().Sockets[0].NotConducting {
		t.Error("V5 does not conduct, and is not shown so")
	}
	move(s, "V6")
	if s.e.Snapshot().Sockets[0].NotConducting || s.state("no-conduction/V5") != alarms.Unacknowledged {
		t.Error("the probe has left V5: its alarm stands, but nothing is known of now")
	}
}
