package night

import (
	"math"
	"testing"

	"nightsoak/drivers"
)

// exactly is a meter without errors of its own, in the range it would be in
// after a while at so many volts.
func exactly(class *display, volts float64) *meterState {
	m := &meterState{meterSpec: &meterSpec{display: class}, rng: class.ranges - 1}
	for range 2 * class.ranges {
		m.show(volts, 0, 23, 0)
	}
	return m
}

// A display shows the nearest of the figures that it can, in the lowest range
// that holds it or the one above, where hysteresis keeps it.
func TestQuantised(t *testing.T) {
	for k := range displays {
		class := &displays[k]
		quiet := *class
		quiet.noise = 0
		for _, volts := range []float64{0.0412345, 0.199949, 0.2, 0.4123456, 1.9999, 12.34567, 19.99, 20.04, 199.9, 221, 462.34567} {
			r := exactly(&quiet, volts).show(volts, 0, 23, 0)
			if !r.HasValue() {
				t.Errorf("%d counts at %g V: %v", class.counts, volts, r)
				continue
			}
			if d := math.Abs(r.Value() - volts); d > r.Resolution()/2*(1+1e-9) {
				t.Errorf("%d counts at %g V: %v, off by %g", class.counts, volts, r, d)
			}
			if r.Digits >= int64(class.counts) || r.Digits < int64(class.counts)*9/100 && r.Exp > class.milli {
				t.Errorf("%d counts at %g V: %v is not its range", class.counts, volts, r)
			}
		}
	}
}

// What the four displays make of 41.237 mV across 1 ohm and of 462.37 V.
func TestShown(t *testing.T) {
	for k, want := range [][2]string{
		{"41.2 mV [dc]", "462 V [dc]"},
		{"41.2 mV [dc auto]", "462.4 V [dc auto]"},
		{"41.24 mV [dc auto]", "462.4 V [dc auto]"},
		{"41.24 mV [dc]", "462.37 V [dc]"},
	} {
		for i, volts := range []float64{0.041237, 462.37} {
			quiet := displays[k]
			quiet.noise = 0
			if got := exactly(&quiet, volts).show(volts, 0, 23, 0).String(); got != want[i] {
				t.Errorf("%d counts at %g V: %s, want %s", quiet.counts, volts, got, want[i])
			}
		}
	}
}

// On the way up every range that overflows shows it once; on the way down a
// range is left only well below the next one's full scale.
func TestRanges(t *testing.T) {
	quiet := displays[1] // 6000 counts
	quiet.noise = 0
	m := exactly(&quiet, 0.0412)
	over := 0
	for m.show(25, 0, 23, 0).Flags&drivers.Overload != 0 {
		over++
	}
	if over != 2 {
		t.Errorf("%d overloads from 600.0 mV to 60.00 V", over)
	}
	for volts, exp := range map[float64]int8{5.5: -2, 5.3: -3} {
		m := exactly(&quiet, 25)
		m.show(volts, 0, 23, 0)
		if r := m.show(volts, 0, 23, 0); r.Exp != exp {
			t.Errorf("down to %g V: %v", volts, r)
		}
	}
}

// Each range has a gain of its own, within what the meter states, and warmth
// and a low battery add to it.
func TestGain(t *testing.T) {
	for seed := range uint64(30) {
		m := meterState{meterSpec: &meterSpec{}}
		*m.meterSpec = newMeter(roll(Quiet, seed, 0), &displays[seed%uint64(len(displays))], "k1", 0)
		same := true
		for _, g := range m.gains {
			same = same && g == m.gains[0]
			if math.Abs(g) > m.gain {
				t.Errorf("seed %d: gain error %g of at most %g", seed, g, m.gain)
			}
		}
		if same || math.Abs(m.offset) > m.display.offset || math.Abs(m.tempco) > m.gain*tempcoShare {
			t.Errorf("seed %d: gains %v, offset %g, %g for each K", seed, m.gains, m.offset, m.tempco)
		}
	}
	m := exactly(&displays[3], 462)
	m.gains[3], m.tempco = 1e-3, 1e-4
	m.battery, m.sag = stretch{100, 200}, 0.05
	if r := m.show(462, 0, 33, 0); math.Abs(r.Value()-462*1.002) > 0.01 {
		t.Errorf("at 33 °C %v", r)
	}
	if r := m.show(462, 0, 23, 150); r.Flags&drivers.LowBattery == 0 || math.Abs(r.Value()-462*1.001*1.025) > 0.01 {
		t.Errorf("half through its battery %v", r)
	}
}
