package alarms_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// engine begins a run of the job on the test bench, its plate meter having the
// accuracy given, and feeds it one reading of each meter, in volt.
func engine(t *testing.T, htAccuracy, job string, volts ...float64) *alarms.Engine {
	t.Helper()
	b, err := bench.Parse("bench.toml", []byte(strings.ReplaceAll(benchText, "0.05% + 2", htAccuracy)))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", []byte("ticket = \"R-1187\"\nht_fuse = \"500mA\"\n"+job), b)
	if err != nil {
		t.Fatal(err)
	}
	e := alarms.New(b, j)
	e.Feed(alarms.Input{Act: &alarms.Act{Act: "begin"}})
	for m, v := range volts {
		e.Feed(alarms.Input{T: time.Second, Meter: m, Reading: shown(v, -5)})
	}
	return e
}

// fourSockets is the demo's amplifier, its resistors with a tolerance.
func fourSockets() string {
	var b strings.Builder
	for i := range 4 {
		b.WriteString("[[socket]]\nname = \"V" + "5678"[i:i+1] + "\"\ntube = \"6L6GC\"\nhalf = \"" + "aabb"[i:i+1] +
			"\"\nsense = { meter = \"k" + "1234"[i:i+1] + "\", ohms = 1.0, tolerance = \"1%\" }\nplate = { meter = \"ht\" }\n")
	}
	return b.String()
}

func near(t *testing.T, what string, got socket.Value, want float64) {
	t.Helper()
	if !got.Known || math.Abs(got.X-want) > 1e-9 {
		t.Errorf("%s = %+v, want %g", what, got, want)
	}
}

// The amplifier's figures are sums by hand. Their uncertainties are compared
// with 200 000 draws of the same distributions (GUM Supplement 1): the plate
// meter, far worse here than the others, errs alike for all four sockets.
func TestAmplifier(t *testing.T) {
	e := engine(t, "2% + 2", fourSockets(), 0.0410, 0.0420, 0.0400, 0.0390, 462)
	snap := e.Snapshot()
	a := snap.Amplifier
	near(t, "HT current", a.HTCurrent, 0.162)
	near(t, "power", a.Power, 0.041*(462-0.041)+0.042*(462-0.042)+0.040*(462-0.040)+0.039*(462-0.039))
	near(t, "share of the fuse", a.FuseRatio, 0.324)
	near(t, "imbalance", a.Imbalance, (0.083-0.079)/0.081)
	near(t, "V5's neighbour", snap.Sockets[0].Neighbour, 0.041/0.042-1)

	rng := rand.New(rand.NewPCG(4, 4))
	rect := func(half float64) float64 { return half * (2*rng.Float64() - 1) }
	read := [4]float64{0.0410, 0.0420, 0.0400, 0.0390}
	acc := [4][2]float64{{0.005, 3}, {0.005, 3}, {0.001, 5}, {0.001, 5}}
	const digit = 1e-5 // volt
	var m [5]struct{ sum, squares float64 }
	const draws = 200_000
	for range draws {
		ht := 462 + rect(0.02*462+2*digit) + rect(digit/2)
		var amps [4]float64
		var total, power float64
		for i, x := range read {
			sense := x + rect(acc[i][0]*x+acc[i][1]*digit) + rect(digit/2)
			amps[i] = sense / (1 + rect(0.01))
			total += amps[i]
			power += amps[i] * (ht - sense)
		}
		ha, hb := amps[0]+amps[1], amps[2]+amps[3]
		for i, x := range []float64{total, power, total / 0.5, 2 * (ha - hb) / (ha + hb), amps[0]/amps[1] - 1} {
			m[i].sum += x
			m[i].squares += x * x
		}
	}
	for i, v := range []struct {
		what string
		socket.Value
	}{{"HT current", a.HTCurrent}, {"power", a.Power}, {"share of the fuse", a.FuseRatio}, {"imbalance", a.Imbalance}, {"V5's neighbour", snap.Sockets[0].Neighbour}} {
		mean := m[i].sum / draws
		u := math.Sqrt(m[i].squares/draws - mean*mean)
		t.Logf("%-18s u %.4g propagated, %.4g drawn", v.what, v.U, u)
		if math.Abs(v.U/u-1) > 0.02 {
			t.Errorf("%s: u is %g, %g by Monte Carlo", v.what, v.U, u)
		}
	}
}

// The amplifier is known when every socket is, and only then.
func TestAmplifierUnknown(t *testing.T) {
	none := alarms.AmplifierState{}
	e := engine(t, "0.05% + 2", fourSockets(), 0.0410, 0.0420, 0.0400, 0.0390, 462)
	e.Advance(4 * time.Second)
	for m := range 3 {
		e.Feed(alarms.Input{T: 4 * time.Second, Meter: m, Reading: shown(0.041, -5)})
	}
	if a := e.Snapshot().Amplifier; !a.HTCurrent.Known || !a.Power.Known {
		t.Errorf("all are fresh: %+v", a)
	}
	e.Advance(6 * time.Second) // k4 and ht are silent now
	snap := e.Snapshot()
	if snap.Amplifier != none || snap.Sockets[2].Neighbour.Known || !snap.Sockets[0].Neighbour.Known {
		t.Errorf("k4 is silent: %+v, neighbours %+v %+v", snap.Amplifier, snap.Sockets[2].Neighbour, snap.Sockets[0].Neighbour)
	}
	e.Feed(alarms.Input{T: 6 * time.Second, Meter: 3, Reading: shown(0.041, -5)})
	if a := e.Snapshot().Amplifier; a.Power.Known || !a.HTCurrent.Known || !a.Imbalance.Known {
		t.Errorf("only the plate volts are unknown: %+v", a)
	}
	for _, r := range []drivers.Reading{shown(-0.041, -5), {Digits: 41, Exp: -3, Quantity: drivers.Resistance}} { // leads reversed, ohms
		e.Feed(alarms.Input{T: 6 * time.Second, Meter: 3, Reading: r})
		if a := e.Snapshot().Amplifier; a != none {
			t.Errorf("k4 reads %s %s: %+v", r.Text(), r.Unit(), a)
		}
	}
}

// One resistor for two tubes: what it errs by is the same for both, and it says
// nothing of their balance.
func TestAmplifierOnOneResistor(t *testing.T) {
	const tube = "tube = \"EL84\"\nsense = { meter = \"k1\", ohms = 130, tolerance = \"5%\", shared_by = 2 }\nplate = { meter = \"ht\" }\n"
	pair := func(half string) alarms.Snapshot {
		return engine(t, "0.05% + 2", "bias = \"cathode\"\n[[socket]]\nname = \"V3\"\nhalf = \"a\"\n"+tube+"[[socket]]\nname = \"V4\"\nhalf = \""+half+"\"\n"+tube,
			9.1, 0, 0, 0, 310).Snapshot()
	}
	snap := pair("b")
	a, v3 := snap.Amplifier, snap.Sockets[0]
	near(t, "HT current", a.HTCurrent, 0.070) // 9.1 V over 130 ohms, whichever way it divides
	if one := v3.CathodeCurrent; math.Abs(a.HTCurrent.U/a.HTCurrent.X-one.U/one.X) > 1e-12 || one.U == 0 {
		t.Errorf("u %g of the sum, %g of one", a.HTCurrent.U, one.U)
	}
	if one := v3.PlateDissipation; a.Power.U < 2*one.U || a.Power.U > 2.1*one.U {
		t.Errorf("u %g of the power, %g of one", a.Power.U, one.U)
	}
	if side := pair("a").Sockets[0].Neighbour; a.Imbalance.Known || side.Known {
		t.Errorf("balance of two tubes on one resistor: %+v, %+v", a.Imbalance, side)
	}
}

// A screen that is measured dissipates apart from its plate, and both count once.
func TestAmplifierWithScreen(t *testing.T) {
	snap := engine(t, "0.05% + 2", "[[socket]]\nname = \"V5\"\ntube = \"6L6GC\"\nsense = { meter = \"k1\", ohms = 1.0, tolerance = \"1%\" }\n"+
		"plate = { meter = \"ht\" }\nscreen = { meter = \"k2\", ohms = 470, supply = \"k3\" }\n", 0.041, 1.175, 455, 0, 462).Snapshot()
	near(t, "HT current", snap.Amplifier.HTCurrent, 0.041)
	near(t, "power", snap.Amplifier.Power, 0.0385*(462-0.041)+0.0025*(455-1.175-0.041))
	plate, screen := snap.Sockets[0].PlateDissipation.U, snap.Sockets[0].ScreenDissipation.U
	if u := snap.Amplifier.Power.U; u < math.Hypot(plate, screen) || u > 1.001*(plate+screen) {
		t.Errorf("u of the power %g, of plate %g and screen %g", u, plate, screen)
	}
}

// By transformer drop the sum is of plate currents, with the screens' once
// they are known; windings warm together, so no part of it averages out.
func TestAmplifierByTransformerDrop(t *testing.T) {
	job := func(more string) string {
		text := ""
		for i := range 2 {
			text += "[[socket]]\nname = \"V" + "56"[i:i+1] + "\"\ntube = \"EL34\"\nhalf = \"" + "ab"[i:i+1] + "\"\nsense = { meter = \"k" + "12"[i:i+1] +
				"\", transformer_ohms = 40, tolerance = \"1%\", isolated = true }\nplate = { meter = \"ht\" }\n" + more
		}
		return text
	}
	e := engine(t, "0.05% + 2", job(""), 1.52, 1.48, 0, 0, 440)
	snap := e.Snapshot()
	near(t, "HT current", snap.Amplifier.HTCurrent, 0.075)
	near(t, "imbalance", snap.Amplifier.Imbalance, 0.001/0.0375)
	if u := snap.Sockets[0].PlateCurrent.U + snap.Sockets[1].PlateCurrent.U; math.Abs(snap.Amplifier.HTCurrent.U-u) > 1e-12 || u == 0 {
		t.Errorf("u %g, want %g", snap.Amplifier.HTCurrent.U, u)
	}
	e.Feed(alarms.Input{T: 6 * time.Second, Meter: 0, Reading: shown(1.52, -5)}) // closes the first stretch
	e.Feed(alarms.Input{T: 11 * time.Second, Meter: 0, Reading: shown(1.52, -5)})
	e.Feed(alarms.Input{T: 11 * time.Second, Act: &alarms.Act{Act: "adjusted", Socket: "V5"}})
	f := e.Snapshot().Sockets[0].AsFound
	near(t, "plate current as found", f.PlateCurrent, 0.038)
	if f.CathodeCurrent.Known {
		t.Errorf("cathode current as found: %+v", f.CathodeCurrent)
	}
	snap = engine(t, "0.05% + 2", job("screen_share = \"10%\"\n"), 1.52, 1.48, 0, 0, 440).Snapshot()
	near(t, "HT current with 10 % in the screens", snap.Amplifier.HTCurrent, 0.075/0.9)
}

// As found is what a socket idled at when its trimmer was first turned, as left
// where it settled after the last turn.
func TestAsFoundAsLeft(t *testing.T) {
	s := newScript(t).on()
	at := s.e.Snapshot().Sockets
	s.sense[0] = 0.045 // as found stays what it settled at
	s.run(20 * time.Second)
	s.act(alarms.Act{Act: "adjusted", Socket: "V5"})
	idle := func(what string, i *alarms.Idle, t1 time.Duration, amps, volts float64) {
		t.Helper()
		if i == nil {
			t.Fatalf("%s: nothing", what)
		}
		if i.T != t1 || math.Abs(i.CathodeCurrent.X-amps) > 1e-6 || math.Abs(i.PlateVolts.X-volts) > 0.1 || math.Abs(i.DissipationRatio.X-amps*volts/30) > 1e-4 || i.PlateCurrent.Known {
			t.Errorf("%s: %+v, want %g A and %g V at %v", what, *i, amps, volts, t1)
		}
	}
	v5 := func() alarms.SocketState { return s.e.Snapshot().Sockets[0] }
	idle("found", v5().AsFound, at[0].SettledAt, 0.041, 462)
	if v5().AsLeft != nil || v5().SettledRatio.Known || s.e.Snapshot().Sockets[1].AsFound != nil {
		t.Errorf("turned just now: V5 %+v", v5())
	}
	s.sense[0], s.ht = 0.047, 455
	s.run(12 * time.Minute)
	settled := v5().SettledAt
	idle("left", v5().AsLeft, settled, 0.047, 455)
	s.act(alarms.Act{Act: "adjusted", Socket: "all"})
	idle("found", v5().AsFound, at[0].SettledAt, 0.041, 462)
	idle("V6 found", s.e.Snapshot().Sockets[1].AsFound, at[1].SettledAt, 0.0412, 462)
	if v5().AsLeft != nil {
		t.Error("turned again, and what it was left at is not known yet")
	}

	// Before it settled: the last minute. Before a reading: nothing known.
	s = newScript(t)
	s.act(alarms.Act{Act: "adjusted", Socket: "V6"})
	if f := s.e.Snapshot().Sockets[1].AsFound; f == nil || *f != (alarms.Idle{}) {
		t.Errorf("found before any reading: %+v", f)
	}
	s.sense, s.ht = [4]float64{0.030, 0.030, 0.030, 0.030}, 470
	s.run(time.Minute)
	s.sense[0] = 0.036
	s.run(65 * time.Second)
	s.act(alarms.Act{Act: "adjusted", Socket: "V5"})
	f := v5().AsFound
	if f.T < s.now-time.Minute || f.T > s.now {
		t.Errorf("found at %v, it is %v", f.T, s.now)
	}
	idle("found unsettled", f, f.T, 0.036, 470)
}
