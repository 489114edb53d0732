// Package fs9922 reads the serial output of the FS9922-DMM3 and FS9922-DMM4
// multimeter chips: the digits as text and the symbols of the display as bits,
// 2400 8N1, two or three times a second.
//
// Each frame is 14 bytes (FS9922-DMM4 data sheet, layout from memory):
//
//	 1     + or -
//	 2-5   four digits 0 to 9; ? is a blank and : an L, so ?0:? is overload
//	 6     space
//	 7     point: 0 none, 1 after the first digit, 2 the second, 4 the third
//	 8-11  symbols, bit 7 first:
//	       0   0   AUTO  DC   AC          REL    HOLD  bar graph
//	       Z1  Z2  MAX   MIN  APO         batt.  n     Z3
//	       µ   m   k     M    continuity  diode  %     Z4
//	       V   A   Ω     hFE  Hz          F      °C    °F
//	12     bar graph: its sign and its length
//	13-14  CR LF
//
// Z1 to Z4 are symbols that the meter's maker chooses. They and the bar graph
// are not read.
package fs9922

import (
	"math/bits"

	"nightsoak/drivers"
)

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "fs9922",
	Line:       "2400 8N1",
	Source:     "FS9922-DMM4 data sheet, layout from memory",
	NewDecoder: drivers.Unset(func() drivers.Decoder { return new(decoder) }),
}

const frameLen = 14

// fits tells the places of a frame that a byte can stand in: bit 0 is the
// first. Symbols and bar graph can be any byte, line ends and signs among them.
var fits = func() (t [256]uint16) {
	for c := range t {
		t[c] = 0b00_11111_0_0_0000_0
		switch {
		case c == '+' || c == '-':
			t[c] |= 0b00_00000_0_0_0000_1
		case c>>4 == '0'>>4:
			t[c] |= 0b00_00000_1_0_1111_0
		case c == ' ':
			t[c] |= 0b00_00000_0_1_0000_0
		case c == '\r':
			t[c] |= 0b01_00000_0_0_0000_0
		case c == '\n':
			t[c] |= 0b10_00000_0_0_0000_0
		}
	}
	return t
}()

// Symbols of bytes 8 to 11, as one number in the order sent.
const (
	fahrenheit = 1 << iota
	celsius
	farad
	hertz
	gain
	ohm
	ampere
	volt
	_ // Z4
	percent
	diode
	continuity
	mega
	kilo
	milli
	micro
	_ // Z3
	nano
	lowBattery
	autoOff
	minimum
	maximum
	_ // Z2
	_ // Z1
	_ // bar graph
	hold
	relative
	ac
	dc
	auto

	units    = fahrenheit | celsius | farad | hertz | gain | ohm | ampere | volt | percent
	prefixes = nano | micro | milli | kilo | mega
)

type decoder struct {
	head, tail uint64 // the last 16 bytes that came
	// begun has bit n set where the last n+1 bytes could begin a frame: the
	// shift-and search of Baeza-Yates and Gonnet (1992). What follows a broken
	// frame is so found even where a symbol's place had taken up its sign.
	begun   uint16
	lost    bool // these bytes are already counted as one rejection
	rejects drivers.Rejects
}

// Rejects counts what was thrown away: a run of stray bytes counts once.
func (d *decoder) Rejects() drivers.Rejects { return d.rejects }

// Feed takes the bytes that came.
func (d *decoder) Feed(p []byte, emit func(drivers.Reading)) {
	for _, c := range p {
		d.head, d.tail = d.head<<8|d.tail>>56, d.tail<<8|uint64(c)
		before := bits.Len16(d.begun)
		d.begun = (d.begun<<1 | 1) & fits[c]
		n := bits.Len16(d.begun)
		if n != before+1 {
			switch {
			case before > 0:
				d.rejects[drivers.Short]++
			case !d.lost:
				d.rejects[drivers.Noise]++
			}
			d.lost = true
			continue
		}
		d.lost = false
		if n < frameLen {
			continue
		}
		d.begun = 0
		if r, why, ok := reading(d.head, d.tail); ok {
			emit(r)
		} else {
			d.rejects[why]++
		}
	}
}

// reading is what a whole frame says: the lower six bytes of head are its sign, digits
// and space, tail is the rest.
func reading(head, tail uint64) (r drivers.Reading, why drivers.Reason, ok bool) {
	if r, ok = symbols(uint32(tail >> 24)); !ok {
		return r, drivers.BadStatus, false
	}
	var places int8
	switch byte(tail >> 56) {
	case '0':
	case '1':
		places = 3
	case '2':
		places = 2
	case '4':
		places = 1
	default: // two points, or one where no point is
		return r, drivers.BadStatus, false
	}
	const overload = '?'<<24 | '0'<<16 | ':'<<8 | '?'
	digits := uint32(head >> 8)
	if digits == overload {
		r.Flags |= drivers.Overload
		r.Exp = r.Prefix
		return r, 0, true
	}
	for shift := 24; shift >= 0; shift -= 8 {
		c := byte(digits >> shift)
		if c > '9' {
			return r, drivers.BadDigit, false
		}
		r.Digits = r.Digits*10 + int64(c-'0')
	}
	if byte(head>>40) == '-' {
		r.Digits = -r.Digits
	}
	r.Exp = r.Prefix - places
	return r, 0, true
}

// symbols turns bytes 8 to 11 into quantity, prefix and flags; ok is false
// where they contradict each other, or the two that are always clear are set.
func symbols(s uint32) (r drivers.Reading, ok bool) {
	var fits uint32 // the prefixes and tests that make sense with the unit
	switch s & units {
	case volt:
		r.Quantity, fits = drivers.Voltage, milli|diode
	case ampere:
		r.Quantity, fits = drivers.Current, micro|milli
	case ohm:
		r.Quantity, fits = drivers.Resistance, kilo|mega|continuity
	case hertz:
		r.Quantity, fits = drivers.Frequency, kilo|mega
	case farad:
		r.Quantity, fits = drivers.Capacitance, nano|micro|milli
	case celsius:
		r.Quantity = drivers.Temperature
	case fahrenheit:
		r.Quantity = drivers.Fahrenheit
	case percent:
		r.Quantity = drivers.Percent
	case gain:
		r.Quantity = drivers.Gain
	default:
		return r, false
	}
	switch s & prefixes {
	case 0:
	case nano:
		r.Prefix = -9
	case micro:
		r.Prefix = -6
	case milli:
		r.Prefix = -3
	case kilo:
		r.Prefix = 3
	case mega:
		r.Prefix = 6
	default:
		return r, false
	}
	if s&(prefixes|diode|continuity)&^fits != 0 ||
		s&(ac|dc) == ac|dc || // the chip measures one at a time
		s >= auto<<1 {
		return r, false
	}
	for _, m := range [...]struct {
		symbol uint32
		flag   drivers.Flags
	}{
		{dc, drivers.DC}, {ac, drivers.AC}, {auto, drivers.Auto}, {hold, drivers.Hold},
		{relative, drivers.Relative}, {maximum | minimum, drivers.MinMax}, {lowBattery, drivers.LowBattery},
		{autoOff, drivers.AutoPowerOff}, {diode, drivers.Diode}, {continuity, drivers.Continuity},
	} {
		if s&m.symbol != 0 {
			r.Flags |= m.flag
		}
	}
	return r, true
}
