package alarms_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

// coarse makes the plate meter one of 1 V a count.
func coarse(m int, _ time.Duration, r *drivers.Reading) bool {
	if m == ht {
		*r = shown(r.Value(), 0)
	}
	return true
}

// However the mains moves and whatever the plate meter's last digit, each socket's
// answer is learnt, within 3 of the standard errors stated and to better than 20 %.
func TestAnswer(t *testing.T) {
	for _, n := range []float64{0.9, 1.5, 2.8} {
		for _, c := range []struct {
			name  string
			mains func(time.Duration) float64
			tubes int
			meter func(int, time.Duration, *drivers.Reading) bool
		}{
			{"steps", steps(6*time.Minute, 0.03), 4, nil},
			{"wander", wander(0.015), 4, nil},
			{"one tube alone", wander(0.015), 1, nil},
			{"steps, 1 V a count", steps(6*time.Minute, 0.03), 4, coarse},
			{"wander, 1 V a count", wander(0.015), 4, coarse},
		} {
			r := newRig(t, c.tubes, false)
			r.n, r.mains, r.meter = n, c.mains, c.meter
			r.run(2 * time.Hour)
			for _, v := range []string{"V5", "V6", "V7", "V8"}[:c.tubes] {
				got, se := r.answer(v)
				t.Logf("n %g, %s, %s: %.3f, standard error %.3f", n, c.name, v, got, se)
				if off := math.Abs(got - n); off > 3*se || off > 0.2*n || se > 0.2*n {
					t.Errorf("n = %g, %s: %s has %.3f, standard error %.3f", n, c.name, v, got, se)
				}
			}
			r.want(r.ev)
		}
	}
}

// Nothing is learnt while the volts stand, whatever the tubes do.
func TestAnswerNothingSeen(t *testing.T) {
	const at = 20 * time.Minute
	for _, c := range []struct {
		name string
		own  func(time.Duration) float64
	}{
		{"before anything", nil},
		{"a drift", ramp(at, time.Hour, 0.15)},
		{"a step", jump(at, 0.15)},
	} {
		r := newRig(t, 4, false)
		if n, se := r.answer("V6"); n != 1.5 || se < 0.9 || !strings.Contains(r.line("V6", "supply taken out", "percent of current for one of plate volts").Text, "nothing seen") {
			t.Errorf("before the first reading: %g, standard error %g", n, se)
		}
		r.own[1] = c.own
		r.run(90 * time.Minute)
		n, se := r.answer("V6")
		t.Logf("%s: %.3f, standard error %.3f", c.name, n, se)
		if math.Abs(n-1.5) > 0.05 || se < 0.95 {
			t.Errorf("%s: n %.3f, standard error %.3f", c.name, n, se)
		}
	}
}

// What a tube does by itself does not pass for its answer.
func TestAnswerOfAFaultyTube(t *testing.T) {
	const at = 40 * time.Minute
	for name, own := range map[string]func(time.Duration) float64{
		"drift":        ramp(at, time.Hour, 0.15),
		"fall":         ramp(at, time.Hour, -0.15),
		"step":         jump(at, 0.15),
		"step back":    func(t time.Duration) float64 { return jump(at, -0.15)(t) - jump(at+30*time.Minute, -0.15)(t) },
		"at the mains": jump(42*time.Minute, 0.15), // in the very second of a mains step
	} {
		r := newRig(t, 4, false)
		r.n, r.mains = 2.8, steps(6*time.Minute, 0.03)
		r.own[1] = own
		r.run(2 * time.Hour)
		n, se := r.answer("V6")
		t.Logf("%s: %.3f, standard error %.3f", name, n, se)
		if math.Abs(n-2.8) > 3*se || math.Abs(n-2.8) > 0.4 {
			t.Errorf("%s: n %.3f, standard error %.3f", name, n, se)
		}
	}
}

// A trimmer turned makes the answer less sure. One that is held at its bias answers
// less the more it passes: it settles anew all the same, and the answer is learnt.
func TestAnswerAfterAdjusting(t *testing.T) {
	const at = time.Hour
	r := newRig(t, 4, false)
	r.n, r.mains = 2.8, steps(6*time.Minute, 0.03)
	r.own[1] = since(at, func(float64) float64 { return 0.2 - 0.2*r.mains(r.now) })
	r.run(at)
	_, before := r.answer("V6")
	r.act(alarms.Act{Act: "adjusted", Socket: "V6"})
	r.run(10 * time.Minute)
	_, se := r.answer("V6")
	_, other := r.answer("V5")
	r.run(40 * time.Minute)
	n, _ := r.answer("V6")
	t.Logf("n %.3f; standard error %.3f before, then %.3f", n, before, se)
	if se < 1.1*before || se < 1.1*other || math.Abs(n-2.6) > 0.1 {
		t.Errorf("after the trimmer was turned n is %.3f; its standard error was %.3f, then %.3f, that of V5 %.3f", n, before, se, other)
	}
	if !r.e.Snapshot().Sockets[1].Settled {
		t.Errorf("V6 does not settle anew:\n%s", lines(t, r.ev))
	}
	r.want(r.ev)
}
