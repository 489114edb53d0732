package es51922

import (
	"math/bits"
	"slices"
	"strings"
	"testing"

	"nightsoak/drivers"
)

// show is a reading as a capture's expectation writes it: figure, unit, flags.
func show(r drivers.Reading) string {
	return strings.TrimSpace(r.Text() + " " + r.Unit() + " " + r.Flags.String())
}

// decode feeds p in pieces of the given size.
func decode(p []byte, size int) (readings []string, rejects drivers.Rejects) {
	d := Format.Plain()
	for piece := range slices.Chunk(p, size) {
		d.Feed(piece, func(r drivers.Reading) { readings = append(readings, show(r)) })
	}
	return readings, d.Rejects()
}

// oddParity sets the eighth bit as an adaptor set to eight bits would see it.
func oddParity(line string) []byte {
	b := []byte(line)
	for i, c := range b {
		if bits.OnesCount8(c)%2 == 0 {
			b[i] |= 0x80
		}
	}
	return b
}

const end = "\r\n"

// TestFrames: the expectations follow from the layout in the package comment
// and the chip's functions and ranges (ES51922 data sheet, from memory). A
// nibble of 8 + 2 is the character ':', 8 + 4 is '<' and so on.
func TestFrames(t *testing.T) {
	tests := []struct{ want, line string }{
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
	for _, tt := range tests {
		for _, line := range [][]byte{[]byte(tt.line), oddParity(tt.line)} {
			got, rejects := decode(line, frameLen)
			if !slices.Equal(got, []string{tt.want}) || rejects.Total() != 0 {
				t.Errorf("frame %q reads %q and rejects %v, want %q", line, got, rejects, tt.want)
			}
		}
	}
}

// TestExact looks at the parts of a reading that the display does not show.
func TestExact(t *testing.T) {
	tests := []struct {
		line string
		want drivers.Reading
	}{
		{"4" + "03820" + ";" + "4" + "0" + "0" + ":" + "0" + end,
			drivers.Reading{Digits: -3820, Exp: -5, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}},
		{"7" + "12345" + "2" + "0" + "0" + "0" + "0" + "0" + end,
			drivers.Reading{Digits: 12345, Exp: 4, Prefix: 6, Quantity: drivers.Frequency}},
		{"4" + "22580" + ";" + "1" + "0" + "0" + "8" + "0" + end,
			drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Overload}},
	}
	for _, tt := range tests {
		var got []drivers.Reading
		Format.Plain().Feed([]byte(tt.line), func(r drivers.Reading) { got = append(got, r) })
		if !slices.Equal(got, []drivers.Reading{tt.want}) {
			t.Errorf("frame %q reads %#v, want %#v", tt.line, got, tt.want)
		}
	}
}

const (
	good     = "4" + "03820" + ";" + "0" + "0" + "0" + ":" + "0" + end
	goodText = "38.20 mV dc auto"
)

func TestMalformed(t *testing.T) {
	reject := func(why drivers.Reason, n uint64) (r drivers.Rejects) { r[why] = n; return r }
	tests := []struct {
		name    string
		in      string
		good    int
		rejects drivers.Rejects
	}{
		{"nothing", "", 0, drivers.Rejects{}},
		{"cut off at the end of the input", good + good[:9], 1, drivers.Rejects{}},
		{"joined in mid-frame", good[5:] + good, 1, reject(drivers.Short, 1)},
		{"joined at the line end", good[13:] + good, 1, reject(drivers.Short, 1)},
		{"a character lost", good[:3] + good[4:] + good, 1, reject(drivers.Short, 1)},
		{"the line end lost", good[:12] + good + good, 1, reject(drivers.Noise, 1)},
		{"CR lost", good[:12] + "\n" + good, 1, reject(drivers.Short, 1)},
		{"LF lost", good[:13] + good + good, 1, reject(drivers.Noise, 1)},
		{"a character turned into LF", good[:4] + "\n" + good[5:] + good, 1, reject(drivers.Short, 2)},
		{"a character twice", good[:4] + good[3:] + good, 1, reject(drivers.Noise, 1)}, /* or it would read 3.8820 V */
		{"noise before a frame", "\x00\x7fxyz" + good + good, 1, reject(drivers.Noise, 1)},
		{"a long run without line end", strings.Repeat("0", 1000), 0, reject(drivers.Noise, 1)},
		{"another line of the same length", "+38.20 mV DC\r\n", 0, reject(drivers.Noise, 1)},
		{"a character outside 0 to ?", "4" + "03820" + ";" + "@" + "0" + "0" + ":" + "0" + end, 0, reject(drivers.Noise, 1)},
		{"no CR before LF", good[:12] + "0\n", 0, reject(drivers.Noise, 1)},

		{"a digit above 9", "4" + "03:20" + ";" + "0" + "0" + "0" + ":" + "0" + end, 0, reject(drivers.BadDigit, 1)},
		{"a range that volts do not have", "5" + "03820" + ";" + "0" + "0" + "0" + ":" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"a range that ohms do not have", "7" + "03820" + "3" + "0" + "0" + "0" + ":" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"the frequency range that is unused", "2" + "03820" + "2" + "0" + "0" + "0" + ":" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"a range that continuity does not have", "1" + "03820" + "5" + "0" + "0" + "0" + "0" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"adaptor input", "0" + "03820" + ">" + "0" + "0" + "0" + "0" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"a function that is unused", "0" + "03820" + "7" + "0" + "0" + "0" + "0" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"over and under range at once", "0" + "03820" + "2" + "9" + "0" + "8" + "0" + "0" + end, 0, reject(drivers.BadStatus, 1)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, rejects := decode([]byte(tt.in), max(1, len(tt.in)))
			if want := slices.Repeat([]string{goodText}, tt.good); !slices.Equal(got, want) || rejects != tt.rejects {
				t.Errorf("%q reads %q and rejects %v, want %q and %v", tt.in, got, rejects, want, tt.rejects)
			}
		})
	}
}

// TestEveryCode walks all codes: either a reading or one rejection.
func TestEveryCode(t *testing.T) {
	readings := 0
	for fn := range 16 {
		for code := range 16 {
			line := string(rune('0'+code)) + "01000" + string(rune('0'+fn)) + "00000" + end
			got, rejects := decode([]byte(line), frameLen)
			if len(got)+int(rejects[drivers.BadStatus]) != 1 || rejects.Total() != rejects[drivers.BadStatus] {
				t.Errorf("function %X range %X reads %q, rejects %v", fn, code, got, rejects)
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

// FuzzDecoder: nothing panics, and how the bytes are cut into pieces makes no difference.
func FuzzDecoder(f *testing.F) {
	f.Add([]byte(good))
	f.Add(oddParity(good + good[4:] + good))
	f.Add([]byte("?" + "?????" + "?" + "?" + "?" + "?" + "?" + "?" + end))
	f.Add([]byte("0" + "22580" + "2" + "9" + "0" + "8" + "5" + "0" + end))
	f.Add([]byte("\r\n\r\n" + good[:12] + good + "\n"))
	f.Fuzz(func(t *testing.T, p []byte) {
		whole, rejects := decode(p, max(1, len(p)))
		single, rejectsSingle := decode(p, 1)
		if !slices.Equal(whole, single) || rejects != rejectsSingle {
			t.Errorf("%q in one piece: %q, %v; byte by byte: %q, %v", p, whole, rejects, single, rejectsSingle)
		}
		if n := uint64(len(whole)) + rejects[drivers.BadDigit] + rejects[drivers.BadStatus]; n > uint64(len(p)/frameLen) {
			t.Errorf("%q holds %d frames, more than fit", p, n)
		}
	})
}
