package alarms_test

import (
	"math"
	"testing"
	"time"

	"nightsoak/alarms"
)

// settlesTo is a current that comes to where it stays from a share off, with time constant tau.
func settlesTo(from time.Duration, share float64, tau time.Duration) func(time.Duration) float64 {
	return func(t time.Duration) float64 { return math.Log1p(-share * math.Exp(-(t-from).Seconds()/tau.Seconds())) }
}

// What is said once a minute of when and at what a socket will settle holds
// within the 95 % interval, and the interval says something.
func TestForecastHolds(t *testing.T) {
	type said struct{ t, in, inU, at, atU float64 }
	held, all, most := 0, 0, 0.0
	for _, tau := range []time.Duration{3 * time.Minute, 5 * time.Minute, 8 * time.Minute} {
		for _, share := range []float64{0.06, -0.05} {
			r := newRig(t, 4, false)
			r.mains = wander(0.003)
			for i := range r.own {
				r.own[i] = settlesTo(0, share, tau+time.Duration(i)*20*time.Second)
			}
			forecasts := map[string][]said{}
			settled := map[string]alarms.Event{}
			for r.now < time.Hour && len(settled) < 4 {
				for _, e := range r.run(time.Minute) {
					if e.Event == alarms.EventSettled {
						settled[e.Socket] = e
					}
				}
				for _, s := range r.e.Snapshot().Sockets {
					if s.SettlesIn.Known != s.SettlesAt.Known || s.Settled && s.SettlesIn.Known {
						t.Errorf("at %v %s: settled %v, in %v, at %v", r.now, s.Name, s.Settled, s.SettlesIn, s.SettlesAt)
					}
					if s.SettlesIn.Known {
						forecasts[s.Name] = append(forecasts[s.Name], said{r.now.Seconds(), s.SettlesIn.X, s.SettlesIn.U, s.SettlesAt.X, s.SettlesAt.U})
					}
				}
			}
			r.want(r.ev)
			for name, f := range forecasts {
				e, ok := settled[name]
				if !ok {
					t.Fatalf("tau %v, %+g: %s does not settle within an hour", tau, share, name)
				}
				for _, f := range f {
					all++
					in, at := time.Duration(e.T).Seconds()-f.t, e.CathodeCurrent.X
					if math.Abs(in-f.in) <= 2*f.inU && math.Abs(at-f.at) <= 2*f.atU {
						held++
					} else {
						t.Logf("tau %v, %+g: %s at %.0f s: settles in %.0f ± %.0f s, at %.2f ± %.2f mA; it did in %.0f s, at %.2f mA", tau, share, name, f.t, f.in, 2*f.inU, 1000*f.at, 2000*f.atU, in, 1000*at)
					}
					most = max(most, f.atU/f.at)
					if f.in <= 0 || f.inU <= 0 || f.atU <= 0 || f.inU > 60+f.in {
						t.Errorf("at %.0f s: settles in %.0f ± %.0f s, at %.2f ± %.2f mA", f.t, f.in, 2*f.inU, 1000*f.at, 2000*f.atU)
					}
				}
			}
		}
	}
	t.Logf("%d of %d held; standard uncertainty of the current at most %.2g %%", held, all, 100*most)
	if all < 100 || float64(held) < 0.9*float64(all) || most > 0.05 {
		t.Errorf("%d of %d forecasts held; the widest has a standard uncertainty of %.2g %%", held, all, 100*most)
	}
}

// A slow curve is not said to be settled while it still moves: by the rule's own
// arithmetic, and with less than 2 % to come.
func TestNoEarlySettled(t *testing.T) {
	const share, tau = 0.08, 15 * time.Minute
	for _, sign := range []float64{1, -1} {
		r := newRig(t, 4, false)
		for i := range r.own {
			r.own[i] = settlesTo(0, sign*share, tau)
		}
		r.run(time.Hour)
		r.want(r.ev)
		n := 0
		for _, e := range r.ev {
			if e.Event != alarms.EventSettled {
				continue
			}
			n++
			at := time.Duration(e.T)
			left := share * math.Exp(-at.Seconds()/tau.Seconds())
			t.Logf("%s settled at %v, %.2f %% to come", e.Socket, at, 100*left)
			// 5 min before, the current had moved by 1 % in the 5 min before that, no more.
			moved := share * (math.Exp(-(at-10*time.Minute).Seconds()/tau.Seconds()) - math.Exp(-(at-5*time.Minute).Seconds()/tau.Seconds()))
			if left > 0.017 || moved > 0.0115 || at > 35*time.Minute {
				t.Errorf("%s settled at %v, with %.2f %% to come, %.2f %% moved in 5 min when the hold began", e.Socket, at, 100*left, 100*moved)
			}
		}
		if n != 4 {
			t.Errorf("%d settled within an hour", n)
		}
	}
}

// settledAfter is when a socket last settled, if after at.
func (r *rig) settledAfter(socket string, at time.Duration) (time.Duration, bool) {
	for i := len(r.ev) - 1; i >= 0; i-- {
		if e := &r.ev[i]; e.Event == alarms.EventSettled && e.Socket == socket {
			return time.Duration(e.T), time.Duration(e.T) > at
		}
	}
	return 0, false
}

// What was changed settles anew, by the rule from the beginning; what was not
// changed stays settled.
func TestSettlesAnew(t *testing.T) {
	anew := func(r *rig, socket string, at time.Duration) {
		t.Helper()
		when, ok := r.settledAfter(socket, at)
		if !ok || when-at < 10*time.Minute || when-at > 16*time.Minute {
			t.Errorf("%s: last settled at %v, changed at %v\n%s", socket, when, at, lines(t, r.ev))
		}
	}
	t.Run("adjusted", func(t *testing.T) {
		r := newRig(t, 4, false)
		r.soak()
		at := r.now
		r.own[1] = settlesTo(at, 0.2, 2*time.Second)
		r.run(10 * time.Second)
		r.act(alarms.Act{Act: "adjusted", Socket: "V6"})
		r.own[1] = settlesTo(at, 0.02, 2*time.Minute)
		if r.e.Snapshot().Sockets[1].Settled {
			t.Error("settled right after the trimmer was turned")
		}
		r.run(30 * time.Minute)
		anew(r, "V6", at)
		if _, ok := r.settledAfter("V5", at); ok {
			t.Error("V5 settled anew, though only V6 was adjusted")
		}
		for _, e := range r.ev {
			if e.Event == alarms.EventAlarm && e.ID != "step/V6" {
				t.Errorf("%s", lines(t, []alarms.Event{e}))
			}
		}
	})
	t.Run("standby", func(t *testing.T) {
		r := newRig(t, 4, false)
		r.soak()
		on := r.now + 6*time.Minute
		r.mains = func(t time.Duration) float64 { return min(0, -6*math.Copysign(1, (on-t).Seconds())) }
		for i := range r.own {
			r.own[i] = func(t time.Duration) float64 {
				if t < on {
					return math.Inf(-1)
				}
				return settlesTo(on, 0.03, 2*time.Minute)(t)
			}
		}
		r.run(40 * time.Minute)
		for _, v := range []string{"V5", "V6", "V7", "V8"} {
			anew(r, v, on)
		}
		r.want(r.ev)
	})
	t.Run("move", func(t *testing.T) {
		b, j := rovingJob(t)
		r := newRig(t, 1, false)
		r.e = alarms.New(b, j)
		r.act(alarms.Act{Act: "begin"})
		r.run(15 * time.Minute)
		for _, v := range []string{"V6", "V5"} {
			at := r.now
			r.act(alarms.Act{Act: "move", Meter: "k1", Socket: v})
			r.own[0] = jump(at, 0.03)
			if r.e.Snapshot().Sockets[0].Settled || r.e.Snapshot().Sockets[1].Settled {
				t.Error("settled right after the probe was moved")
			}
			r.run(16 * time.Minute)
			anew(r, v, at)
		}
	})
}

// A mains that wanders, as the plate meter sees, keeps no socket from settling.
func TestSettlesOnAWanderingMains(t *testing.T) {
	for _, n := range []float64{0.9, 1.5, 3} {
		r := newRig(t, 4, false)
		r.n, r.mains = n, wander(0.02)
		for i := range r.own {
			r.own[i] = settlesTo(0, 0.03, 3*time.Minute)
		}
		r.run(25 * time.Minute)
		r.want(r.ev)
		for _, v := range []string{"V5", "V6", "V7", "V8"} {
			if at, ok := r.settledAfter(v, 0); !ok {
				t.Errorf("n = %g: %s has not settled\n%s", n, v, lines(t, r.ev))
			} else {
				t.Logf("n = %g: %s settled at %v", n, v, at)
			}
		}
	}
}

// A steady rise of 2 % in 5 min never settles; that is told at settle_by.
func TestNotSettled(t *testing.T) {
	r := newRig(t, 4, false)
	r.own[3] = func(t time.Duration) float64 { return math.Log1p(-0.004 * t.Minutes()) }
	ev := r.run(50 * time.Minute)
	r.want(ev, "not-settled/V8")
	if e, _ := find(ev, "not-settled/V8", alarms.Low); time.Duration(e.T) < 45*time.Minute || r.e.Phase() != alarms.Soak {
		t.Errorf("phase %s:\n%s", r.e.Phase(), lines(t, ev))
	}
}
