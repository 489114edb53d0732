package fs9922

import (
	"bytes"
	"slices"
	"strconv"
	"strings"
	"testing"

	"nightsoak/drivers"
)

// frame puts text (sign, digits, space, point) and the four bytes of symbols
// and the bar graph, written bit by bit, together.
func frame(t testing.TB, text, symbols string) []byte {
	t.Helper()
	b := []byte(text)
	for word := range strings.FieldsSeq(symbols) {
		c, err := strconv.ParseUint(word, 2, 8)
		if err != nil || len(word) != 8 {
			t.Fatalf("%q in %q is not eight bits", word, symbols)
		}
		b = append(b, byte(c))
	}
	if b = append(b, "\r\n"...); len(b) != frameLen {
		t.Fatalf("%q with %q has %d bytes, want %d", text, symbols, len(b), frameLen)
	}
	return b
}

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

// TestFrames: the expectations follow from the layout in the package comment
// (FS9922-DMM4 data sheet, layout from memory).
func TestFrames(t *testing.T) {
	tests := []struct{ want, text, symbols string }{
		// sign, four digits, space, point
		// 0 0 auto dc ac rel hold bar, Z1 Z2 max min apo battery n Z3,
		// µ m k M beep diode % Z4, V A Ω hFE Hz F °C °F, bar graph
		{"1234 V dc", "+1234 0", "00010001 00000000 00000000 10000000 00001100"}, // each decimal place
		{"123.4 V dc", "+1234 4", "00010001 00000000 00000000 10000000 00001100"},
		{"12.34 V dc", "+1234 2", "00010001 00000000 00000000 10000000 00001100"},
		{"1.234 V dc", "+1234 1", "00010001 00000000 00000000 10000000 00001100"},
		{"-567.8 V dc", "-5678 4", "00010001 00000000 00000000 10000000 10111000"}, // sign, every digit
		{"-9.012 V ac", "-9012 1", "00001001 00000000 00000000 10000000 00000000"},
		{"0.000 V dc", "+0000 1", "00010000 00000000 00000000 10000000 00000000"}, // zeros
		{"0.000 V dc", "-0000 1", "00010000 00000000 00000000 10000000 00000000"},
		{"38.2 mV dc auto", "+0382 4", "00110001 00000000 01000000 10000000 00000011"}, // volt
		{"5.170 V", "+5170 1", "00000000 00000000 00000000 10000000 00000000"},         // no coupling
		{"10.00 A dc", "+1000 2", "00010001 00000000 00000000 01000000 00001010"},      // ampere
		{"345.6 mA dc", "+3456 4", "00010001 00000000 01000000 01000000 00100010"},
		{"-345.6 µA ac", "-3456 4", "00001001 00000000 10000000 01000000 10100010"},
		{"599.0 Ω auto", "+5990 4", "00100001 00000000 00000000 00100000 00111011"}, // ohm
		{"4.700 kΩ auto", "+4700 1", "00100001 00000000 00100000 00100000 00101111"},
		{"22.05 MΩ auto", "+2205 2", "00100001 00000000 00010000 00100000 00010110"},
		{"50.01 Hz", "+5001 2", "00000000 00000000 00000000 00001000 00000000"}, // hertz
		{"1.999 kHz", "+1999 1", "00000000 00000000 00100000 00001000 00000000"},
		{"3.579 MHz", "+3579 1", "00000000 00000000 00010000 00001000 00000000"},
		{"1.000 F", "+1000 1", "00000000 00000000 00000000 00000100 00000000"}, // farad
		{"4.718 nF", "+4718 1", "00000000 00000010 00000000 00000100 00000000"},
		{"47.18 µF", "+4718 2", "00000000 00000000 10000000 00000100 00000000"},
		{"4.718 mF", "+4718 1", "00000000 00000000 01000000 00000100 00000000"},
		{"50.0 %", "+0500 4", "00000000 00000000 00000010 00000000 00000000"}, // percent
		{"23 °C", "+0023 0", "00000000 00000000 00000000 00000010 00000000"},  // degrees
		{"-4.5 °C", "-0045 4", "00000000 00000000 00000000 00000010 00000000"},
		{"73 °F", "+0073 0", "00000000 00000000 00000000 00000001 00000000"},
		{"215 hFE", "+0215 0", "00000000 00000000 00000000 00010000 00000000"}, // current gain
		{"0.612 V diode", "+0612 1", "00000000 00000000 00000100 10000000 00000000"},
		{"612 mV diode", "+0612 0", "00000000 00000000 01000100 10000000 00000000"},
		{"12.3 Ω beep", "+0123 4", "00000000 00000000 00001000 00100000 00000000"}, // continuity

		{"1.234 V dc auto", "+1234 1", "00110001 00000000 00000000 10000000 00001100"}, // flags
		{"1.234 V dc rel", "+1234 1", "00010101 00000000 00000000 10000000 00001100"},
		{"1.234 V dc hold", "+1234 1", "00010011 00000000 00000000 10000000 00001100"},
		{"1.234 V dc minmax", "+1234 1", "00010001 00100000 00000000 10000000 00001100"}, // MAX
		{"1.234 V dc minmax", "+1234 1", "00010001 00010000 00000000 10000000 00001100"}, // MIN
		{"1.234 V dc minmax", "+1234 1", "00010001 00110000 00000000 10000000 00001100"}, // both
		{"1.234 V dc apo", "+1234 1", "00010001 00001000 00000000 10000000 00001100"},
		{"1.234 V dc lowbat", "+1234 1", "00010001 00000100 00000000 10000000 00001100"},
		{"1.234 V dc", "+1234 1", "00010001 11000001 00000001 10000000 00001100"}, // Z1 to Z4: nothing to say
		{"1.234 V ac auto hold rel minmax lowbat apo", "+1234 1", "00101111 00101100 00000000 10000000 00001100"},
		{"1.234 V dc", "+1234 1", "00010001 00000000 00000000 10000000 11111111"}, // bar graph: nothing to say

		{"OL V dc auto overload", "+?0:? 1", "00110001 00000000 00000000 10000000 00111101"}, // overload
		{"OL mV dc overload", "-?0:? 4", "00010001 00000000 01000000 10000000 10111101"},
		{"OL MΩ auto overload", "+?0:? 2", "00100001 00000000 00010000 00100000 00111101"},
		{"OL V overload diode", "+?0:? 1", "00000000 00000000 00000100 10000000 00000000"},
		{"OL Ω overload beep", "+?0:? 0", "00000000 00000000 00001000 00100000 00000000"},

		// Symbols and bar graph that look like line ends, signs, digits and spaces.
		{"1.234 V ac hold", "+1234 1", "00001010 00000000 00000000 10000000 00001101"}, // LF, and CR before CR
		{"1.234 mF ac auto hold", "+1234 1", "00101011 00000000 01000000 00000100 00101011"},
		{"1.234 V auto", "+1234 1", "00100000 00000000 00000000 10000000 00001010"},
		{"1.234 V dc auto minmax", "+1234 1", "00110000 00110000 00000000 10000000 00110000"},
	}
	for _, tt := range tests {
		got, rejects := decode(frame(t, tt.text, tt.symbols), frameLen)
		if !slices.Equal(got, []string{tt.want}) || rejects.Total() != 0 {
			t.Errorf("frame %q %s reads %q and rejects %v, want %q", tt.text, tt.symbols, got, rejects, tt.want)
		}
	}
}

// TestExact looks at the parts of a reading that the display does not show.
func TestExact(t *testing.T) {
	tests := []struct {
		text, symbols string
		want          drivers.Reading
	}{
		{"-0382 4", "00110001 00000000 01000000 10000000 10000011",
			drivers.Reading{Digits: -382, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}},
		{"+2205 2", "00000001 00000000 00010000 00100000 00010110",
			drivers.Reading{Digits: 2205, Exp: 4, Prefix: 6, Quantity: drivers.Resistance}},
		{"-?0:? 2", "00100001 00000000 00010000 00100000 00111101",
			drivers.Reading{Exp: 6, Prefix: 6, Quantity: drivers.Resistance, Flags: drivers.Auto | drivers.Overload}},
	}
	for _, tt := range tests {
		var got []drivers.Reading
		Format.Plain().Feed(frame(t, tt.text, tt.symbols), func(r drivers.Reading) { got = append(got, r) })
		if !slices.Equal(got, []drivers.Reading{tt.want}) {
			t.Errorf("frame %q %s reads %#v, want %#v", tt.text, tt.symbols, got, tt.want)
		}
	}
}

// 038.2 mV DC Auto, and how it reads.
const (
	goodChars   = "+0382 4"
	goodSymbols = "00110001 00000000 01000000 10000000 00000011"
	goodText    = "38.2 mV dc auto"
)

func TestMalformed(t *testing.T) {
	good := frame(t, goodChars, goodSymbols)
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	chars := func(s string) []byte { return frame(t, s, goodSymbols) }
	symbols := func(s string) []byte { return frame(t, "+1234 1", s+" 00000000") }
	reject := func(why drivers.Reason, n uint64) (r drivers.Rejects) { r[why] = n; return r }
	tests := []struct {
		name    string
		in      []byte
		good    int
		rejects drivers.Rejects
	}{
		{"nothing", nil, 0, drivers.Rejects{}},
		{"cut off after 13 bytes", join(good[:13], good), 1, reject(drivers.Short, 1)},
		{"cut off after 1 byte", join(good[:1], good), 1, reject(drivers.Short, 1)},
		{"cut off at the end of the input", join(good, good[:7]), 1, drivers.Rejects{}},
		{"joined in mid-frame", join(good[5:], good), 1, reject(drivers.Noise, 1)},
		{"a digit lost", join(good[:2], good[3:], good), 1, reject(drivers.Short, 1)},
		{"a digit twice", join(good[:3], good[2:], good), 1, reject(drivers.Short, 1)},
		{"a symbol byte lost", join(good[:8], good[9:], good), 1, reject(drivers.Short, 1)},
		{"a symbol byte twice", join(good[:9], good[8:], good), 1, reject(drivers.Short, 1)},
		{"symbol bytes lost, so that the next sign stands in their place", join(good[:7], good[11:], good), 1, reject(drivers.Short, 1)},
		{"all lost from the symbols on", join(good[:7], good), 1, reject(drivers.Short, 1)},
		{"CR lost", join(good[:12], good[13:], good), 1, reject(drivers.Short, 1)},
		{"LF lost", join(good[:13], good), 1, reject(drivers.Short, 1)},
		{"a blank sign", chars(" 0382 4"), 0, reject(drivers.Noise, 1)},
		{"no space after the digits", chars("+038204"), 0, reject(drivers.Short, 1)},
		{"a letter for a digit", chars("+O382 4"), 0, reject(drivers.Short, 1)},
		{"a letter for the point", chars("+0382 A"), 0, reject(drivers.Short, 1)},
		{"text between frames", join(good, []byte("38.2 mV\r\n"), good), 2, reject(drivers.Noise, 1)},
		{"bytes of another speed", []byte{0x00, 0xFF, 0xE0, 0x00, 0xF8}, 0, reject(drivers.Noise, 1)},

		{"a point after the fourth digit", chars("+0382 8"), 0, reject(drivers.BadStatus, 1)},
		{"two points", chars("+0382 3"), 0, reject(drivers.BadStatus, 1)},
		{"the highest bit of the symbols", symbols("10010000 00000000 00000000 10000000"), 0, reject(drivers.BadStatus, 1)},
		{"the one under it", symbols("01010000 00000000 00000000 10000000"), 0, reject(drivers.BadStatus, 1)},
		{"AC and DC", symbols("00011000 00000000 00000000 10000000"), 0, reject(drivers.BadStatus, 1)},
		{"no unit", symbols("00010000 00000000 00000000 00000000"), 0, reject(drivers.BadStatus, 1)},
		{"diode alone", symbols("00000000 00000000 00000100 00000000"), 0, reject(drivers.BadStatus, 1)},
		{"continuity alone", symbols("00000000 00000000 00001000 00000000"), 0, reject(drivers.BadStatus, 1)},
		{"V and A", symbols("00010000 00000000 00000000 11000000"), 0, reject(drivers.BadStatus, 1)},
		{"% and Hz", symbols("00000000 00000000 00000010 00001000"), 0, reject(drivers.BadStatus, 1)},
		{"°C and °F", symbols("00000000 00000000 00000000 00000011"), 0, reject(drivers.BadStatus, 1)},
		{"m and k", symbols("00000000 00000000 01100000 00100000"), 0, reject(drivers.BadStatus, 1)},
		{"n and µ", symbols("00000000 00000010 10000000 00000100"), 0, reject(drivers.BadStatus, 1)},
		{"nV", symbols("00010000 00000010 00000000 10000000"), 0, reject(drivers.BadStatus, 1)},
		{"kA", symbols("00010000 00000000 00100000 01000000"), 0, reject(drivers.BadStatus, 1)},
		{"mΩ", symbols("00000000 00000000 01000000 00100000"), 0, reject(drivers.BadStatus, 1)},
		{"MF", symbols("00000000 00000000 00010000 00000100"), 0, reject(drivers.BadStatus, 1)},
		{"µHz", symbols("00000000 00000000 10000000 00001000"), 0, reject(drivers.BadStatus, 1)},
		{"k%", symbols("00000000 00000000 00100010 00000000"), 0, reject(drivers.BadStatus, 1)},
		{"m°C", symbols("00000000 00000000 01000000 00000010"), 0, reject(drivers.BadStatus, 1)},
		{"k hFE", symbols("00000000 00000000 00100000 00010000"), 0, reject(drivers.BadStatus, 1)},
		{"diode and Ω", symbols("00000000 00000000 00000100 00100000"), 0, reject(drivers.BadStatus, 1)},
		{"continuity and V", symbols("00000000 00000000 00001000 10000000"), 0, reject(drivers.BadStatus, 1)},
		{"diode and continuity", symbols("00000000 00000000 00001100 10000000"), 0, reject(drivers.BadStatus, 1)},
		{"all symbols lit", symbols("00111111 11111111 11111111 11111111"), 0, reject(drivers.BadStatus, 1)},

		{"all blank", chars("+???? 0"), 0, reject(drivers.BadDigit, 1)},
		{"a blank before the digits", chars("+?382 4"), 0, reject(drivers.BadDigit, 1)},
		{"a blank behind the digits", chars("+038? 4"), 0, reject(drivers.BadDigit, 1)},
		{"L without a zero", chars("+??:? 4"), 0, reject(drivers.BadDigit, 1)},
		{"0L elsewhere", chars("+0:?? 4"), 0, reject(drivers.BadDigit, 1)},
		{"1L", chars("+?1:? 4"), 0, reject(drivers.BadDigit, 1)},
		{"a character that the display does not have", chars("+03<2 4"), 0, reject(drivers.BadDigit, 1)},
		{"the letter L between digits", chars("+03:2 4"), 0, reject(drivers.BadDigit, 1)},
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

// TestEveryUnit walks all prefixes and units: either a reading or one rejection.
func TestEveryUnit(t *testing.T) {
	d := Format.Plain()
	b := frame(t, goodChars, goodSymbols)
	readings, walked := 0, uint64(0)
	for _, nano := range []byte{0, 0b10} {
		for third := 0; third < 256; third += 2 { // without Z4
			for fourth := range 256 {
				b[8], b[9], b[10] = nano, byte(third), byte(fourth)
				d.Feed(b, func(drivers.Reading) { readings++ })
				walked++
			}
		}
	}
	// Volt with 2 prefixes, each with and without diode, ampere with 3, ohm with
	// 3, each with and without continuity, hertz 3, farad 4, °C, °F, %, hFE.
	if want := 2*2 + 3 + 3*2 + 3 + 4 + 1 + 1 + 1 + 1; readings != want {
		t.Errorf("%d sets of unit and prefix are read, want %d", readings, want)
	}
	if n := d.Rejects(); n.Total() != n[drivers.BadStatus] || n.Total() != walked-uint64(readings) {
		t.Errorf("%d sets, %d read, rejected %v", walked, readings, n)
	}
}

// TestJoinAnywhere: whatever byte listening begins with, the next whole frame is read.
func TestJoinAnywhere(t *testing.T) {
	stream := slices.Repeat(frame(t, goodChars, goodSymbols), 3)
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

// TestAfterAnyLoss: whatever run of bytes is lost, the next whole frame is read
// and nothing else.
func TestAfterAnyLoss(t *testing.T) {
	good := frame(t, goodChars, goodSymbols)
	for from := range frameLen {
		for to := from + 1; to < frameLen; to++ {
			got, rejects := decode(slices.Concat(good[:from], good[to:], good), 1)
			if !slices.Equal(got, []string{goodText}) || rejects.Total() != 1 {
				t.Errorf("without bytes %d to %d: %q, rejects %v; want one frame, one rejection", from, to-1, got, rejects)
			}
		}
	}
}

func TestNoAllocation(t *testing.T) {
	d := Format.Plain()
	stream := append(slices.Repeat(frame(t, goodChars, goodSymbols), 3), "+12 noise"...)
	n := 0
	emit := func(drivers.Reading) { n++ }
	if allocs := testing.AllocsPerRun(100, func() { d.Feed(stream, emit) }); allocs != 0 || n == 0 {
		t.Errorf("%v allocations for %d frames, want none", allocs, n)
	}
}

// FuzzDecoder: nothing panics, and how the bytes are cut into pieces makes no difference.
func FuzzDecoder(f *testing.F) {
	good := frame(f, goodChars, goodSymbols)
	f.Add(good)
	f.Add(slices.Concat(good[3:], good, good[:9], good))
	f.Add(frame(f, "-9999 7", "11111111 11111111 11111111 11111111 11111111"))
	f.Add(frame(f, "+?0:? 2", "00100001 00000000 00010000 00100000 00111101"))
	f.Add(frame(f, "+1234 1", "00001010 00000000 00000000 10000000 00001101"))
	f.Add(slices.Concat(good[:7], good[11:], good[:7], good, []byte("38.2 mV\r\n")))
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
	stream := slices.Repeat(frame(b, goodChars, goodSymbols), 100)
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
