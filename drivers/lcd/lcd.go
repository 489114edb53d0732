// Package lcd reads a meter's copy of its liquid crystal display of four
// digits, as several chips send it.
//
// The high nibble of a byte is its position in the frame, from 1; the low
// nibble is four display segments. Layout of the low nibbles:
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
//	14  and 15: the chip's own
//
// a to g are the segments of a digit,
// clockwise from the top, g in the middle. A point stands before its digit.
// Some chips send the four segments from bit 3 down, some from bit 0 up.
package lcd

import "nightsoak/drivers"

// Chip is what tells one chip from another.
type Chip struct {
	Len    int  // bytes of a frame, 14 or 15
	Upward bool // the layout begins with bit 0 of a nibble, not with bit 3

	// Own tells what the chip's own symbols add: bytes 14 and 15 as one number
	// of 8 bits in the order of the layout, 0 where there is no byte 15. It is
	// given the quantity of the common symbols, if they have one, and returns
	// the quantity of all. False where the symbols contradict each other.
	Own func(symbols uint8, q drivers.Quantity) (drivers.Quantity, drivers.Flags, bool)
}

// NewDecoder is a decoder of the chip's frames. There is nothing to set.
func (c Chip) NewDecoder(drivers.Settings) (drivers.Decoder, error) { return &decoder{Chip: c}, nil }

// A frame is held as one number: byte n is the four bits from 60-4n on. This is
// what byte 1 and the leading bits of the digits say.
const (
	ac     = 1 << 59
	dc     = 1 << 58
	auto   = 1 << 57
	minus  = 1 << 55
	point1 = 1 << 47 // one digit before it
	point2 = 1 << 39
	point3 = 1 << 31
)

// Symbols of bytes 10 to 13, as one number of 16 bits in the order of the layout.
const (
	micro      = 1 << 15
	nano       = 1 << 14
	kilo       = 1 << 13
	diode      = 1 << 12
	milli      = 1 << 11
	percent    = 1 << 10
	mega       = 1 << 9
	continuity = 1 << 8
	farad      = 1 << 7
	ohm        = 1 << 6
	relative   = 1 << 5
	hold       = 1 << 4
	ampere     = 1 << 3
	volt       = 1 << 2
	hertz      = 1 << 1
	lowBattery = 1 << 0

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
	Chip
	frame   uint64 // low nibbles so far, the last one lowest
	n       int    // how many of them are of this frame
	lost    bool   // these bytes are already counted as one rejection
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
		d.frame = d.frame<<4 | uint64(c&0xF)
		if d.n++; d.n < d.Len {
			continue
		}
		d.n = 0
		if r, why, ok := d.display(d.frame << (64 - 4*d.Len) >> 4); ok {
			emit(r)
		} else {
			d.rejects[why]++
		}
	}
}

// display reads the symbols and digits of a whole frame.
func (d *decoder) display(frame uint64) (r drivers.Reading, why drivers.Reason, ok bool) {
	if d.Upward { // the two halves of each nibble change places, then the bits of each half
		frame = frame>>2&0x333333333333333 | frame&0x333333333333333<<2
		frame = frame>>1&0x555555555555555 | frame&0x555555555555555<<1
	}
	if r, ok = d.symbols(uint16(frame>>8), uint8(frame)); !ok {
		return r, drivers.BadStatus, false
	}
	switch frame & (ac | dc) {
	case ac:
		r.Flags |= drivers.AC
	case dc:
		r.Flags |= drivers.DC
	case ac | dc: // the chip measures one at a time
		return r, drivers.BadStatus, false
	}
	if frame&auto != 0 {
		r.Flags |= drivers.Auto
	}

	var places int8
	switch frame & (point1 | point2 | point3) {
	case 0:
	case point1:
		places = 3
	case point2:
		places = 2
	case point3:
		places = 1
	default:
		return r, drivers.BadStatus, false
	}
	value, digits, letters := int64(0), 0, 0
	for shift := 48; shift >= 24; shift -= 8 {
		switch c := digitOf[frame>>shift&0x7F]; {
		case c <= 9 && letters == 0:
			value = value*10 + int64(c)
			digits++
		case c == letterL && letters == 0 && digits == 1 && value == 0:
			letters++
		case c == blank && (digits == 0 || letters == 1): // before the digits or around 0L
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
	if frame&minus != 0 {
		value = -value
	}
	r.Digits, r.Exp = value, r.Prefix-places
	return r, 0, true
}

// symbols turns the common symbols s and the chip's own into quantity, prefix
// and flags; ok is false where they contradict each other, as in the display's
// own test at power-up, which lights all of them.
func (d *decoder) symbols(s uint16, own uint8) (r drivers.Reading, ok bool) {
	var fits uint16 // the prefixes that make sense with the unit
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
	if r.Quantity, r.Flags, ok = d.Own(own, r.Quantity); !ok {
		return r, false
	}
	for _, m := range [...]struct {
		symbol uint16
		flag   drivers.Flags
	}{
		{diode, drivers.Diode}, {continuity, drivers.Continuity}, {relative, drivers.Relative},
		{hold, drivers.Hold}, {lowBattery, drivers.LowBattery},
	} {
		if s&m.symbol != 0 {
			r.Flags |= m.flag
		}
	}
	return r, r.Quantity != drivers.NoQuantity &&
		s&prefixes&^fits == 0 &&
		(s&diode == 0 || r.Quantity == drivers.Voltage) &&
		(s&continuity == 0 || r.Quantity == drivers.Resistance)
}
