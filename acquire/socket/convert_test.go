package socket

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/tube"
	"nightsoak/drivers"
)

// simulated is a tube with everything known, and the circuit around it.
type simulated struct {
	ip, is, vak, vg2 float64 // plate and screen current, plate and screen to cathode volts
	cathodeOhms      float64 // cathode to chassis
	primary, screen  float64 // ohms of half the primary, of the screen resistor
}

// way is a way of sensing: the socket, and what its meters show on a simulated
// tube; the sense resistor by its true value.
type way struct {
	name   string
	socket func(simulated) bench.Socket
	meters func(simulated) Measured
	// figures is the arithmetic of a bench note-book, written apart from Convert:
	// from what the meters show and the true resistor to the currents, plate and
	// screen volts. NaN where the way tells nothing.
	figures     func(s *bench.Socket, ohms float64, m Measured) (ik, ip, ig2, va, vg2 float64)
	screenKnown bool
}

// show is what all meters show; the screen's supply is metered in every way.
func (w *way) show(x simulated) Measured {
	m := w.meters(x)
	stand := m.Sense.X
	if strings.HasPrefix(w.name, "half primary") {
		stand = 0
	}
	if m.Cathode.Known {
		stand = m.Cathode.X
	}
	m.ScreenSupply = volts(x.vg2 + m.Screen.X + stand)
	return m
}

var ways = []way{
	{
		"cathode resistor",
		func(x simulated) bench.Socket { return one(25, x.cathodeOhms) },
		func(x simulated) Measured {
			vk := (x.ip + x.is) * x.cathodeOhms
			return Measured{Sense: volts(vk), Plate: volts(x.vak + vk)}
		},
		func(_ *bench.Socket, r float64, m Measured) (ik, ip, ig2, va, vg2 float64) {
			return m.Sense.X / r, m.Sense.X / r, math.NaN(), m.Plate.X - m.Sense.X, m.ScreenSupply.X - m.Sense.X
		},
		false,
	},
	{
		"shared by three",
		func(x simulated) bench.Socket {
			s := one(25, x.cathodeOhms)
			s.Sense.SharedBy = 3
			return s
		},
		func(x simulated) Measured {
			vk := 3 * (x.ip + x.is) * x.cathodeOhms
			return Measured{Sense: volts(vk), Plate: volts(x.vak + vk)}
		},
		func(_ *bench.Socket, r float64, m Measured) (ik, ip, ig2, va, vg2 float64) {
			return m.Sense.X / r / 3, m.Sense.X / r / 3, math.NaN(), m.Plate.X - m.Sense.X, m.ScreenSupply.X - m.Sense.X
		},
		false,
	},
	{
		"screen share set",
		func(x simulated) bench.Socket {
			s := one(25, x.cathodeOhms)
			s.ScreenShare = x.is / (x.ip + x.is)
			return s
		},
		func(x simulated) Measured {
			vk := (x.ip + x.is) * x.cathodeOhms
			return Measured{Sense: volts(vk), Plate: volts(x.vak + vk)}
		},
		func(s *bench.Socket, r float64, m Measured) (ik, ip, ig2, va, vg2 float64) {
			return m.Sense.X / r, m.Sense.X / r * (1 - s.ScreenShare), m.Sense.X / r * s.ScreenShare, m.Plate.X - m.Sense.X, m.ScreenSupply.X - m.Sense.X
		},
		true,
	},
	{
		"screen measured, cathode meter over a bias resistor",
		func(x simulated) bench.Socket {
			s := one(25, x.cathodeOhms)
			s.CathodeMeter, s.ScreenMeter, s.ScreenOhms = 2, 3, x.screen
			return s
		},
		func(x simulated) Measured {
			ik := x.ip + x.is
			vk := ik * (x.cathodeOhms + 400) // the sense resistor in series with 400 ohm
			return Measured{Sense: volts(ik * x.cathodeOhms), Plate: volts(x.vak + vk), Cathode: volts(vk), Screen: volts(x.is * x.screen)}
		},
		func(s *bench.Socket, r float64, m Measured) (ik, ip, ig2, va, vg2 float64) {
			ig2 = m.Screen.X / s.ScreenOhms
			return m.Sense.X / r, m.Sense.X/r - ig2, ig2, m.Plate.X - m.Cathode.X, m.ScreenSupply.X - m.Screen.X - m.Cathode.X
		},
		true,
	},
	{
		"sense meter named as cathode meter",
		func(x simulated) bench.Socket {
			s := one(25, x.cathodeOhms)
			s.CathodeMeter = s.Sense.Meter
			return s
		},
		func(x simulated) Measured {
			vk := (x.ip + x.is) * x.cathodeOhms
			return Measured{Sense: volts(vk), Cathode: volts(vk), Plate: volts(x.vak + vk)}
		},
		func(_ *bench.Socket, r float64, m Measured) (ik, ip, ig2, va, vg2 float64) {
			return m.Sense.X / r, m.Sense.X / r, math.NaN(), m.Plate.X - m.Sense.X, m.ScreenSupply.X - m.Sense.X
		},
		false,
	},
	{
		"half primary",
		func(x simulated) bench.Socket {
			s := one(25, 0)
			s.Sense.TransformerOhms = x.primary
			return s
		},
		func(x simulated) Measured {
			return Measured{Sense: volts(x.ip * x.primary), Plate: volts(x.vak + x.ip*x.primary)}
		},
		func(_ *bench.Socket, r float64, m Measured) (ik, ip, ig2, va, vg2 float64) {
			return math.NaN(), m.Sense.X / r, math.NaN(), m.Plate.X - m.Sense.X, m.ScreenSupply.X
		},
		true,
	},
	{
		"half primary of two plates, share set, cathode meter",
		func(x simulated) bench.Socket {
			s := one(25, 0)
			s.Sense.TransformerOhms, s.Sense.SharedBy = x.primary, 2
			s.ScreenShare, s.CathodeMeter = x.is/(x.ip+x.is), 2
			return s
		},
		func(x simulated) Measured {
			vk, drop := (x.ip+x.is)*x.cathodeOhms, 2*x.ip*x.primary
			return Measured{Sense: volts(drop), Plate: volts(x.vak + drop + vk), Cathode: volts(vk)}
		},
		func(s *bench.Socket, r float64, m Measured) (ik, ip, ig2, va, vg2 float64) {
			ip = m.Sense.X / r / 2
			ik = ip / (1 - s.ScreenShare)
			return ik, ip, ik * s.ScreenShare, m.Plate.X - m.Sense.X - m.Cathode.X, m.ScreenSupply.X - m.Cathode.X
		},
		true,
	},
	{
		"half primary, screen measured",
		func(x simulated) bench.Socket {
			s := one(25, 0)
			s.Sense.TransformerOhms, s.ScreenMeter, s.ScreenOhms = x.primary, 2, x.screen
			return s
		},
		func(x simulated) Measured {
			drop := x.ip * x.primary
			return Measured{Sense: volts(drop), Plate: volts(x.vak + drop), Screen: volts(x.is * x.screen)}
		},
		func(s *bench.Socket, r float64, m Measured) (ik, ip, ig2, va, vg2 float64) {
			ig2 = m.Screen.X / s.ScreenOhms
			return m.Sense.X/r + ig2, m.Sense.X / r, ig2, m.Plate.X - m.Sense.X, m.ScreenSupply.X - m.Screen.X
		},
		true,
	},
	{
		"half primary, warming",
		func(x simulated) bench.Socket {
			s := one(25, 0)
			s.Sense.TransformerOhms, s.Sense.WarmsBy = x.primary, 40
			return s
		},
		func(x simulated) Measured {
			drop := x.ip * x.primary * 1.0786 // 20 K warmer, the middle
			return Measured{Sense: volts(drop), Plate: volts(x.vak + drop)}
		},
		func(_ *bench.Socket, r float64, m Measured) (ik, ip, ig2, va, vg2 float64) {
			return math.NaN(), m.Sense.X / r, math.NaN(), m.Plate.X - m.Sense.X, m.ScreenSupply.X
		},
		true,
	},
}

// Whatever way it is sensed, one tube has one dissipation; where the screen's
// share is not known, it is overstated by just that.
func TestWaysAgreeOnOneTube(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		x := simulated{
			ip: 0.005 + 0.1*rnd.Float64(), is: 0.0002 + 0.01*rnd.Float64(), vak: 100 + 500*rnd.Float64(), vg2: 100 + 400*rnd.Float64(),
			cathodeOhms: 1 + 500*rnd.Float64(), primary: 20 + 200*rnd.Float64(), screen: 100 + 1000*rnd.Float64(),
		}
		for _, w := range ways {
			s := w.socket(x)
			f := Convert(&s, w.show(x))
			watts := x.ip * x.vak
			if !w.screenKnown {
				watts = (x.ip + x.is) * x.vak
			}
			near := func(what string, v Value, want float64) {
				if !v.Known || math.Abs(v.X/want-1) > 1e-9 {
					t.Errorf("%s: %s %v, want %g on %+v", w.name, what, v, want, x)
				}
			}
			near("dissipation", f.PlateDissipation, watts)
			near("ratio", f.DissipationRatio, watts/25)
			near("plate volts", f.PlateVolts, x.vak)
			near("plate volts ratio", f.PlateVoltsRatio, x.vak/500)
			near("screen volts", f.ScreenVolts, x.vg2)
			if s.ScreenMeter >= 0 || s.ScreenShare > 0 {
				near("screen current", f.ScreenCurrent, x.is)
				near("screen dissipation", f.ScreenDissipation, x.is*x.vg2)
				near("screen ratio", f.ScreenRatio, x.is*x.vg2/8)
			} else if f.ScreenCurrent.Known || f.ScreenDissipation.Known || f.ScreenRatio.Known {
				t.Errorf("%s: screen figures %v, %v from nothing", w.name, f.ScreenCurrent, f.ScreenDissipation)
			}
			if s.Sense.TransformerOhms > 0 && !f.ScreenCurrent.Known {
				if f.CathodeCurrent.Known || f.CathodeCurrentRatio.Known {
					t.Errorf("%s: cathode current %v from plate current alone", w.name, f.CathodeCurrent)
				}
				continue
			}
			near("cathode current", f.CathodeCurrent, x.ip+x.is)
			near("cathode current ratio", f.CathodeCurrentRatio, (x.ip+x.is)/0.150)
		}
	}
}

// What is unknown takes with it what depends on it, and nothing else.
func TestUnknownInUnknownOut(t *testing.T) {
	all := Measured{Sense: volts(0.04), Plate: volts(460), Cathode: volts(20), Screen: volts(1), ScreenSupply: volts(400)}
	plain := one(25, 1)
	with := func(change func(*bench.Socket)) bench.Socket { s := plain; change(&s); return s }
	screen := with(func(s *bench.Socket) { s.ScreenMeter, s.ScreenOhms = 2, 1000 })
	share := with(func(s *bench.Socket) { s.ScreenShare = 0.06 })
	cathode := with(func(s *bench.Socket) { s.CathodeMeter = 3 })
	primary := with(func(s *bench.Socket) { s.Sense.Ohms, s.Sense.TransformerOhms = 0, 40 })
	for _, c := range []struct {
		name   string
		socket bench.Socket
		lose   func(*Measured)
		known  string // cathode current, plate current, plate volts, dissipation, ratio
		screen string // current, volts, dissipation, ratio
		shares string // of plate volts, of cathode current
	}{
		{"all there", plain, func(*Measured) {}, "11111", "0100", "11"},
		{"no sense", plain, func(m *Measured) { m.Sense = Value{} }, "00000", "0000", "00"},
		{"no plate", plain, func(m *Measured) { m.Plate = Value{} }, "11000", "0100", "01"},
		{"nothing", plain, func(m *Measured) { *m = Measured{} }, "00000", "0000", "00"},
		{"no screen figure, no screen meter", plain, func(m *Measured) { m.Screen, m.Cathode = Value{}, Value{} }, "11111", "0100", "11"},
		{"screen", screen, func(*Measured) {}, "11111", "1111", "11"},
		{"no screen figure", screen, func(m *Measured) { m.Screen = Value{} }, "10100", "0000", "11"},
		{"no screen supply", screen, func(m *Measured) { m.ScreenSupply = Value{} }, "11111", "1000", "11"},
		{"share", share, func(*Measured) {}, "11111", "1111", "11"},
		{"share, no sense", share, func(m *Measured) { m.Sense = Value{} }, "00000", "0000", "00"},
		{"no cathode figure", cathode, func(m *Measured) { m.Cathode = Value{} }, "11000", "0000", "01"},
		{"no sense, but cathode", cathode, func(m *Measured) { m.Sense = Value{} }, "00100", "0100", "10"},
		{"primary", primary, func(*Measured) {}, "01111", "0100", "10"},
		{"primary, no plate", primary, func(m *Measured) { m.Plate = Value{} }, "01000", "0100", "00"},
		{"no limit", with(func(s *bench.Socket) { s.Limit = 0 }), func(*Measured) {}, "11110", "0100", "11"},
		{"limits not published", with(func(s *bench.Socket) {
			s.ScreenMeter, s.ScreenOhms, s.Tube = 2, 1000, &tube.Type{}
		}), func(*Measured) {}, "11111", "1110", "00"},
		{"no resistor", with(func(s *bench.Socket) { s.Sense.Ohms = 0 }), func(*Measured) {}, "00100", "0100", "10"},
		{"no screen resistor", with(func(s *bench.Socket) { s.ScreenMeter = 2 }), func(*Measured) {}, "10100", "0100", "11"},
	} {
		m := all
		c.lose(&m)
		f := Convert(&c.socket, m)
		known := func(values ...Value) (s string) {
			for _, v := range values {
				if !v.Known && v != (Value{}) {
					t.Errorf("%s: unknown, yet %+v", c.name, v)
				}
				s += map[bool]string{true: "1", false: "0"}[v.Known]
			}
			return s
		}
		if got := known(f.CathodeCurrent, f.PlateCurrent, f.PlateVolts, f.PlateDissipation, f.DissipationRatio); got != c.known {
			t.Errorf("%s: known %s, want %s", c.name, got, c.known)
		}
		if got := known(f.ScreenCurrent, f.ScreenVolts, f.ScreenDissipation, f.ScreenRatio); got != c.screen {
			t.Errorf("%s: of the screen known %s, want %s", c.name, got, c.screen)
		}
		if got := known(f.PlateVoltsRatio, f.CathodeCurrentRatio); got != c.shares {
			t.Errorf("%s: of the shares known %s, want %s", c.name, got, c.shares)
		}
	}
}

// 40 K warmer is 16 % more ohms (15.7): the current reads at the middle, and the
// band of both ends is its uncertainty.
func TestWindingWarms(t *testing.T) {
	s := one(25, 0)
	s.Sense.TransformerOhms, s.Sense.Tolerance = 100, 1e-9
	m := Measured{Sense: Value{4, 1e-9, true}, Plate: Value{404, 1e-9, true}}
	cold := Convert(&s, m)
	s.Sense.WarmsBy = 40
	warm := Convert(&s, m)
	if math.Abs(cold.PlateCurrent.X-0.04) > 1e-12 || math.Abs(warm.PlateCurrent.X-0.04/1.0786) > 1e-12 {
		t.Errorf("cold %v, warm %v; want 40 mA, 37.085 mA", cold.PlateCurrent, warm.PlateCurrent)
	}
	if want := 0.04 / 1.0786 * 0.0786 / 1.0786 / math.Sqrt(3); math.Abs(warm.PlateCurrent.U/want-1) > 1e-6 {
		t.Errorf("u %g, want %g", warm.PlateCurrent.U, want)
	}
	s.Sense.TransformerOhms, s.Sense.Ohms = 0, 100
	if f := Convert(&s, m); f.PlateCurrent != cold.PlateCurrent {
		t.Errorf("a cathode resistor is no winding: %v, want %v", f.PlateCurrent, cold.PlateCurrent)
	}
}

// An uncertainty is stated only where every part of it is.
func TestUnstatedUncertainty(t *testing.T) {
	full := Measured{Sense: Value{0.04, 1e-5, true}, Plate: Value{460, 1, true}}
	for _, c := range []struct {
		name   string
		change func(*bench.Socket, *Measured)
		stated [3]bool // current, plate volts, dissipation
	}{
		{"all", func(*bench.Socket, *Measured) {}, [3]bool{true, true, true}},
		{"no tolerance", func(s *bench.Socket, _ *Measured) { s.Sense.Tolerance = 0 }, [3]bool{false, true, false}},
		{"sense meter", func(_ *bench.Socket, m *Measured) { m.Sense.U = 0 }, [3]bool{false, false, false}},
		{"plate meter", func(_ *bench.Socket, m *Measured) { m.Plate.U = 0 }, [3]bool{true, false, false}},
	} {
		s, m := one(25, 1), full
		s.Sense.Tolerance = 0.01
		c.change(&s, &m)
		f := Convert(&s, m)
		if got := [3]bool{f.CathodeCurrent.U > 0, f.PlateVolts.U > 0, f.PlateDissipation.U > 0}; got != c.stated {
			t.Errorf("%s: stated %v, want %v", c.name, got, c.stated)
		}
	}
}

func TestMeasuredValue(t *testing.T) {
	r := drivers.Reading{Digits: 382, Exp: -4, Prefix: -3, Quantity: drivers.Voltage}
	acc := bench.Accuracy{Given: true, OfReading: 0.005, Counts: 3}
	// By hand: (0.005 · 38.2 + 0.3)/√3 = 0.28348 mV, 0.1/√12 = 0.02887 mV.
	if v := MeasuredValue(r, acc); !v.Known || v.X != 0.0382 || math.Abs(v.U-0.284945e-3) > 1e-9 {
		t.Errorf("38.2 mV ± (0.5 %% + 3): %+v, want u 0.284945 mV", v)
	}
	if v := MeasuredValue(r, bench.Accuracy{}); v != (Value{X: 0.0382, Known: true}) {
		t.Errorf("without accuracy: %+v", v)
	}
	for _, f := range []drivers.Flags{drivers.Overload, drivers.NotANumber} {
		if v := MeasuredValue(drivers.Reading{Exp: -4, Quantity: drivers.Voltage, Flags: f}, acc); v != (Value{}) {
			t.Errorf("%v: %+v, want unknown", f, v)
		}
	}
}

// What is not DC volts never becomes a current or a dissipation.
func TestVoltsRefusesAllElse(t *testing.T) {
	for _, c := range []struct{ text, unit, flags string }{
		{"38.2", "Ω", ""}, {"38.2", "kΩ", "auto"}, {"38.2", "mA", "dc"}, {"38.2", "A", ""}, {"38.2", "Hz", ""}, {"38.2", "nF", ""},
		{"38.2", "°C", ""}, {"38.2", "°F", ""}, {"38.2", "%", ""}, {"38.2", "dB", ""}, {"38.2", "hFE", ""}, {"38.2", "", ""},
		{"38.2", "mV", "ac"}, {"38.2", "V", "ac dc"}, {"0.612", "V", "diode"}, {"0.612", "V", "dc diode"}, {"38.2", "Ω", "beep"}, {"38.2", "V", "beep"},
		{"OL", "mV", "dc"}, {"OL", "V", "diode overload"}, {"NaN", "V", "dc"},
	} {
		r, err := drivers.ParseReading(c.text, c.unit, c.flags)
		if err != nil {
			t.Fatal(err)
		}
		v := Volts(r, bench.Accuracy{Given: true, OfReading: 0.005, Counts: 3})
		s := one(25, 1)
		if f := Convert(&s, Measured{Sense: v, Plate: volts(460)}); v != (Value{}) || f.CathodeCurrent != (Value{}) || f.PlateDissipation != (Value{}) {
			t.Errorf("%v: %+v, %+v", r, v, f)
		}
	}
	for _, flags := range []string{"", "dc", "dc auto", "lowbat"} {
		r, err := drivers.ParseReading("38.2", "mV", flags)
		if v := Volts(r, bench.Accuracy{}); err != nil || v != volts(0.0382) {
			t.Errorf("%v: %+v, %v", r, v, err)
		}
	}
}

func TestSenseOpenVolts(t *testing.T) {
	s := one(25, 1)
	near := func(what string, got, want float64) {
		if math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: %g V, want %g V", what, got, want)
		}
	}
	near("1 ohm, 25 W at 500 V", SenseOpenVolts(&s, 500), 0.25)
	s.Sense.SharedBy = 4
	near("shared by four", SenseOpenVolts(&s, 500), 1)
	s.Sense = bench.Sense{TransformerOhms: 40}
	near("half primary", SenseOpenVolts(&s, 500), 10)
	for _, v := range []float64{0, -3, math.NaN()} {
		if got := SenseOpenVolts(&s, v); !math.IsInf(got, 1) {
			t.Errorf("at %g V: %g, want +Inf", v, got)
		}
	}
}

func TestValueJSON(t *testing.T) {
	for _, c := range []struct {
		v    Value
		want string
	}{{Value{}, "null"}, {volts(0.0351), "0.0351"}, {volts(1.0 / 3), "0.3333333"}, {volts(0), "0"}, {Value{X: 5}, "null"}, {volts(math.Inf(1)), "null"}, {volts(math.NaN()), "null"}} {
		if got, err := c.v.MarshalJSON(); err != nil || string(got) != c.want {
			t.Errorf("%+v is %s, %v; want %s", c.v, got, err, c.want)
		}
	}
}

// Estimate gives the bits of Convert, whatever meters tell.
func TestEstimate(t *testing.T) {
	for _, w := range ways {
		x := simulated{ip: 0.04, is: 0.003, vak: 460, cathodeOhms: 1, primary: 40, screen: 470}
		s, all := w.socket(x), w.show(x)
		for silent := range 1 << 5 {
			m := all
			for i, v := range []*Value{&m.Sense, &m.Plate, &m.Cathode, &m.Screen, &m.ScreenSupply} {
				if silent>>i&1 != 0 {
					*v = Value{}
				}
			}
			c := Convert(&s, m)
			want := Estimates{c.CathodeCurrent, c.PlateCurrent, c.PlateVolts, c.DissipationRatio}
			for _, v := range []*Value{&want.CathodeCurrent, &want.PlateCurrent, &want.PlateVolts, &want.DissipationRatio} {
				v.U = 0
			}
			if got := Estimate(&s, &m); got != want {
				t.Errorf("%s, silent %05b: %+v, want %+v", w.name, silent, got, want)
			}
		}
	}
}

var sink Figures

func TestConvertAllocatesNothing(t *testing.T) {
	for _, w := range ways {
		x := simulated{ip: 0.04, is: 0.003, vak: 460, cathodeOhms: 1, primary: 40, screen: 470}
		s, m := w.socket(x), w.show(x)
		r := drivers.Reading{Digits: 382, Exp: -4, Prefix: -3, Quantity: drivers.Voltage}
		if n := testing.AllocsPerRun(100, func() {
			m.Sense = MeasuredValue(r, bench.Accuracy{Given: true, Counts: 3})
			sink = Convert(&s, m)
		}); n != 0 {
			t.Errorf("%s: %g allocations", w.name, n)
		}
	}
}

func BenchmarkConvert(b *testing.B) {
	x := simulated{ip: 0.04, is: 0.003, vak: 460, cathodeOhms: 1, primary: 40, screen: 470}
	s, m := ways[3].socket(x), ways[3].show(x)
	b.ReportAllocs()
	for b.Loop() {
		sink = Convert(&s, m)
	}
}

func ExampleTarget() {
	amperes, senseVolts := Target(25, 460, 0.70, 1)
	fmt.Printf("%.1f mA, %.1f mV across 1 ohm\n", amperes*1000, senseVolts*1000)
	// Output: 38.0 mA, 38.0 mV across 1 ohm
}
