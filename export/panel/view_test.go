package panel

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
)

func TestHTWords(t *testing.T) {
	for _, c := range []struct {
		name  string
		ht    alarms.HTState
		phase alarms.Phase
		want  htView
	}{
		{"up", alarms.HTState{Volts: is(462.1), Charged: charged(true)}, alarms.Soak, htView{Volts: "462", Spoken: "462 volts"}},
		{"up, no plate meter", alarms.HTState{Charged: charged(true)}, alarms.Soak, htView{Words: "still charged", Warn: true}},
		{"falling", alarms.HTState{Volts: is(121), Charged: charged(true)}, alarms.CoolDown, htView{Volts: "121", Spoken: "121 volts", Words: "still charged", Warn: true}},
		{"low", alarms.HTState{Volts: is(41.26), Charged: charged(false)}, alarms.CoolDown, htView{Volts: "41.3", Spoken: "41.3 volts", Words: "prove every capacitor dead before touching", Down: true}},
		{"low before HT", alarms.HTState{Volts: is(0), Charged: charged(false)}, alarms.Standby, htView{Volts: "0.0", Spoken: "0.0 volts", Words: "prove every capacitor dead before touching", Down: true}},
		{"the clip came off", alarms.HTState{Volts: is(0)}, alarms.CoolDown, htView{Volts: "0.0", Spoken: "0.0 volts", Words: "this reading proves nothing, treat as charged", Warn: true}},
		{"no telling", alarms.HTState{}, alarms.CoolDown, htView{Words: "HT unknown, treat as charged", Warn: true}},
		{"no telling while up", alarms.HTState{}, alarms.Soak, htView{Words: "HT unknown, treat as charged", Warn: true}},
	} {
		if got := lookHT(c.ht, c.phase, true); got != c.want {
			t.Errorf("%s:\n got %+v\nwant %+v", c.name, got, c.want)
		}
	}
}

// TestNeverSafe: no page ever says it.
func TestNeverSafe(t *testing.T) {
	for _, name := range scenes {
		for _, path := range []string{"/", "/wall", "/idle"} {
			f := scene(name)
			body := ask(t, f, Options{Job: f.job}, "GET", path, "", nil).Body.String()
			body = strings.ReplaceAll(body, "This panel is not a safety device.", "")
			if strings.Contains(strings.ToLower(body), "safe") {
				t.Errorf("%s of %q says something about safe", path, name)
			}
		}
	}
}

func TestSocketWords(t *testing.T) {
	known := func(ma float64, more func(*alarms.SocketState)) alarms.SocketState {
		k := alarms.SocketState{Name: "V5", Tube: "6L6GC", Limit: 30, Figures: figures(ma, 462), Age: is(0.2)}
		if more != nil {
			more(&k)
		}
		return k
	}
	for _, c := range []struct {
		name    string
		k       alarms.SocketState
		phase   alarms.Phase
		percent string
		settle  string
		blind   bool
	}{
		{"settled", known(41, func(k *alarms.SocketState) { k.Settled = true }), alarms.Soak, "63", "settled", false},
		{"has left where it settled", known(52.8, func(k *alarms.SocketState) { k.Settled, k.SettledRatio = true, is(0.636) }), alarms.Soak, "81", "settled at 64 %", false},
		{"forecast", known(33, func(k *alarms.SocketState) { k.SettlesIn = is(372) }), alarms.WarmUp, "51", "settles in 6 min", false},
		{"far forecast", known(33, func(k *alarms.SocketState) { k.SettlesIn = is(5000) }), alarms.WarmUp, "51", "over 1 h to settle", false},
		{"no forecast", known(33, nil), alarms.WarmUp, "51", "not settled", false},
		{"dead tube", known(0.4, func(k *alarms.SocketState) { k.NotConducting = true }), alarms.Soak, "1", "not conducting", false},
		{"without HT nothing settles", known(0, func(k *alarms.SocketState) { k.NotConducting = true }), alarms.CoolDown, "0", "", false},
		{"unknown says why", alarms.SocketState{Age: is(49), Why: "k1 silent for 49 s"}, alarms.Soak, "", "k1 silent for 49 s", true},
		{"never heard", alarms.SocketState{Why: "no reading yet"}, alarms.Standby, "", "no reading yet", false},
		{"current without plate volts", alarms.SocketState{Age: is(0.2), Figures: socket.Figures{CathodeCurrent: is(0.041)}}, alarms.Soak, "", "not settled", true},
	} {
		v := lookSocket(&c.k, c.phase)
		if v.Percent != c.percent || v.Settle != c.settle || v.Blind != c.blind {
			t.Errorf("%s: percent %q settle %q blind %t, want %q %q %t", c.name, v.Percent, v.Settle, v.Blind, c.percent, c.settle, c.blind)
		}
	}
}

// TestUnknownIsNeverANumber: a socket of which nothing is known shows no digit
// but its own name and limit.
func TestUnknownIsNeverANumber(t *testing.T) {
	v := lookSocket(&alarms.SocketState{Name: "V", Limit: 30}, alarms.Soak)
	for what, s := range map[string]string{"percent": v.Percent, "exact": v.Exact, "current": v.Current, "plate": v.Plate, "watts": v.Watts, "volts": v.Volts, "drift": v.Drift, "age": v.Age} {
		if strings.ContainsAny(s, "0123456789") {
			t.Errorf("%s of a socket that is not known reads %q", what, s)
		}
	}
	if v.Known || v.Fill != 0 || v.Over {
		t.Errorf("the glass of a socket that is not known: %+v", v)
	}
}

func TestGlass(t *testing.T) {
	for ratio, want := range map[float64]float64{-1: 100, 0: 100, 0.625: 50, 1: 20, 1.25: 0, 9: 0} {
		if got := at(ratio); math.Abs(got-want) > 1e-9 {
			t.Errorf("a share of %g stands at %g %%, want %g %%", ratio, got, want)
		}
	}
}

func TestFigures(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{ago(-time.Second), "0 s"}, {ago(59_900 * time.Millisecond), "59 s"}, {ago(time.Minute), "1 min"}, {ago(152 * time.Minute), "2 h 32 min"}, {ago(3 * time.Hour), "3 h 00 min"},
		{places(462.4), "462"}, {places(99.96), "100"}, {places(41.26), "41.3"}, {places(-0.3), "-0.3"}, {places(-0.04), "0.0"},
		{unit(is(0.04104), 1000, "mA"), "41.0 mA"}, {unit(is(-0.0001), 1000, "mA"), "−0.1 mA"}, {unit(is(-1e-5), 1000, "mA"), "0.0 mA"}, {unit(socket.Value{}, 1000, "mA"), "unknown"},
		{small(is(-1e-6)), "0.00 mA"}, {small(is(-4e-5)), "−0.04 mA"}, {small(is(0.0411)), "41.1 mA"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
	for perHour, want := range map[float64][2]string{
		0.004: {"+0.4 %/h", "flat"}, -0.0099: {"−1.0 %/h", "flat"}, 0.013: {"+1.3 %/h", "up"}, -0.05: {"−5.0 %/h", "down"}, 0.84: {"+84 %/h", "steep-up"}, -2.1: {"−210 %/h", "steep-down"},
	} {
		if words, arrow := drift(perHour); words != want[0] || arrow != want[1] {
			t.Errorf("a drift of %g: %q %q, want %q", perHour, words, arrow, want)
		}
	}
}

// TestTopAlarm: what was put aside does not call; the rest is counted.
func TestTopAlarm(t *testing.T) {
	f := scene("runaway")
	v := look("wall", &f.state, nil)
	if v.Top == nil || v.Top.ID != "runaway/V7" || v.More != 1 {
		t.Fatalf("top %+v, more %d", v.Top, v.More)
	}
	f.state.Snapshot.Alarms[0].State = alarms.Suppressed
	v = look("wall", &f.state, nil)
	if v.Top == nil || v.Top.ID != "imbalance/north" || v.Sockets[2].Alarm == nil || v.Sockets[2].Alarm.Class != "high" {
		t.Errorf("with the runaway told by a flood: top %+v, at V7 %+v", v.Top, v.Sockets[2].Alarm)
	}
	f.state.Snapshot.Alarms[0].State = alarms.Shelved
	v = look("wall", &f.state, nil)
	if v.Top == nil || v.Top.ID != "imbalance/north" || v.More != 0 {
		t.Errorf("with the runaway shelved: top %+v, more %d", v.Top, v.More)
	}
	if v.Sockets[2].Alarm != nil {
		t.Errorf("V7 still calls: %+v", v.Sockets[2].Alarm)
	}
}

// What the bench page says of the cut-off, and which buttons it has: that it was
// told to drop is never called off.
func TestCutoffWords(t *testing.T) {
	for _, c := range []struct {
		state       cutoff.State
		words       string
		class       string
		now, rearms bool
	}{
		{cutoff.State{}, "", "", false, false},
		{cutoff.State{State: cutoff.Absent}, "", "", false, false},
		{cutoff.State{State: cutoff.Armed, By: "line", Holding: true}, "<b>Cut-off armed</b> <span>by line, holding</span>", "", true, false},
		{cutoff.State{State: cutoff.Dropping, Why: "V7 at 115 %"}, "<b>Dropping the mains</b> <span>V7 at 115 %</span>", "medium", true, true},
		{cutoff.State{State: cutoff.Cut, Proof: cutoff.Waiting}, "Told to drop the mains, waiting for HT and currents to fall", "medium", true, true},
		{cutoff.State{State: cutoff.Cut, Proof: cutoff.Proved}, "Mains dropped, HT and currents were seen to fall", "medium", true, true},
		{cutoff.State{State: cutoff.Cut, Proof: cutoff.NotProved}, "Told to drop the mains, not proved", "medium", true, true},
		{cutoff.State{State: cutoff.Failed, Proof: cutoff.NotFallen, Why: "HT still at 462 V"}, "Cut-off failed</b> <span>HT still at 462 V", "high", true, true},
		{cutoff.State{State: cutoff.Failed, Why: "unplugged"}, "Cut-off failed</b> <span>unplugged", "high", true, false},
	} {
		src := scene("well")
		src.state.Cutoff = c.state
		page := ask(t, src, Options{}, "GET", "/", "", nil).Body.String()
		_, section, _ := strings.Cut(page, `<section id="cutoff"`)
		section, _, _ = strings.Cut(section, "</section>")
		if !strings.Contains(section, c.words) || c.class != "" && !strings.HasPrefix(section, ` class="`+c.class+`"`) ||
			strings.Contains(section, `<button data-act="cut">`) != c.now || strings.Contains(section, `data-act="rearm"`) != c.rearms {
			t.Errorf("%+v is shown as%s", c.state, section)
		}
		if strings.Contains(ask(t, src, Options{}, "GET", "/wall", "", nil).Body.String(), `id="cutoff"`) {
			t.Error("the wall has a button")
		}
	}
}

// The banner of a first power-up: HT against what it may be and the mains, every
// current from the first milliamp, what is not known as unknown; and it goes
// with the limits.
func TestFirstPowerBanner(t *testing.T) {
	f := scene("first-power")
	v := look("bench", &f.state, nil)
	want := &firstView{HT: "245 V of at most 274 V", Mains: "124 V, 54 %", Sockets: []firstSocket{{"V5", "0.62 mA"}, {"V6", "1.04 mA"}, {"V7", "10.3 mA"}, {"V8", "unknown"}}}
	if diff := cmp.Diff(want, v.First, cmp.AllowUnexported(firstView{}, firstSocket{})); diff != "" || v.Phase != "warm-up, first power-up" {
		t.Errorf("phase %q, %s", v.Phase, diff)
	}
	p := f.state.Snapshot.FirstPower
	p.Mains, p.HTLimit, f.state.Snapshot.HT.Volts = socket.Value{}, socket.Value{}, socket.Value{}
	if v := look("bench", &f.state, nil).First; v.HT != "unknown" || v.Mains != "unknown" {
		t.Errorf("nothing known: %+v", v)
	}
	p.Watched = false
	if v := look("bench", &f.state, nil).First; v.Mains != "" {
		t.Errorf("no mains watch: %+v", v)
	}
	p.Holds = false
	if v := look("bench", &f.state, nil); v.First != nil || v.Phase != "warm-up" {
		t.Errorf("in soak: %+v", v)
	}
}
