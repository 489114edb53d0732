package es51986

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

const (
	end = "\r\n"
)

var table = drivertest.Table{Format: Format, Bytes: drivertest.Line}

// frames: the expectations follow from the layout in the package comment and
// the chip's functions and ranges (ES51986 data sheet, from memory). A nibble of
// 8 + 2 is the character ':', 8 + 4 is '<' and so on.
var frames = []drivertest.Good{
	// range, digits, function, status: judge sign battery OL,
	// Pmax Pmin 0 VAHZ, DC AC AUTO HOLD
	{"1.234 V dc auto", "0" + "1234" + ";" + "0" + "0" + ":" + end}, // voltage ranges
	{"12.34 V dc auto", "1" + "1234" + ";" + "0" + "0" + ":" + end},
	{"123.4 V dc auto", "2" + "1234" + ";" + "0" + "0" + ":" + end},
	{"1234 V dc auto", "3" + "1234" + ";" + "0" + "0" + ":" + end},
	{"123.4 mV dc auto", "4" + "1234" + ";" + "0" + "0" + ":" + end},
	{"0.567 V ac", "0" + "0567" + ";" + "0" + "0" + "4" + end}, // couplings
	{"0.890 V dc ac", "0" + "0890" + ";" + "0" + "0" + "<" + end},
	{"0.890 V", "0" + "0890" + ";" + "0" + "0" + "0" + end},
	{"-38.0 mV dc auto", "4" + "0380" + ";" + "4" + "0" + ":" + end}, // sign
	{"0.0 mV dc", "4" + "0000" + ";" + "4" + "0" + "8" + end},

	{"2.441 V dc", "0" + "2441" + ";" + "0" + "0" + "8" + end}, // every digit in every place
	{"3.775 V dc", "0" + "3775" + ";" + "0" + "0" + "8" + end},
	{"4.906 V dc", "0" + "4906" + ";" + "0" + "0" + "8" + end},
	{"5.008 V dc", "0" + "5008" + ";" + "0" + "0" + "8" + end},
	{"6.009 V dc", "0" + "6009" + ";" + "0" + "0" + "8" + end},
	{"7.000 V dc", "0" + "7000" + ";" + "0" + "0" + "8" + end},
	{"8.000 V dc", "0" + "8000" + ";" + "0" + "0" + "8" + end},
	{"9.000 V dc", "0" + "9000" + ";" + "0" + "0" + "8" + end},

	{"10.00 A dc", "0" + "1000" + "0" + "0" + "0" + "8" + end}, // ampere
	{"1.000 A dc", "0" + "1000" + "9" + "0" + "0" + "8" + end}, // ampere, range by hand
	{"10.00 A dc", "1" + "1000" + "9" + "0" + "0" + "8" + end},
	{"100.0 A dc", "2" + "1000" + "9" + "0" + "0" + "8" + end},
	{"1000 A dc", "3" + "1000" + "9" + "0" + "0" + "8" + end},
	{"12.34 mA dc auto", "0" + "1234" + "?" + "0" + "0" + ":" + end}, // milliampere
	{"-123.4 mA dc auto", "1" + "1234" + "?" + "4" + "0" + ":" + end},
	{"123.4 µA ac auto", "0" + "1234" + "=" + "0" + "0" + "6" + end}, // microampere
	{"1234 µA ac auto", "1" + "1234" + "=" + "0" + "0" + "6" + end},

	{"123.4 Ω auto", "0" + "1234" + "3" + "0" + "0" + "2" + end}, // resistance
	{"1.234 kΩ auto", "1" + "1234" + "3" + "0" + "0" + "2" + end},
	{"12.34 kΩ auto", "2" + "1234" + "3" + "0" + "0" + "2" + end},
	{"123.4 kΩ auto", "3" + "1234" + "3" + "0" + "0" + "2" + end},
	{"1.234 MΩ auto", "4" + "1234" + "3" + "0" + "0" + "2" + end},
	{"12.34 MΩ auto", "5" + "1234" + "3" + "0" + "0" + "2" + end},
	{"12.3 Ω beep", "0" + "0123" + "5" + "0" + "0" + "0" + end},   // continuity
	{"0.612 V diode", "0" + "0612" + "1" + "0" + "0" + "0" + end}, // diode
	{"1.234 nF auto", "0" + "1234" + "6" + "0" + "0" + "2" + end}, // capacitance
	{"12.34 nF auto", "1" + "1234" + "6" + "0" + "0" + "2" + end},
	{"123.4 nF auto", "2" + "1234" + "6" + "0" + "0" + "2" + end},
	{"1.234 µF auto", "3" + "1234" + "6" + "0" + "0" + "2" + end},
	{"12.34 µF auto", "4" + "1234" + "6" + "0" + "0" + "2" + end},
	{"123.4 µF auto", "5" + "1234" + "6" + "0" + "0" + "2" + end},
	{"1.234 mF auto", "6" + "1234" + "6" + "0" + "0" + "2" + end},
	{"12.34 mF auto", "7" + "1234" + "6" + "0" + "0" + "2" + end},
	{"1.234 kHz auto", "0" + "1234" + "2" + "0" + "0" + "2" + end}, // frequency
	{"12.34 kHz auto", "1" + "1234" + "2" + "0" + "0" + "2" + end},
	{"123.4 kHz auto", "2" + "1234" + "2" + "0" + "0" + "2" + end},
	{"1.234 MHz auto", "3" + "1234" + "2" + "0" + "0" + "2" + end},
	{"12.34 MHz auto", "4" + "1234" + "2" + "0" + "0" + "2" + end},
	{"123.4 MHz auto", "5" + "1234" + "2" + "0" + "0" + "2" + end},
	{"0.050 kHz ac", "0" + "0050" + ";" + "0" + "1" + "4" + end}, // frequency of a voltage: VAHZ
	{"0.050 kHz ac", "0" + "0050" + "?" + "0" + "1" + "4" + end}, // of a current
	{"0.050 kHz ac", "0" + "0050" + "0" + "0" + "1" + "4" + end},
	{"0.050 kHz ac", "0" + "0050" + "9" + "0" + "1" + "4" + end},
	{"0.050 kHz ac", "0" + "0050" + "=" + "0" + "1" + "4" + end},
	{"0.612 V diode", "0" + "0612" + "1" + "0" + "1" + "0" + end}, // VAHZ does not touch a diode test
	{"1.234 V dc", "0" + "1234" + ";" + "8" + "0" + "8" + end},    // nor judge a voltage

	{"1.234 V dc lowbat", "0" + "1234" + ";" + "2" + "0" + "8" + end}, // flags
	{"1.234 V dc hold", "0" + "1234" + ";" + "0" + "0" + "9" + end},
	{"1.234 V dc minmax", "0" + "1234" + ";" + "0" + "8" + "8" + end}, // Pmax
	{"1.234 V dc minmax", "0" + "1234" + ";" + "0" + "4" + "8" + end}, // Pmin
	{"-1.234 V dc ac auto hold minmax lowbat", "0" + "1234" + ";" + "6" + "<" + "?" + end},

	{"OL V dc auto overload", "0" + "4000" + ";" + "1" + "0" + ":" + end}, // overload
	{"OL MΩ auto overload", "5" + "4000" + "3" + "1" + "0" + "2" + end},
	{"OL mV dc overload", "4" + "0000" + ";" + "5" + "0" + "8" + end}, // and negative
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
		{"4" + "0380" + ";" + "4" + "0" + ":" + end,
			drivers.Reading{Digits: -380, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}},
		{"5" + "1234" + "2" + "0" + "0" + "0" + end,
			drivers.Reading{Digits: 1234, Exp: 5, Prefix: 6, Quantity: drivers.Frequency}},
		{"4" + "4000" + ";" + "1" + "0" + "8" + end,
			drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Overload}},
	})
}

const (
	good     = "4" + "0382" + ";" + "0" + "0" + ":" + end
	goodText = "38.2 mV dc auto"
)

func TestMalformed(t *testing.T) {
	table.Rejected(t, drivers.BadStatus, []drivertest.Bad{
		{"a range that volts do not have", "5" + "0382" + ";" + "0" + "0" + ":" + end},
		{"a range that ohms do not have", "6" + "0382" + "3" + "0" + "0" + ":" + end},
		{"a range that continuity does not have", "1" + "0382" + "5" + "0" + "0" + "0" + end},
		{"a range that the frequency of a voltage does not have", "6" + "0382" + ";" + "0" + "1" + "4" + end},
		{"revolutions per minute", "0" + "0382" + "2" + "8" + "0" + "0" + end},
		{"temperature", "0" + "0023" + "4" + "8" + "0" + "0" + end},
		{"adaptor input", "0" + "0382" + ">" + "0" + "0" + "0" + end},
		{"a function that is unused", "0" + "0382" + "7" + "0" + "0" + "0" + end},
		{"the option bit that is always clear", "0" + "0382" + ";" + "0" + "2" + "0" + end},
	})
	table.Rejected(t, drivers.BadDigit, []drivertest.Bad{
		{"a digit above 9", "4" + "03:2" + ";" + "0" + "0" + ":" + end},
		{"a digit above 9 and overload", "4" + "03:2" + ";" + "1" + "0" + ":" + end},
	})
	table.Rejected(t, drivers.Noise, []drivertest.Bad{
		{"a character outside 0 to ?", "4" + "0382" + ";" + "@" + "0" + ":" + end},
		{"a frame of five digits and four options", "4" + "03820" + ";" + "0" + "0" + "0" + ":" + "0" + end},
	})
}

// TestEveryCode walks all codes: either a reading, as a golden frame shows too,
// or one rejection.
func TestEveryCode(t *testing.T) {
	readings := 0
	for fn := range 16 {
		for code := range 16 {
			line := string(rune('0'+code)) + "0100" + string(rune('0'+fn)) + "000" + end
			got, rejects := table.Decode([]byte(line), len(line))
			if len(got)+int(rejects[drivers.BadStatus]) != 1 || rejects.Total() != rejects[drivers.BadStatus] {
				t.Errorf("function %X range %X reads %q, rejects %v", fn, code, got, rejects)
			}
			if len(got) == 1 && !slices.ContainsFunc(frames, func(g drivertest.Good) bool { return g.Frame[0] == line[0] && g.Frame[5] == line[5] }) {
				t.Errorf("function %X range %X is in no golden frame", fn, code)
			}
			readings += len(got)
		}
	}
	// Ranges: A 1, diode 1, frequency 6, resistance 6, continuity 1,
	// capacitance 8, manual A 4, V 5, µA 2, mA 2.
	if want := 1 + 1 + 6 + 6 + 1 + 8 + 4 + 5 + 2 + 2; readings != want {
		t.Errorf("%d pairs of function and range are read, want %d", readings, want)
	}
}

// FuzzDecoder: see [drivertest.Table.Fuzz].
func FuzzDecoder(f *testing.F) {
	table.Fuzz(f, drivertest.Good{goodText, good}, frames, oddParity([]byte(good+good[4:]+good)), []byte("?"+"????"+"?"+"?"+"?"+"?"+end))
}
