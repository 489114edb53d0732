package alarms_test

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/emulate"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
)

func explain(t *testing.T, e *alarms.Engine, name string) alarms.Explanation {
	t.Helper()
	x, err := e.Explain(name)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// verdict is that of one alarm in an explanation.
func verdict(t *testing.T, x alarms.Explanation, id string) alarms.AlarmVerdict {
	t.Helper()
	i := slices.IndexFunc(x.Alarms, func(a alarms.AlarmVerdict) bool { return a.ID == id })
	if i < 0 {
		t.Fatalf("no %s in\n%s", id, x)
	}
	return x.Alarms[i]
}

// What is said of a settled socket is what the events said, and a delay that is
// running ends when it is said to.
func TestExplain(t *testing.T) {
	s := newScript(t)
	if x := explain(t, s.e, "V6"); x.Phase != alarms.Standby || x.Settled || x.SettledAt != nil || x.SettledTo != nil || x.ComparedWith != nil || x.Why != "no reading yet" {
		t.Errorf("before the first reading:\n%s", x)
	}
	s.on()
	settled := slices.IndexFunc(s.ev, func(e alarms.Event) bool { return e.Event == alarms.EventSettled && e.Socket == "V6" })
	soak := slices.IndexFunc(s.ev, func(e alarms.Event) bool { return e.Phase == alarms.Soak })
	x := explain(t, s.e, "V6")
	if x.T != alarms.Seconds(s.now) || x.Phase != alarms.Soak || x.PhaseSince != s.ev[soak].T {
		t.Errorf("phase %s since %v at %v", x.Phase, x.PhaseSince, x.T)
	}
	if !x.Settled || *x.SettledAt != s.ev[settled].T || x.SettledTo.CathodeCurrent != *s.ev[settled].CathodeCurrent || *x.ComparedWith != *x.SettledTo {
		t.Errorf("settled %v; the event is %+v\n%s", x.Settled, s.ev[settled], x)
	}
	// By hand: 41.2 mA from plate to cathode at 462 V less the 41.2 mV of 1 ohm, of 30 W.
	if watts := 0.0412 * (462 - 0.0412); socket.Round(x.Now.PlateDissipation.X) != socket.Round(watts) ||
		socket.Round(x.SettledTo.PlateDissipation.X) != socket.Round(watts) || socket.Round(x.Now.DissipationRatio.X) != socket.Round(watts/30) {
		t.Errorf("now %+v, settled to %+v, want %g W", x.Now, *x.SettledTo, watts)
	}

	s.sense[1] = 0.0480
	s.run(30 * time.Second)
	x = explain(t, s.e, "V6")
	step := slices.IndexFunc(s.ev, func(e alarms.Event) bool { return e.ID == "step/V6" })
	if v := verdict(t, x, "step/V6"); v.Raised == nil || *v.Raised != s.ev[step].T || v.Text != s.ev[step].Text || v.Priority != alarms.Medium || v.State != alarms.Unacknowledged {
		t.Errorf("%+v; the event is %+v", v, s.ev[step])
	}
	if socket.Round(x.ComparedWith.CathodeCurrent.X) != 0.048 || socket.Round(x.SettledTo.CathodeCurrent.X) != 0.0412 {
		t.Errorf("after the step:\n%s", x)
	}

	s.sense[0] = 30.0 / 462 * 1.01
	s.run(time.Second)
	before := verdict(t, explain(t, s.e, "V5"), "over-dissipation/V5")
	ev := s.run(10 * time.Second)
	raised := slices.IndexFunc(ev, func(e alarms.Event) bool { return e.ID == "over-dissipation/V5" })
	if before.Stands || before.Raised != nil || before.Changes == nil || raised < 0 || ev[raised].T != *before.Changes {
		t.Errorf("%+v; raised:\n%s", before, lines(t, ev))
	}
	if v := verdict(t, explain(t, s.e, "V5"), "over-dissipation/V5"); !v.Stands || v.Changes != nil || *v.Raised != ev[raised].T {
		t.Errorf("standing: %+v", v)
	}
}

// What is not known is null and says why; an alarm of which there is no telling says so.
func TestExplainUnknown(t *testing.T) {
	s := newScript(t).on()
	s.mute[2] = true
	s.run(time.Minute)
	x := explain(t, s.e, "V7")
	if !strings.HasPrefix(x.Why, "k3 silent") || x.Settled || x.SettledAt == nil || !verdict(t, x, "over-dissipation/V7").Unknown {
		t.Errorf("with its meter silent:\n%s", x)
	}
	b, err := json.Marshal(x)
	if err != nil || !strings.Contains(string(b), `"now":{"cathode_current_a":null,"plate_current_a":null,"plate_volts":`) {
		t.Errorf("%v\n%s", err, b)
	}

	if x, err := s.e.Explain("V9"); !errors.Is(err, alarms.ErrNoSocket) || !strings.Contains(err.Error(), "V5, V6, V7, V8") {
		t.Errorf("V9: %v\n%s", err, x)
	}
}

// To ask changes nothing: a night asked about all along gives the same events.
// At every moment the alarms are those of the snapshot, and there is JSON.
func TestExplainChangesNothing(t *testing.T) {
	const long = 40 * time.Minute
	in := inputs(t, emulate.Config{Seed: 3, Fault: emulate.Runaway}, long)
	want := lines(t, judge(t, in, long))
	e := alarms.New(files(t))
	var got []alarms.Event
	shown := map[string]bool{}
	for i, x := range in {
		got = append(got, e.Feed(x)...)
		if i%199 != 0 {
			continue
		}
		asked := map[string]alarms.State{}
		for _, name := range []string{"V5", "V6", "V7", "V8"} {
			x := explain(t, e, name)
			if _, err := json.Marshal(x); err != nil {
				t.Fatalf("at %v: %v", e.Now(), err)
			}
			for _, a := range x.Alarms {
				if a.State != alarms.Normal {
					asked[a.ID] = a.State
				}
			}
		}
		for _, a := range e.Snapshot().Alarms {
			if asked[a.ID] != a.State {
				t.Errorf("at %v: %s is %s, not %q", e.Now(), a.ID, a.State, asked[a.ID])
			}
			delete(asked, a.ID)
			shown[a.ID] = true
		}
		if len(asked) > 0 {
			t.Errorf("at %v: not in the snapshot: %v", e.Now(), asked)
		}
	}
	if got = append(got, e.Advance(long)...); lines(t, got) != want {
		t.Errorf("asked about:\n%s\nnot asked about:\n%s", lines(t, got), want)
	}
	if !shown["runaway/V7"] {
		t.Errorf("no runaway of V7 in this night: %v", shown)
	}
}

func TestExplanationInWords(t *testing.T) {
	v := func(x float64) socket.Value { return socket.Value{X: x, Known: true} }
	at := func(d time.Duration) *alarms.Seconds { s := alarms.Seconds(d); return &s }
	value, unknown, se := v(1.52), socket.Value{}, v(0.08)
	drift, wait, noise := v(0.0123), v(360), v(0.00042)
	x := alarms.Explanation{
		T: alarms.Seconds(2*time.Hour + 32*time.Minute), Socket: "V7", Tube: "6L6GC", Limit: 30, Phase: alarms.Soak, PhaseSince: alarms.Seconds(640 * time.Second),
		Now:     alarms.OperatingPoint{PlateCurrent: v(0.0412), PlateVolts: v(461.46)},
		Settled: true, SettledAt: at(630 * time.Second),
		SettledTo: &alarms.OperatingPoint{CathodeCurrent: v(0.041), PlateVolts: v(462), PlateDissipation: v(18.94), DissipationRatio: v(0.6314)},
		Sections: []alarms.Section{{"supply", []alarms.Line{
			{Name: "sensitivity", Value: &value, U: &se, Text: "learnt"},
			{Name: "rest", Value: &unknown, Unit: "ratio"},
			{Name: "drift", Value: &drift, Unit: "ratio/h"},
			{Name: "settles in", Value: &wait, Unit: "s"},
			{Name: "noise", Value: &noise, Unit: "A"},
			{Name: "seen", Text: "two movements"},
		}}},
		Alarms: []alarms.AlarmVerdict{
			{ID: "step/V7", State: alarms.Normal},
			{ID: "drift/V7", Unknown: true, State: alarms.Normal},
			{ID: "runaway/V7", Stands: true, Raised: at(9120 * time.Second), Priority: alarms.High, State: alarms.Acknowledged, Text: "V7 up 2.1 mA"},
			{ID: "supply/north", Stands: true, Changes: at(9125 * time.Second), Raised: at(9100 * time.Second), Priority: alarms.Medium, State: alarms.Unacknowledged},
			{ID: "plate-lead/north", Stands: true, Unknown: true, Raised: at(9119 * time.Second), Priority: alarms.High, State: alarms.Acknowledged},
			{ID: "imbalance/north", Unknown: true, Changes: at(9121500 * time.Millisecond), Priority: alarms.Low, State: alarms.Shelved},
		},
	}
	want := `V7 (6L6GC) at 2:32:00: soak since 0:10:40, for 2:21:20
now            41.2 mA of the plate, 461.5 V, watts unknown, share unknown
settled        yes, since 0:10:30: 41.0 mA, 462.0 V, 18.9 W, 63.1 % of 30 W
compared with  nothing
supply
  sensitivity  1.52, standard uncertainty 0.08, learnt
  rest         unknown
  drift        1.23 % per hour
  settles in   6 min
  noise        0.42 mA
  seen         two movements
alarms
  step/V7           no
  drift/V7          no telling
  runaway/V7        stands; high raised at 2:32:00, acknowledged: V7 up 2.1 mA
  supply/north      stands, its condition gone: returns at 2:32:05 if that stays so; medium raised at 2:31:40, unacknowledged
  plate-lead/north  stands, no telling now; high raised at 2:31:59, acknowledged
  imbalance/north   its condition stands: raised at 2:32:01 if that stays so, no telling now, shelved
`
	if got := x.String(); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
	x.Why, x.Settled = "k3 silent for 9 s", false
	for _, want := range []string{"\nnow            current unknown: k3 silent for 9 s\n", "\nsettled        no, last at 0:10:30: 41.0 mA"} {
		if got := x.String(); !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
}
