package alarms_test

import (
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// script feeds an engine whatever a test says the meters show, half a second
// apart, and keeps the events.
type script struct {
	t     *testing.T
	e     *alarms.Engine
	now   time.Duration
	sense [4]float64 // volt
	ht    float64    // volt
	mute  [5]bool
	flags [5]drivers.Flags
	quant drivers.Quantity // of meter k1
	ev    []alarms.Event
}

func newScript(t *testing.T) *script {
	s := &script{t: t, e: alarms.New(files(t)), quant: drivers.Voltage}
	s.act(alarms.Act{Act: "begin"})
	return s
}

func (s *script) feed(in alarms.Input) { s.ev = append(s.ev, s.e.Feed(in)...) }

func (s *script) act(a alarms.Act) {
	s.t.Helper()
	if err := s.e.Check(a); err != nil {
		s.t.Fatal(err)
	}
	s.feed(alarms.Input{T: s.now, Act: &a})
}

// run lets d pass and returns the events of it.
func (s *script) run(d time.Duration) []alarms.Event {
	n := len(s.ev)
	for end := s.now + d; s.now < end; {
		s.now += 500 * time.Millisecond
		for m := range 5 {
			if s.mute[m] {
				continue
			}
			r := shown(s.ht, -2)
			if m < 4 {
				r = shown(s.sense[m], -5)
			}
			r.Flags |= s.flags[m]
			if r.Flags&drivers.Overload != 0 {
				r.Digits = 0
			}
			if m == 0 {
				r.Quantity = s.quant
			}
			s.feed(alarms.Input{T: s.now, Meter: m, Reading: r})
		}
		s.ev = append(s.ev, s.e.Advance(s.now)...)
	}
	return s.ev[n:]
}

// on switches the amplifier on at 41 mA and lets it settle.
func (s *script) on() *script {
	s.t.Helper()
	s.sense, s.ht = [4]float64{0.0410, 0.0412, 0.0409, 0.0411}, 462
	s.run(11 * time.Minute)
	if s.e.Phase() != alarms.Soak {
		s.t.Fatalf("not in soak: %s\n%s", s.e.Phase(), lines(s.t, s.ev))
	}
	return s
}

// state is that of one alarm.
func (s *script) state(id string) alarms.State {
	for _, a := range s.e.Snapshot().Alarms {
		if a.ID == id {
			return a.State
		}
	}
	return alarms.Normal
}

func phases(ev []alarms.Event) (p []string) {
	for _, e := range ev {
		if e.Event == alarms.EventPhase {
			p = append(p, string(e.Phase))
		}
	}
	return p
}

func (s *script) want(got []alarms.Event, raise ...string) {
	s.t.Helper()
	if g := raised(got); !slices.Equal(g, raise) {
		s.t.Errorf("raised %q, want %q\n%s", g, raise, lines(s.t, got))
	}
}

// The whole of a day: standby, warm-up, soak, off, on again, off, ended.
func TestPhases(t *testing.T) {
	s := newScript(t)
	s.run(30 * time.Second)
	s.on()
	s.sense, s.ht = [4]float64{}, 180 // off: the reservoir drains
	s.run(10 * time.Second)
	s.ht = 20
	s.run(10 * time.Second)
	s.on()
	s.sense, s.ht = [4]float64{}, 0
	s.run(10 * time.Second)
	s.act(alarms.Act{Act: "end"})
	want := "standby warm-up soak cool-down warm-up soak cool-down ended"
	if got := strings.Join(phases(s.ev), " "); got != want {
		t.Errorf("phases %s, want %s", got, want)
	}
	s.want(s.ev)
	if ev := s.run(time.Minute); len(ev) > 0 {
		t.Errorf("events after the end:\n%s", lines(t, ev))
	}
}

// "plate-lead: HT near zero while a socket still conducts": dissipation is
// unknown then, and the limit is judged with the last settled HT.
func TestPlateLead(t *testing.T) {
	s := newScript(t).on()
	s.ht = 0.3
	s.want(s.run(10*time.Second), "plate-lead/north high")
	snap := s.e.Snapshot()
	if snap.Phase != alarms.Soak || snap.Sockets[0].DissipationRatio.Known || snap.HT.Charged != nil {
		t.Errorf("phase %s, ratio %+v, charged %v", snap.Phase, snap.Sockets[0].DissipationRatio, snap.HT.Charged)
	}
	s.sense[1] = 0.070 // 70 mA at the settled 462 V is 32.3 W of 30
	s.want(s.run(5*time.Second), "over-dissipation/V6 high")
	s.ht, s.sense[1] = 462, 0.041
	s.run(20 * time.Second)
	for _, id := range []string{"plate-lead/north", "over-dissipation/V6"} {
		if got := s.state(id); got != alarms.Returned {
			t.Errorf("%s is %s after the clip is back", id, got)
		}
	}
}

// The 100 % limit: on-delay, deadband of two points, off-delay.
func TestOverDissipation(t *testing.T) {
	s := newScript(t).on()
	limit := 30.0 / 462
	s.sense[0] = limit * 1.01
	s.want(s.run(2500 * time.Millisecond))
	s.sense[0] = limit * 0.95
	s.run(time.Minute) // a step, but an excursion shorter than the delay is no over-dissipation
	if got := s.state("over-dissipation/V5"); got != alarms.Normal {
		t.Errorf("2.5 s over the limit: %s", got)
	}
	s.sense[0] = limit * 1.01
	s.want(s.run(5*time.Second), "over-dissipation/V5 high")
	for range 10 { // flicker about the limit does not chatter
		s.sense[0] = limit * 0.995
		s.want(s.run(2 * time.Second))
		s.sense[0] = limit * 1.005
		s.want(s.run(2 * time.Second))
	}
}

// "sense-open: overload there": current unknown, never an over-dissipation.
func TestSenseOpen(t *testing.T) {
	s := newScript(t).on()
	// Two overloads in a row are a meter on its way through its ranges, however slow.
	for range 5 {
		s.flags[3] = drivers.Overload
		s.run(time.Second)
		if why := s.e.Snapshot().Sockets[3].Why; why != "k4 over range" {
			t.Errorf("after two overloads: %q", why)
		}
		s.flags[3] = 0
		s.want(s.run(5 * time.Second))
	}
	s.flags[3] = drivers.Overload
	s.want(s.run(5*time.Second), "sense-open/V8 high")
	if f := s.e.Snapshot().Sockets[3]; f.CathodeCurrent.Known || f.DissipationRatio.Known {
		t.Errorf("a current through an open resistor: %+v", f.Figures)
	}
}

func TestStepAndAdjusted(t *testing.T) {
	s := newScript(t).on()
	s.sense[1] = 0.0480
	s.want(s.run(30*time.Second), "step/V6 medium")
	s.act(alarms.Act{Act: "adjusted", Socket: "V6"})
	if s.e.Snapshot().Sockets[1].Settled {
		t.Error("settled right after the trimmer was turned")
	}
	ev := s.run(11 * time.Minute)
	if !slices.ContainsFunc(ev, func(e alarms.Event) bool { return e.Event == alarms.EventSettled && e.Socket == "V6" }) {
		t.Errorf("V6 does not settle anew:\n%s", lines(t, ev))
	}
}

func TestSupply(t *testing.T) {
	s := newScript(t).on()
	s.ht *= 0.88
	for i := range s.sense {
		s.sense[i] *= 0.88 * 0.938 // 0.88^1.5: the supply explains it
	}
	s.want(s.run(time.Minute), "supply/north medium")
}

// Meters that are silent, on hold, in the wrong function or low on battery
// say so once, and their figures do not count meanwhile.
func TestMeterAlarms(t *testing.T) {
	s := newScript(t).on()
	s.flags[0] = drivers.Hold
	s.want(s.run(10*time.Second), "meter-hold/k1 medium")
	if s.e.Snapshot().Sockets[0].CathodeCurrent.Known {
		t.Error("a held figure counts as live")
	}
	s.flags[0], s.flags[1] = drivers.LowBattery, drivers.AC
	s.want(s.run(20*time.Second), "meter-wrong-function/k2 medium", "meter-low-battery/k1 low")
	s.flags[1], s.quant = 0, drivers.Resistance
	s.want(s.run(20*time.Second), "meter-wrong-function/k1 medium")
	if s.e.Snapshot().Sockets[0].CathodeCurrent.Known {
		t.Error("an ohms reading became a current")
	}
	s.quant, s.flags[4] = drivers.Voltage, drivers.Overload
	s.want(s.run(10*time.Second), "meter-overload/ht medium")
	s.flags[4], s.mute[2] = 0, true
	ev := s.run(10 * time.Second)
	s.want(ev, "meter-silent/k3 medium")
	if e, _ := find(ev, "meter-silent/k3", alarms.Medium); !strings.Contains(e.Text, "not watched now: V7") {
		t.Errorf("text %q", e.Text)
	}
	if at := s.e.Snapshot(); at.Sockets[2].CathodeCurrent.Known || at.Meters[2].State != "silent" {
		t.Errorf("k3 is silent, but %+v", at.Sockets[2].Figures)
	}
	s.mute[2] = false
	s.run(time.Second)
	if !s.e.Snapshot().Sockets[2].CathodeCurrent.Known {
		t.Error("k3 is back, its socket is not")
	}
}

// ISA-18.2 transitions of FACTS: B->C, C->A, B->D, D->A, D->B, shelving with an end.
func TestLifecycle(t *testing.T) {
	const id = "meter-hold/k1"
	s := newScript(t).on()
	state := func(want alarms.State) {
		t.Helper()
		if got := s.state(id); got != want {
			t.Errorf("%s is %s, want %s", id, got, want)
		}
	}
	hold := func(f drivers.Flags) { s.flags[0] = f; s.run(10 * time.Second) }
	state(alarms.Normal)
	hold(drivers.Hold)
	state(alarms.Unacknowledged) // A -> B
	s.act(alarms.Act{Act: "acknowledge", ID: id})
	state(alarms.Acknowledged) // B -> C
	hold(0)
	state(alarms.Normal) // C -> A
	hold(drivers.Hold)
	hold(0)
	state(alarms.Returned) // B -> D
	hold(drivers.Hold)
	state(alarms.Unacknowledged) // D -> B
	hold(0)
	s.act(alarms.Act{Act: "acknowledge", ID: id})
	state(alarms.Normal) // D -> A
	hold(drivers.Hold)
	s.act(alarms.Act{Act: "shelve", ID: id, For: "1m"})
	state(alarms.Shelved) // B -> E
	s.run(45 * time.Second)
	state(alarms.Shelved)
	s.run(30 * time.Second)
	state(alarms.Unacknowledged) // E -> B: the time is over and it still stands
	s.act(alarms.Act{Act: "shelve", ID: id, For: "1h"})
	hold(0)
	s.act(alarms.Act{Act: "unshelve", ID: id})
	state(alarms.Normal) // E -> A
}

func TestRefusedActs(t *testing.T) {
	s := newScript(t)
	for _, c := range []struct {
		act  alarms.Act
		says string
	}{
		{alarms.Act{Act: "begin"}, "has begun already"},
		{alarms.Act{Act: "note", Text: " "}, "empty"},
		{alarms.Act{Act: "adjusted", Socket: "V9"}, "V5, V6, V7, V8"},
		{alarms.Act{Act: "acknowledge", ID: "runaway/V9"}, "runaway/V7"},
		{alarms.Act{Act: "acknowledge", ID: "runaway/V7"}, "nothing to acknowledge"},
		{alarms.Act{Act: "shelve", ID: "runaway/V7", For: "forever"}, "30m"},
		{alarms.Act{Act: "shelve", ID: "runaway/V7", For: "25h"}, "at most 24h"},
		{alarms.Act{Act: "unshelve", ID: "runaway/V7"}, "not shelved"},
		{alarms.Act{Act: "move", Meter: "k1", Socket: "V6"}, "does not rove"},
		{alarms.Act{Act: "fly"}, "not an act"},
	} {
		err := s.e.Check(c.act)
		if !errors.Is(err, alarms.ErrRefused) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v, want it to say %q", c.act, err, c.says)
		}
		if ev := s.e.Feed(alarms.Input{Act: &c.act}); len(ev) > 0 {
			t.Errorf("%+v was refused, but caused %s", c.act, lines(t, ev))
		}
	}
}

// A gap says so, raises no silence for the time that nobody watched, and a
// long one makes the sockets settle anew.
func TestGap(t *testing.T) {
	s := newScript(t).on()
	gap := func(d time.Duration) []alarms.Event {
		from := s.now
		s.now += d
		n := len(s.ev)
		s.feed(alarms.Input{T: s.now, Gap: &alarms.Gap{From: alarms.Seconds(from), Text: "the daemon was stopped"}})
		s.run(10 * time.Second)
		return s.ev[n:]
	}
	ev := gap(time.Minute)
	s.want(ev)
	if ev[0].Event != alarms.EventGap || !s.e.Snapshot().Sockets[0].Settled {
		t.Errorf("after a minute's gap:\n%s", lines(t, ev))
	}
	s.want(gap(time.Hour))
	if s.e.Snapshot().Sockets[0].Settled {
		t.Error("an hour unwatched, and still settled")
	}
	s.mute[0] = true
	s.want(gap(time.Minute), "meter-silent/k1 medium")
}

// HT that is there and not seen is told, and the tubes are judged all the same.
func TestPlateClipNeverOn(t *testing.T) {
	s := newScript(t)
	s.sense, s.ht = [4]float64{0.041, 0.041, 0.041, 0.041}, 0.01
	s.want(s.run(time.Minute), "plate-lead/north high")
	if s.e.Phase() != alarms.WarmUp {
		t.Errorf("tubes conduct, and the phase is %s", s.e.Phase())
	}
}

// One wild reading of HT is no measure of the others.
func TestPlateGlitch(t *testing.T) {
	s := newScript(t)
	s.sense, s.ht = [4]float64{0.041, 0.041, 0.041, 0.041}, 462
	s.run(time.Minute)
	s.ht = 999.9
	s.run(500 * time.Millisecond)
	s.ht = 462
	s.want(s.run(time.Minute))
	if s.e.Phase() != alarms.WarmUp {
		t.Errorf("after one reading of 999.9 V the phase is %s", s.e.Phase())
	}
}

// HT that sags deep and comes back is HT coming back.
func TestBrownOut(t *testing.T) {
	s := newScript(t).on()
	s.ht, s.sense = 200, [4]float64{0.012, 0.012, 0.012, 0.012}
	s.run(20 * time.Second)
	s.ht, s.sense = 333, [4]float64{0.025, 0.025, 0.025, 0.025}
	s.run(20 * time.Second)
	if got := strings.Join(phases(s.ev), " "); got != "standby warm-up soak cool-down warm-up" {
		t.Errorf("phases %s", got)
	}
}

// A meter that stutters neither hides an alarm nor chatters itself.
func TestStutteringMeter(t *testing.T) {
	s := newScript(t).on()
	s.sense[0] = 0.080
	for i := range 40 {
		s.flags[0] = 0
		if i%3 == 0 {
			s.flags[0] = drivers.Hold
		}
		s.run(500 * time.Millisecond)
	}
	if s.state("over-dissipation/V5") != alarms.Unacknowledged {
		t.Errorf("80 mA for 20 s, one reading in three on hold: %s", s.state("over-dissipation/V5"))
	}
	s.flags[0], s.sense[0], s.mute[3] = 0, 0.041, true
	n := len(s.ev)
	for range 100 { // heard for a moment every 6 s
		s.mute[3] = false
		s.run(500 * time.Millisecond)
		s.mute[3] = true
		s.run(5500 * time.Millisecond)
	}
	if k := strings.Count(lines(t, s.ev[n:]), "meter-silent/k4"); k == 0 || k > 4 {
		t.Errorf("%d events of meter-silent/k4 in ten minutes", k)
	}
}

// What stands is not taken back because its meter falls silent.
func TestSenseOpenOutlivesItsMeter(t *testing.T) {
	s := newScript(t).on()
	s.flags[3] = drivers.Overload
	s.run(5 * time.Second)
	s.mute[3] = true
	s.run(time.Minute)
	if s.state("sense-open/V8") != alarms.Unacknowledged {
		t.Errorf("sense-open/V8 is %s", s.state("sense-open/V8"))
	}
}

// A dead tube explains what its neighbours do for minutes, not for the night.
func TestOneAlarmDoesNotBlindTheOthers(t *testing.T) {
	s := newScript(t).on()
	s.sense[1] = 0
	s.want(s.run(10*time.Minute), "no-conduction/V6 medium")
	for range 60 {
		s.sense[0] *= 1.005
		s.run(10 * time.Second)
	}
	if _, ok := find(s.ev, "runaway/V5", alarms.High); !ok { // 3 % a minute is no drift
		t.Errorf("V5 up by a third: %q", raised(s.ev))
	}
}

// A silence just before settling puts no figure that is none into an event.
func TestSilenceBeforeSettling(t *testing.T) {
	s := newScript(t)
	s.sense, s.ht = [4]float64{0.041, 0.041, 0.041, 0.041}, 462
	s.run(9*time.Minute + 30*time.Second)
	s.mute[0] = true
	s.run(100 * time.Second)
	s.mute[0] = false
	s.run(15 * time.Minute)
	text := lines(t, s.ev) // fails on what JSON cannot say
	if !strings.Contains(text, `"event":"settled","socket":"V5","cathode_current_a":0.041,`) {
		t.Errorf("V5:\n%s", text)
	}
}

// Without a plate meter the phases follow the currents, and switching off is
// no dead tube.
func TestNoPlateMeter(t *testing.T) {
	b, _ := files(t)
	j, err := bench.ParseJob("job.toml", []byte(strings.ReplaceAll(emulate.JobTOML(), "plate = { meter = \"ht\" }\n", "")), b)
	if err != nil {
		t.Fatal(err)
	}
	s := &script{t: t, e: alarms.New(b, j), quant: drivers.Voltage}
	s.act(alarms.Act{Act: "begin"})
	s.run(10 * time.Second)
	s.sense = [4]float64{0.041, 0.041, 0.041, 0.041}
	s.run(11 * time.Minute)
	s.sense = [4]float64{}
	s.run(30 * time.Second)
	s.want(s.ev)
	if got := strings.Join(phases(s.ev), " "); got != "standby warm-up soak cool-down" {
		t.Errorf("phases %s", got)
	}
}

// A roving probe: only the socket it is at has a figure, the others keep what
// they settled at, and moving it says nothing of them.
func TestRovingProbe(t *testing.T) {
	b, _ := files(t)
	text := "ticket = \"R-1187\"\namplifier = \"four-tube bass head, 100 W\"\n"
	for _, v := range []string{"V5", "V6"} {
		text += "[[socket]]\nname = \"" + v + "\"\ntube = \"6L6GC\"\nsense = { meter = \"k1\", ohms = 1.0, roving = true }\nplate = { meter = \"ht\" }\n"
	}
	j, err := bench.ParseJob("job.toml", []byte(text), b)
	if err != nil {
		t.Fatal(err)
	}
	s := &script{t: t, e: alarms.New(b, j), quant: drivers.Voltage}
	s.act(alarms.Act{Act: "begin"})
	s.sense[0], s.ht = 0.041, 462
	s.run(11 * time.Minute)
	s.act(alarms.Act{Act: "move", Meter: "k1", Socket: "V6"})
	s.sense[0] = 0.043
	s.run(11 * time.Minute)
	s.run(time.Hour)
	s.want(s.ev)
	v5, v6 := s.e.Snapshot().Sockets[0], s.e.Snapshot().Sockets[1]
	if v5.CathodeCurrent.Known || v5.Why != "probe at V6" || !v5.SettledRatio.Known || v6.CathodeCurrent.X != 0.043 || !v6.Settled {
		t.Errorf("V5 %+v\nV6 %+v", v5, v6)
	}
}

// Advance may be called often, seldom or never: the events are the same. This
// is what makes a replayed night equal to the live one.
func TestAdvanceMakesNoDifference(t *testing.T) {
	cfg := emulate.Config{Seed: 3, Fault: emulate.Silent, FaultAt: 32 * time.Minute}
	const long = 35 * time.Minute
	in := edit(inputs(t, cfg, long), func(m int, now time.Duration, r *drivers.Reading) {
		switch {
		case m == 4 && now > 25*time.Minute: // ht freezes
			*r = shown(462, -2)
		case m == 2:
			r.Flags |= drivers.Auto
			if now%(20*time.Second) < 10*time.Second {
				*r = shown(r.Value(), -4)
			}
		}
	})
	want := lines(t, judge(t, in, long))
	for _, has := range []string{"meter-silent/k4", "meter-frozen/ht", `"event":"range","meter":"k3"`} {
		if !strings.Contains(want, has) {
			t.Fatalf("no %s to compare:\n%s", has, want)
		}
	}
	rng := rand.New(rand.NewPCG(1, 2))
	e := alarms.New(files(t))
	var ev []alarms.Event
	for _, x := range in {
		for rng.IntN(3) == 0 {
			ev = append(ev, e.Advance(e.Now()+time.Duration(rng.Int64N(int64(max(x.T-e.Now(), 0)+1))))...)
		}
		ev = append(ev, e.Feed(x)...)
	}
	for e.Now() < long {
		ev = append(ev, e.Advance(min(long, e.Now()+time.Duration(rng.Int64N(int64(time.Second)))))...)
	}
	if got := lines(t, ev); got != want {
		t.Errorf("with Advance called at random:\n%s\nwithout:\n%s", got, want)
	}
}

// A meter that switches range says so, ever more seldom and with a count,
// and only if it is one that ranges by itself.
func TestRange(t *testing.T) {
	told := func(auto drivers.Flags) (text []string) {
		e := alarms.New(files(t))
		ev := slices.Clone(e.Feed(alarms.Input{Act: &alarms.Act{Act: "begin"}}))
		for now := time.Second; now < 6*time.Minute; now += time.Second {
			r := shown(0.4, -4)
			switch {
			case now >= 61*time.Second && now < 150*time.Second && now/time.Second%2 == 1, now >= 200*time.Second:
				r = shown(0.4, -3)
				r.Prefix = 0
			case now == 160*time.Second:
				r.Digits, r.Exp, r.Flags = 0, 0, r.Flags|drivers.Overload
			}
			r.Flags |= auto
			ev = append(ev, e.Feed(alarms.Input{T: now, Meter: 0, Reading: r})...)
		}
		for _, x := range ev {
			if x.Event == alarms.EventRange {
				text = append(text, time.Duration(x.T).String()+" "+x.Meter+": "+x.Text)
			}
		}
		return text
	}
	want := []string{
		"1m3s k1: k1 switched range 2 times in 2 s, one count is 0.1 mV as before",
		"2m3s k1: k1 switched range 60 times in 1 min, one count is 0.1 mV as before",
		"4m3s k1: k1 switched range 29 times in 2 min: one count was 0.1 mV, is 0.001 V",
	}
	if got := told(drivers.Auto); !slices.Equal(got, want) {
		t.Errorf("told\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if got := told(0); len(got) > 0 {
		t.Errorf("a meter that leaves zeros out switches range: %q", got)
	}
}

// A frozen figure is not used, until it changes; others that freeze later are
// told all the same, and switching off leaves no false trail.
func TestFrozenMeter(t *testing.T) {
	s := newScript(t).on()
	rng := rand.New(rand.NewPCG(1, 1))
	live := func(d time.Duration, frozen ...int) {
		for end := s.now + d; s.now < end; {
			for m := range s.sense {
				if !slices.Contains(frozen, m) {
					s.sense[m] = 0.041 + 2e-5*rng.NormFloat64()
				}
			}
			if !slices.Contains(frozen, 4) {
				s.ht = 462 + 0.1*rng.NormFloat64()
			}
			s.run(500 * time.Millisecond)
		}
	}
	live(30 * time.Minute)
	n := len(s.ev)
	live(10*time.Minute, 3)
	s.want(s.ev[n:], "meter-frozen/k4 medium")
	if e, _ := find(s.ev, "meter-frozen/k4", alarms.Medium); !strings.HasSuffix(e.Text, "not watched now: V8") {
		t.Errorf("text %q", e.Text)
	}
	snap := s.e.Snapshot()
	if v8 := snap.Sockets[3]; v8.CathodeCurrent.Known || v8.Why != "k4 frozen" || snap.Meters[3].State != "frozen" {
		t.Errorf("k4 is frozen, but V8 %+v, k4 %s", v8, snap.Meters[3].State)
	}
	n = len(s.ev)
	live(10*time.Minute, 3, 4)
	s.want(s.ev[n:], "meter-frozen/ht medium")
	live(time.Minute)
	for _, id := range []string{"meter-frozen/k4", "meter-frozen/ht"} {
		if got := s.state(id); got != alarms.Returned {
			t.Errorf("%s is %s while its digits move", id, got)
		}
	}
	if !s.e.Snapshot().Sockets[3].DissipationRatio.Known {
		t.Error("k4 moves again, its socket is not known")
	}
	n = len(s.ev)
	live(10*time.Minute, 3)
	s.want(s.ev[n:], "meter-frozen/k4 medium")
	live(time.Minute)
	n = len(s.ev)
	live(time.Minute, 3)
	s.mute[3] = true
	live(time.Minute, 3)
	s.mute[3] = false
	live(time.Minute, 3)
	s.want(s.ev[n:], "meter-silent/k4 medium") // two short lulls are not a long one
	n = len(s.ev)
	live(10*time.Minute, 3)
	s.want(s.ev[n:], "meter-frozen/k4 medium")
	n = len(s.ev)
	v8 := s.sense[3]
	s.sense, s.ht = [4]float64{3: v8}, 0
	s.run(time.Minute)
	s.want(s.ev[n:])
	if s.e.Phase() != alarms.CoolDown || s.state("meter-frozen/k4") != alarms.Unacknowledged {
		t.Errorf("switched off with k4 frozen: phase %s, meter-frozen/k4 %s", s.e.Phase(), s.state("meter-frozen/k4"))
	}
}

// Before HT a display has every right to stand still.
func TestNothingFreezesInStandby(t *testing.T) {
	s := newScript(t)
	rng := rand.New(rand.NewPCG(1, 1))
	for range 3600 {
		for m := range s.sense {
			s.sense[m] = 0.001 + 2e-5*rng.NormFloat64()
			if m == 3 && s.now > 10*time.Minute {
				s.sense[m] = 0.001
			}
		}
		s.run(500 * time.Millisecond)
	}
	s.want(s.ev)
}

// A meter that comes near the bound of what is used of it is told, by the word of
// its state too, and so is that it has stopped; one at half of it is none.
func TestFloodingMeter(t *testing.T) {
	s := newScript(t).on()
	more := func(d time.Duration, each int) []alarms.Event {
		n := len(s.ev)
		for end := s.now + d; s.now < end; {
			s.run(500 * time.Millisecond)
			for range each {
				s.feed(alarms.Input{T: s.now, Meter: 3, Reading: shown(s.sense[3], -5)})
			}
		}
		return s.ev[n:]
	}
	s.want(more(time.Minute, bench.MostReadings/4))
	s.want(more(21*time.Second, bench.MostReadings/2), "meter-flooding/k4 low")
	if got := s.e.Snapshot().Meters[3].State; got != "flooding" {
		t.Errorf("k4 is %s", got)
	}
	s.want(s.run(25 * time.Second))
	if got := s.e.Snapshot().Meters[3].State; got != "ok" || s.state("meter-flooding/k4") != alarms.Returned {
		t.Errorf("k4 is %s, meter-flooding/k4 %s", got, s.state("meter-flooding/k4"))
	}
}

// A night of digits that never moved, from the first reading on, has no frozen meter.
func TestConstantDigitsAreNotFrozen(t *testing.T) {
	s := newScript(t).on()
	s.run(5 * time.Hour)
	s.want(s.ev)
}

// A silence is stamped with the moment it was over, not when somebody looked.
func TestSilenceIsStampedByItsDelay(t *testing.T) {
	s := newScript(t)
	s.run(3 * time.Second) // last readings at 3 s
	ev := s.e.Advance(time.Hour)
	if len(ev) != 5 || time.Duration(ev[0].T) != 8*time.Second {
		t.Errorf("want five silences at 8 s:\n%s", lines(t, ev))
	}
}

func BenchmarkReading(b *testing.B) {
	in := inputs(b, emulate.Config{Seed: 1}, 20*time.Minute)
	e := alarms.New(files(b))
	for _, x := range in {
		e.Feed(x)
	}
	last := in[len(in)-1].T
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		x := in[1+i%(len(in)-1)]
		x.T = last + time.Duration(i)*60*time.Millisecond
		e.Feed(x)
	}
}
