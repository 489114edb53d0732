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
	"math/bits"

	"nightsoak/drivers"
)

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "es51986",
	Line:       "19200 7O1",
	Source:     "ES51986 data sheet, layout, codes and ranges from memory",
	NewDecoder: drivers.Unset(func() drivers.Decoder { return &decoder{begun: 1} }),
}

// frameLen counts the line end before the frame too: it is where a frame begins.
const frameLen = 12

// fits tells the places of a frame that a character can stand in: bit 0 is the
// line end before it, of which one character is enough.
var fits = func() (t [128]uint16) {
	for c := range t {
		switch {
		case c>>4 == '0'>>4:
			t[c] = 0b00_111111111_0
		case c == '\r':
			t[c] = 0b01_000000000_1
		case c == '\n':
			t[c] = 0b10_000000000_1
		}
	}
	return t
}()

// Bits of the status and option characters.
const (
	judge, sign, battery, overload = 8, 4, 2, 1
	pmax, pmin, unused, vahz       = 8, 4, 2, 1
	dc, ac, auto, hold             = 8, 4, 2, 1
)

// span is one range: digits after the point, and the prefix of the unit shown.
type span struct{ places, prefix int8 }

// function is what a function code means, and its ranges by range code.
type function struct {
	quantity drivers.Quantity
	flags    drivers.Flags
	ranges   []span
}

// The function codes that are not in the table are temperature, whose point is
// not known, the four adaptor inputs, whose unit only the adaptor's label
// tells, and unused ones.
var functions = [16]function{
	// ampere: 99.99 A
	0x0: {drivers.Current, 0, []span{{2, 0}}},
	// diode: 9.999 V
	0x1: {drivers.Voltage, drivers.Diode, []span{{3, 0}}},
	// frequency: 9.999 kHz to 999.9 MHz
	0x2: {drivers.Frequency, 0, []span{{3, 3}, {2, 3}, {1, 3}, {3, 6}, {2, 6}, {1, 6}}},
	// resistance: 999.9 Ω, 9.999 kΩ to 99.99 MΩ
	0x3: {drivers.Resistance, 0, []span{{1, 0}, {3, 3}, {2, 3}, {1, 3}, {3, 6}, {2, 6}}},
	// continuity: 999.9 Ω
	0x5: {drivers.Resistance, drivers.Continuity, []span{{1, 0}}},
	// capacitance: 9.999 nF to 99.99 mF
	0x6: {drivers.Capacitance, 0, []span{{3, -9}, {2, -9}, {1, -9}, {3, -6}, {2, -6}, {1, -6}, {3, -3}, {2, -3}}},
	// ampere, range chosen by hand: 9.999 A to 9999 A
	0x9: {drivers.Current, 0, []span{{3, 0}, {2, 0}, {1, 0}, {0, 0}}},
	// voltage: 9.999 V to 9999 V, 999.9 mV
	0xB: {drivers.Voltage, 0, []span{{3, 0}, {2, 0}, {1, 0}, {0, 0}, {1, -3}}},
	// microampere: 999.9 µA, 9999 µA
	0xD: {drivers.Current, 0, []span{{1, -6}, {0, -6}}},
	// milliampere: 99.99 mA, 999.9 mA
	0xF: {drivers.Current, 0, []span{{2, -3}, {1, -3}}},
}

type decoder struct {
	nibbles uint64 // low four bits of the last 16 characters
	// begun has bit n set where the last n+1 characters could begin a frame:
	// the shift-and search of Baeza-Yates and Gonnet (1992). It is 0 after a
	// character out of place, until a line ends.
	begun   uint16
	rejects drivers.Rejects
}

// Rejects counts what was thrown away: a line counts once.
func (d *decoder) Rejects() drivers.Rejects { return d.rejects }

// Feed takes the bytes that came. The eighth bit is dropped: an adaptor or a
// pty may hand over the parity bit with the character.
//
// A line that is too long is thrown away whole: after a character that came
// twice its end looks like a frame, with the wrong range and digits.
func (d *decoder) Feed(p []byte, emit func(drivers.Reading)) {
	for _, c := range p {
		c &= 0x7F
		d.nibbles = d.nibbles<<4 | uint64(c&0xF)
		before := bits.Len16(d.begun)
		d.begun = (d.begun<<1 | 1) & fits[c]
		switch n := bits.Len16(d.begun); {
		case n == frameLen:
			if r, why, ok := frame(d.nibbles); ok {
				emit(r)
			} else {
				d.rejects[why]++
			}
			d.begun = 1 // this line end
		case n == before+1:
		case n == 0 && before > 0:
			d.rejects[drivers.Noise]++
		case before > 1: // and a line end or a new frame in its place
			d.rejects[drivers.Short]++
		}
	}
}

// frame reads a whole frame, the last 11 characters of b.
func frame(b uint64) (r drivers.Reading, why drivers.Reason, ok bool) {
	status, opt1, opt2 := b>>16, b>>12, b>>8

	f := &functions[b>>20&0xF]
	if opt1&vahz != 0 && (f.quantity == drivers.Voltage || f.quantity == drivers.Current) && f.flags == 0 {
		f = &functions[2]
	}
	code := int(b >> 40 & 0xF)
	if code >= len(f.ranges) || opt1&unused != 0 || f.quantity == drivers.Frequency && status&judge != 0 {
		return r, drivers.BadStatus, false
	}
	r.Quantity, r.Prefix, r.Flags = f.quantity, f.ranges[code].prefix, f.flags
	for _, m := range [...]struct {
		set  bool
		flag drivers.Flags
	}{
		{opt2&dc != 0, drivers.DC},
		{opt2&ac != 0, drivers.AC},
		{opt2&auto != 0, drivers.Auto},
		// Chips of this family that send at 2400 baud have auto power-off in
		// this bit. Taking a frozen figure for live is the worse mistake.
		{opt2&hold != 0, drivers.Hold},
		{opt1&(pmax|pmin) != 0, drivers.MinMax},
		{status&battery != 0, drivers.LowBattery},
	} {
		if m.set {
			r.Flags |= m.flag
		}
	}

	var value int64
	for shift := 36; shift >= 24; shift -= 4 {
		digit := int64(b >> shift & 0xF)
		if digit > 9 {
			return r, drivers.BadDigit, false
		}
		value = value*10 + digit
	}
	if status&overload != 0 {
		r.Flags |= drivers.Overload
		r.Exp = r.Prefix
		return r, 0, true
	}
	if status&sign != 0 {
		value = -value
	}
	r.Digits, r.Exp = value, r.Prefix-f.ranges[code].places
	return r, 0, true
}
