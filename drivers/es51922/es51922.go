// Package es51922 reads the serial output of the ES51922 multimeter chip:
// 22 000 counts, 19200 7O1, about two frames a second.
//
// Each frame is 14 characters of seven bits. The upper three bits of all but
// the last two are 011; the lower four are, bit 3 first (ES51922 data sheet,
// layout, codes and ranges from memory):
//
//	 1     range, its meaning depends on the function
//	 2-6   five digits, 0 to 9
//	 7     function
//	 8     status   judge  sign  battery  OL
//	 9     option 1 MAX    MIN   REL      RMR
//	10     option 2 UL     Pmax  Pmin     0
//	11     option 3 DC     AC    AUTO     VAHZ
//	12     option 4 0      VBAR  HOLD     LPF
//	13-14  CR LF
//
// The judge bit tells the sub-function: with frequency, clear is hertz and set
// is duty cycle; with temperature, set is degrees Celsius and clear is
// Fahrenheit. With VAHZ set and a voltage or current function, the digits are
// the frequency of that signal.
package es51922

import (
	"slices"

	"nightsoak/drivers"
	"nightsoak/drivers/es519xx"
)

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "es51922",
	Line:       "19200 7O1",
	Source:     "ES51922 data sheet, layout, codes and ranges from memory",
	NewDecoder: es519xx.Chip{Digits: 5, Options: 4, Functions: functions, Symbols: symbols}.NewDecoder,
}

// Bits of the options.
const (
	maximum, minimum, rel, rmr = 0x8000, 0x4000, 0x2000, 0x1000
	underload, pmax, pmin      = 0x800, 0x400, 0x200
	dc, ac, auto, vahz         = 0x80, 0x40, 0x20, 0x10
	hold                       = 0x2
	unused                     = 0x108
)

// The function codes that are not in the table below are the four adaptor
// inputs, whose unit only the adaptor's label tells, and unused ones.
var functions = [16]es519xx.Function{
	0x0: es519xx.Ranges(0, "22.000 A"),
	0x1: es519xx.Ranges(drivers.Diode, "2.2000 V"),
	0x2: es519xx.Ranges(0, "22.00 Hz", "220.0 Hz", "-", "22.000 kHz", "220.00 kHz", "2.2000 MHz", "22.000 MHz", "220.00 MHz"),
	0x3: es519xx.Ranges(0, "220.00 Ω", "2.2000 kΩ", "22.000 kΩ", "220.00 kΩ", "2.2000 MΩ", "22.000 MΩ", "220.00 MΩ"),
	0x4: es519xx.Ranges(0, "100.0 °C"),
	0x5: es519xx.Ranges(drivers.Continuity, "220.00 Ω"),
	0x6: es519xx.Ranges(0, "22.000 nF", "220.00 nF", "2.2000 µF", "22.000 µF", "220.00 µF", "2.2000 mF", "22.000 mF", "220.00 mF"),
	0x9: es519xx.Ranges(0, "2.2000 A", "22.000 A", "220.00 A", "2200.0 A", "22000 A"), // range chosen by hand
	0xB: es519xx.Ranges(0, "2.2000 V", "22.000 V", "220.00 V", "2200.0 V", "220.00 mV"),
	0xD: es519xx.Ranges(0, "220.00 µA", "2200.0 µA"),
	0xF: es519xx.Ranges(0, "22.000 mA", "220.00 mA"),
}

// What judge and VAHZ select. Duty cycle has one resolution, whatever the range code.
var (
	frequency  = functions[2]
	duty       = slices.Repeat(es519xx.Ranges(0, "100.0 %"), 8)
	fahrenheit = es519xx.Ranges(0, "100.0 °F")
)

func symbols(options uint16, judge bool, f es519xx.Function) (_ es519xx.Function, flags drivers.Flags, ok bool) {
	if options&vahz != 0 && (f.Is(drivers.Voltage) || f.Is(drivers.Current)) {
		f = frequency
	}
	switch {
	case judge && f.Is(drivers.Frequency):
		f = duty
	case !judge && f.Is(drivers.Temperature):
		f = fahrenheit
	}
	for _, m := range [...]struct {
		bits uint16
		flag drivers.Flags
	}{
		{dc, drivers.DC}, {ac, drivers.AC}, {auto, drivers.Auto}, {hold, drivers.Hold}, {rel, drivers.Relative},
		// Whether RMR shows a live figure is not known: taking a stored one
		// for live is the worse mistake.
		{maximum | minimum | rmr | pmax | pmin, drivers.MinMax},
		{underload, drivers.NotANumber}, // the display shows UL: too little signal for a figure
	} {
		if options&m.bits != 0 {
			flags |= m.flag
		}
	}
	return f, flags, options&unused == 0
}
