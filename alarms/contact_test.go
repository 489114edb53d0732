package alarms_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
)

// drops is a contact that opens every so often for long, so many times from at on.
func drops(at, every, long time.Duration, times int) func(time.Duration) float64 {
	return func(t time.Duration) float64 {
		if t >= at && t < at+time.Duration(times)*every && (t-at)%every < long {
			return math.Inf(-1)
		}
		return 0
	}
}

// A contact that comes and goes is one alarm, however often it does, and each
// drop-out is counted.
func TestIntermittent(t *testing.T) {
	for _, blind := range []bool{false, true} {
		r := newRig(t, 4, blind)
		r.soak()
		r.mains = wander(0.01)
		at := r.now + 17*time.Second
		contact, left := drops(at, 43*time.Second, time.Second, 100), -9.0
		if blind {
			left = math.Log(0.6) // it does not open altogether
		}
		r.own[1] = func(t time.Duration) float64 { return max(contact(t), left) }
		ev := r.run(100 * 43 * time.Second)
		r.want(ev, "intermittent/V6")
		if e, _ := find(ev, "intermittent/V6", alarms.Medium); time.Duration(e.T)-at > 2*time.Minute || !strings.Contains(e.Text, "3 times so far") {
			t.Errorf("told %v after the first: %q", time.Duration(e.T)-at, e.Text)
		}
		r.want(r.run(20 * time.Minute))
		if n := r.figure("V6", "its own movement", "drop-outs counted"); n != 100 {
			t.Errorf("no plate meter %v: %g counted of 100", blind, n)
		}
		if r.state("intermittent/V6") != alarms.Unacknowledged {
			t.Errorf("intermittent/V6 is %s 20 min after the last of a hundred", r.state("intermittent/V6"))
		}
		// While it stands, one that takes longer is none of a dead tube.
		r.own[1] = drops(r.now+time.Second, time.Hour, 4*time.Second, 1)
		r.want(r.run(time.Minute))
		// Half an hour without a third and half an hour more is the end of it.
		r.run(45 * time.Minute)
		if r.state("intermittent/V6") != alarms.Returned {
			t.Errorf("intermittent/V6 is %s an hour after the last", r.state("intermittent/V6"))
		}
	}
}

// Two drop-outs in half an hour may be somebody at the leads.
func TestTwoDropOuts(t *testing.T) {
	r := newRig(t, 4, false)
	r.soak()
	r.own[1] = drops(r.now+time.Minute, 17*time.Minute, 2*time.Second, 5)
	r.run(90 * time.Minute)
	r.want(r.ev)
	if n := r.figure("V6", "its own movement", "drop-outs counted"); n != 5 {
		t.Errorf("%g counted of 5", n)
	}
}

// A sag of the mains takes every socket down: nobody's contact is blamed, and
// none is counted.
func TestSagIsNoDropOut(t *testing.T) {
	for _, blind := range []bool{false, true} {
		r := newRig(t, 4, blind)
		r.n = 2
		r.soak()
		sag := drops(r.now+17*time.Second, 3*time.Minute, 2*time.Second, 20)
		r.mains = func(t time.Duration) float64 { return max(sag(t), math.Log(0.75)) }
		r.run(time.Hour)
		r.want(r.ev)
		if n := r.figure("V6", "its own movement", "drop-outs counted"); n != 0 {
			t.Errorf("no plate meter %v: %g counted", blind, n)
		}
	}
}

// A tube that is dead for good, at once or after it came and went, is said to be
// so within 5 s; it is no bad contact.
func TestDeadIsNotIntermittent(t *testing.T) {
	for _, blind := range []bool{false, true} {
		for _, before := range []int{0, 4} {
			r := newRig(t, 4, blind)
			r.soak()
			came := drops(r.now, time.Minute, 2*time.Second, before)
			r.own[1] = came
			want := []string{"no-conduction/V6"}
			if before > 0 {
				want = append(want, "intermittent/V6")
			}
			n := len(r.ev)
			r.run(5 * time.Minute)
			dies := jump(r.now+time.Second, -1)
			at := r.now
			r.own[1] = func(t time.Duration) float64 { return min(came(t), dies(t)) }
			ev := r.run(30 * time.Minute)
			r.want(r.ev[n:], want...)
			within := 5 * time.Second
			if before > 0 {
				within = 15 * time.Second // it must be away for longer than it used to be
			}
			if e, _ := find(ev, "no-conduction/V6", alarms.Medium); time.Duration(e.T)-at > within {
				t.Errorf("no plate meter %v, after %d drop-outs: told %v after it died", blind, before, time.Duration(e.T)-at)
			}
			if !r.e.Snapshot().Sockets[1].NotConducting {
				t.Error("half an hour dead, and said to conduct")
			}
		}
	}
}
