package dtm0660

import (
	"bytes"
	"math/bits"
	"slices"
	"strings"
	"testing"

	"nightsoak/drivers"
)

// frame turns low nibbles, written bit by bit, into the bytes of a frame.
func frame(t testing.TB, nibbles string) []byte {
	t.Helper()
	var b []byte
	for i, low := range strings.Fields(nibbles) {
		c := byte(i+1) << 4
		for j, bit := range low {
			c |= byte(bit-'0') << (3 - j)
		}
		b = append(b, c)
	}
	if len(b) != frameLen {
		t.Fatalf("%q has %d nibbles, want %d", nibbles, len(b), frameLen)
	}
	return b
}

// show is a reading as a capture's expectation writes it: figure, unit, flags.
func show(r drivers.Reading) string {
	return strings.TrimSpace(r.Text() + " " + r.Unit() + " " + r.Flags.String())
}

// decode feeds p in pieces of the given size.
func decode(p []byte, size int) (readings []string, rejects drivers.Rejects) {
	d := Format.NewDecoder()
	for piece := range slices.Chunk(p, size) {
		d.Feed(piece, func(r drivers.Reading) { readings = append(readings, show(r)) })
	}
	return readings, d.Rejects()
}

// frames: the expectations follow from the layout in the package comment
// (DTM0660L data sheet, layout from memory), drawn segment by segment.
var frames = []struct{ want, nibbles string }{
	// 1: RS232 Auto DC AC
	// 2-9: a f e minus or point, b g c d, for each of four digits
	// 10-15: diode k n µ, beep M % m, hold rel Ω F, battery Hz V A, unused hFE °C °F, MAX dash MIN APO
	{"1234 V dc", "1010  0000 1010  1010 1101  1000 1111  0100 1110  0000 0000 0000 0010 0000 0000"}, // each decimal place
	{"123.4 V dc", "1010  0000 1010  1010 1101  1000 1111  0101 1110  0000 0000 0000 0010 0000 0000"},
	{"12.34 V dc", "1010  0000 1010  1010 1101  1001 1111  0100 1110  0000 0000 0000 0010 0000 0000"},
	{"1.234 V dc auto", "1110  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0000 0010 0000 0000"},
	{"-567.8 V dc", "1010  1101 0111  1110 0111  1000 1010  1111 1111  0000 0000 0000 0010 0000 0000"}, // sign
	{"0.000 V dc", "1010  1111 1011  1111 1011  1110 1011  1110 1011  0000 0000 0000 0010 0000 0000"},
	{"9.012 V ac", "1001  1100 1111  1111 1011  0000 1010  1010 1101  0000 0000 0000 0010 0000 0000"},      // every digit
	{"38.2 mV dc", "1010  0000 0000  1000 1111  1110 1111  1011 1101  0000 0001 0000 0010 0000 0000"},      // leading blanks
	{"38.2 mV dc auto", "1110  1110 1011  1000 1111  1110 1111  1011 1101  0000 0001 0000 0010 0000 0000"}, // leading zeros
	{"7 mV dc", "1010  0000 0000  0000 0000  0000 0000  1000 1010  0000 0001 0000 0010 0000 0000"},
	{"10.00 A dc", "1010  0000 1010  1110 1011  1111 1011  1110 1011  0000 0000 0000 0001 0000 0000"}, // ampere
	{"345.6 mA dc", "1010  1000 1111  0100 1110  1100 0111  1111 0111  0000 0001 0000 0001 0000 0000"},
	{"-345.6 µA ac", "1001  1001 1111  0100 1110  1100 0111  1111 0111  0001 0000 0000 0001 0000 0000"},
	{"789.0 Ω auto", "1100  1000 1010  1110 1111  1100 1111  1111 1011  0000 0000 0010 0000 0000 0000"}, // ohm
	{"4.700 kΩ", "1000  0100 1110  1001 1010  1110 1011  1110 1011  0100 0000 0010 0000 0000 0000"},
	{"22.05 MΩ", "1000  1010 1101  1010 1101  1111 1011  1100 0111  0000 0100 0010 0000 0000 0000"},
	{"50.01 Hz", "1000  1100 0111  1110 1011  1111 1011  0000 1010  0000 0000 0000 0100 0000 0000"}, // hertz
	{"1.999 kHz", "1000  0000 1010  1101 1111  1100 1111  1100 1111  0100 0000 0000 0100 0000 0000"},
	{"3.579 MHz", "1000  1000 1111  1101 0111  1000 1010  1100 1111  0000 0100 0000 0100 0000 0000"},
	{"4.718 nF", "1000  0100 1110  1001 1010  0000 1010  1110 1111  0010 0000 0001 0000 0000 0000"}, // farad
	{"47.18 µF", "1000  0100 1110  1000 1010  0001 1010  1110 1111  0001 0000 0001 0000 0000 0000"},
	{"4.718 mF", "1000  0100 1110  1001 1010  0000 1010  1110 1111  0000 0001 0001 0000 0000 0000"},
	{"50.0 %", "1000  1110 1011  1100 0111  1110 1011  1111 1011  0000 0010 0000 0000 0000 0000"}, // percent
	{"23 °C", "1000  1110 1011  1110 1011  1010 1101  1000 1111  0000 0000 0000 0000 0010 0000"},  // degrees
	{"-12.5 °C", "1000  1111 1011  0000 1010  1010 1101  1101 0111  0000 0000 0000 0000 0010 0000"},
	{"74 °F", "1000  1110 1011  1110 1011  1000 1010  0100 1110  0000 0000 0000 0000 0001 0000"},
	{"-4.0 °F", "1000  1111 1011  1110 1011  0100 1110  1111 1011  0000 0000 0000 0000 0001 0000"},
	{"187 hFE", "1000  1110 1011  0000 1010  1110 1111  1000 1010  0000 0000 0000 0000 0100 0000"},       // transistor gain
	{"0.612 V diode", "1000  1110 1011  1111 0111  0000 1010  1010 1101  1000 0000 0000 0010 0000 0000"}, // diode
	{"612 mV diode", "1000  1110 1011  1110 0111  0000 1010  1010 1101  1000 0001 0000 0010 0000 0000"},
	{"0.612 V diode", "1000  1110 1011  1111 0111  0000 1010  1010 1101  1000 0000 0000 0000 0000 0000"},
	{"12.3 Ω beep", "1000  1110 1011  0000 1010  1010 1101  1001 1111  0000 1000 0010 0000 0000 0000"}, // continuity
	{"12.3 Ω beep", "1000  1110 1011  0000 1010  1010 1101  1001 1111  0000 1000 0000 0000 0000 0000"},
	{"1.234 V dc hold", "1010  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 1000 0010 0000 0000"}, // flags
	{"1.234 V dc rel", "1010  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0100 0010 0000 0000"},
	{"1.234 V dc lowbat", "1010  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0000 1010 0000 0000"},
	{"1.234 V dc apo", "1010  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0000 0010 0000 0001"},
	{"1.234 V dc minmax", "1010  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0000 0010 0000 1000"},                          // MAX
	{"1.234 V dc minmax", "1010  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0000 0010 0000 0010"},                          // MIN
	{"1.234 V dc minmax", "1010  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0000 0010 0000 1110"},                          // MAX-MIN
	{"1.234 V dc auto hold rel minmax lowbat apo", "1110  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 1100 1010 0000 1001"}, // all together
	{"1.234 V dc", "0010  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0000 0010 0000 0000"},                                 // RS232 not lit
	{"1.234 V", "1000  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0000 0010 0000 0000"},                                    // no coupling
	{"OL MΩ auto overload", "1100  0000 0000  1110 1011  0110 0001  0000 0000  0000 0100 0010 0000 0000 0000"},                        // overload
	{"OL MΩ auto overload", "1100  0000 0000  1110 1011  0110 0001  0001 0000  0000 0100 0010 0000 0000 0000"},
	{"OL MΩ auto overload", "1100  0000 0000  1110 1011  0111 0001  0000 0000  0000 0100 0010 0000 0000 0000"},
	{"OL mV dc overload", "1010  1110 1011  0110 0001  0000 0000  0000 0000  0000 0001 0000 0010 0000 0000"},
	{"OL V overload diode", "1000  0000 0000  0000 0000  1110 1011  0111 0001  1000 0000 0000 0010 0000 0000"},
	{"OL V dc overload", "1010  0001 0000  1110 1011  0110 0001  0000 0000  0000 0000 0000 0010 0000 0000"},
}

func TestFrames(t *testing.T) {
	for _, tt := range frames {
		got, rejects := decode(frame(t, tt.nibbles), frameLen)
		if !slices.Equal(got, []string{tt.want}) || rejects.Total() != 0 {
			t.Errorf("frame %s reads %q and rejects %v, want %q", tt.nibbles, got, rejects, tt.want)
		}
	}
}

// TestBitOrder: should the chip send the bits of a nibble in the other order,
// then no frame is read wrong, every one is rejected.
func TestBitOrder(t *testing.T) {
	for _, tt := range frames {
		p := frame(t, tt.nibbles)
		for i, c := range p {
			p[i] = c&0xF0 | bits.Reverse8(c)>>4
		}
		if got, rejects := decode(p, frameLen); len(got) != 0 || rejects[drivers.BadDigit]+rejects[drivers.BadStatus] != 1 {
			t.Errorf("frame %s with its bits turned round reads %q and rejects %v, want no reading", tt.nibbles, got, rejects)
		}
	}
}

// TestExact looks at the parts of a reading that the display does not show.
func TestExact(t *testing.T) {
	tests := []struct {
		nibbles string
		want    drivers.Reading
	}{
		{"1110  1110 1011  1000 1111  1110 1111  1011 1101  0000 0001 0000 0010 0000 0000", // 038.2 mV
			drivers.Reading{Digits: 382, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}},
		{"1000  1010 1101  1010 1101  1111 1011  1100 0111  0000 0100 0010 0000 0000 0000", // 22.05 MΩ
			drivers.Reading{Digits: 2205, Exp: 4, Prefix: 6, Quantity: drivers.Resistance}},
		{"1100  0000 0000  1110 1011  0110 0001  0000 0000  0000 0100 0010 0000 0000 0000", // 0L MΩ
			drivers.Reading{Exp: 6, Prefix: 6, Quantity: drivers.Resistance, Flags: drivers.Auto | drivers.Overload}},
		{"1000  1111 1011  1110 1011  0100 1110  1111 1011  0000 0000 0000 0000 0001 0000", // -004.0 °F
			drivers.Reading{Digits: -40, Exp: -1, Quantity: drivers.Fahrenheit}},
	}
	for _, tt := range tests {
		var got []drivers.Reading
		Format.NewDecoder().Feed(frame(t, tt.nibbles), func(r drivers.Reading) { got = append(got, r) })
		if !slices.Equal(got, []drivers.Reading{tt.want}) {
			t.Errorf("frame %s reads %#v, want %#v", tt.nibbles, got, tt.want)
		}
	}
}

// 038.2 mV DC Auto, and how it reads.
const (
	goodNibbles = "1110  1110 1011  1000 1111  1110 1111  1011 1101  0000 0001 0000 0010 0000 0000"
	goodText    = "38.2 mV dc auto"
)

func TestMalformed(t *testing.T) {
	good := frame(t, goodNibbles)
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	digits := func(d string) []byte { // V DC with these digits
		return frame(t, "1010 "+d+" 0000 0000 0000 0010 0000 0000")
	}
	symbols := func(s string) []byte { // 1.234 with these symbols
		return frame(t, "1000  0000 1010  1011 1101  1000 1111  0100 1110  "+s)
	}
	reject := func(why drivers.Reason, n uint64) (r drivers.Rejects) { r[why] = n; return r }
	tests := []struct {
		name    string
		in      []byte
		good    int
		rejects drivers.Rejects
	}{
		{"nothing", nil, 0, drivers.Rejects{}},
		{"cut off after 14 bytes", join(good[:14], good), 1, reject(drivers.Short, 1)},
		{"cut off after 1 byte", join(good[:1], good), 1, reject(drivers.Short, 1)},
		{"cut off at the end of the input", join(good, good[:7]), 1, drivers.Rejects{}},
		{"joined in mid-frame", join(good[5:], good), 1, reject(drivers.Noise, 1)},
		{"a byte lost", join(good[:6], good[7:], good), 1, reject(drivers.Short, 1)},
		{"a byte twice", join(good[:6], good[5:], good), 1, reject(drivers.Short, 1)},
		{"a byte turned into position 0", join(good[:6], []byte{0x05}, good[7:], good), 1, reject(drivers.Short, 1)},
		{"a byte turned into position 15", join(good[:6], []byte{0xF5}, good[7:], good), 1, reject(drivers.Short, 1)},
		{"a byte turned into position 1", join(good[:6], []byte{0x15}, good[7:], good), 1, reject(drivers.Short, 2)},
		{"frames of 14 bytes", join(good[:14], good[:14], good), 1, reject(drivers.Short, 2)},
		{"text between frames", join(good, []byte("38.2 mV\r\n"), good), 2, reject(drivers.Noise, 1)},
		{"bytes of another speed", []byte{0x00, 0xFF, 0xE0, 0x00, 0xF8}, 0, reject(drivers.Noise, 1)},

		{"AC and DC", frame(t, "1011  0000 1010  1011 1101  1000 1111  0100 1110  0000 0000 0000 0010 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"two points", digits("0000 1010  1011 1101  1001 1111  0100 1110"), 0, reject(drivers.BadStatus, 1)},
		{"no unit", symbols("0000 0000 0000 0000 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"V and A", symbols("0000 0000 0000 0011 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"% and Hz", symbols("0000 0010 0000 0100 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"°C and °F", symbols("0000 0000 0000 0000 0011 0000"), 0, reject(drivers.BadStatus, 1)},
		{"hFE and V", symbols("0000 0000 0000 0010 0100 0000"), 0, reject(drivers.BadStatus, 1)},
		{"the unused symbol", symbols("0000 0000 0000 0010 1000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"only the unused symbol", symbols("0000 0000 0000 0000 1000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"m and k", symbols("0100 0001 0010 0000 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"nV", symbols("0010 0000 0000 0010 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"µV", symbols("0001 0000 0000 0010 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"kV", symbols("0100 0000 0000 0010 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"kA", symbols("0100 0000 0000 0001 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"nA", symbols("0010 0000 0000 0001 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"mΩ", symbols("0000 0001 0010 0000 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"MF", symbols("0000 0100 0001 0000 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"µHz", symbols("0001 0000 0000 0100 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"k%", symbols("0100 0010 0000 0000 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"m°C", symbols("0000 0001 0000 0000 0010 0000"), 0, reject(drivers.BadStatus, 1)},
		{"k°F", symbols("0100 0000 0000 0000 0001 0000"), 0, reject(drivers.BadStatus, 1)},
		{"m hFE", symbols("0000 0001 0000 0000 0100 0000"), 0, reject(drivers.BadStatus, 1)},
		{"diode and Ω", symbols("1000 0000 0010 0000 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"k diode", symbols("1100 0000 0000 0000 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"continuity and V", symbols("0000 1000 0000 0010 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"diode and continuity", symbols("1000 1000 0000 0000 0000 0000"), 0, reject(drivers.BadStatus, 1)},
		{"the display's test, all lit", frame(t, strings.Repeat("1111 ", frameLen)), 0, reject(drivers.BadStatus, 1)},

		{"all blank", digits("0000 0000  0000 0000  0000 0000  0000 0000"), 0, reject(drivers.BadDigit, 1)},
		{"a blank between digits", digits("0000 1010  0000 0000  1000 1111  0100 1110"), 0, reject(drivers.BadDigit, 1)},
		{"a blank behind the digits", digits("0000 1010  1010 1101  1000 1111  0000 0000"), 0, reject(drivers.BadDigit, 1)},
		{"the letter E", digits("0000 1010  1110 0101  1000 1111  0100 1110"), 0, reject(drivers.BadDigit, 1)},
		{"only a middle bar", digits("0000 1010  0000 0100  1000 1111  0100 1110"), 0, reject(drivers.BadDigit, 1)},
		{"four middle bars", digits("0000 0100  0000 0100  0000 0100  0000 0100"), 0, reject(drivers.BadDigit, 1)},
		{"L without a zero", digits("0000 0000  0110 0001  0000 0000  0000 0000"), 0, reject(drivers.BadDigit, 1)},
		{"1L", digits("0000 0000  0000 1010  0110 0001  0000 0000"), 0, reject(drivers.BadDigit, 1)},
		{"00L", digits("1110 1011  1110 1011  0110 0001  0000 0000"), 0, reject(drivers.BadDigit, 1)},
		{"0LL", digits("0000 0000  1110 1011  0110 0001  0110 0001"), 0, reject(drivers.BadDigit, 1)},
		{"0L1", digits("0000 0000  1110 1011  0110 0001  0000 1010"), 0, reject(drivers.BadDigit, 1)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, rejects := decode(tt.in, max(1, len(tt.in)))
			if want := slices.Repeat([]string{goodText}, tt.good); !slices.Equal(got, want) || rejects != tt.rejects {
				t.Errorf("% X reads %q and rejects %v, want %q and %v", tt.in, got, rejects, want, tt.rejects)
			}
		})
	}
}

// TestJoinAnywhere: whatever byte listening begins with, the next whole frame is read.
func TestJoinAnywhere(t *testing.T) {
	stream := slices.Repeat(frame(t, goodNibbles), 3)
	for offset := range frameLen {
		for size := 1; size <= frameLen+1; size++ {
			got, rejects := decode(stream[offset:], size)
			frames, noise := 3, uint64(0)
			if offset > 0 {
				frames, noise = 2, 1
			}
			if want := slices.Repeat([]string{goodText}, frames); !slices.Equal(got, want) || rejects != (drivers.Rejects{drivers.Noise: noise}) {
				t.Errorf("from byte %d in pieces of %d: %q, rejects %v; want %d frames, noise %d", offset, size, got, rejects, frames, noise)
			}
		}
	}
}

func TestNoAllocation(t *testing.T) {
	d := Format.NewDecoder()
	stream := append(slices.Repeat(frame(t, goodNibbles), 3), 0x00, 0x11, 0x22)
	n := 0
	emit := func(drivers.Reading) { n++ }
	if allocs := testing.AllocsPerRun(100, func() { d.Feed(stream, emit) }); allocs != 0 || n == 0 {
		t.Errorf("%v allocations for %d frames, want none", allocs, n)
	}
}

// FuzzDecoder: nothing panics, and how the bytes are cut into pieces makes no difference.
func FuzzDecoder(f *testing.F) {
	good := frame(f, goodNibbles)
	f.Add(good)
	f.Add(slices.Concat(good[3:], good, good[:9], good))
	f.Add(frame(f, strings.Repeat("1111 ", frameLen)))
	f.Add(frame(f, "1100  0000 0000  1110 1011  0110 0001  0000 0000  0000 0100 0010 0000 0000 0000"))
	f.Add(slices.Concat(good[:7], []byte{0x00}, good[7:], []byte("38.2 mV\r\n")))
	f.Fuzz(func(t *testing.T, p []byte) {
		whole, rejects := decode(p, max(1, len(p)))
		single, rejectsSingle := decode(p, 1)
		if !slices.Equal(whole, single) || rejects != rejectsSingle {
			t.Errorf("% X in one piece: %q, %v; byte by byte: %q, %v", p, whole, rejects, single, rejectsSingle)
		}
		if n := uint64(len(whole)) + rejects[drivers.BadDigit] + rejects[drivers.BadStatus]; n > uint64(len(p)/frameLen) {
			t.Errorf("% X holds %d frames, more than fit", p, n)
		}
	})
}

func BenchmarkDecoder(b *testing.B) {
	stream := slices.Repeat(frame(b, goodNibbles), 100)
	d := Format.NewDecoder()
	n := 0
	emit := func(drivers.Reading) { n++ }
	b.ReportAllocs()
	b.SetBytes(int64(len(stream)))
	for b.Loop() {
		d.Feed(stream, emit)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
}
