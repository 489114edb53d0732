package alarms_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

// HT that is lost, however it goes and whether or not a meter sees it, is no dead
// tube and no step: only the phase says so.
func TestHTLost(t *testing.T) {
	for _, c := range []struct {
		name  string
		mains func(s float64) float64 // log ratio of the plate volts, second since
		own   func(s float64) float64 // and of the currents beyond what these explain
	}{
		{"the fuse blows, no bleeder", func(s float64) float64 { return max(-s/0.3, -8) }, nil},
		{"the reservoir drains through the tubes", func(s float64) float64 { return max(-s/4, -8) }, nil},
		{"the reservoir drains slowly", func(s float64) float64 { return max(-s/15, -8) }, nil},
		{"standby: a bleeder alone drains", func(s float64) float64 { return max(-s/10, -8) }, func(s float64) float64 { return math.Inf(-1) }},
		{"mains cut: the heaters cool meanwhile", func(s float64) float64 { return max(-s/4, -8) }, func(s float64) float64 { return -s / 15 }},
	} {
		for _, blind := range []bool{false, true} {
			r := newRig(t, 4, blind)
			hot := func(time.Duration) float64 { return 0.35 } // V8 passes more than the others: it is the last to stop
			r.own[3] = hot
			r.soak()
			at := r.now
			r.mains = since(at, c.mains)
			if c.own != nil {
				for i := range r.own {
					r.own[i] = since(at, c.own)
				}
			}
			ev := r.run(20 * time.Minute)
			r.want(ev)
			if got := strings.Join(phases(ev), " "); got != "cool-down" {
				t.Errorf("%s, no plate meter %v: phases %q\n%s", c.name, blind, got, lines(t, ev))
			}
		}
	}
}

// A fuse that blows in the very minute in which a tube is dead says no more than
// the dead tube did.
func TestHTLostAfterADeadTube(t *testing.T) {
	r := newRig(t, 4, false)
	r.soak()
	r.own[1] = jump(r.now, -1)
	r.want(r.run(30*time.Second), "no-conduction/V6")
	at := r.now
	r.mains = since(at, func(s float64) float64 { return max(-s, -8) })
	r.want(r.run(10 * time.Minute))
}

// A silent meter is told once, with what it leaves unwatched, and nothing is said
// of its tube by what it no longer shows; the others are watched as before.
func TestSilentMeterIsOneAlarm(t *testing.T) {
	for _, blind := range []bool{false, true} {
		r := newRig(t, 4, blind)
		r.soak()
		r.mains = wander(0.005)
		quiet, back := r.now+5*time.Second, r.now+90*time.Minute
		r.own[2] = ramp(quiet, time.Hour, 0.2)
		r.own[0] = ramp(quiet, time.Hour, -0.16)
		r.meter = func(m int, t time.Duration, _ *drivers.Reading) bool { return m != 2 || t < quiet || t >= back }
		ev := r.run(85 * time.Minute)
		r.want(ev, "meter-silent/k3", "drift/V5")
		if e, _ := find(ev, "meter-silent/k3", alarms.Medium); !strings.Contains(e.Text, "not watched now: V7") {
			t.Errorf("text %q", e.Text)
		}
		// Back again, it shows what it could not: that is told now.
		r.want(r.run(10*time.Minute), "drift/V7", "imbalance/north")
	}
}

// A silent plate meter leaves currents watched by what they have in common.
func TestSilentPlateMeter(t *testing.T) {
	r := newRig(t, 4, false)
	r.soak()
	r.mains = steps(11*time.Minute, 0.08)
	quiet := r.now + 5*time.Second
	r.meter = func(m int, t time.Duration, _ *drivers.Reading) bool { return m != ht || t < quiet }
	r.want(r.run(90*time.Minute), "meter-silent/ht")
}

// The mains at 13 % under is one alarm of the supply, and none of a socket.
func TestBrownOutIsOneAlarm(t *testing.T) {
	r := newRig(t, 4, false)
	r.n = 2.2
	r.soak()
	r.mains = ramp(r.now, time.Minute, -0.13)
	r.want(r.run(30*time.Minute), "supply/north")
}
