package panel

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/acquire/tube"
	"nightsoak/alarms"
)

// TestTargetIsWhereItLeads: whatever the way of sensing, a meter that shows the
// target makes Convert say that share of the limit, and the current beside it.
func TestTargetIsWhereItLeads(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 5))
	none := bench.Socket{Tube: &tube.Type{}, Limit: 30, PlateMeter: 1, CathodeMeter: -1, ScreenMeter: -1, ScreenSupply: -1}
	for name, change := range map[string]func(*bench.Socket){
		"resistor":          func(s *bench.Socket) { s.Sense.Ohms = 1 },
		"shared by three":   func(s *bench.Socket) { s.Sense.Ohms, s.Sense.SharedBy = 1, 3 },
		"share set":         func(s *bench.Socket) { s.Sense.Ohms, s.ScreenShare = 10, 0.06 },
		"screen measured":   func(s *bench.Socket) { s.Sense.Ohms, s.ScreenMeter, s.ScreenOhms = 1, 2, 470 },
		"half primary":      func(s *bench.Socket) { s.Sense.TransformerOhms = 38.2 },
		"primary, warmed":   func(s *bench.Socket) { s.Sense.TransformerOhms, s.Sense.WarmsBy = 38.2, 40 },
		"primary and share": func(s *bench.Socket) { s.Sense.TransformerOhms, s.ScreenShare = 38.2, 0.06 },
	} {
		s := none
		change(&s)
		for range 50 {
			vak, ratio := 200+400*rnd.Float64(), 0.5+0.3*rnd.Float64()
			m := socket.Measured{Screen: socket.Value{X: 470 * 0.003 * rnd.Float64(), Known: true}}
			k := alarms.SocketState{Figures: socket.Figures{PlateVolts: is(vak), ScreenCurrent: is(m.Screen.X / 470)}}
			amperes, volts := sensedAt(&s, &k, ratio)
			m.Sense = is(volts)
			m.Plate = is(vak + volts) // what stands between supply and tube is the sense volts, either way
			got := socket.Convert(&s, m)
			sensed := got.CathodeCurrent
			if s.Sense.TransformerOhms > 0 {
				sensed = got.PlateCurrent
			}
			if math.Abs(got.DissipationRatio.X-ratio) > 1e-9 || math.Abs(sensed.X-amperes) > 1e-12 {
				t.Fatalf("%s: at the target of %g the share is %g, the current %g for %g", name, ratio, got.DissipationRatio.X, sensed.X, amperes)
			}
		}
	}
}

func TestWhichWay(t *testing.T) {
	for _, c := range []struct {
		more socket.Value
		want string
	}{
		{isWithin(0.0032, 0.0002), "3.2 mA to go: up"},
		{isWithin(-0.0021, 0.0002), "2.1 mA over: down"},
		{isWithin(0.0003, 0.0002), "on target ± 0.4 mA"},
		{isWithin(-0.0004, 0.0002), "on target ± 0.4 mA"},
		{isWithin(0.0005, 0.0002), "0.5 mA to go: up"},
		{is(0.0003), "0.3 mA to go: up"}, // how sure is not known: the figure speaks
		{is(0.00004), "on target"},
	} {
		var v trimView
		v.direct(c.more)
		if v.Go != c.want || v.There != strings.HasPrefix(c.want, "on target") || v.GoSign == "" {
			t.Errorf("%v: %q, there %t, sign %q; want %q", c.more, v.Go, v.There, v.GoSign, c.want)
		}
	}
}

func TestScale(t *testing.T) {
	for ratio, want := range map[float64]float64{-1: 0, 0.4: 0, 0.725: 50, 1.05: 100, 3: 100} {
		if got := across(ratio); math.Abs(got-want) > 1e-9 {
			t.Errorf("a share of %g stands at %g %%, want %g %%", ratio, got, want)
		}
	}
}

// TestIdleWords: what the page says, and does not say, of runs of every kind.
func TestIdleWords(t *testing.T) {
	const buttons, direction = `data-act="adjusted"`, `class="go"`
	for _, c := range []struct {
		name, scene string
		change      func(*fake)
		says, not   []string
	}{
		{"at the target's plate volts", "well", nil, []string{"42.2 mV", "1.2 mA to go: up", "41.0 mV across 1 Ω", "HT is up: 462 V", "One hand only", "± 0.8", buttons}, []string{"As found"}},
		{"with less plate volts the target rises", "well", func(f *fake) { f.state.Snapshot.Sockets[0].PlateVolts = is(440) }, []string{"44.3 mV"}, nil},
		{"over its target", "trimmed", nil, []string{"2.6 mA over: down"}, nil},
		{"a runaway is no matter of trimmers", "runaway", nil, []string{"not now: do what the alarm says", "to go: up"}, []string{"over: down"}},
		{"as found and as left", "trimmed", nil, []string{"34.1 mA, 53.4 %, 470 V at 22:32", "40.6 mA, 62.5 %, 462 V at 22:43"}, nil},
		{"unknown says why", "trimmed", nil, []string{"<b>unknown</b>", "k4 silent for 49 s", "read 49 s ago"}, nil},
		{"another target", "well", func(f *fake) { f.jobs.IdleTarget = 0.58 }, []string{"58 % <small>asked", "60 %", "65 %", "70 %"}, []string{"65 % <small>asked"}},
		{"no target", "well", func(f *fake) { f.jobs.IdleTarget = 0 }, []string{"no idle_target", "42.2 mV"}, []string{"to go", "asked"}},
		{"cathode bias", "well", func(f *fake) { f.jobs.Bias = "cathode" }, []string{"Cathode bias: there is no trimmer", "41.0 mV across 1 Ω"}, []string{buttons, direction, "to go", "60 %", "One hand"}},
		{"no plate volts", "well", func(f *fake) {
			for i := range f.state.Snapshot.Sockets {
				f.state.Snapshot.Sockets[i].PlateVolts, f.state.Snapshot.Sockets[i].DissipationRatio = socket.Value{}, socket.Value{}
			}
		}, []string{"plate volts unknown: no target", "41.0 mV"}, []string{"to go", "42.2 mV"}},
		{"plate current alone", "well", func(f *fake) {
			for i := range f.jobs.Sockets {
				f.jobs.Sockets[i].Sense = bench.Sense{TransformerOhms: 38.2, SharedBy: 1}
				f.state.Snapshot.Sockets[i].CathodeCurrent = socket.Value{}
			}
		}, []string{"mA plate", "1.566 V across half the primary, 38.2 Ω", "1.612 V"}, nil},
		{"a shared resistor", "well", func(f *fake) { f.jobs.Sockets[0].Sense.SharedBy = 2 }, []string{"mean of 2 on one resistor", "82.0 mV across 1 Ω", "84.4 mV"}, nil},
		{"the amplifier as a whole", "well", func(f *fake) {
			f.state.Snapshot.Amplifier = alarms.AmplifierState{HTCurrent: is(0.1631), Imbalance: is(-0.012)}
		}, []string{"163.1 mA of HT current in all; half b 1.2 % above half a"}, nil},
		{"still warming", "warm-up", nil, []string{"warming up: settles in 5 min"}, nil},
		{"without HT", "cool-down", nil, []string{"no target until HT is up", "HT: still charged"}, []string{"to go", "<b>HT is up"}},
		{"another run's job", "well", func(f *fake) { f.state.RunID = "" }, []string{"No run is on"}, []string{"to go"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := scene(c.scene)
			if c.change != nil {
				c.change(f)
			}
			if f.state.RunID == "" {
				f.state.Snapshot.Sockets = nil
			}
			body := ask(t, f, Options{Job: f.job}, "GET", "/idle", "", nil).Body.String()
			for _, s := range c.says {
				if !strings.Contains(body, s) {
					t.Errorf("the page does not say %q:\n%s", s, body[strings.Index(body, "<header"):])
				}
			}
			for _, s := range c.not {
				if strings.Contains(body, s) {
					t.Errorf("the page says %q", s)
				}
			}
		})
	}
	if body := ask(t, scene("well"), Options{}, "GET", "/idle", "", nil).Body.String(); !strings.Contains(body, "The job file is not known here") || strings.Contains(body, "to go") {
		t.Error("without the job the page must say so and give no target")
	}
}
