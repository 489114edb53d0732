package alarms_test

import (
	"math"
	"testing"
	"time"

	"nightsoak/alarms"
)

// A drop of the mains is in the events with the reading that caused it, and is
// no judgement: the engine goes on from there as from no act at all.
func TestCutIsOnlyRecorded(t *testing.T) {
	r := newRig(t, 4, false)
	r.soak()
	from := len(r.ev)
	at := alarms.Seconds(r.now)
	r.act(alarms.Act{Act: "cut", ID: "over-dissipation/V7", Text: "V7 at 115 %", Meter: "k3", Reading: "75.0 mV", ReadT: &at})
	r.act(alarms.Act{Act: "rearm"})
	const want = `{"t":900.000,"event":"act","act":"cut","id":"over-dissipation/V7","meter":"k3","reading":"75.0 mV","reading_t":900.000,"text":"V7 at 115 %"}
{"t":900.000,"event":"act","act":"rearm"}
`
	if got := lines(t, r.ev[from:]); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	r.want(r.run(5 * time.Minute))
	r.act(alarms.Act{Act: "end"})
	for _, act := range []string{"cut", "rearm"} {
		if err := r.e.Check(alarms.Act{Act: act}); err == nil {
			t.Errorf("%s is recorded though no run is on", act)
		}
	}
}

// Until Due, moving time on changes nothing; and at it, what a delay was about
// is said.
func TestDue(t *testing.T) {
	r := newRig(t, 4, false)
	r.soak()
	r.own[2] = jump(r.now, 0.8) // past the limit: over-dissipation after 3 s
	r.run(time.Second)
	raised := time.Duration(0)
	for raised == 0 {
		at, ok := r.e.Due()
		if !ok || at < r.e.Now() {
			t.Fatalf("due at %v, %t, and it is %v", at, ok, r.e.Now())
		}
		if ev := r.e.Advance(at - time.Millisecond); len(ev) > 0 {
			t.Fatalf("1 ms before %v:\n%s", at, lines(t, ev))
		}
		for _, e := range r.e.Advance(at) {
			if e.ID == "over-dissipation/V7" {
				raised = time.Duration(e.T)
			}
		}
	}
	if raised != 904*time.Second {
		t.Errorf("raised at %v, the current passed the limit at 901 s", raised)
	}
}

// Last is the reading that was fed last, of a meter that there is.
func TestLast(t *testing.T) {
	r := newRig(t, 4, false)
	if _, _, ok := r.e.Last(0); ok {
		t.Error("a reading before the first")
	}
	r.run(2 * time.Second)
	if x, at, ok := r.e.Last(ht); !ok || at != 2*time.Second || math.Abs(x.Value()-462) > 1 {
		t.Errorf("%s %s at %v, %t", x.Text(), x.Unit(), at, ok)
	}
	for _, m := range []int{-1, ht + 1} {
		if _, _, ok := r.e.Last(m); ok {
			t.Errorf("a reading of meter %d", m)
		}
	}
}
