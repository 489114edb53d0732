package alarms_test

import (
	"math"
	"testing"
	"time"
)

// A tube that dies lifts its neighbours through the supply. Only the dead one is
// named, and each neighbour is judged from where it was lifted to.
func TestDeadTubeLiftsItsNeighbours(t *testing.T) {
	for _, blind := range []bool{false, true} {
		r := newRig(t, 4, blind)
		r.soak()
		dies := r.now + 10*time.Second
		lift := since(dies, func(s float64) float64 { return 0.15 * (1 - math.Exp(-s/3)) })
		for _, i := range []int{0, 2, 3} {
			r.own[i] = lift
		}
		r.own[1] = jump(dies, -1)
		r.mains = since(dies, func(float64) float64 { return 0.01 })
		ev := r.run(20 * time.Minute)
		r.want(ev, "no-conduction/V6")
		for _, v := range []string{"V5", "V7", "V8"} {
			if own, _ := r.movement(v); math.Abs(own) > 0.02 {
				t.Errorf("no plate meter %v: %s is judged %+.3f from where it was lifted to", blind, v, own)
			}
		}
		// 5 % from the new level is 22 % from the old one, and no drift; 16 % is.
		small, large := ramp(r.now, 80*time.Minute, 0.05), ramp(r.now, 80*time.Minute, 0.16)
		r.own[0] = func(t time.Duration) float64 { return lift(t) + small(t) }
		r.own[2] = func(t time.Duration) float64 { return lift(t) + large(t) }
		r.want(r.run(90*time.Minute), "drift/V7")
	}
}

// A fall that hides behind the lift is found all the same, once the lift is over.
func TestLiftHidesNoFall(t *testing.T) {
	r := newRig(t, 4, false)
	r.soak()
	dies := r.now + 10*time.Second
	lift := since(dies, func(s float64) float64 { return 0.08 * (1 - math.Exp(-s/20)) })
	fall := ramp(dies+10*time.Minute, time.Hour, -0.14)
	for _, i := range []int{2, 3} {
		r.own[i] = lift
	}
	r.own[0] = func(t time.Duration) float64 { return lift(t) + fall(t) }
	r.own[1] = jump(dies, -1)
	r.run(100 * time.Minute)
	r.want(r.ev, "no-conduction/V6", "drift/V5")
}
