package emulate

import "fmt"

// A polled meter shows DC volts as a display does, and sends what it shows when
// it is asked with the letter D: the 14-character block of an older class of
// meters, from memory of their manuals.
type polled struct {
	display
	volts func() float64 // at its input now
}

// 20000 counts: 200.00 mV, 2.0000 V, 20.000 V, 200.00 V, 2000.0 V.
var ascii14 = chip{
	ranges: []float64{1e-5, 1e-4, 1e-3, 1e-2, 1e-1}, full: 20000, down: 1900, encode: encodeASCII14,
}

// feed takes bytes and returns the blocks that they ask for.
func (m *polled) feed(p []byte) (answers []byte) {
	for _, c := range p {
		if c&0x7F == 'D' { // the line has seven bits
			answers = m.frame(answers, m.volts())
		}
	}
	return answers
}

// encodeASCII14 appends the 14 characters of one reading: function, figure with
// its sign and point, unit, CR.
func encodeASCII14(b []byte, rng, counts int, over bool) []byte {
	unit := "V"
	if rng == 0 {
		unit = "mV"
	}
	digits := fmt.Sprintf("%05d", max(counts, -counts))
	point := [...]int{3, 1, 2, 3, 4}[rng] // digits before it
	figure := digits[:point] + "." + digits[point:]
	if counts < 0 {
		figure = "-" + figure
	}
	if over {
		figure = "O.L"
	}
	return fmt.Appendf(b, "DC%7s%4s\r", figure, unit)
}
