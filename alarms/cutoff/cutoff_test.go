package cutoff

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// lever is a way whose far end is the test's.
type lever struct {
	mu           sync.Mutex
	once         bool
	broken       error
	holds, drops []time.Time // when each was carried out
	tried        int
}

func (l *lever) do(to *[]time.Time) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.tried++
	if l.broken == nil && to != nil {
		*to = append(*to, time.Now())
	}
	return l.broken
}

func (l *lever) drop(context.Context) error  { return l.do(&l.drops) }
func (l *lever) hold(context.Context) error  { return l.do(&l.holds) }
func (l *lever) ready(context.Context) error { return l.do(nil) }
func (l *lever) holdsOnce() bool             { return l.once }
func (l *lever) close()                      {}

func (l *lever) set(broken error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.broken, l.tried = broken, 0
}

// counts is how often it held and dropped, and was tried since set.
func (l *lever) counts() (holds, drops, tried int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.holds), len(l.drops), l.tried
}

func pulses() *bench.Cutoff {
	return &bench.Cutoff{By: "line", Port: "/dev/ttyUSB9", Lease: 2 * time.Second, HoldEvery: 50 * time.Millisecond, ProveWithin: 10 * time.Second, Timeout: time.Second}
}

func newHand(t *testing.T, c *bench.Cutoff, l *lever, dir string) *Hand {
	t.Helper()
	h, err := open(c, l, dir, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// is fails unless the cut-off is in a state, for a reason that holds why.
func is(t *testing.T, h *Hand, state, why string) {
	t.Helper()
	synctest.Wait()
	if s := h.State(); s.State != state || !strings.Contains(s.Why, why) {
		t.Fatalf("%s, %q; want %s, %q", s.State, s.Why, state, why)
	}
}

// judge renews the lease every 400 ms for so long.
func judge(h *Hand, long time.Duration) {
	for end := time.Now().Add(long); time.Now().Before(end); time.Sleep(400 * time.Millisecond) {
		h.Judged(time.Now())
	}
}

// Close comes to an end whatever is just being brought to the disk.
func TestCloseWhileSaving(t *testing.T) {
	for range 300 {
		var l lever
		h := newHand(t, pulses(), &l, t.TempDir())
		h.Judged(time.Now())
		go h.Cut(Cause{Text: "a test"})
		if err := h.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// Pulses come only while readings are judged, stop within the lease and one
// period of the last, and come again only by a person.
func TestLease(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var l lever
		h := newHand(t, pulses(), &l, t.TempDir())
		time.Sleep(10 * time.Second)
		if n, _, _ := l.counts(); n != 0 {
			t.Fatalf("%d pulses before any reading", n)
		}
		is(t, h, Armed, "")
		judge(h, 10*time.Second)
		last := time.Now().Add(-400 * time.Millisecond)
		if n, _, _ := l.counts(); n < 190 {
			t.Fatalf("%d pulses in 10 s, every 50 ms", n)
		}
		if !h.State().Holding || h.Try() != nil {
			t.Errorf("holding %t, try: %v", h.State().Holding, h.Try())
		}
		time.Sleep(5 * time.Second)
		is(t, h, Cut, "no reading was judged for 2s")
		if late := l.holds[len(l.holds)-1].Sub(last); late > 2*time.Second {
			t.Errorf("the last pulse came %v after the last reading", late)
		}
		if late := l.drops[0].Sub(last); late > 2*time.Second+50*time.Millisecond {
			t.Errorf("dropped %v after the last reading", late)
		}
		before, _, _ := l.counts()
		judge(h, 10*time.Second)
		if n, _, _ := l.counts(); n != before {
			t.Fatalf("%d pulses after the drop", n-before)
		}
		if err := h.Rearm(); err != nil {
			t.Fatal(err)
		}
		judge(h, time.Second)
		if n, _, _ := l.counts(); n < before+15 {
			t.Errorf("%d pulses in the second after it was armed again", n-before)
		}
		if err := h.Rearm(); !errors.Is(err, ErrRefused) {
			t.Errorf("armed twice: %v", err)
		}
		var acts []string
		for _, a := range h.Untold() {
			acts = append(acts, a.Act)
		}
		if diff := cmp.Diff([]string{"cut", "rearm"}, acts); diff != "" {
			t.Error(diff)
		}
		if err := h.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// A port that is gone for less than the lease is taken up again; for longer, the
// hold has broken off.
func TestHoldBroken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var l lever
		h := newHand(t, pulses(), &l, t.TempDir())
		defer h.Close()
		judge(h, time.Second)
		l.set(errors.New("unplugged"))
		judge(h, time.Second)
		is(t, h, Failed, "the cut-off cannot drop the mains: unplugged")
		l.set(nil)
		judge(h, time.Second)
		is(t, h, Armed, "")
		l.set(errors.New("unplugged"))
		judge(h, 3*time.Second)
		is(t, h, Failed, "could not be dropped, it is being tried again: unplugged")
		l.set(nil)
		judge(h, 3*time.Second)
		is(t, h, Cut, "the hold could not be sent for")
	})
}

// A drop that fails is tried until it is delivered, at most 2 s apart, and is not
// claimed before.
func TestDropRetried(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := lever{broken: errors.New("no answer")}
		c := pulses()
		c.HoldEvery = 0
		h := newHand(t, c, &l, t.TempDir())
		defer h.Close()
		is(t, h, Failed, "the cut-off cannot drop the mains: no answer")
		l.set(nil)
		time.Sleep(2 * time.Second)
		is(t, h, Armed, "")
		l.set(errors.New("no answer"))
		h.Cut(Cause{Text: "V7 is over", ID: "over-dissipation/V7"})
		time.Sleep(time.Minute)
		is(t, h, Failed, "no answer")
		if _, drops, tried := l.counts(); drops > 0 || tried < 30 || tried > 40 {
			t.Errorf("%d drops, tried %d times in a minute", drops, tried)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := h.Dropped(ctx); !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "no answer") {
			t.Errorf("while it fails: %v", err)
		}
		l.set(nil)
		if err := h.Dropped(t.Context()); err != nil {
			t.Error(err)
		}
		is(t, h, Cut, "V7 is over")
		h.Cut(Cause{Text: "V8 too"}) // it has dropped: nothing more
		time.Sleep(time.Minute)
		if _, drops, _ := l.counts(); drops != 1 {
			t.Errorf("dropped %d times", drops)
		}
		h.Cut(Cause{Text: "a person", Person: true})
		if err := h.Dropped(t.Context()); err != nil {
			t.Error(err)
		}
		if _, drops, _ := l.counts(); drops != 2 {
			t.Errorf("with a person's %d drops", drops)
		}
	})
}

// What one daemon leaves is what the next finds.
func TestRestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		holds := func(l *lever) int { n, _, _ := l.counts(); return n }

		var l lever
		h := newHand(t, pulses(), &l, dir) // armed, nothing held: nothing lost
		h.Close()
		h = newHand(t, pulses(), &l, dir)
		is(t, h, Armed, "")
		judge(h, time.Second)
		killed, err := os.ReadFile(filepath.Join(dir, fileName)) // what a SIGKILL now would leave
		if err != nil {
			t.Fatal(err)
		}
		h.Close()
		if _, drops, _ := l.counts(); drops != 1 {
			t.Errorf("stopped while it holds: %d drops", drops)
		}
		for _, c := range []struct {
			left []byte
			why  string
		}{{nil, "the daemon ended while it held"}, {killed, "the daemon ended while it held"}, {[]byte("{"), "damaged"}, {[]byte{}, "damaged"}} {
			if c.left != nil {
				if err := os.WriteFile(filepath.Join(dir, fileName), c.left, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			for range 2 { // and the one after it
				var l lever
				h = newHand(t, pulses(), &l, dir)
				judge(h, 5*time.Second)
				is(t, h, Cut, c.why)
				if holds(&l) > 0 || len(l.drops) != 1 {
					t.Errorf("%s: %d pulses, %d drops", c.why, holds(&l), len(l.drops))
				}
				if err := h.Close(); err != nil {
					t.Error(err)
				}
			}
		}
	})
}

// A hold that is sent once is sent when armed, and not by the next daemon.
func TestHoldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, c := t.TempDir(), pulses()
		c.HoldEvery = 0
		l := lever{once: true}
		h := newHand(t, c, &l, dir)
		judge(h, 5*time.Second)
		h.Close()
		h = newHand(t, c, &l, dir)
		judge(h, 5*time.Second)
		is(t, h, Armed, "")
		if n, _, _ := l.counts(); n != 1 {
			t.Errorf("held %d times", n)
		}
		h.Cut(Cause{Text: "now", Person: true})
		is(t, h, Cut, "now")
		if err := h.Rearm(); err != nil {
			t.Fatal(err)
		}
		judge(h, 5*time.Second)
		if n, drops, _ := l.counts(); n != 2 || drops != 1 {
			t.Errorf("armed again: held %d times, dropped %d times", n, drops)
		}
		h.Close()
	})
}

// A disk that does not take it delays no drop, and is said.
func TestDiskFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var l lever
		c := pulses()
		c.HoldEvery = 0
		h := newHand(t, c, &l, t.TempDir())
		h.file.f.Close()
		h.Cut(Cause{Text: "V7 is over"})
		if err := h.Dropped(t.Context()); err == nil || !strings.Contains(err.Error(), "cannot be written down") {
			t.Errorf("dropped: %v", err)
		}
		is(t, h, Failed, "the mains were dropped, but that cannot be written down")
		if _, drops, _ := l.counts(); drops != 1 {
			t.Errorf("%d drops", drops)
		}
		if err := h.Rearm(); err == nil {
			t.Error("armed, and nothing remembers it")
		}
		h.Close()
	})
}

// Whatever a crash leaves of the file, only what was written whole is believed.
func TestFileDamage(t *testing.T) {
	now := time.Now().UTC()
	armed := kept{State: Armed, Since: &now, Why: strings.Repeat("\u00e9\"", 1000)}
	cut := kept{State: Cut, Since: &now, Why: "V7 is over", Proof: Proved, ProvedAt: &now, ProvedRun: "r1"}
	was, is := encode(armed), encode(cut)
	if len(was) != fileSize || len(is) != fileSize {
		t.Fatalf("%d and %d bytes, not %d", len(was), len(is), fileSize)
	}
	if diff := cmp.Diff(cut, decode(is)); diff != "" {
		t.Error(diff)
	}
	if decode(was).State != Armed {
		t.Error("armed is not read back")
	}
	for i := range was {
		torn := append(bytes.Clone(is[:i]), was[i:]...)
		if !bytes.Equal(torn, was) && decode(torn).State == Armed {
			t.Errorf("torn after %d bytes of a drop it reads as armed", i)
		}
		if i < bytes.IndexByte(was, '\n') {
			bad := bytes.Clone(was)
			bad[i] ^= 1
			if decode(bad).State != Cut {
				t.Errorf("with a bit of byte %d changed it reads as armed", i)
			}
		}
	}
}

func FuzzDecode(f *testing.F) {
	now := time.Now().UTC()
	for _, s := range []string{Armed, holding, Cut, "other"} {
		f.Add(encode(kept{State: s, Since: &now}))
	}
	f.Add([]byte("{}\n00000000"))
	f.Fuzz(func(t *testing.T, b []byte) {
		k := decode(b)
		switch k.State {
		case Cut:
		case Armed, holding:
			line, _, _ := bytes.Cut(b, []byte("\n"))
			if !json.Valid(line) {
				t.Errorf("armed by %q", line)
			}
		default:
			t.Errorf("state %q", k.State)
		}
	})
}

// look is a snapshot: HT in V, currents in mA; below 0 is unknown.
func look(t, ht float64, currents ...float64) *alarms.Snapshot {
	value := func(x, scale float64) socket.Value { return socket.Value{X: x * scale, Known: x >= 0} }
	s := &alarms.Snapshot{T: time.Duration(t * float64(time.Second)), HT: alarms.HTState{Volts: value(ht, 1)}}
	for i, ma := range currents {
		s.Sockets = append(s.Sockets, alarms.SocketState{Name: "V" + string(rune('5'+i)), Figures: socket.Figures{CathodeCurrent: value(ma, 0.001)}, Age: socket.Value{X: 0.1, Known: true}})
	}
	return s
}

func TestProof(t *testing.T) {
	up := look(100, 462, 41, 69)
	for _, c := range []struct {
		name   string
		before *alarms.Snapshot
		after  []*alarms.Snapshot
		proof  string
		text   string // what is said of it
		failed bool
	}{
		{"both fall", up, []*alarms.Snapshot{look(101, 400, 41, 69), look(103, 231, 20, 34)}, Proved, "HT and 2 currents were seen to fall", false},
		{"just not yet", up, []*alarms.Snapshot{look(101, 400, 41, 69), look(110.9, 232, 20, 34)}, Waiting, "", false},
		{"nothing falls", up, []*alarms.Snapshot{look(100.1, 462, 41, 70), look(110.1, 462, 41, 72)}, NotFallen, "HT still at 462 V, it was 462 V; V5 still at 41.0 mA, it was 41.0 mA; V6 still at 72.0 mA", true},
		{"the clip falls off instead", up, []*alarms.Snapshot{look(100.1, 0, 41, 70), look(110.1, 0, 41, 72)}, NotFallen, "V5 still at 41.0 mA", true},
		{"the bias goes instead", up, []*alarms.Snapshot{look(100.1, 462, 1, 1), look(110.1, 480, 0, 0)}, NotFallen, "HT still at 480 V", true},
		{"one tube stays", up, []*alarms.Snapshot{look(100.1, 100, 1, 69), look(110.1, 100, 0, 69)}, NotFallen, "V6 still at 69.0 mA", true},
		{"falls late", up, []*alarms.Snapshot{look(100.1, 462, 41, 70), look(110.1, 462, 41, 72), look(115, 10, 0, 0)}, Proved, "", false},
		{"no plate meter", look(100, -1, 41, 69), []*alarms.Snapshot{look(100.1, -1, 41, 69), look(110.1, -1, 0, 0)}, NotProved, "not known to have fallen: HT", false},
		{"the clip was off already", look(100, 0, 41, 69), []*alarms.Snapshot{look(100.1, 0, 41, 69), look(110.1, 0, 0, 0)}, NotProved, "HT", false},
		{"no current known", look(100, 462, -1, -1), []*alarms.Snapshot{look(100.1, 462, -1, -1), look(110.1, 0, -1, -1)}, NotProved, "any current", false},
		{"the sense of one was open", look(100, 462, 41, -1), []*alarms.Snapshot{look(100.1, 400, 41, -1), look(105, 100, 1, -1)}, Proved, "", false},
		{"a meter goes out with the mains", up, []*alarms.Snapshot{look(100.1, 462, 41, 69), look(110.1, 10, 0, -1)}, NotProved, "the current of V6", false},
		{"all unknown", look(100, -1, -1), []*alarms.Snapshot{look(100.1, -1, -1), look(110.1, -1, -1)}, NotProved, "HT, any current", false},
		{"HT was not up", look(100, 12, 0, 0), []*alarms.Snapshot{look(100.1, 12, 0, 0), look(110.1, 0, 0, 0)}, NotProved, "HT, any current", false},
		{"nobody had looked", nil, []*alarms.Snapshot{look(100.1, 0, 0)}, NotProved, "nothing was being watched", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHand(t, &bench.Cutoff{By: "command", Lease: time.Second, ProveWithin: 10 * time.Second, Timeout: time.Second}, &lever{}, t.TempDir())
			defer h.Close()
			if c.before != nil {
				h.Look("r1", c.before)
			}
			h.Cut(Cause{Text: "V6 is over"})
			if err := h.Dropped(t.Context()); err != nil {
				t.Fatal(err)
			}
			for _, s := range c.after {
				h.Look("r1", s)
			}
			s := h.State()
			if s.Proof != c.proof || !strings.Contains(s.Seen, c.text) {
				t.Errorf("%s, %q; want %s, %q", s.Proof, s.Seen, c.proof, c.text)
			}
			if (s.State == Failed) != c.failed || (h.Failure() != "") != c.failed {
				t.Errorf("state %s, failure %q", s.State, h.Failure())
			}
			if (s.ProvedAt != nil) != (c.proof == Proved) || c.proof == Proved && s.ProvedRun != "r1" {
				t.Errorf("proved at %v in run %q", s.ProvedAt, s.ProvedRun)
			}
		})
	}
}

func TestRules(t *testing.T) {
	standing := alarms.AlarmState{Alarm: "runaway", Priority: alarms.High, State: alarms.Unacknowledged, Active: true, Since: 100 * time.Second}
	with := func(change func(*alarms.AlarmState)) *alarms.AlarmState { a := standing; change(&a); return &a }
	r := Rules{When: []string{"runaway"}, After: 5 * time.Second}
	for name, c := range map[string]struct {
		alarm *alarms.AlarmState
		t     time.Duration
		want  bool
	}{
		"stands long enough": {&standing, 105 * time.Second, true},
		"not yet":            {&standing, 104999 * time.Millisecond, false},
		"another":            {with(func(a *alarms.AlarmState) { a.Alarm = "drift" }), 200 * time.Second, false},
		"medium":             {with(func(a *alarms.AlarmState) { a.Priority = alarms.Medium }), 200 * time.Second, false},
		"gone":               {with(func(a *alarms.AlarmState) { a.Active = false }), 200 * time.Second, false},
		"acknowledged":       {with(func(a *alarms.AlarmState) { a.State = alarms.Acknowledged }), 200 * time.Second, true},
		"shelved":            {with(func(a *alarms.AlarmState) { a.State = alarms.Shelved }), 200 * time.Second, true},
		"first power":        {with(func(a *alarms.AlarmState) { a.Alarm = alarms.FirstPowerName }), 100 * time.Second, true},
		"first power, out":   {with(func(a *alarms.AlarmState) { a.Alarm, a.State = alarms.FirstPowerName, alarms.OutOfService }), 200 * time.Second, false},
		"first power, over":  {with(func(a *alarms.AlarmState) { a.Alarm, a.Active = alarms.FirstPowerName, false }), 200 * time.Second, false},
		"out of service":     {with(func(a *alarms.AlarmState) { a.State = alarms.OutOfService }), 200 * time.Second, false},
	} {
		if got := r.Cuts(c.alarm, c.t); got != c.want {
			t.Errorf("%s: %t", name, got)
		}
	}
	e := &alarms.Event{Event: alarms.EventAlarm, Alarm: "runaway", Priority: alarms.High, State: alarms.Unacknowledged}
	if r.AtOnce(e) {
		t.Error("at once, though 5 s are asked for")
	}
	if first := (&alarms.Event{Event: alarms.EventAlarm, Alarm: alarms.FirstPowerName, Priority: alarms.High, State: alarms.Unacknowledged}); !r.AtOnce(first) {
		t.Error("a first power-up's alarm waits")
	}
	r.After = 0
	if !r.AtOnce(e) {
		t.Error("not at once")
	}
	c := &bench.Cutoff{When: []string{"runaway"}, After: time.Second}
	sockets := []bench.Socket{{Name: "V5"}}
	for _, x := range []struct {
		job  bench.Job
		want Rules
	}{
		{bench.Job{Sockets: sockets, Cutoff: bench.JobCutoff{After: -1}}, Rules{[]string{"runaway"}, time.Second}},
		{bench.Job{Sockets: sockets, Cutoff: bench.JobCutoff{When: []string{"drift"}, After: 3 * time.Second}}, Rules{[]string{"drift"}, 3 * time.Second}},
		{bench.Job{}, Rules{[]string{"runaway"}, time.Second}}, // between runs
	} {
		if diff := cmp.Diff(x.want, RulesOf(c, &x.job)); diff != "" {
			t.Error(diff)
		}
	}
}

func TestCause(t *testing.T) {
	reading := func(text, unit string) drivers.Reading {
		r, err := drivers.ParseReading(text, unit, "")
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	b := &bench.Bench{Name: "north", Meters: []bench.Meter{{Name: "k1"}, {Name: "ht"}, {Name: "h1"}}}
	j := &bench.Job{Sockets: []bench.Socket{{Name: "V5", Sense: bench.Sense{Meter: 0}, PlateMeter: 1}}, Watches: []bench.Watch{{Name: "heater", Meter: 2}}}
	shown := []drivers.Reading{reading("83.1", "mV"), reading("462.0", "V"), reading("6.31", "V")}
	last := func(meter int) (drivers.Reading, time.Duration, bool) {
		if meter < 0 {
			return drivers.Reading{}, 0, false
		}
		return shown[meter], 99750 * time.Millisecond, true
	}
	if c := CauseOf("first-power/north", "north", "k1", "why", b, j, last); c.Meter != "k1" || c.Reading != "83.1 mV" {
		t.Errorf("the meter that the alarm names: %+v", c)
	}
	for subject, want := range map[string]string{
		"V5": "why; k1 showed 83.1 mV", "north": "why; ht showed 462.0 V", "heater": "why; h1 showed 6.31 V", "h1": "why; h1 showed 6.31 V", "nobody": "why",
	} {
		c := CauseOf("x/"+subject, subject, "", "why", b, j, last)
		a := c.act()
		if a.Text != want || a.ID != "x/"+subject || a.Act != "cut" {
			t.Errorf("%s: %+v", subject, a)
		}
		if a.Meter != "" && time.Duration(*a.ReadT) != 99750*time.Millisecond {
			t.Errorf("%s: read at %v", subject, time.Duration(*a.ReadT))
		}
	}
}
