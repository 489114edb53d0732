// Package es51986 reads the serial output of the ES51986 multimeter chip: four
// digits, 19200 7O1, two or three frames a second.
//
// Each frame is 11 characters of seven bits. All but the last two are 011xxxx;
// the low four bits are, bit 3 first (ES51986 data sheet, layout, codes and
// ranges from memory):
//
//	 1     range, its meaning depends on the function
//	 2-5   four digits, 0 to 9
//	 6     function
//	 7     status   judge  sign  battery  OL
//	 8     option 1 Pmax   Pmin  0        VAHZ
//	 9     option 2 DC     AC    AUTO     HOLD
//	10-11  CR LF
//
// The judge bit tells the sub-function: with frequency, clear is hertz and set
// is revolutions per minute, which are not read. With VAHZ set and a voltage or
// current function, the digits are the frequency of that signal.
package es51986

import (
	"nightsoak/drivers"
	"nightsoak/drivers/es519xx"
)

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "es51986",
	Line:       "19200 7O1",
	Source:     "ES51986 data sheet, layout, codes and ranges from memory",
	NewDecoder: es519xx.Chip{Digits: 4, Options: 2, Functions: functions, Symbols: symbols}.NewDecoder,
}

// Bits of the options.
const (
	pmax, pmin, unused, vahz = 0x80, 0x40, 0x20, 0x10
	dc, ac, auto, hold       = 0x8, 0x4, 0x2, 0x1
)

// The function codes that are not in the table are temperature, whose point is
// not known, the four adaptor inputs, whose unit only the adaptor's label
// tells, and unused ones.
var functions = [16]es519xx.Function{
	0x0: es519xx.Ranges(0, "99.99 A"),
	0x1: es519xx.Ranges(drivers.Diode, "9.999 V"),
	0x2: es519xx.Ranges(0, "9.999 kHz", "99.99 kHz", "999.9 kHz", "9.999 MHz", "99.99 MHz", "999.9 MHz"),
	0x3: es519xx.Ranges(0, "999.9 Ω", "9.999 kΩ", "99.99 kΩ", "999.9 kΩ", "9.999 MΩ", "99.99 MΩ"),
	0x5: es519xx.Ranges(drivers.Continuity, "999.9 Ω"),
	0x6: es519xx.Ranges(0, "9.999 nF", "99.99 nF", "999.9 nF", "9.999 µF", "99.99 µF", "999.9 µF", "9.999 mF", "99.99 mF"),
	0x9: es519xx.Ranges(0, "9.999 A", "99.99 A", "999.9 A", "9999 A"), // range chosen by hand
	0xB: es519xx.Ranges(0, "9.999 V", "99.99 V", "999.9 V", "9999 V", "999.9 mV"),
	0xD: es519xx.Ranges(0, "999.9 µA", "9999 µA"),
	0xF: es519xx.Ranges(0, "99.99 mA", "999.9 mA"),
}

func symbols(options uint16, judge bool, f es519xx.Function) (_ es519xx.Function, flags drivers.Flags, ok bool) {
	if options&vahz != 0 && (f.Is(drivers.Voltage) || f.Is(drivers.Current)) {
		f = functions[2]
	}
	for _, m := range [...]struct {
		bits uint16
		flag drivers.Flags
	}{
		{dc, drivers.DC}, {ac, drivers.AC}, {auto, drivers.Auto}, {pmax | pmin, drivers.MinMax},
		// Chips of this family that send at 2400 baud have auto power-off in
		// this bit. Taking a frozen figure for live is the worse mistake.
		{hold, drivers.Hold},
	} {
		if options&m.bits != 0 {
			flags |= m.flag
		}
	}
	return f, flags, options&unused == 0 && !(judge && f.Is(drivers.Frequency))
}
