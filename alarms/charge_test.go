package alarms_test

import (
	"testing"
	"time"

	"nightsoak/alarms"
)

// Still charged until the probe has read 60 V or less for 10 s without a break,
// in every phase, also after the end; without a plate meter that is heard, and
// with its clip off, there is no telling.
func TestCharged(t *testing.T) {
	s := newScript(t)
	is := func(want string) {
		t.Helper()
		got := "unknown"
		if c := s.e.Snapshot().HT.Charged; c != nil {
			got = map[bool]string{true: "charged", false: "low"}[*c]
		}
		if got != want {
			t.Errorf("at %v, HT %v, %s: %s, want %s", s.now, s.ht, s.e.Phase(), got, want)
		}
	}
	low := func(volts float64, want string) { // over 10 s of it
		t.Helper()
		s.ht = volts
		s.run(500 * time.Millisecond) // the first reading of it
		is("charged")
		s.run(9500 * time.Millisecond)
		is("charged")
		s.run(500 * time.Millisecond)
		is(want)
	}
	is("unknown")
	low(0.2, "low") // nobody knows what stood there before the run
	s.on()
	is("charged")
	s.sense = [4]float64{}
	s.ht = 130
	s.run(time.Minute)
	if is("charged"); s.e.Phase() != alarms.CoolDown {
		t.Fatalf("phase %s", s.e.Phase())
	}
	low(60.01, "charged")
	low(60, "low")
	low(61, "charged") // it recovers
	low(45, "low")

	// The meter gone: unknown at once, and its 10 s begin anew.
	s.mute[4] = true
	s.run(5 * time.Second)
	is("unknown")
	s.mute[4] = false
	low(45, "low")

	// A gap that no reading fell into.
	s.feed(alarms.Input{T: s.now + 20*time.Second, Gap: &alarms.Gap{From: alarms.Seconds(s.now), Text: "the daemon was stopped"}})
	s.now += 20 * time.Second
	is("unknown")
	low(45, "low")

	// Every meter silent for longer than silent_after, so that nothing tells of it.
	s.now += time.Minute
	s.ev = append(s.ev, s.e.Advance(s.now)...)
	is("unknown")
	low(45, "low")

	s.act(alarms.Act{Act: "end"})
	low(70, "charged")
	low(45, "low")
	s.mute[4] = true
	s.run(5 * time.Second)
	is("unknown")
}

// A plate clip that came off reads nothing and proves nothing, also once the
// amplifier is off and no tube conducts: until that meter sees HT again.
func TestChargedWithTheClipOff(t *testing.T) {
	s := newScript(t).on()
	s.ht = 0
	s.run(10 * time.Second)
	if s.state("plate-lead/north") != alarms.Unacknowledged {
		t.Fatal(lines(t, s.ev))
	}
	s.sense = [4]float64{}
	s.run(5 * time.Minute)
	if c := s.e.Snapshot().HT.Charged; c != nil || s.e.Phase() != alarms.CoolDown {
		t.Errorf("the clip is off, in %s: charged %v", s.e.Phase(), *c)
	}
	s.ht = 200
	s.run(time.Second)
	s.ht = 20
	s.run(11 * time.Second)
	if c := s.e.Snapshot().HT.Charged; c == nil || *c {
		t.Errorf("the clip is on again: %v", c)
	}
}
