package alarms

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
)

// lifeBench has so many sockets, each with a meter, and a plate meter.
func lifeBench(t testing.TB, sockets int, settings string) (*bench.Bench, *bench.Job) {
	t.Helper()
	var b, j strings.Builder
	b.WriteString("name = \"north\"\n")
	meter := func(name string, port int) {
		fmt.Fprintf(&b, "[[meter]]\nname = %q\nport = \"/dev/ttyUSB%d\"\nformat = \"fs9922\"\n", name, port)
	}
	j.WriteString("ticket = \"R-1187\"\nidle_target = \"65%\"\n")
	for i := range sockets {
		meter(fmt.Sprint("k", 1+i), i)
		fmt.Fprintf(&j, "[[socket]]\nname = \"V%d\"\ntube = \"6L6GC\"\nhalf = %q\nsense = { meter = \"k%d\", ohms = 1.0 }\nplate = { meter = \"ht\" }\n", 1+i, "ab"[i%2:i%2+1], 1+i)
	}
	meter("ht", sockets)
	meter("h1", sockets+1)
	j.WriteString("[[watch]]\nname = \"heater\"\nmeter = \"h1\"\nunit = \"V\"\nlow = 5.67\nhigh = 6.93\n")
	bb, err := bench.Parse("bench.toml", []byte(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	jj, err := bench.ParseJob("job.toml", []byte(j.String()+settings), bb)
	if err != nil {
		t.Fatal(err)
	}
	return bb, jj
}

// life is one alarm driven by hand: its condition, its delays, and acts.
type life struct {
	t *testing.T
	e *Engine
	c *cond
}

func newLife(t *testing.T, id, settings string) *life {
	b, j := lifeBench(t, 1, settings)
	e := New(b, j)
	e.begun = true
	c := e.cond(id)
	c.describe = func() string { return "it stands" }
	return &life{t, e, c}
}

// pass lets time go on.
func (l *life) pass(d time.Duration) { l.e.Advance(l.e.now + d) }

// do is one step of the table; false when it was refused.
func (l *life) do(step string) bool {
	act := func(a Act) bool {
		if a.ID == "" {
			a.ID = l.c.id
		}
		err := l.e.Check(a)
		before := l.c.state
		l.e.Feed(Input{T: l.e.now, Act: &a})
		if err != nil && l.c.state != before {
			l.t.Errorf("%s was refused (%v) and moved %s to %s", step, err, before, l.c.state)
		}
		return err == nil
	}
	switch step {
	case "stands":
		l.c.judge(stands)
		l.pass(time.Minute)
	case "clears":
		l.c.judge(no)
		l.pass(time.Minute)
	case "acknowledge", "reset", "unshelve":
		return act(Act{Act: step})
	case "shelve":
		return act(Act{Act: step, For: "2h"})
	case "shelf ends":
		l.pass(2*time.Hour + time.Second)
	case "re-alarm time":
		l.pass(30*time.Minute + time.Second)
	case "out-of-service":
		return act(Act{Act: step, By: "A. Keeper", Text: "the probe is being mended"})
	case "in-service":
		return act(Act{Act: step, By: "A. Keeper"})
	case "flood":
		for range floodSingly + 1 {
			l.e.flood.singles = append(l.e.flood.singles, l.e.now)
		}
	case "flood told":
		l.pass(floodGather + time.Second)
	case "acknowledge flood":
		return act(Act{Act: "acknowledge", ID: l.e.flood.cond.id})
	default:
		l.t.Fatalf("no step %q", step)
	}
	return true
}

// Every state and every transition of ISA-18.2 / IEC 62682 (after VDI/VDE/NAMUR
// 2658 and OPC 10000-9, which follow it): from each way of being in a state,
// what each thing that can happen leads to; "-" is refused, "." changes nothing.
func TestEveryTransition(t *testing.T) {
	steps := []string{"stands", "clears", "acknowledge", "reset", "shelve", "unshelve", "shelf ends", "re-alarm time", "out-of-service", "in-service", "acknowledge flood"}
	short := map[string]State{"norm": Normal, "unack": Unacknowledged, "acked": Acknowledged, "rtn": Returned, "latch": Latched, "shlvd": Shelved, "dsupr": Suppressed, "oosrv": OutOfService}
	for _, kind := range []struct {
		id    string
		table string
	}{
		// One that latches: high.
		{"sense-open/V1", `
how                                                  | is    | stands clears ack   reset shelve unshelve end   again out   in    ackflood
                                                     | norm  | unack  .      -     -     shlvd  -        .     .     oosrv -     -
stands                                               | unack | .      rtn    acked -     shlvd  -        .     .     oosrv -     -
stands, acknowledge                                  | acked | .      latch  -     -     shlvd  -        unack unack oosrv -     -
stands, clears                                       | rtn   | unack  .      latch -     shlvd  -        .     .     oosrv -     -
stands, acknowledge, clears                          | latch | unack  .      -     norm  shlvd  -        .     .     oosrv -     -
shelve                                               | shlvd | .      .      -     -     shlvd  norm     norm  .     oosrv -     -
stands, shelve                                       | shlvd | .      .      -     -     shlvd  unack    unack .     oosrv -     -
stands, shelve, clears                               | shlvd | .      .      -     -     shlvd  latch    latch .     oosrv -     -
stands, clears, shelve                               | shlvd | .      .      -     -     shlvd  latch    latch .     oosrv -     -
flood, stands                                        | dsupr | .      .      acked -     shlvd  -        .     .     oosrv -     acked
flood, stands, clears                                | dsupr | .      .      latch -     shlvd  -        .     .     oosrv -     latch
flood, stands, flood told                            | dsupr | .      .      acked -     shlvd  -        .     .     oosrv -     acked
out-of-service                                       | oosrv | .      .      -     -     -      -        .     .     -     norm  -
stands, out-of-service                               | oosrv | .      .      -     -     -      -        .     .     -     unack -
stands, out-of-service, clears                       | oosrv | .      .      -     -     -      -        .     .     -     latch -
shelve, stands                                       | shlvd | .      .      -     -     shlvd  unack    unack .     oosrv -     -
stands, clears, flood, stands                        | dsupr | .      .      acked -     shlvd  -        .     .     oosrv -     acked
stands, shelve, flood, unshelve                      | dsupr | .      .      acked -     shlvd  -        .     .     oosrv -     acked
stands, out-of-service, flood, in-service            | dsupr | .      .      acked -     shlvd  -        .     .     oosrv -     acked`},
		// One that does not: medium. It is not called again either.
		{"no-conduction/V1", `
how                                                  | is    | stands clears ack   reset shelve unshelve end   again out   in    ackflood
                                                     | norm  | unack  .      -     -     shlvd  -        .     .     oosrv -     -
stands                                               | unack | .      rtn    acked -     shlvd  -        .     .     oosrv -     -
stands, acknowledge                                  | acked | .      norm   -     -     shlvd  -        .     .     oosrv -     -
stands, clears                                       | rtn   | unack  .      norm  -     shlvd  -        .     .     oosrv -     -
stands, shelve                                       | shlvd | .      .      -     -     shlvd  unack    unack .     oosrv -     -
stands, shelve, clears                               | shlvd | .      .      -     -     shlvd  norm     norm  .     oosrv -     -
flood, stands                                        | dsupr | .      .      acked -     shlvd  -        .     .     oosrv -     acked
flood, stands, clears                                | dsupr | .      .      norm  -     shlvd  -        .     .     oosrv -     norm
out-of-service                                       | oosrv | .      .      -     -     -      -        .     .     -     norm  -
stands, out-of-service                               | oosrv | .      .      -     -     -      -        .     .     -     unack -`},
	} {
		seen := map[State]bool{}
		rows := strings.Split(strings.TrimSpace(kind.table), "\n")[1:]
		for _, row := range rows {
			cells := strings.Split(row, "|")
			how, is, after := strings.TrimSpace(cells[0]), short[strings.TrimSpace(cells[1])], strings.Fields(cells[2])
			for i, step := range steps {
				name := fmt.Sprintf("%s: %s, then %s", kind.id, how, step)
				l := newLife(t, kind.id, "")
				for _, s := range strings.Split(how, ", ") {
					if s != "" && !l.do(s) {
						t.Fatalf("%s: %s was refused", name, s)
					}
				}
				if l.c.state != is {
					t.Fatalf("%s: before it, it is %s, want %s", name, l.c.state, is)
				}
				seen[is] = true
				want, allowed := is, true
				if step == "acknowledge flood" && is == Suppressed && l.e.flood.told == 0 {
					l.do("flood told")
				}
				switch after[i] {
				case ".":
				case "-":
					allowed = false
				default:
					want = short[after[i]]
				}
				if did := l.do(step); did != allowed || l.c.state != want {
					t.Errorf("%s: allowed %v, %s; want %v, %s", name, did, l.c.state, allowed, want)
				}
			}
		}
		for name, s := range short {
			if !seen[s] && !(s == Latched && kind.id == "no-conduction/V1") {
				t.Errorf("%s: the table has no row for %s", kind.id, name)
			}
		}
	}
}

// On-delay, off-delay, deadband, latch, re-alarm and priority as the files set them.
func TestSettings(t *testing.T) {
	l := newLife(t, "no-conduction/V1", `
[alarm.no-conduction]
on_delay = "20s"
off_delay = "40s"
priority = "high"
re_alarm = "5m"
`)
	is := func(want State) {
		t.Helper()
		if l.c.state != want {
			t.Errorf("at %v it is %s, want %s", l.e.now, l.c.state, want)
		}
	}
	l.c.judge(stands)
	l.pass(19 * time.Second)
	is(Normal)
	l.c.judge(no) // shorter than the on-delay
	l.pass(time.Minute)
	is(Normal)
	l.c.judge(stands)
	l.pass(20 * time.Second)
	is(Unacknowledged)
	if l.c.priority != High {
		t.Errorf("priority %s", l.c.priority)
	}
	l.c.judge(no)
	l.pass(39 * time.Second)
	is(Unacknowledged)
	l.c.judge(stands) // back within the off-delay
	l.pass(time.Minute)
	l.do("acknowledge")
	l.pass(5*time.Minute - time.Second)
	is(Acknowledged)
	l.pass(time.Second)
	is(Unacknowledged) // re-alarm
	l.do("acknowledge")
	l.c.judge(no)
	l.pass(40 * time.Second)
	is(Latched) // high now, so it latches
	l.do("reset")
	is(Normal)

	for _, c := range []struct {
		id, settings string
		inside       float64
		latches      bool
	}{
		{"drift/V1", "", 0.8, false},
		{"drift/V1", "[alarm.drift]\ndeadband = \"50%\"\nlatch = true\n", 0.5, true},
		{"over-dissipation/V1", "", 0.98, true},
		{"over-dissipation/V1", "[alarm.over-dissipation]\nlatch = false\n", 0.98, false},
	} {
		l := newLife(t, c.id, c.settings)
		if got := l.c.inside(); got != 1 {
			t.Errorf("%s: before it stands, %g of the limit counts", c.id, got)
		}
		l.do("stands")
		if got := l.c.inside(); got != c.inside {
			t.Errorf("%s %q: %g of the limit counts while it stands, want %g", c.id, c.settings, got, c.inside)
		}
		l.do("acknowledge")
		l.do("clears")
		if got := l.c.state == Latched; got != c.latches {
			t.Errorf("%s %q: over and seen, it is %s", c.id, c.settings, l.c.state)
		}
	}
}

// An alarm that grows past what it was shelved as calls: the shelving was of a lesser one.
func TestShelvedGrows(t *testing.T) {
	l := newLife(t, "runaway/V1", "")
	grow := func(p Priority) { l.c.judge(verdict{stands: true, priority: p}); l.pass(time.Minute) }
	grow(Low)
	l.do("shelve")
	grow(Low)
	if l.c.state != Shelved {
		t.Errorf("shelved low, and low still: %s", l.c.state)
	}
	grow(High)
	if l.c.state != Unacknowledged || l.c.priority != High {
		t.Errorf("shelved low, and high now: %s, %s", l.c.state, l.c.priority)
	}
	l = newLife(t, "runaway/V1", "[alarm.runaway]\npriority = \"medium\"\n")
	grow(High)
	if l.c.priority != Medium {
		t.Errorf("held at medium by the file, it is %s", l.c.priority)
	}
}

// What the files set is said when the run begins, and what weakens a high alarm as such.
func TestSettingsAreTold(t *testing.T) {
	b, j := lifeBench(t, 2, `
[alarm.runaway]
priority = "medium"
[alarm.sense-open]
out_of_service = "no clamp fitted yet"
[alarm.plate-lead]
on_delay = "10s"
latch = false
re_alarm = "never"
[alarm.over-dissipation]
off_delay = "30s"
[alarm.drift]
out_of_service = "new tubes, they will drift"
`)
	var got []string
	for _, ev := range New(b, j).Feed(Input{Act: &Act{Act: "begin"}}) {
		switch ev.Event {
		case EventSetting:
			got = append(got, fmt.Sprintf("%s %s %v: %s", ev.Alarm, ev.Priority, ev.Weakened, ev.Text))
		case EventAlarm:
			got = append(got, fmt.Sprintf("%s %s: %s", ev.ID, ev.State, ev.Text))
		}
	}
	want := []string{
		"over-dissipation high false: off-delay 30 s, its own is 10 s",
		"sense-open high true: out of service: no clamp fitted yet",
		"sense-open/V1 out-of-service: out of service: no clamp fitted yet",
		"sense-open/V2 out-of-service: out of service: no clamp fitted yet",
		"runaway high true: priority medium, its own is high",
		"drift medium false: out of service: new tubes, they will drift",
		"drift/V1 out-of-service: out of service: new tubes, they will drift",
		"drift/V2 out-of-service: out of service: new tubes, they will drift",
		"plate-lead high true: on-delay 10 s, its own is 2 s; latch false, its own is true; re-alarm never, its own is 30 min",
	}
	if !slices.Equal(got, want) {
		t.Errorf("told\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// Random conditions and acts on forty-odd alarms: none is lost, no latch is
// unexplained, and never are ten told within ten minutes.
func TestNoAlarmIsLost(t *testing.T) {
	b, j := lifeBench(t, 6, "[alarm.step]\nlatch = true\n[alarm.meter-hold]\nre_alarm = \"1m\"\n[alarm.supply]\nout_of_service = \"the variac is being turned\"\n")
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 6))
		e := New(b, j)
		ev := slices.Clone(e.Feed(Input{Act: &Act{Act: "begin"}}))
		var conds []*cond
		for _, c := range e.conds {
			if c.rule != &meterSilent.rule && c != e.flood.cond {
				c.describe = func() string { return c.subject + " is not well" }
				conds = append(conds, c)
			}
		}
		few := 1 + rng.IntN(1+rng.IntN(len(conds))) // some runs about a few alarms, some about all
		for range 400 {
			c := conds[rng.IntN(few)]
			e.out = e.out[:0]
			switch rng.IntN(12) {
			case 0, 1, 2, 3:
				c.judge(verdict{stands: true, priority: []Priority{Low, Medium, High}[rng.IntN(3)]})
			case 4, 5, 6:
				c.judge(no)
			case 7:
				c.judge(unknown)
			case 8, 9, 10:
				a := Act{Act: []string{"acknowledge", "reset", "shelve", "unshelve", "out-of-service", "in-service"}[rng.IntN(6)], ID: c.id,
					For: "7m", By: "A. Keeper", Text: "as I say"}
				if rng.IntN(3) == 0 {
					a.ID = e.flood.cond.id
				}
				ev = append(ev, e.Feed(Input{T: e.now, Act: &a})...)
				e.out = e.out[:0]
			}
			ev = append(ev, e.out...)
			ev = append(ev, e.Advance(e.now+time.Duration(rng.Int64N(int64([]time.Duration{time.Second, 20 * time.Second, 5 * time.Minute}[rng.IntN(3)]))))...)
			if why := e.lost(); why != "" {
				t.Fatalf("seed %d at %v: %s", seed, e.now, why)
			}
		}
		if why := Audit(ev, e.now); why != "" {
			t.Errorf("seed %d: %s", seed, why)
		}
	}
}

// lost says which alarm stands and is known to nobody, or is kept for no reason.
func (e *Engine) lost() string {
	for _, c := range e.conds {
		is := fmt.Sprintf("%s, active %v, is %s", c.id, c.active, c.state)
		member := slices.Index(e.flood.members, c)
		if (member >= 0) != (c.state == Suppressed) {
			return is + " and a member of the flood, or neither"
		}
		if c.state == Shelved && !c.later.armed || c.state != Shelved && c.state != Acknowledged && c.later.armed {
			return is + ", and its shelf has no end, or one without it"
		}
		switch c.state {
		case Normal, Returned, Latched:
			if c.active {
				return is
			}
		case Unacknowledged, Acknowledged:
			if !c.active {
				return is
			}
		case Suppressed:
			if f := &e.flood; member >= f.told && !f.timer.armed || member < f.told && (f.cond.state != Unacknowledged && f.cond.state != Acknowledged || !strings.Contains(f.text(), c.subject)) {
				return is + ", and the flood names it neither now nor later"
			}
		case OutOfService:
			if c.why == "" {
				return is + " for no reason"
			}
		}
		if c.state == Latched && !(c.set.latches(c.peak) && strings.Contains(c.words(), "reset")) {
			return is + ", unexplained: " + c.words()
		}
	}
	return ""
}
