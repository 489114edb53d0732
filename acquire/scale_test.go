package acquire

import (
	"testing"

	"nightsoak/drivers"
)

func TestScale(t *testing.T) {
	volts := func(digits int64, exp, prefix int8) drivers.Reading {
		return drivers.Reading{Digits: digits, Exp: exp, Prefix: prefix, Quantity: drivers.Voltage}
	}
	for _, c := range []struct {
		factor float64
		in     drivers.Reading
		text   string
		digits int64
		exp    int8
	}{
		{0, volts(382, -4, -3), "38.2 mV", 382, -4},
		{1, volts(462, 1, 0), "4620 V", 462, 1},
		{10, volts(382, -4, -3), "382 mV", 382, -3},
		{1000, volts(4620, -4, -3), "462.0 V", 4620, -1},
		{1000, volts(4620, -4, 0), "462.0 V", 4620, -1},
		{1000, volts(462, 0, 0), "462 kV", 462, 3},
		{100, volts(-4620, -3, 0), "-462.0 V", -4620, -1},
		{0.001, volts(125, -4, -3), "0.0125 mV", 125, -7},
		{-1, volts(382, -4, -3), "-38.2 mV", -382, -4},
		{1e12, volts(1, 0, 9), "1000 GV", 1, 12}, // there is no prefix above giga
		// 99.2:1 is 0.992 × 100.
		{99.2, volts(46200, -4, 0), "458.30 V", 45830, -2},
		// 1.5 × 0.3 mV is 0.45 mV: half a count, away from zero.
		{1.5, volts(3, -4, -3), "0.5 mV", 5, -4},
		{1.5, volts(-3, -4, -3), "-0.5 mV", -5, -4},
		// 5 is 0.5 × 10: a count of 0.5 mV is nearer to 1 mV than to 0.1 mV.
		{5, volts(382, -4, -3), "191 mV", 191, -3},
		{0.5, volts(382, -4, -3), "19.1 mV", 191, -4},
		{1.5, volts(1<<62, -18, 0), "6.91752902764107 V", 691752902764107, -14},
	} {
		got := newScaling(c.factor).apply(c.in)
		if got.String() != c.text || got.Digits != c.digits || got.Exp != c.exp {
			t.Errorf("%v × %v = %v (%d × 10^%d), want %s (%d × 10^%d)", c.factor, c.in, got, got.Digits, got.Exp, c.text, c.digits, c.exp)
		}
	}
	over := drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.Overload}
	if got := newScaling(1000).apply(over); got.String() != "OL V" || got.HasValue() {
		t.Errorf("overload × 1000 = %v", got)
	}
}
