// Package es519xx reads what the multimeter chips ES51922 and ES51986 send
// alike: lines of characters 011xxxx, closed by CR LF. The low four bits of a
// character say, in this order:
//
//	range      its meaning depends on the function
//	digits     0 to 9, four or five of them
//	function
//	status     judge  sign  battery  OL
//	options    the chip's own, two or four of them
package es519xx

import (
	"strings"

	"nightsoak/drivers"
)

// Chip is what tells one chip from another.
type Chip struct {
	Digits, Options int
	Functions       [16]Function // by function code; nil where the code is not read

	// Symbols tells what the options add, four bits each and the last one
	// lowest, and what they and the judge bit make of the function f, which
	// may be nil: it returns the function that the digits are of.
	// [drivers.NotANumber] among the flags means that there are no digits.
	// False where the options contradict each other.
	Symbols func(options uint16, judge bool, f Function) (Function, drivers.Flags, bool)
}

// Function is what a function code means: a reading by range code, to which the
// digits are added. One without quantity is a range that the function does not
// have.
type Function []drivers.Reading

// Ranges makes a Function of its full scales as the display shows them, with
// "-" for a range code that it does not have. It panics where one is no
// reading: the tables are fixed.
func Ranges(flags drivers.Flags, scales ...string) (f Function) {
	for _, scale := range scales {
		var r drivers.Reading
		if figure, unit, ok := strings.Cut(scale, " "); ok {
			var err error
			if r, err = drivers.ParseReading(figure, unit, ""); err != nil {
				panic(err)
			}
			r.Digits, r.Flags = 0, flags
		}
		f = append(f, r)
	}
	return f
}

// Is says whether the function measures q, and is no test.
func (f Function) Is(q drivers.Quantity) bool {
	return len(f) > 0 && f[0].Quantity == q && f[0].Flags == 0
}

// NewDecoder is a decoder of the chip's frames. There is nothing to set.
func (c Chip) NewDecoder(drivers.Settings) (drivers.Decoder, error) {
	return &decoder{Chip: c, len: 1 + c.Digits + 2 + c.Options}, nil
}

// Bits of the status.
const (
	judge = 8 >> iota
	sign
	battery
	overload
)

type decoder struct {
	Chip
	len     int    // characters of a frame, without its line end
	nibbles uint64 // low four bits of the last 16 characters 011xxxx
	run     int    // how many of them came in a row, up to one more than len
	cr      bool   // and then CR
	counted bool   // this line is already counted as a rejection
	doubt   bool   // the line before was broken
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
		case c>>4 == '0'>>4:
			if d.cr { // its LF was lost
				d.broken()
			}
			d.nibbles = d.nibbles<<4 | uint64(c&0xF)
			if d.run++; d.run > d.len {
				d.reject(drivers.Noise)
				d.run = d.len + 1
			}
		case c == '\r' && !d.cr:
			d.cr = true
		case c == '\n' && d.cr && d.run >= d.len:
			d.whole(emit)
		case c == '\r' || c == '\n':
			d.broken()
			d.cr = c == '\r'
		default:
			d.reject(drivers.Noise)
			d.run, d.cr = 0, false
		}
	}
}

// reject counts the line, if it is not counted yet.
func (d *decoder) reject(why drivers.Reason) {
	if !d.counted {
		d.rejects[why]++
		d.counted = true
	}
}

// broken ends a line that is no frame, or an empty one.
func (d *decoder) broken() {
	if d.run > 0 {
		d.reject(drivers.Short)
	}
	if d.counted {
		d.doubt = true
	}
	d.run, d.cr, d.counted = 0, false, false
}

// whole ends a line whose last characters could be a frame.
//
// If it hangs on to more characters, the line end before it was lost or a stray
// character came in front of it; or it is the rest of a frame in which a
// character came twice or was put in, with the wrong range and digits. The bytes
// cannot tell. It is taken if the character in front is its own first one, come
// twice; and if the line before was broken, for on so bad a line refusing would
// cost up to 4 in 100 intact frames (the catalogue's TestCampaign). A line that
// is only too long is no such sign, or the frames of a chip with more digits
// would be read as those of one with fewer.
func (d *decoder) whole(emit func(drivers.Reading)) {
	exact := d.run == d.len
	ok := exact || d.doubt || d.nibbles>>(4*d.len)&0xF == d.nibbles>>(4*d.len-4)&0xF
	if ok {
		var r drivers.Reading
		var why drivers.Reason
		if r, why, ok = d.frame(); ok {
			emit(r)
		} else {
			d.reject(why)
		}
	}
	d.doubt = exact && !ok
	d.run, d.cr, d.counted = 0, false, false
}

// frame reads the last characters.
func (d *decoder) frame() (r drivers.Reading, why drivers.Reason, ok bool) {
	options := uint16(d.nibbles & (1<<(4*d.Options) - 1))
	b := d.nibbles >> (4 * d.Options) // the status lowest
	status, digits := b, b>>8
	code := int(digits >> (4 * d.Digits) & 0xF)

	f, flags, ok := d.Symbols(options, status&judge != 0, d.Functions[b>>4&0xF])
	if !ok || code >= len(f) || f[code].Quantity == drivers.NoQuantity {
		return r, drivers.BadStatus, false
	}
	r = f[code]
	r.Flags |= flags
	if status&battery != 0 {
		r.Flags |= drivers.LowBattery
	}
	if status&overload != 0 {
		if r.Flags&drivers.NotANumber != 0 {
			return r, drivers.BadStatus, false
		}
		r.Flags |= drivers.Overload
	}
	var value int64
	for shift := 4*d.Digits - 4; shift >= 0; shift -= 4 {
		digit := int64(digits >> shift & 0xF)
		if digit > 9 {
			return r, drivers.BadDigit, false
		}
		value = value*10 + digit
	}
	switch {
	case !r.HasValue():
		r.Exp = r.Prefix
	case status&sign != 0:
		r.Digits = -value
	default:
		r.Digits = value
	}
	return r, 0, true
}
