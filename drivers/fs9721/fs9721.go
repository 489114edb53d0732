// Package fs9721 reads the serial output of the FS9721_LP3 multimeter chip: a
// copy of its liquid crystal display, sent at 2400 8N1 about three times a
// second.
//
// Each frame is 14 bytes. The high nibble of a byte is its position, 1 to 14;
// the low nibble is four display segments. Layout of the low nibbles, bit 3
// first (FS9721_LP3 data sheet, layout from memory):
//
//	 1  AC  DC  Auto  RS232
//	 2  minus  e f a        3  d c g b   first digit
//	 4  point  e f a        5  d c g b   second digit
//	 6  point  e f a        7  d c g b   third digit
//	 8  point  e f a        9  d c g b   fourth digit
//	10  µ  n  k  diode
//	11  m  %  M  continuity
//	12  F  Ω  relative  hold
//	13  A  V  Hz  low battery
//	14  four symbols that the meter's maker chooses
//
// a to g are the segments of a digit, clockwise from the top, g in the middle.
// A point stands before its digit.
package fs9721

import "nightsoak/drivers"

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "fs9721",
	Line:       "2400 8N1",
	Source:     "FS9721_LP3 data sheet, layout from memory",
	NewDecoder: func() drivers.Decoder { return new(decoder) },
}

const frameLen = 14

// Symbols of bytes 10 to 14, as one number of 20 bits in the order sent.
const (
	micro      = 1 << 19
	nano       = 1 << 18
	kilo       = 1 << 17
	diode      = 1 << 16
	milli      = 1 << 15
	percent    = 1 << 14
	mega       = 1 << 13
	continuity = 1 << 12
	farad      = 1 << 11
	ohm        = 1 << 10
	relative   = 1 << 9
	hold       = 1 << 8
	ampere     = 1 << 7
	volt       = 1 << 6
	hertz      = 1 << 5
	lowBattery = 1 << 4
	celsius    = 1 << 2 // the maker's choice, and the usual one

	units    = percent | farad | ohm | ampere | volt | hertz
	prefixes = nano | micro | milli | kilo | mega
)

// Segments of a digit, as its two nibbles give them without the leading bit.
const (
	segB = 1 << iota
	segG
	segC
	segD
	segA
	segF
	segE
)

const (
	blank   = 10 // nothing shown
	letterL = 11 // the L of 0L, overload
	noDigit = 255
)

// digitOf tells what a pattern of segments shows.
var digitOf = func() (t [128]uint8) {
	for i := range t {
		t[i] = noDigit
	}
	for digit, segments := range [...]int{
		0:       segA | segB | segC | segD | segE | segF,
		1:       segB | segC,
		2:       segA | segB | segD | segE | segG,
		3:       segA | segB | segC | segD | segG,
		4:       segB | segC | segF | segG,
		5:       segA | segC | segD | segF | segG,
		6:       segA | segC | segD | segE | segF | segG,
		7:       segA | segB | segC,
		8:       segA | segB | segC | segD | segE | segF | segG,
		9:       segA | segB | segC | segD | segF | segG,
		blank:   0,
		letterL: segD | segE | segF,
	} {
		t[segments] = uint8(digit)
	}
	return t
}()

type decoder struct {
	low     [frameLen]byte // low nibbles of the frame so far
	n       int
	lost    bool // these bytes are already counted as one rejection
	rejects drivers.Rejects
}

// Rejects counts what was thrown away: a run of stray bytes counts once.
func (d *decoder) Rejects() drivers.Rejects { return d.rejects }

// Feed takes the bytes that came.
func (d *decoder) Feed(p []byte, emit func(drivers.Reading)) {
	for _, c := range p {
		position := int(c >> 4)
		if position != d.n+1 {
			switch {
			case d.n > 0:
				d.rejects[drivers.Short]++
			case !d.lost:
				d.rejects[drivers.Noise]++
			}
			d.n, d.lost = 0, true
			if position != 1 {
				continue
			}
		}
		d.lost = false
		d.low[d.n] = c & 0xF
		if d.n++; d.n < frameLen {
			continue
		}
		d.n = 0
		if r, why, ok := display(&d.low); ok {
			emit(r)
		} else {
			d.rejects[why]++
		}
	}
}

// display reads the symbols and digits of a whole frame.
func display(low *[frameLen]byte) (r drivers.Reading, why drivers.Reason, ok bool) {
	var symbols int
	for _, n := range low[9:] {
		symbols = symbols<<4 | int(n)
	}
	if r, ok = symbol(symbols); !ok {
		return r, drivers.BadStatus, false
	}
	switch low[0] & 0b1100 {
	case 0b1000:
		r.Flags |= drivers.AC
	case 0b0100:
		r.Flags |= drivers.DC
	case 0b1100: // the chip measures one at a time
		return r, drivers.BadStatus, false
	}
	if low[0]&0b0010 != 0 {
		r.Flags |= drivers.Auto
	}

	points, places := 0, 0
	for i := 1; i < 4; i++ {
		if low[1+2*i]&8 != 0 {
			points++
			places = 4 - i
		}
	}
	if points > 1 {
		return r, drivers.BadStatus, false
	}
	value, digits, letters := int64(0), 0, 0
	for i := range 4 {
		switch d := digitOf[int(low[1+2*i]&7)<<4|int(low[2+2*i])]; {
		case d <= 9 && letters == 0:
			value = value*10 + int64(d)
			digits++
		case d == letterL && letters == 0 && digits == 1 && value == 0:
			letters++
		case d == blank && (digits == 0 || letters == 1): // before the digits or around 0L
		default:
			return r, drivers.BadDigit, false
		}
	}
	switch {
	case letters == 1:
		r.Flags |= drivers.Overload
		r.Exp = r.Prefix
		return r, 0, true
	case digits == 0:
		return r, drivers.BadDigit, false
	}
	if low[1]&8 != 0 {
		value = -value
	}
	r.Digits, r.Exp = value, r.Prefix-int8(places)
	return r, 0, true
}

// symbol turns the symbols of bytes 10 to 14 into quantity, prefix and flags;
// ok is false where they contradict each other, as in the display's own test
// at power-up, which lights all of them.
func symbol(s int) (r drivers.Reading, ok bool) {
	var fits int // the prefixes that make sense with the unit
	switch s & units {
	case volt:
		r.Quantity, fits = drivers.Voltage, milli
	case ampere:
		r.Quantity, fits = drivers.Current, micro|milli
	case ohm:
		r.Quantity, fits = drivers.Resistance, kilo|mega
	case hertz:
		r.Quantity, fits = drivers.Frequency, kilo|mega
	case farad:
		r.Quantity, fits = drivers.Capacitance, nano|micro|milli
	case percent:
		r.Quantity = drivers.Percent
	case 0:
		switch {
		case s&diode != 0:
			r.Quantity = drivers.Voltage
		case s&continuity != 0:
			r.Quantity = drivers.Resistance
		case s&celsius != 0:
			r.Quantity = drivers.Temperature
		default:
			return r, false
		}
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
	if s&prefixes&^fits != 0 ||
		s&diode != 0 && r.Quantity != drivers.Voltage ||
		s&continuity != 0 && r.Quantity != drivers.Resistance {
		return r, false
	}
	for _, m := range [...]struct {
		symbol int
		flag   drivers.Flags
	}{
		{diode, drivers.Diode}, {continuity, drivers.Continuity}, {relative, drivers.Relative},
		{hold, drivers.Hold}, {lowBattery, drivers.LowBattery},
	} {
		if s&m.symbol != 0 {
			r.Flags |= m.flag
		}
	}
	return r, true
}
