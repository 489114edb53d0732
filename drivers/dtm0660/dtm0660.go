// Package dtm0660 reads the serial output of the DTM0660L multimeter chip: a
// copy of its liquid crystal display of 6000 counts, sent at 2400 8N1 about
// three times a second.
//
// Each frame is 15 bytes. The high nibble of a byte is its position, 1 to 15;
// the low nibble is four display segments. Layout of the low nibbles, bit 3
// first (DTM0660L data sheet, layout from memory):
//
//	 1  RS232  Auto  DC  AC
//	 2  a f e  minus        3  b g c d   first digit
//	 4  a f e  point        5  b g c d   second digit
//	 6  a f e  point        7  b g c d   third digit
//	 8  a f e  point        9  b g c d   fourth digit
//	10  diode  k  n  µ
//	11  continuity  M  %  m
//	12  hold  relative  Ω  F
//	13  low battery  Hz  V  A
//	14  unused  hFE  °C  °F
//	15  MAX  the dash of MAX-MIN  MIN  automatic power-off
//
// a to g are the segments of a digit, clockwise from the top, g in the middle.
// A point stands before its digit.
//
// The order of the bits in a nibble proves itself: read the other way round, no
// digit but by chance is one, and the frame is rejected. The places of hFE and
// of what stands in byte 15 are the least sure; the unused symbol makes a frame
// that is rejected.
package dtm0660

import "nightsoak/drivers"

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "dtm0660",
	Line:       "2400 8N1",
	Source:     "DTM0660L data sheet, layout from memory; places of hFE, MAX, MIN and APO not sure",
	NewDecoder: func() drivers.Decoder { return new(decoder) },
}

const frameLen = 15

// Symbols of bytes 10 to 15, as one number of 24 bits in the order sent.
const (
	diode      = 1 << 23
	kilo       = 1 << 22
	nano       = 1 << 21
	micro      = 1 << 20
	continuity = 1 << 19
	mega       = 1 << 18
	percent    = 1 << 17
	milli      = 1 << 16
	hold       = 1 << 15
	relative   = 1 << 14
	ohm        = 1 << 13
	farad      = 1 << 12
	lowBattery = 1 << 11
	hertz      = 1 << 10
	volt       = 1 << 9
	ampere     = 1 << 8
	unused     = 1 << 7
	gain       = 1 << 6
	celsius    = 1 << 5
	fahrenheit = 1 << 4
	maximum    = 1 << 3
	dash       = 1 << 2
	minimum    = 1 << 1
	powerOff   = 1 << 0

	units    = percent | ohm | farad | hertz | volt | ampere | gain | celsius | fahrenheit
	prefixes = nano | micro | milli | kilo | mega
)

// Segments of a digit, as its two nibbles give them, bit 0 of the first being
// the minus or the point.
const (
	segD = 1 << iota
	segC
	segG
	segB
	point // or minus, before the first digit
	segE
	segF
	segA
)

const (
	blank   = 10 // nothing shown
	letterL = 11 // the L of 0L, overload
	noDigit = 255
)

// digitOf tells what a pattern of segments shows, with and without a point.
var digitOf = func() (t [256]uint8) {
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
		t[segments|point] = uint8(digit)
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
	switch low[0] & 0b0011 {
	case 0b0001:
		r.Flags |= drivers.AC
	case 0b0010:
		r.Flags |= drivers.DC
	case 0b0011: // the chip measures one at a time
		return r, drivers.BadStatus, false
	}
	if low[0]&0b0100 != 0 {
		r.Flags |= drivers.Auto
	}

	points, places := 0, 0
	value, digits, letters := int64(0), 0, 0
	ok = true
	for i := range 4 {
		segments := low[1+2*i]<<4 | low[2+2*i]
		if i > 0 && segments&point != 0 {
			points++
			places = 4 - i
		}
		switch d := digitOf[segments]; {
		case d <= 9 && letters == 0:
			value = value*10 + int64(d)
			digits++
		case d == letterL && letters == 0 && digits == 1 && value == 0:
			letters++
		case d == blank && (digits == 0 || letters == 1): // before the digits or around 0L
		default:
			ok = false
		}
	}
	switch {
	case points > 1:
		return r, drivers.BadStatus, false
	case !ok || digits == 0:
		return r, drivers.BadDigit, false
	case letters == 1:
		r.Flags |= drivers.Overload
		r.Exp = r.Prefix
		return r, 0, true
	}
	if low[1]&1 != 0 {
		value = -value
	}
	r.Digits, r.Exp = value, r.Prefix-int8(places)
	return r, 0, true
}

// symbol turns the symbols of bytes 10 to 15 into quantity, prefix and flags;
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
	case gain:
		r.Quantity = drivers.Gain
	case celsius:
		r.Quantity = drivers.Temperature
	case fahrenheit:
		r.Quantity = drivers.Fahrenheit
	case 0:
		switch {
		case s&diode != 0:
			r.Quantity = drivers.Voltage
		case s&continuity != 0:
			r.Quantity = drivers.Resistance
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
	if s&unused != 0 ||
		s&prefixes&^fits != 0 ||
		s&diode != 0 && r.Quantity != drivers.Voltage ||
		s&continuity != 0 && r.Quantity != drivers.Resistance {
		return r, false
	}
	for _, m := range [...]struct {
		symbols int
		flag    drivers.Flags
	}{
		{diode, drivers.Diode}, {continuity, drivers.Continuity}, {relative, drivers.Relative},
		{hold, drivers.Hold}, {lowBattery, drivers.LowBattery}, {powerOff, drivers.AutoPowerOff},
		{maximum | dash | minimum, drivers.MinMax},
	} {
		if s&m.symbols != 0 {
			r.Flags |= m.flag
		}
	}
	return r, true
}
