package es51986

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

const (
	end     = "\r\n"
	lineLen = 11
)

// TestFrames: the expectations follow from the layout in the package comment
// and the chip's functions and ranges (ES51986 data sheet, from memory). A
// nibble of 8 + 2 is the character ':', 8 + 4 is '<' and so on.
func TestFrames(t *testing.T) {
	tests := []struct{ want, line string }{
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
		{"0.050 kHz ac", "0" + "0050" + ";" + "0" + "1" + "4" + end},  // frequency of a voltage: VAHZ
		{"0.050 kHz ac", "0" + "0050" + "?" + "0" + "1" + "4" + end},  // of a current
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
	for _, tt := range tests {
		for _, line := range [][]byte{[]byte(tt.line), oddParity(tt.line)} {
			got, rejects := decode(line, lineLen)
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
		{"4" + "0380" + ";" + "4" + "0" + ":" + end,
			drivers.Reading{Digits: -380, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}},
		{"5" + "1234" + "2" + "0" + "0" + "0" + end,
			drivers.Reading{Digits: 1234, Exp: 5, Prefix: 6, Quantity: drivers.Frequency}},
		{"4" + "4000" + ";" + "1" + "0" + "8" + end,
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
	good     = "4" + "0382" + ";" + "0" + "0" + ":" + end
	goodText = "38.2 mV dc auto"
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
		{"joined in mid line end", good[10:] + good, 1, drivers.Rejects{}},
		{"a character lost", good[:3] + good[4:] + good, 1, reject(drivers.Short, 1)},
		{"the line end lost", good[:9] + good + good, 1, reject(drivers.Noise, 1)},
		{"CR lost", good[:9] + "\n" + good, 1, reject(drivers.Short, 1)},
		{"LF lost", good[:10] + good, 1, reject(drivers.Short, 1)},
		{"CR twice", good[:10] + "\r\n" + good, 1, reject(drivers.Short, 1)},
		{"a character turned into LF", good[:4] + "\n" + good[5:] + good, 1, reject(drivers.Short, 2)},
		{"a character twice", good[:4] + good[3:] + good, 1, reject(drivers.Noise, 1)}, /* or it would read 38.82 V */
		{"noise before a frame", "\x00\x7fxyz" + good + good, 1, reject(drivers.Noise, 1)},
		{"a long run without line end", strings.Repeat("0", 1000), 0, reject(drivers.Noise, 1)},
		{"another line of the same length", "38.2 mVDC\r\n", 0, reject(drivers.Noise, 1)},
		{"a character outside 0 to ?", "4" + "0382" + ";" + "@" + "0" + ":" + end, 0, reject(drivers.Noise, 1)},
		{"no CR before LF", good[:9] + "0\n", 0, reject(drivers.Noise, 1)},
		{"a frame of five digits and four options", "4" + "03820" + ";" + "0" + "0" + "0" + ":" + "0" + end, 0, reject(drivers.Noise, 1)},

		{"a digit above 9", "4" + "03:2" + ";" + "0" + "0" + ":" + end, 0, reject(drivers.BadDigit, 1)},
		{"a digit above 9 and overload", "4" + "03:2" + ";" + "1" + "0" + ":" + end, 0, reject(drivers.BadDigit, 1)},
		{"a range that volts do not have", "5" + "0382" + ";" + "0" + "0" + ":" + end, 0, reject(drivers.BadStatus, 1)},
		{"a range that ohms do not have", "6" + "0382" + "3" + "0" + "0" + ":" + end, 0, reject(drivers.BadStatus, 1)},
		{"a range that continuity does not have", "1" + "0382" + "5" + "0" + "0" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"a range that the frequency of a voltage does not have", "6" + "0382" + ";" + "0" + "1" + "4" + end, 0, reject(drivers.BadStatus, 1)},
		{"revolutions per minute", "0" + "0382" + "2" + "8" + "0" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"temperature", "0" + "0023" + "4" + "8" + "0" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"adaptor input", "0" + "0382" + ">" + "0" + "0" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"a function that is unused", "0" + "0382" + "7" + "0" + "0" + "0" + end, 0, reject(drivers.BadStatus, 1)},
		{"the option bit that is always clear", "0" + "0382" + ";" + "0" + "2" + "0" + end, 0, reject(drivers.BadStatus, 1)},
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
			line := string(rune('0'+code)) + "0100" + string(rune('0'+fn)) + "000" + end
			got, rejects := decode([]byte(line), lineLen)
			if len(got)+int(rejects[drivers.BadStatus]) != 1 || rejects.Total() != rejects[drivers.BadStatus] {
				t.Errorf("function %X range %X reads %q, rejects %v", fn, code, got, rejects)
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

// TestJoinAnywhere: whatever byte listening begins with, the next whole frame is read.
func TestJoinAnywhere(t *testing.T) {
	stream := []byte(strings.Repeat(good, 3))
	for offset := range lineLen {
		for size := 1; size <= lineLen+1; size++ {
			got, rejects := decode(stream[offset:], size)
			frames, short := 3, uint64(0)
			if offset > 0 {
				frames = 2
			}
			if offset > 0 && offset < 9 { // not in the line end
				short = 1
			}
			if want := slices.Repeat([]string{goodText}, frames); !slices.Equal(got, want) || rejects != (drivers.Rejects{drivers.Short: short}) {
				t.Errorf("from byte %d in pieces of %d: %q, rejects %v; want %d frames, short %d", offset, size, got, rejects, frames, short)
			}
		}
	}
}

func TestNoAllocation(t *testing.T) {
	d := Format.Plain()
	stream := []byte(good + "noise, and a long line of it\n" + good)
	n := 0
	emit := func(drivers.Reading) { n++ }
	if allocs := testing.AllocsPerRun(100, func() { d.Feed(stream, emit) }); allocs != 0 || n == 0 {
		t.Errorf("%v allocations for %d frames, want none", allocs, n)
	}
}

// FuzzDecoder: nothing panics, and how the bytes are cut into pieces makes no difference.
func FuzzDecoder(f *testing.F) {
	f.Add([]byte(good))
	f.Add(oddParity(good + good[4:] + good))
	f.Add([]byte("?" + "????" + "?" + "?" + "?" + "?" + end))
	f.Add([]byte("0" + "4000" + "2" + "1" + "1" + "5" + end))
	f.Add([]byte("\r\n\r\n" + good[:10] + good + "\n" + good[:9] + good))
	f.Fuzz(func(t *testing.T, p []byte) {
		whole, rejects := decode(p, max(1, len(p)))
		single, rejectsSingle := decode(p, 1)
		if !slices.Equal(whole, single) || rejects != rejectsSingle {
			t.Errorf("%q in one piece: %q, %v; byte by byte: %q, %v", p, whole, rejects, single, rejectsSingle)
		}
		if n := uint64(len(whole)) + rejects[drivers.BadDigit] + rejects[drivers.BadStatus]; n > uint64(len(p)/lineLen) {
			t.Errorf("%q holds %d frames, more than fit", p, n)
		}
	})
}

func BenchmarkDecoder(b *testing.B) {
	stream := []byte(strings.Repeat(good, 100))
	d := Format.Plain()
	n := 0
	emit := func(drivers.Reading) { n++ }
	b.ReportAllocs()
	b.SetBytes(int64(len(stream)))
	for b.Loop() {
		d.Feed(stream, emit)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
}
