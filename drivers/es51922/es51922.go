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
)

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "es51922",
	Line:       "19200 7O1",
	Source:     "ES51922 data sheet, layout, codes and ranges from memory",
	NewDecoder: drivers.Unset(func() drivers.Decoder { return new(decoder) }),
}

const frameLen = 14

// Bits of the status and option characters.
const (
	judge, sign, battery, overload = 8, 4, 2, 1
	maximum, minimum, rel, rmr     = 8, 4, 2, 1
	underload, pmax, pmin          = 8, 4, 2
	dc, ac, auto, vahz             = 8, 4, 2, 1
	hold                           = 2
)

// span is one range: digits after the point, and the prefix of the unit shown.
type span struct{ places, prefix int8 }

// none marks a range code that the function does not have.
var none = span{places: -1}

// function is what a function code means, and its ranges by range code.
type function struct {
	quantity drivers.Quantity
	flags    drivers.Flags
	ranges   []span
}

// The function codes that are not in the table below are the four adaptor
// inputs, whose unit only the adaptor's label tells, and unused ones.
var functions = [16]function{
	// ampere: 22.000 A
	0x0: {drivers.Current, 0, []span{{3, 0}}},
	// diode: 2.2000 V
	0x1: {drivers.Voltage, drivers.Diode, []span{{4, 0}}},
	// frequency: 22.00 Hz, 220.0 Hz, unused, 22.000 kHz to 220.00 MHz
	0x2: {drivers.Frequency, 0, []span{{2, 0}, {1, 0}, none, {3, 3}, {2, 3}, {4, 6}, {3, 6}, {2, 6}}},
	// resistance: 220.00 Ω, 2.2000 kΩ to 220.00 MΩ
	0x3: {drivers.Resistance, 0, []span{{2, 0}, {4, 3}, {3, 3}, {2, 3}, {4, 6}, {3, 6}, {2, 6}}},
	// temperature: tenths of a degree
	0x4: {drivers.Temperature, 0, []span{{1, 0}}},
	// continuity: 220.00 Ω
	0x5: {drivers.Resistance, drivers.Continuity, []span{{2, 0}}},
	// capacitance: 22.000 nF, 220.00 nF, 2.2000 µF to 220.00 mF
	0x6: {drivers.Capacitance, 0, []span{{3, -9}, {2, -9}, {4, -6}, {3, -6}, {2, -6}, {4, -3}, {3, -3}, {2, -3}}},
	// ampere, range chosen by hand: 2.2000 A to 22000 A
	0x9: {drivers.Current, 0, []span{{4, 0}, {3, 0}, {2, 0}, {1, 0}, {0, 0}}},
	// voltage: 2.2000 V to 2200.0 V, 220.00 mV
	0xB: {drivers.Voltage, 0, []span{{4, 0}, {3, 0}, {2, 0}, {1, 0}, {2, -3}}},
	// microampere: 220.00 µA, 2200.0 µA
	0xD: {drivers.Current, 0, []span{{2, -6}, {1, -6}}},
	// milliampere: 22.000 mA, 220.00 mA
	0xF: {drivers.Current, 0, []span{{3, -3}, {2, -3}}},
}

// frequency and duty are what judge and VAHZ select. Duty cycle has one
// resolution, 0.1 %, whatever the range code.
var (
	frequency = functions[2]
	duty      = function{drivers.Percent, 0, slices.Repeat([]span{{1, 0}}, 8)}
)

type decoder struct {
	line    [frameLen]byte
	n       int  // length of the line so far
	lost    bool // the line is longer than a frame, and counted for that
	rejects drivers.Rejects
}

// Rejects counts what was thrown away: a line counts once.
func (d *decoder) Rejects() drivers.Rejects { return d.rejects }

// Feed takes the bytes that came. The eighth bit is dropped: an adaptor or a
// pty may hand over the parity bit with the character.
func (d *decoder) Feed(p []byte, emit func(drivers.Reading)) {
	for _, c := range p {
		c &= 0x7F
		switch {
		case d.n < frameLen:
			d.line[d.n] = c
			d.n++
		case !d.lost:
			// Thrown away whole: after a character that came twice the last 14
			// look like a frame, with the wrong range and digits.
			d.rejects[drivers.Noise]++
			d.lost = true
		}
		if c != '\n' {
			continue
		}
		if !d.lost {
			if r, why, ok := frame(d.line[:d.n]); ok {
				emit(r)
			} else {
				d.rejects[why]++
			}
		}
		d.n, d.lost = 0, false
	}
}

// frame reads one line, line end included.
func frame(b []byte) (r drivers.Reading, why drivers.Reason, ok bool) {
	if len(b) < frameLen {
		return r, drivers.Short, false
	}
	if b[12] != '\r' {
		return r, drivers.Noise, false
	}
	for _, c := range b[:12] {
		if c&0x70 != 0x30 {
			return r, drivers.Noise, false
		}
	}
	status, opt1, opt2, opt3, opt4 := b[7], b[8], b[9], b[10], b[11]

	f := &functions[b[6]&0xF]
	if opt3&vahz != 0 && (f.quantity == drivers.Voltage || f.quantity == drivers.Current) && f.flags == 0 {
		f = &frequency
	}
	r.Quantity, r.Flags = f.quantity, f.flags
	switch {
	case f.quantity == drivers.Frequency && status&judge != 0:
		f = &duty
		r.Quantity = duty.quantity
	case f.quantity == drivers.Temperature && status&judge == 0:
		r.Quantity = drivers.Fahrenheit
	}
	code := int(b[0] & 0xF)
	if code >= len(f.ranges) || f.ranges[code] == none {
		return r, drivers.BadStatus, false
	}
	r.Prefix = f.ranges[code].prefix
	for _, m := range [...]struct {
		set  bool
		flag drivers.Flags
	}{
		{opt3&dc != 0, drivers.DC},
		{opt3&ac != 0, drivers.AC},
		{opt3&auto != 0, drivers.Auto},
		{opt4&hold != 0, drivers.Hold},
		{opt1&rel != 0, drivers.Relative},
		// Whether RMR shows a live figure is not known: taking a stored one
		// for live is the worse mistake.
		{opt1&(maximum|minimum|rmr) != 0 || opt2&(pmax|pmin) != 0, drivers.MinMax},
		{status&battery != 0, drivers.LowBattery},
	} {
		if m.set {
			r.Flags |= m.flag
		}
	}

	var value int64
	for _, c := range b[1:6] {
		if c > '9' {
			return r, drivers.BadDigit, false
		}
		value = value*10 + int64(c-'0')
	}
	switch over, under := status&overload != 0, opt2&underload != 0; {
	case over && under:
		return r, drivers.BadStatus, false
	case over:
		r.Flags |= drivers.Overload
		r.Exp = r.Prefix
	case under: // the display shows UL: too little signal for a figure
		r.Flags |= drivers.NotANumber
		r.Exp = r.Prefix
	default:
		if status&sign != 0 {
			value = -value
		}
		r.Digits, r.Exp = value, r.Prefix-f.ranges[code].places
	}
	return r, 0, true
}
