package alarms_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
)

// growth grows e-fold in tau, from a share of the current at the moment it begins.
func growth(at, tau time.Duration, share float64) func(time.Duration) float64 {
	return since(at, func(s float64) float64 { return math.Log1p(min(share*math.Expm1(s/tau.Seconds()), 3)) })
}

// priorityOf is that of a runaway that may reach the limit in so many seconds:
// CONTRACT's runaway_within is 10 min.
func priorityOf(early float64) alarms.Priority {
	switch {
	case early < 600:
		return alarms.High
	case early < 1800:
		return alarms.Medium
	}
	return alarms.Low
}

// A current that grows e-fold is named well before the limit, low, medium, then
// high; the limit comes when the text and the explanation say, with the evidence.
func TestRunawayNamed(t *testing.T) {
	seen := map[alarms.Priority]bool{}
	for _, tau := range []time.Duration{4 * time.Minute, 8 * time.Minute, 20 * time.Minute, 45 * time.Minute} {
		r := newRig(t, 4, false)
		r.mains = wander(0.004)
		r.run(40 * time.Minute)
		at := r.now
		r.own[2] = growth(at, tau, 0.01)
		var limit time.Duration // 30 W at 462 V
		for d := time.Duration(0); limit == 0; d += time.Second {
			if 0.0416*math.Exp(r.own[2](at+d))*462 > 30 {
				limit = at + d
			}
		}
		var raised []alarms.Event
		for r.now < limit+time.Minute {
			ev := r.run(time.Second)
			for _, e := range ev {
				if e.ID != "runaway/V7" || e.State != alarms.Unacknowledged {
					continue
				}
				raised = append(raised, e)
				seen[e.Priority] = true
				t.Logf("e-fold in %v: limit in %v: %s: %s", tau, limit-r.now, e.Priority, e.Text)
				to := (limit - r.now).Seconds()
				if early, late := r.figure("V7", "runaway", "limit at the earliest in"), r.line("V7", "runaway", "limit at the latest in").Value; to < early || late.Known && to > late.X {
					t.Errorf("e-fold in %v: the limit comes in %.0f s; said %.0f s, %v at the latest", tau, to, early, *late)
				}
				if early := r.figure("V7", "runaway", "limit at the earliest in"); e.Priority != priorityOf(early) {
					t.Errorf("e-fold in %v: %s, with the limit in %.0f s at the earliest", tau, e.Priority, early)
				}
				var milliamps float64
				if _, err := fmt.Sscanf(e.Text, "V7 up %f mA in ", &milliamps); err != nil || milliamps < 0.4 || !strings.Contains(e.Text, "min and accelerating; supply") {
					t.Errorf("no evidence in %q: %v", e.Text, err)
				}
				if !strings.Contains(e.Text, "reaches 30 W in ") {
					t.Errorf("no time in %q", e.Text)
				}
			}
			if r.now%(30*time.Second) == 20*time.Second && r.state("runaway/V7") == alarms.Unacknowledged {
				// Unknown while the supply moves so that the growth is not to be seen.
				early := r.e.Snapshot().Sockets[2].LimitEarly
				if p := raised[len(raised)-1].Priority; early.Known && p.Rank() < priorityOf(early.X).Rank() {
					t.Errorf("e-fold in %v: %s, with the limit in %.0f s at the earliest", tau, p, early.X)
				}
			}
		}
		if len(raised) == 0 || raised[len(raised)-1].Priority != alarms.High {
			t.Errorf("e-fold in %v: not high in the end:\n%s", tau, lines(t, r.ev))
			continue
		}
		for i := 1; i < len(raised); i++ {
			if raised[i].Priority.Rank() <= raised[i-1].Priority.Rank() {
				t.Errorf("%s after %s", raised[i].Priority, raised[i-1].Priority)
			}
		}
		if share := float64(time.Duration(raised[0].T)-at) / float64(limit-at); share > 0.7 {
			t.Errorf("e-fold in %v: first told after %.0f %% of the time to the limit", tau, 100*share)
		}
		for _, e := range r.ev {
			if e.State == alarms.Unacknowledged && e.ID != "runaway/V7" && e.ID != "over-dissipation/V7" && e.ID != "imbalance/north" {
				t.Errorf("raised %s", e.ID)
			}
		}
	}
	if len(seen) != 3 {
		t.Errorf("of low, medium and high only %v were raised", seen)
	}
}

// Without a plate meter nobody knows the limit: it is told all the same, low, with
// no time.
func TestRunawayWithoutPlateMeter(t *testing.T) {
	r := newRig(t, 4, true)
	r.soak()
	r.mains = wander(0.004)
	r.run(30 * time.Minute)
	r.own[2] = growth(r.now, 10*time.Minute, 0.01)
	ev := r.run(40 * time.Minute)
	if e, ok := find(ev, "runaway/V7", alarms.Low); !ok || strings.Contains(e.Text, "reaches") {
		t.Errorf("text %q\n%s", e.Text, lines(t, ev))
	}
	if _, err := json.Marshal(explain(t, r.e, "V7")); err != nil {
		t.Error(err)
	}
	for _, e := range ev {
		if e.State == alarms.Unacknowledged && e.ID != "runaway/V7" && e.ID != "imbalance/north" {
			t.Errorf("raised %s", e.ID)
		}
	}
}

// What rises, and is no runaway.
func TestRisesThatAreNoRunaway(t *testing.T) {
	const at = 40 * time.Minute
	settling := func(size float64, tau time.Duration) func(time.Duration) float64 {
		return func(t time.Duration) float64 { return -size * math.Exp(-t.Seconds()/tau.Seconds()) }
	}
	for _, c := range []struct {
		name string
		own  func(time.Duration) float64
		want []string
	}{
		{"10 % an hour", ramp(at, 90*time.Minute, 0.15), []string{"drift/V7"}},
		{"10 % in two hours, from the start", ramp(0, 2*time.Hour, 0.1), nil},
		{"a settling curve", settling(0.06, 4*time.Minute), nil},
		{"a slow settling curve", settling(0.08, 12*time.Minute), nil},
		{"a fall, then a slow rise", func(t time.Duration) float64 {
			return settling(-0.05, 2*time.Minute)(t) + settling(0.06, 12*time.Minute)(t)
		}, nil},
		{"a step", jump(at, 0.15), []string{"step/V7"}},
		{"a small step", jump(at, 0.05), nil},
		{"a step down and back", func(t time.Duration) float64 { return jump(at, -0.05)(t) + jump(at+20*time.Minute, 0.05)(t) }, nil},
	} {
		for _, blind := range []bool{false, true} {
			r := newRig(t, 4, blind)
			r.own[2] = c.own
			r.run(20 * time.Minute)
			r.mains = wander(0.005)
			r.run(2*time.Hour + 40*time.Minute)
			r.want(r.ev, c.want...)
			if t.Failed() {
				t.Fatalf("%s, no plate meter %v", c.name, blind)
			}
		}
	}
}

// After standby the current comes back cold and rises, ever slower: no runaway.
func TestNoRunawayAfterStandby(t *testing.T) {
	r := newRig(t, 4, false)
	r.soak()
	off, on := r.now, r.now+10*time.Minute
	r.mains = func(t time.Duration) float64 {
		if t < on {
			return -6 // 1 V
		}
		return 0
	}
	for i := range r.own {
		r.own[i] = func(t time.Duration) float64 {
			if t < on {
				return math.Inf(-1)
			}
			return -0.07 * math.Exp(-(t-on).Seconds()/240)
		}
	}
	r.run(on - off + time.Hour)
	r.want(r.ev)
	if !r.e.Snapshot().Sockets[0].Settled {
		t.Errorf("V5 has not settled anew\n%s", lines(t, r.ev))
	}
}
