package alarms_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

// own is by how much a socket is said to have gone from its settled current by
// itself, and common what it is said to have in common with the others.
func (r *rig) movement(socket string) (own, common float64) {
	r.t.Helper()
	const section = "its own movement"
	return r.figure(socket, section, "from its settled current"), r.figure(socket, section, "what all sockets have in common")
}

// Of two sockets the one that moved is the one that moved, with and without a
// plate meter, while the mains wanders.
func TestDriftOfOneOfTwo(t *testing.T) {
	for _, blind := range []bool{false, true} {
		for _, size := range []float64{0.16, -0.16} {
			r := newRig(t, 2, blind)
			r.soak()
			r.mains = wander(0.01)
			at := r.now
			r.own[1] = ramp(at, time.Hour, size)
			ev := r.run(70 * time.Minute)
			r.want(ev, "drift/V6")
			v5, _ := r.movement("V5")
			v6, _ := r.movement("V6")
			t.Logf("no plate meter %v, %+g: V5 %+.3f, V6 %+.3f", blind, size, v5, v6)
			if math.Abs(v5) > 0.03 || math.Abs(v6-size) > 0.04 {
				t.Errorf("no plate meter %v, V6 moved by %+.3f: V5 %+.3f, V6 %+.3f", blind, size, v5, v6)
			}
			// Not before it is true, and soon after.
			if e, ok := find(ev, "drift/V6", alarms.Medium); ok {
				true10 := at + time.Duration(0.1/math.Abs(size)*float64(time.Hour))
				if late := time.Duration(e.T) - true10; late < -2*time.Minute || late > 18*time.Minute {
					t.Errorf("no plate meter %v, %+g: told %v after 10 %% was true", blind, size, late)
				}
			}
		}
	}
}

// What moves all sockets is the mains, and nobody's drift.
func TestMainsMovesAll(t *testing.T) {
	for _, blind := range []bool{false, true} {
		for name, mains := range map[string]func(time.Duration) float64{
			"wander": wander(0.04),
			"steps":  steps(17*time.Minute, -0.06),
			"creep":  ramp(20*time.Minute, time.Hour, -0.08),
		} {
			r := newRig(t, 4, blind)
			r.n = 2.5
			r.soak()
			r.mains = func(t time.Duration) float64 { return mains(t - 15*time.Minute) }
			r.run(2 * time.Hour)
			r.want(r.ev)
			if own, common := r.movement("V6"); t.Failed() {
				t.Errorf("no plate meter %v, %s: own %+.3f, common %+.3f", blind, name, own, common)
			}
		}
	}
}

// A plate meter that goes astray moves no current: no socket is blamed.
func TestPlateMeterAstray(t *testing.T) {
	r := newRig(t, 4, false)
	r.n, r.mains = 2.5, wander(0.005)
	r.run(40 * time.Minute)
	astray := ramp(r.now, time.Hour, -0.07)
	r.meter = func(m int, t time.Duration, rd *drivers.Reading) bool {
		if m == ht {
			*rd = shown(rd.Value()*math.Exp(astray(t)), -2)
		}
		return true
	}
	r.run(90 * time.Minute)
	r.want(r.ev)
	for _, v := range []string{"V5", "V6", "V7", "V8"} {
		if own, common := r.movement(v); math.Abs(own) > 0.03 || common < 0.1 {
			t.Errorf("%s: own %+.3f, common %+.3f", v, own, common)
		}
	}
}

// A bias supply that fails takes all tubes with it while the plate volts stand:
// that is told of all.
func TestAllDrift(t *testing.T) {
	r := newRig(t, 4, false)
	r.mains = wander(0.005)
	r.soak()
	for i := range r.own {
		r.own[i] = ramp(r.now, 80*time.Minute, 0.16)
	}
	r.run(90 * time.Minute)
	r.want(r.ev, "drift/V5", "drift/V6", "drift/V7", "drift/V8")
}

// A tap changer's steps are no steps of a tube, however steeply currents answer
// and before anything of it was learnt.
func TestMainsSteps(t *testing.T) {
	for _, blind := range []bool{false, true} {
		r := newRig(t, 4, blind)
		r.n = 3.5
		r.soak()
		at := r.now
		r.mains = func(t time.Duration) float64 { return steps(13*time.Minute, 0.07)(t - at) }
		r.run(2 * time.Hour)
		r.want(r.ev)
	}
}

// Where the bias lags behind the mains the current jumps too far and comes back,
// long after the volts stand: no step either, even with no other tube to tell by.
func TestLaggingBiasIsNoStep(t *testing.T) {
	r := newRig(t, 1, false)
	r.soak()
	at := r.now
	r.mains = func(t time.Duration) float64 { return steps(13*time.Minute, 0.06)(t - at) }
	r.own[0] = func(t time.Duration) float64 {
		if s := (t-at)%(26*time.Minute) - 13*time.Minute; s > 0 {
			return 0.35 * math.Exp(-s.Seconds()/12)
		}
		return 0
	}
	r.run(2 * time.Hour)
	r.want(r.ev)
}

// A tube that steps is told within 15 s, whatever the moment, and once; what it
// steps back by is told again, and what it does from there is measured from there.
func TestStep(t *testing.T) {
	for _, blind := range []bool{false, true} {
		for _, size := range []float64{0.15, -0.15} {
			r := newRig(t, 4, blind)
			r.soak()
			r.mains = wander(0.01)
			r.run(2*time.Minute + time.Duration(r.rng.IntN(10))*time.Second)
			r.own[2] = jump(r.now+time.Second, size)
			at := r.now
			ev := r.run(15 * time.Second)
			r.want(ev, "step/V7")
			e, _ := find(ev, "step/V7", alarms.Medium)
			t.Logf("%v later: %s", time.Duration(e.T)-at, e.Text)
			var told float64
			if _, err := fmt.Sscanf(e.Text, "V7 stepped by %f %%", &told); err != nil || math.Abs(told-100*size) > 1.5 {
				t.Errorf("a step by %+.0f %%: %q", 100*size, e.Text)
			}
			if own, _ := r.movement("V7"); math.Abs(own) > 0.02 {
				t.Errorf("its drift is measured from before the step: %+.3f", own)
			}
			r.want(r.run(10 * time.Minute))
			r.own[2] = nil
			r.want(r.run(15*time.Second), "step/V7")
			r.want(r.run(10 * time.Minute))
		}
	}
}

// Sags that are over in 5 s are nothing, deep or shallow.
func TestSagsAreNoSteps(t *testing.T) {
	for _, blind := range []bool{false, true} {
		r := newRig(t, 4, blind)
		r.n = 2
		r.soak()
		longest := time.Duration(5)
		if blind {
			longest = 2
		}
		r.mains = func(t time.Duration) float64 {
			if k := t / (3 * time.Minute); t%(3*time.Minute) < (1+k%longest)*time.Second {
				return math.Log(1 - 0.1 - 0.05*float64(k%5))
			}
			return 0
		}
		r.run(2 * time.Hour)
		r.want(r.ev)
	}
}
