package emulate

import (
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
)

// A chip is a meter's chip in its DC volts function: the ranges it has and how
// it sends what it shows.
type chip struct {
	ranges []float64 // volts of one count, lowest range first
	full   int       // counts from which a range overflows
	down   int       // counts under which it goes one range down
	// encode appends one frame. counts means nothing when over is set.
	encode func(frame []byte, rng, counts int, over bool) []byte
}

// All layouts are from memory of the chips' data sheets.
var (
	fs9721 = chip{ // 4000 counts: 400.0 mV, 4.000 V, 40.00 V, 400.0 V
		ranges: []float64{1e-4, 1e-3, 1e-2, 1e-1}, full: 4000, down: 380, encode: encodeFS9721,
	}
	es51922 = chip{ // 22000 counts: 220.00 mV, 2.2000 V, 22.000 V, 220.00 V, 2200.0 V
		ranges: []float64{1e-5, 1e-4, 1e-3, 1e-2, 1e-1}, full: 22000, down: 2000, encode: encodeES51922,
	}
	dtm0660 = chip{ // 6000 counts: 600.0 mV, 6.000 V, 60.00 V, 600.0 V
		ranges: []float64{1e-4, 1e-3, 1e-2, 1e-1}, full: 6000, down: 540, encode: encodeDTM0660,
	}
	es51986 = chip{ // 4000 counts: 400.0 mV, 4.000 V, 40.00 V, 400.0 V, 4000 V
		ranges: []float64{1e-4, 1e-3, 1e-2, 1e-1, 1}, full: 4000, down: 380, encode: encodeES51986,
	}
	fs9922 = chip{ // 6000 counts: 600.0 mV, 6.000 V, 60.00 V, 600.0 V
		ranges: []float64{1e-4, 1e-3, 1e-2, 1e-1}, full: 6000, down: 540, encode: encodeFS9922,
	}
)

// A display is one meter's state between two readings: the range it is in.
type display struct {
	chip
	rng   int
	noise *rand.Rand
}

// frame appends the frame for so many volts at the input. As the chips do, it
// changes at most one range a reading: on the way up each range that
// overflows shows OL once.
func (d *display) frame(b []byte, volts float64) []byte {
	counts := d.counts(volts)
	over := max(counts, -counts) >= d.full
	b = d.encode(b, d.rng, counts, over)
	switch {
	case over:
		d.rng = min(d.rng+1, len(d.ranges)-1)
	case max(counts, -counts) < d.down:
		d.rng = max(d.rng-1, 0)
	}
	return b
}

// counts is the figure in the present range, a count up or down one time in four.
func (d *display) counts(volts float64) int {
	return int(math.Round(volts/d.ranges[d.rng] + d.noise.Float64() + d.noise.Float64() - 1))
}

// Segments of a seven-segment digit as an FS9721 packs them: the upper three
// (e, f, a) go into one nibble and the lower four (d, c, g, b) into the next.
const (
	segB = 1 << iota
	segG
	segC
	segD
	segA
	segF
	segE
)

// glyphs are the ten digits, in segments.
var glyphs = [10]byte{
	segA | segB | segC | segD | segE | segF,
	segB | segC,
	segA | segB | segD | segE | segG,
	segA | segB | segC | segD | segG,
	segB | segC | segF | segG,
	segA | segC | segD | segF | segG,
	segA | segC | segD | segE | segF | segG,
	segA | segB | segC,
	segA | segB | segC | segD | segE | segF | segG,
	segA | segB | segC | segD | segF | segG,
}

const glyphL = segD | segE | segF

// encodeFS9721 appends the 14 bytes of one reading: each holds its position, 1
// to 14, in the high nibble and four elements of the display in the low one.
//
//	1     AC, DC, AUTO, RS232
//	2-9   minus (before digit 1) or point (before digits 2 to 4), e f a; d c g b
//	10    micro, nano, kilo, diode
//	11    milli, percent, mega, beeper
//	12    F, ohm, relative, hold
//	13    A, V, Hz, battery
//	14    °C in one of its bits
func encodeFS9721(b []byte, rng, counts int, over bool) []byte {
	var n [14]byte
	n[0] = 0b0111 // DC, AUTO, RS232
	seg := [4]byte{0, glyphs[0], glyphL, 0}
	if !over {
		for i, v := 3, max(counts, -counts); i >= 0; i-- {
			seg[i], v = glyphs[v%10], v/10
		}
	}
	for i, s := range seg {
		n[1+2*i], n[2+2*i] = s>>4, s&0xF
	}
	if counts < 0 {
		n[1] |= 0b1000
	}
	// 400.0 mV, 4.000, 40.00, 400.0 V: the digit that the point stands before.
	point := [...]int{3, 1, 2, 3}[rng]
	n[1+2*point] |= 0b1000
	if rng == 0 {
		n[10] = 0b1000 // milli
	}
	n[12] = 0b0100 // V
	for i, v := range n {
		b = append(b, byte(i+1)<<4|v)
	}
	return b
}

// encodeDTM0660 appends the 15 bytes of one reading: each holds its position, 1
// to 15, in the high nibble and four elements of the display in the low one,
// which are an FS9721's in the other order.
//
//	1      RS232, AUTO, DC, AC
//	2-9    a f e, minus (before digit 1) or point (before digits 2 to 4); b g c d
//	10     diode, kilo, nano, micro
//	11     beeper, mega, percent, milli
//	12     hold, relative, ohm, F
//	13     battery, Hz, V, A
//	14-15  hFE and degrees; MAX, MIN, automatic power-off
func encodeDTM0660(b []byte, rng, counts int, over bool) []byte {
	var n [15]byte
	n[0] = 0b1110 // RS232, AUTO, DC
	seg := [4]byte{0, glyphs[0], glyphL, 0}
	if !over {
		for i, v := 3, max(counts, -counts); i >= 0; i-- {
			seg[i], v = glyphs[v%10], v/10
		}
	}
	for i, s := range seg {
		n[1+2*i], n[2+2*i] = bits.Reverse8(s>>4)>>4, bits.Reverse8(s&0xF)>>4
	}
	if counts < 0 {
		n[1] |= 0b0001
	}
	// 600.0 mV, 6.000, 60.00, 600.0 V: the digit that the point stands before.
	point := [...]int{3, 1, 2, 3}[rng]
	n[1+2*point] |= 0b0001
	if rng == 0 {
		n[10] = 0b0001 // milli
	}
	n[12] = 0b0010 // V
	for i, v := range n {
		b = append(b, byte(i+1)<<4|v)
	}
	return b
}

// encodeES51922 appends the 14 characters of one reading, seven bits each:
// range, five digits, function, status, four option bytes, CR, LF. Status is
// judge, sign, battery, overload; option 3 is DC, AC, AUTO and one more.
func encodeES51922(b []byte, rng, counts int, over bool) []byte {
	status := byte('0')
	if counts < 0 {
		status |= 0b0100
	}
	v := max(counts, -counts)
	if over {
		status |= 0b0001
		v = 22000
	}
	digits := [5]byte{}
	for i := 4; i >= 0; i-- {
		digits[i], v = '0'+byte(v%10), v/10
	}
	b = append(b, "40123"[rng]) // 220.00 mV, 2.2000, 22.000, 220.00, 2200.0 V
	b = append(b, digits[:]...)
	const volts = 0x3B
	return append(b, volts, status, '0', '0', '0'|0b1010, '0', '\r', '\n')
}

// encodeES51986 appends the 11 characters of one reading, seven bits each:
// range, four digits, function, status, two option bytes, CR, LF. Status is
// judge, sign, battery, overload; option 2 is DC, AC, AUTO, HOLD.
func encodeES51986(b []byte, rng, counts int, over bool) []byte {
	status := '0'
	if counts < 0 {
		status |= 0b0100
	}
	if over {
		status |= 0b0001
		counts = 4000
	}
	const volts, noOption, dcAuto = 0x3B, '0', '0' | 0b1010
	// 400.0 mV, 4.000, 40.00, 400.0, 4000 V
	return fmt.Appendf(b, "%c%04d%c%c%c%c\r\n", "40123"[rng], max(counts, -counts), volts, status, noOption, dcAuto)
}

// encodeFS9922 appends the 14 bytes of one reading: sign, four digits, space,
// point, four bytes of symbols, bar graph, CR, LF.
func encodeFS9922(b []byte, rng, counts int, over bool) []byte {
	sign, bar := '+', byte(0)
	if counts < 0 {
		sign, bar = '-', 0x80
	}
	digits := fmt.Sprintf("%04d", max(counts, -counts))
	if over {
		digits = "?0:?"
		counts = 6000
	}
	bar |= byte(max(counts, -counts) / 100)            // full scale is 60 segments: an estimate
	symbols := [4]byte{0b0011_0001, 0, 0, 0b1000_0000} // AUTO, DC, bar graph; V
	if rng == 0 {
		symbols[2] = 0b0100_0000 // m
	}
	// 600.0 mV, 6.000, 60.00, 600.0 V: the digit that the point stands after, one bit each.
	b = fmt.Appendf(b, "%c%s %c", sign, digits, "4124"[rng])
	b = append(b, symbols[:]...)
	return append(b, bar, '\r', '\n')
}
