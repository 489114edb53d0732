package es51922

import (
	"math/bits"
	"slices"
	"testing"

	"nightsoak/drivers"
	"nightsoak/drivers/drivertest"
)

// oddParity sets the eighth bit as an adaptor set to eight bits would see it.
func oddParity(b []byte) []byte {
	for i, c := range b {
		if bits.OnesCount8(c)%2 == 0 {
			b[i] |= 0x80
		}
	}
	return b
}

const end = "\r\n"

var table = drivertest.Table{Format: Format, Bytes: drivertest.Line}

// frames: the expectations follow from the layout in the package comment and
// the chip's functions and ranges (ES51922 data sheet, from memory). A nibble of
// 8 + 2 is the character ':', 8 + 4 is '<' and so on.
var frames = []drivertest.Good{
	// range, digits, function, status: judge sign battery OL,
	// MAX MIN REL RMR, UL Pmax Pmin 0, DC AC AUTO VAHZ, 0 VBAR HOLD LPF
	{"1.2345 V dc auto", "0" + "12345" + ";" + "0" + "0" + "0" + ":" + "0" + end}, // voltage ranges
	{"12.345 V dc auto", "1" + "12345" + ";" + "0" + "0" + "0" + ":" + "0" + end},
	{"123.45 V dc auto", "2" + "12345" + ";" + "0" + "0" + "0" + ":" + "0" + end},
	{"1234.5 V dc auto", "3" + "12345" + ";" + "0" + "0" + "0" + ":" + "0" + end},
	{"123.45 mV dc auto", "4" + "12345" + ";" + "0" + "0" + "0" + ":" + "0" + end},
	{"0.0678 V ac", "0" + "00678" + ";" + "0" + "0" + "0" + "4" + "0" + end}, // couplings
	{"0.9012 V dc ac", "0" + "09012" + ";" + "0" + "0" + "0" + "<" + "0" + end},
	{"0.9012 V", "0" + "09012" + ";" + "0" + "0" + "0" + "0" + "0" + end},
	{"-38.20 mV dc auto", "4" + "03820" + ";" + "4" + "0" + "0" + ":" + "0" + end}, // sign
	{"0.00 mV dc", "4" + "00000" + ";" + "4" + "0" + "0" + "8" + "0" + end},

	{"3.0456 V dc", "0" + "30456" + ";" + "0" + "0" + "0" + "8" + "0" + end}, // every digit in every place
	{"4.4967 V dc", "0" + "44967" + ";" + "0" + "0" + "0" + "8" + "0" + end},
	{"5.5089 V dc", "0" + "55089" + ";" + "0" + "0" + "0" + "8" + "0" + end},
	{"6.7090 V dc", "0" + "67090" + ";" + "0" + "0" + "0" + "8" + "0" + end},
	{"7.8000 V dc", "0" + "78000" + ";" + "0" + "0" + "0" + "8" + "0" + end},
	{"8.0000 V dc", "0" + "80000" + ";" + "0" + "0" + "0" + "8" + "0" + end},
	{"9.0000 V dc", "0" + "90000" + ";" + "0" + "0" + "0" + "8" + "0" + end},

	{"22.000 A dc", "0" + "22000" + "0" + "0" + "0" + "0" + "8" + "0" + end}, // ampere
	{"2.2000 A dc", "0" + "22000" + "9" + "0" + "0" + "0" + "8" + "0" + end}, // ampere, range by hand
	{"22.000 A dc", "1" + "22000" + "9" + "0" + "0" + "0" + "8" + "0" + end},
	{"220.00 A dc", "2" + "22000" + "9" + "0" + "0" + "0" + "8" + "0" + end},
	{"2200.0 A dc", "3" + "22000" + "9" + "0" + "0" + "0" + "8" + "0" + end},
	{"22000 A dc", "4" + "22000" + "9" + "0" + "0" + "0" + "8" + "0" + end},
	{"12.345 mA dc auto", "0" + "12345" + "?" + "0" + "0" + "0" + ":" + "0" + end}, // milliampere
	{"-123.45 mA dc auto", "1" + "12345" + "?" + "4" + "0" + "0" + ":" + "0" + end},
	{"123.45 µA ac auto", "0" + "12345" + "=" + "0" + "0" + "0" + "6" + "0" + end}, // microampere
	{"1234.5 µA ac auto", "1" + "12345" + "=" + "0" + "0" + "0" + "6" + "0" + end},

	{"123.45 Ω auto", "0" + "12345" + "3" + "0" + "0" + "0" + "2" + "0" + end}, // resistance
	{"1.2345 kΩ auto", "1" + "12345" + "3" + "0" + "0" + "0" + "2" + "0" + end},
	{"12.345 kΩ auto", "2" + "12345" + "3" + "0" + "0" + "0" + "2" + "0" + end},
	{"123.45 kΩ auto", "3" + "12345" + "3" + "0" + "0" + "0" + "2" + "0" + end},
	{"1.2345 MΩ auto", "4" + "12345" + "3" + "0" + "0" + "0" + "2" + "0" + end},
	{"12.345 MΩ auto", "5" + "12345" + "3" + "0" + "0" + "0" + "2" + "0" + end},
	{"123.45 MΩ auto", "6" + "12345" + "3" + "0" + "0" + "0" + "2" + "0" + end},
	{"12.34 Ω beep", "0" + "01234" + "5" + "0" + "0" + "0" + "0" + "0" + end},   // continuity
	{"0.6120 V diode", "0" + "06120" + "1" + "0" + "0" + "0" + "0" + "0" + end}, // diode
	{"12.345 nF auto", "0" + "12345" + "6" + "0" + "0" + "0" + "2" + "0" + end}, // capacitance
	{"123.45 nF auto", "1" + "12345" + "6" + "0" + "0" + "0" + "2" + "0" + end},
	{"1.2345 µF auto", "2" + "12345" + "6" + "0" + "0" + "0" + "2" + "0" + end},
	{"12.345 µF auto", "3" + "12345" + "6" + "0" + "0" + "0" + "2" + "0" + end},
	{"123.45 µF auto", "4" + "12345" + "6" + "0" + "0" + "0" + "2" + "0" + end},
	{"1.2345 mF auto", "5" + "12345" + "6" + "0" + "0" + "0" + "2" + "0" + end},
	{"12.345 mF auto", "6" + "12345" + "6" + "0" + "0" + "0" + "2" + "0" + end},
	{"123.45 mF auto", "7" + "12345" + "6" + "0" + "0" + "0" + "2" + "0" + end},
	{"12.34 Hz auto", "0" + "01234" + "2" + "0" + "0" + "0" + "2" + "0" + end}, // frequency
	{"123.4 Hz auto", "1" + "01234" + "2" + "0" + "0" + "0" + "2" + "0" + end},
	{"12.345 kHz auto", "3" + "12345" + "2" + "0" + "0" + "0" + "2" + "0" + end},
	{"123.45 kHz auto", "4" + "12345" + "2" + "0" + "0" + "0" + "2" + "0" + end},
	{"1.2345 MHz auto", "5" + "12345" + "2" + "0" + "0" + "0" + "2" + "0" + end},
	{"12.345 MHz auto", "6" + "12345" + "2" + "0" + "0" + "0" + "2" + "0" + end},
	{"123.45 MHz auto", "7" + "12345" + "2" + "0" + "0" + "0" + "2" + "0" + end},
	{"50.1 %", "0" + "00501" + "2" + "8" + "0" + "0" + "0" + "0" + end}, // duty cycle: judge
	{"50.1 %", "4" + "00501" + "2" + "8" + "0" + "0" + "0" + "0" + end},
	{"50.0 Hz ac", "1" + "00500" + ";" + "0" + "0" + "0" + "5" + "0" + end}, // frequency of a voltage: VAHZ
	{"50.0 Hz ac", "1" + "00500" + "?" + "0" + "0" + "0" + "5" + "0" + end}, // of a current
	{"50.0 Hz ac", "1" + "00500" + "0" + "0" + "0" + "0" + "5" + "0" + end},
	{"50.0 Hz ac", "1" + "00500" + "9" + "0" + "0" + "0" + "5" + "0" + end},
	{"50.0 Hz ac", "1" + "00500" + "=" + "0" + "0" + "0" + "5" + "0" + end},
	{"33.3 % ac", "1" + "00333" + ";" + "8" + "0" + "0" + "5" + "0" + end},
	{"0.6120 V diode", "0" + "06120" + "1" + "0" + "0" + "0" + "1" + "0" + end}, // VAHZ does not touch a diode test
	{"23.5 °C", "0" + "00235" + "4" + "8" + "0" + "0" + "0" + "0" + end},        // temperature: judge
	{"-4.0 °C", "0" + "00040" + "4" + "<" + "0" + "0" + "0" + "0" + end},
	{"74.3 °F", "0" + "00743" + "4" + "0" + "0" + "0" + "0" + "0" + end},

	{"1.2345 V dc lowbat", "0" + "12345" + ";" + "2" + "0" + "0" + "8" + "0" + end}, // flags
	{"1.2345 V dc hold", "0" + "12345" + ";" + "0" + "0" + "0" + "8" + "2" + end},
	{"1.2345 V dc rel", "0" + "12345" + ";" + "0" + "2" + "0" + "8" + "0" + end},
	{"1.2345 V dc minmax", "0" + "12345" + ";" + "0" + "8" + "0" + "8" + "0" + end}, // MAX
	{"1.2345 V dc minmax", "0" + "12345" + ";" + "0" + "4" + "0" + "8" + "0" + end}, // MIN
	{"1.2345 V dc minmax", "0" + "12345" + ";" + "0" + "1" + "0" + "8" + "0" + end}, // RMR
	{"1.2345 V dc minmax", "0" + "12345" + ";" + "0" + "0" + "4" + "8" + "0" + end}, // Pmax
	{"1.2345 V dc minmax", "0" + "12345" + ";" + "0" + "0" + "2" + "8" + "0" + end}, // Pmin
	{"1.2345 V dc", "0" + "12345" + ";" + "0" + "0" + "0" + "8" + "5" + end},        // VBAR and LPF: nothing to say
	{"1.2345 V dc auto hold rel minmax lowbat", "0" + "12345" + ";" + "2" + "?" + "6" + ":" + "2" + end},

	{"OL V dc auto overload", "0" + "22580" + ";" + "1" + "0" + "0" + ":" + "0" + end}, // overload
	{"OL MΩ auto overload", "6" + "22580" + "3" + "1" + "0" + "0" + "2" + "0" + end},
	{"OL mV dc overload", "4" + "00000" + ";" + "5" + "0" + "0" + "8" + "0" + end}, // and negative
	{"NaN % nan", "0" + "00000" + "2" + "8" + "0" + "8" + "0" + "0" + end},         // UL
}

func TestGolden(t *testing.T) { table.Golden(t, frames) }

// TestParity: the eighth bit makes no difference.
func TestParity(t *testing.T) {
	for _, tt := range frames {
		line := oddParity([]byte(tt.Frame))
		if got, _ := table.Decode(line, len(line)); !slices.Equal(got, []string{tt.Want}) {
			t.Errorf("frame %q with parity reads %q, want %q", tt.Frame, got, tt.Want)
		}
	}
}

// TestExact looks at the parts of a reading that the display does not show.
func TestExact(t *testing.T) {
	table.ReadsExactly(t, []drivertest.Exact{
		{"4" + "03820" + ";" + "4" + "0" + "0" + ":" + "0" + end,
			drivers.Reading{Digits: -3820, Exp: -5, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}},
		{"7" + "12345" + "2" + "0" + "0" + "0" + "0" + "0" + end,
			drivers.Reading{Digits: 12345, Exp: 4, Prefix: 6, Quantity: drivers.Frequency}},
		{"4" + "22580" + ";" + "1" + "0" + "0" + "8" + "0" + end,
			drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Overload}},
	})
}

const (
	good     = "4" + "03820" + ";" + "0" + "0" + "0" + ":" + "0" + end
	goodText = "38.20 mV dc auto"
)

func TestMalformed(t *testing.T) {
	table.Rejected(t, drivers.BadStatus, []drivertest.Bad{
		{"a range that volts do not have", "5" + "03820" + ";" + "0" + "0" + "0" + ":" + "0" + end},
		{"a range that ohms do not have", "7" + "03820" + "3" + "0" + "0" + "0" + ":" + "0" + end},
		{"the frequency range that is unused", "2" + "03820" + "2" + "0" + "0" + "0" + ":" + "0" + end},
		{"a range that continuity does not have", "1" + "03820" + "5" + "0" + "0" + "0" + "0" + "0" + end},
		{"adaptor input", "0" + "03820" + ">" + "0" + "0" + "0" + "0" + "0" + end},
		{"a function that is unused", "0" + "03820" + "7" + "0" + "0" + "0" + "0" + "0" + end},
		{"option bits that are always clear", "0" + "03820" + ";" + "0" + "0" + "1" + "8" + "0" + end},
		{"and the other one", "0" + "03820" + ";" + "0" + "0" + "0" + "8" + "8" + end},
		{"over and under range at once", "0" + "03820" + "2" + "9" + "0" + "8" + "0" + "0" + end},
	})
	table.Rejected(t, drivers.BadDigit, []drivertest.Bad{
		{"a digit above 9", "4" + "03:20" + ";" + "0" + "0" + "0" + ":" + "0" + end},
	})
	table.Rejected(t, drivers.Noise, []drivertest.Bad{
		{"a character outside 0 to ?", "4" + "03820" + ";" + "@" + "0" + "0" + ":" + "0" + end},
	})
}

// TestEveryCode walks all codes: either a reading, as a golden frame shows too,
// or one rejection.
func TestEveryCode(t *testing.T) {
	readings := 0
	for fn := range 16 {
		for code := range 16 {
			line := string(rune('0'+code)) + "01000" + string(rune('0'+fn)) + "00000" + end
			got, rejects := table.Decode([]byte(line), len(line))
			if len(got)+int(rejects[drivers.BadStatus]) != 1 || rejects.Total() != rejects[drivers.BadStatus] {
				t.Errorf("function %X range %X reads %q, rejects %v", fn, code, got, rejects)
			}
			if len(got) == 1 && !slices.ContainsFunc(frames, func(g drivertest.Good) bool { return g.Frame[0] == line[0] && g.Frame[6] == line[6] }) {
				t.Errorf("function %X range %X is in no golden frame", fn, code)
			}
			readings += len(got)
		}
	}
	// Ranges: A 1, diode 1, frequency 7, resistance 7, temperature 1,
	// continuity 1, capacitance 8, manual A 5, V 5, µA 2, mA 2.
	if want := 1 + 1 + 7 + 7 + 1 + 1 + 8 + 5 + 5 + 2 + 2; readings != want {
		t.Errorf("%d pairs of function and range are read, want %d", readings, want)
	}
}

// FuzzDecoder: see [drivertest.Table.Fuzz].
func FuzzDecoder(f *testing.F) {
	table.Fuzz(f, drivertest.Good{goodText, good}, frames, oddParity([]byte(good+good[4:]+good)), []byte("?"+"?????"+"?"+"?"+"?"+"?"+"?"+"?"+end))
}
