package bench

import (
	"errors"
	"testing"
)

const meters = `name = "north"
[[meter]]
name = "k1"
port = "/dev/serial/by-path/pci-0000:00:14.0-usb-0:3.4.1:1.0-port0-a-rather-long-one-to-break"
format = "fs9721"
[[meter]]
name = "k2"
port = "usb:1a86:e008"
format = "es51922"
[[meter]]
name = "ht"
port = "tcp://192.0.2.7:5025"
format = "scpi"
function = "VOLT:DC"
scale = 1000
[[meter]]
name = "h1"
port = "rfc2217://192.0.2.7:2217"
format = "fs9721"
`

// Each amplifier's sheet is a golden, read through by hand when it changes.
func TestWiring(t *testing.T) {
	for _, c := range []struct{ name, bench, job string }{
		{"two-EL84-one-resistor", meters, `ticket = "R-2001"
bias = "cathode"
idle_target = "90%"
[[socket]]
name = "V3"
tube = "EL84"
half = "a"
sense = { meter = "k1", ohms = 130, tolerance = "5%", shared_by = 2 }
plate = { meter = "ht" }
[[socket]]
name = "V4"
tube = "EL84"
half = "b"
sense = { meter = "k1", ohms = 130, tolerance = "5%", shared_by = 2 }
plate = { meter = "ht" }
[[watch]]
name = "heater"
meter = "h1"
unit = "V"
low = 5.67
high = 6.93
`},
		{"two-EL34-transformer-drop", meters + "[cutoff]\nby = \"line\"\nport = \"/dev/ttyUSB9\"\nwhen = [\"runaway\"]\n[[notify]]\ncommand = [\"ring\"]\n", `ticket = "R-2002"
idle_target = "60%"
[[socket]]
name = "V5"
tube = "EL34"
half = "a"
sense = { meter = "k1", transformer_ohms = 38.2, isolated = true }
plate = { meter = "ht" }
screen_share = "12%"
[[socket]]
name = "V6"
tube = "EL34"
half = "b"
sense = { meter = "k2", transformer_ohms = 41.5, isolated = true }
plate = { meter = "ht" }
screen_share = "12%"
`},
		{"one-6V6GT-cathode-bias", meters, `ticket = "R-2003"
amplifier = "single-ended practice amplifier, 5 W"
bias = "cathode"
[[socket]]
name = "V2"
tube = "6V6GT"
sense = { meter = "k1", ohms = 470, tolerance = "5%" }
screen = { meter = "k2", ohms = 1000 }
`},
		{"one-probe-roving", meters, `ticket = "R-2004"
[[socket]]
name = "V5"
tube = "EL34"
max_plate_watts = 27.5
sheet = "the maker's sheet, driven"
sense = { meter = "k1", ohms = 1, roving = true }
plate = { meter = "ht" }
screen_share = "12%"
[[socket]]
name = "V6"
tube = "807-like"
max_plate_watts = 25
sense = { meter = "k1", ohms = 1, roving = true }
plate = { meter = "ht" }
cathode = { meter = "k2" }
[[watch]]
name = "hum"
meter = "h1"
unit = "mV"
[limits]
dissipation = "110%"
`},
		{"no-job", meters, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, err := Parse("bench.toml", []byte(c.bench))
			if err != nil {
				t.Fatal(err)
			}
			var j *Job
			if c.job != "" {
				if j, err = ParseJob("job.toml", []byte(c.job), b); err != nil {
					t.Fatal(err)
				}
			}
			wired(t, b, j, c.name)
		})
	}
}

// The trade's idle points: a 25 W tube at 460 V draws 38 mA at 70 %, 35 mA at
// 65 % and 32 to 33 mA at 60 % (common practice, no source).
func TestIdlePoints(t *testing.T) {
	s := &sheet{}
	k := &Socket{Limit: 25, Sense: Sense{Ohms: 1, SharedBy: 1}}
	for _, c := range []struct{ ratio, low, high float64 }{{0.70, 37.5, 38.5}, {0.65, 34.5, 35.5}, {0.60, 32, 33}} {
		if i := 1000 * s.current(k, c.ratio, 460); i < c.low || i > c.high {
			t.Errorf("%g of 25 W at 460 V: %g mA", c.ratio, i)
		}
	}
	// Mullard EL34 in class A: 250 V, 100 mA plate and 14.9 mA screen current is 25.0 W.
	k.ScreenShare = 14.9 / 114.9
	if i := 1000 * s.current(k, 1, 250); i < 114.8 || i > 115 {
		t.Errorf("EL34 at its limit: cathode current %g mA, not 114.9", i)
	}
}

type broken struct{}

var errBroken = errors.New("paper jam")

func (broken) Write([]byte) (int, error) { return 0, errBroken }

func TestWiringSaysWhenItCannotWrite(t *testing.T) {
	if err := Wiring(broken{}, wrongBench(t), nil); !errors.Is(err, errBroken) {
		t.Errorf("got %v", err)
	}
}
