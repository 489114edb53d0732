package emulate

import (
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/drivers"
	driverascii14 "nightsoak/drivers/ascii14"
)

// Blocks written out by hand from the layout, which is from memory of the
// meters' manuals.
func TestBlocksByHand(t *testing.T) {
	for _, c := range []struct {
		rng, counts int
		over        bool
		want        string
	}{
		{0, 3820, false, "DC 038.20  mV\r"},
		{0, -3820, false, "DC-038.20  mV\r"},
		{1, 19999, false, "DC 1.9999   V\r"},
		{2, -1, false, "DC-00.001   V\r"},
		{3, 0, false, "DC 000.00   V\r"},
		{4, 4621, false, "DC 0462.1   V\r"},
		{0, 20000, true, "DC    O.L  mV\r"},
		{4, -20000, true, "DC    O.L   V\r"},
	} {
		if got := string(encodeASCII14(nil, c.rng, c.counts, c.over)); got != c.want || len(got) != 14 {
			t.Errorf("range %d, %d counts: %q of %d characters, want %q of 14", c.rng, c.counts, got, len(got), c.want)
		}
	}
}

// wire joins a polled meter to the driver that asks it.
type wire struct {
	meter   *polled
	pending []byte
	timeout time.Duration
}

func (w *wire) SetReadTimeout(d time.Duration) error { w.timeout = d; return nil }

func (w *wire) Write(p []byte) (int, error) {
	w.pending = append(w.pending, w.meter.feed(p)...)
	return len(p), nil
}

func (w *wire) Read(p []byte) (int, error) {
	if len(w.pending) == 0 {
		time.Sleep(w.timeout)
		return 0, nil
	}
	n := copy(p, w.pending)
	w.pending = w.pending[n:]
	return n, nil
}

// Every range survives the way through the driver that asks, up and down
// again, each range that is too small showing OL once.
func TestPolledThroughTheDriver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		volts := 0.0
		m := &polled{display: display{chip: ascii14, noise: rand.New(rand.NewPCG(1, 2))}, volts: func() float64 { return volts }}
		w := &wire{meter: m}
		a, err := driverascii14.Format.NewAsker(drivers.Settings{})
		if err != nil {
			t.Fatal(err)
		}
		for _, step := range []struct {
			volts     float64
			overloads int
			count     float64 // volts of one count at the end
			unit      string
		}{
			{0.0413, 0, 1e-5, "mV"}, {-1.5, 1, 1e-4, "V"}, {15, 1, 1e-3, "V"}, {150, 1, 1e-2, "V"}, {462.1, 1, 1e-1, "V"},
			{-0.0413, 0, 1e-5, "mV"}, {5000, 8, 1e-1, "V"},
		} {
			volts = step.volts
			overloads := 0
			var r drivers.Reading
			for range 8 {
				if r, err = a.Ask(w); err != nil {
					t.Fatalf("%g V: %v", volts, err)
				}
				if r.Quantity != drivers.Voltage || r.Flags&^drivers.Overload != drivers.DC {
					t.Errorf("%g V shows %v", volts, r)
				}
				if !r.HasValue() {
					overloads++
				}
			}
			if overloads != step.overloads || r.Unit() != step.unit {
				t.Errorf("%g V: %d overloads and then %v, want %d and the unit %s", volts, overloads, r, step.overloads, step.unit)
			}
			if r.HasValue() && (r.Resolution() != step.count || max(r.Value()-volts, volts-r.Value()) > 1.6*step.count) {
				t.Errorf("%g V shows %v", volts, r)
			}
		}
		if got := m.feed([]byte("\x00d?\r\n")); len(got) != 0 {
			t.Errorf("something else than D is answered with %q", got)
		}
	})
}
