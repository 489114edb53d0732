package fs9922

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"

	"nightsoak/drivers"
	"nightsoak/drivers/drivertest"
)

// frame puts sign, digits, space and point, and the four bytes of symbols and
// the bar graph, written bit by bit, together.
func frame(written string) []byte {
	b := []byte(written[:7])
	for word := range strings.FieldsSeq(written[7:]) {
		c, err := strconv.ParseUint(word, 2, 8)
		if err != nil {
			panic(err)
		}
		b = append(b, byte(c))
	}
	return append(b, "\r\n"...)
}

var table = drivertest.Table{Format: Format, Bytes: frame}

// frames: the expectations follow from the layout in the package comment
// (FS9922-DMM4 data sheet, layout from memory).
var frames = []drivertest.Good{
	// sign, four digits, space, point
	// 0 0 auto dc ac rel hold bar, Z1 Z2 max min apo battery n Z3,
	// µ m k M beep diode % Z4, V A Ω hFE Hz F °C °F, bar graph
	{"1234 V dc", "+1234 0  00010001 00000000 00000000 10000000 00001100"}, // each decimal place
	{"123.4 V dc", "+1234 4  00010001 00000000 00000000 10000000 00001100"},
	{"12.34 V dc", "+1234 2  00010001 00000000 00000000 10000000 00001100"},
	{"1.234 V dc", "+1234 1  00010001 00000000 00000000 10000000 00001100"},
	{"-567.8 V dc", "-5678 4  00010001 00000000 00000000 10000000 10111000"}, // sign, every digit
	{"-9.012 V ac", "-9012 1  00001001 00000000 00000000 10000000 00000000"},
	{"606.7 V dc", "+6067 4  00010001 00000000 00000000 10000000 00001100"}, // every digit in every place
	{"786.0 V dc", "+7860 4  00010001 00000000 00000000 10000000 00001100"},
	{"880.0 V dc", "+8800 4  00010001 00000000 00000000 10000000 00001100"},
	{"0.000 V dc", "+0000 1  00010000 00000000 00000000 10000000 00000000"}, // zeros
	{"0.000 V dc", "-0000 1  00010000 00000000 00000000 10000000 00000000"},
	{"38.2 mV dc auto", "+0382 4  00110001 00000000 01000000 10000000 00000011"}, // volt
	{"5.170 V", "+5170 1  00000000 00000000 00000000 10000000 00000000"},         // no coupling
	{"10.00 A dc", "+1000 2  00010001 00000000 00000000 01000000 00001010"},      // ampere
	{"345.6 mA dc", "+3456 4  00010001 00000000 01000000 01000000 00100010"},
	{"-345.6 µA ac", "-3456 4  00001001 00000000 10000000 01000000 10100010"},
	{"599.0 Ω auto", "+5990 4  00100001 00000000 00000000 00100000 00111011"}, // ohm
	{"4.700 kΩ auto", "+4700 1  00100001 00000000 00100000 00100000 00101111"},
	{"22.05 MΩ auto", "+2205 2  00100001 00000000 00010000 00100000 00010110"},
	{"50.01 Hz", "+5001 2  00000000 00000000 00000000 00001000 00000000"}, // hertz
	{"1.999 kHz", "+1999 1  00000000 00000000 00100000 00001000 00000000"},
	{"3.579 MHz", "+3579 1  00000000 00000000 00010000 00001000 00000000"},
	{"1.000 F", "+1000 1  00000000 00000000 00000000 00000100 00000000"}, // farad
	{"4.718 nF", "+4718 1  00000000 00000010 00000000 00000100 00000000"},
	{"47.18 µF", "+4718 2  00000000 00000000 10000000 00000100 00000000"},
	{"4.718 mF", "+4718 1  00000000 00000000 01000000 00000100 00000000"},
	{"50.0 %", "+0500 4  00000000 00000000 00000010 00000000 00000000"}, // percent
	{"23 °C", "+0023 0  00000000 00000000 00000000 00000010 00000000"},  // degrees
	{"-4.5 °C", "-0045 4  00000000 00000000 00000000 00000010 00000000"},
	{"73 °F", "+0073 0  00000000 00000000 00000000 00000001 00000000"},
	{"215 hFE", "+0215 0  00000000 00000000 00000000 00010000 00000000"}, // current gain
	{"0.612 V diode", "+0612 1  00000000 00000000 00000100 10000000 00000000"},
	{"612 mV diode", "+0612 0  00000000 00000000 01000100 10000000 00000000"},
	{"12.3 Ω beep", "+0123 4  00000000 00000000 00001000 00100000 00000000"}, // continuity

	{"1.234 V dc auto", "+1234 1  00110001 00000000 00000000 10000000 00001100"}, // flags
	{"1.234 V dc rel", "+1234 1  00010101 00000000 00000000 10000000 00001100"},
	{"1.234 V dc hold", "+1234 1  00010011 00000000 00000000 10000000 00001100"},
	{"1.234 V dc minmax", "+1234 1  00010001 00100000 00000000 10000000 00001100"}, // MAX
	{"1.234 V dc minmax", "+1234 1  00010001 00010000 00000000 10000000 00001100"}, // MIN
	{"1.234 V dc minmax", "+1234 1  00010001 00110000 00000000 10000000 00001100"}, // both
	{"1.234 V dc apo", "+1234 1  00010001 00001000 00000000 10000000 00001100"},
	{"1.234 V dc lowbat", "+1234 1  00010001 00000100 00000000 10000000 00001100"},
	{"1.234 V dc", "+1234 1  00010001 11000001 00000001 10000000 00001100"}, // Z1 to Z4: nothing to say
	{"1.234 V ac auto hold rel minmax lowbat apo", "+1234 1  00101111 00101100 00000000 10000000 00001100"},
	{"1.234 V dc", "+1234 1  00010001 00000000 00000000 10000000 11111111"}, // bar graph: nothing to say

	{"OL V dc auto overload", "+?0:? 1  00110001 00000000 00000000 10000000 00111101"}, // overload
	{"OL mV dc overload", "-?0:? 4  00010001 00000000 01000000 10000000 10111101"},
	{"OL MΩ auto overload", "+?0:? 2  00100001 00000000 00010000 00100000 00111101"},
	{"OL V overload diode", "+?0:? 1  00000000 00000000 00000100 10000000 00000000"},
	{"OL Ω overload beep", "+?0:? 0  00000000 00000000 00001000 00100000 00000000"},

	// Symbols and bar graph that look like line ends, signs, digits and spaces.
	{"1.234 V ac hold", "+1234 1  00001010 00000000 00000000 10000000 00001101"}, // LF, and CR before CR
	{"1.234 mF ac auto hold", "+1234 1  00101011 00000000 01000000 00000100 00101011"},
	{"1.234 V auto", "+1234 1  00100000 00000000 00000000 10000000 00001010"},
	{"1.234 V dc auto minmax", "+1234 1  00110000 00110000 00000000 10000000 00110000"},
}

func TestGolden(t *testing.T) { table.Golden(t, frames) }

// TestExact looks at the parts of a reading that the display does not show.
func TestExact(t *testing.T) {
	table.ReadsExactly(t, []drivertest.Exact{
		{"-0382 4  00110001 00000000 01000000 10000000 10000011",
			drivers.Reading{Digits: -382, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}},
		{"+2205 2  00000001 00000000 00010000 00100000 00010110",
			drivers.Reading{Digits: 2205, Exp: 4, Prefix: 6, Quantity: drivers.Resistance}},
		{"-?0:? 2  00100001 00000000 00010000 00100000 00111101",
			drivers.Reading{Exp: 6, Prefix: 6, Quantity: drivers.Resistance, Flags: drivers.Auto | drivers.Overload}},
	})
}

// good is 038.2 mV DC Auto.
var good = drivertest.Good{"38.2 mV dc auto", "+0382 4  00110001 00000000 01000000 10000000 00000011"}

func TestMalformed(t *testing.T) {
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	chars := func(s string) string { return s + good.Frame[7:] }
	symbols := func(s string) string { return "+1234 1  " + s + " 00000000" }
	good, goodText := frame(good.Frame), good.Want
	streams := []drivertest.Stream{
		{"nothing", nil, 0, drivers.Rejects{}},
		{"cut off after 13 bytes", join(good[:13], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"cut off after 1 byte", join(good[:1], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"cut off at the end of the input", join(good, good[:7]), 1, drivers.Rejects{}},
		{"joined in mid-frame", join(good[5:], good), 1, drivertest.Rejects(drivers.Noise, 1)},
		{"a digit lost", join(good[:2], good[3:], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"a digit twice", join(good[:3], good[2:], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"a symbol byte lost", join(good[:8], good[9:], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"a symbol byte twice", join(good[:9], good[8:], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"symbol bytes lost, so that the next sign stands in their place", join(good[:7], good[11:], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"all lost from the symbols on", join(good[:7], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"CR lost", join(good[:12], good[13:], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"LF lost", join(good[:13], good), 1, drivertest.Rejects(drivers.Short, 1)},
		{"a blank sign", frame(chars(" 0382 4")), 0, drivertest.Rejects(drivers.Noise, 1)},
		{"no space after the digits", frame(chars("+038204")), 0, drivertest.Rejects(drivers.Short, 1)},
		{"a letter for a digit", frame(chars("+O382 4")), 0, drivertest.Rejects(drivers.Short, 1)},
		{"a letter for the point", frame(chars("+0382 A")), 0, drivertest.Rejects(drivers.Short, 1)},
		{"text between frames", join(good, []byte("38.2 mV\r\n"), good), 2, drivertest.Rejects(drivers.Noise, 1)},
		{"bytes of another speed", []byte{0x00, 0xFF, 0xE0, 0x00, 0xF8}, 0, drivertest.Rejects(drivers.Noise, 1)},
	}
	// Whatever byte listening begins with, and whatever run of bytes is lost, the
	// next whole frame is read and nothing else.
	for from := range frameLen {
		if from > 0 {
			streams = append(streams, drivertest.Stream{fmt.Sprint("from byte ", from),
				join(good[from:], good, good), 2, drivertest.Rejects(drivers.Noise, 1)})
		}
		for to := from + 1; to < frameLen; to++ {
			why := drivers.Short
			if from == 0 {
				why = drivers.Noise
			}
			streams = append(streams, drivertest.Stream{fmt.Sprintf("without bytes %d to %d", from, to-1),
				join(good[:from], good[to:], good), 1, drivertest.Rejects(why, 1)})
		}
	}
	table.Streams(t, goodText, streams)

	table.Rejected(t, drivers.BadStatus, []drivertest.Bad{
		{"a point after the fourth digit", chars("+0382 8")},
		{"two points", chars("+0382 3")},
		{"the highest bit of the symbols", symbols("10010000 00000000 00000000 10000000")},
		{"the one under it", symbols("01010000 00000000 00000000 10000000")},
		{"AC and DC", symbols("00011000 00000000 00000000 10000000")},
		{"no unit", symbols("00010000 00000000 00000000 00000000")},
		{"diode alone", symbols("00000000 00000000 00000100 00000000")},
		{"continuity alone", symbols("00000000 00000000 00001000 00000000")},
		{"V and A", symbols("00010000 00000000 00000000 11000000")},
		{"% and Hz", symbols("00000000 00000000 00000010 00001000")},
		{"°C and °F", symbols("00000000 00000000 00000000 00000011")},
		{"m and k", symbols("00000000 00000000 01100000 00100000")},
		{"n and µ", symbols("00000000 00000010 10000000 00000100")},
		{"nV", symbols("00010000 00000010 00000000 10000000")},
		{"kA", symbols("00010000 00000000 00100000 01000000")},
		{"mΩ", symbols("00000000 00000000 01000000 00100000")},
		{"MF", symbols("00000000 00000000 00010000 00000100")},
		{"µHz", symbols("00000000 00000000 10000000 00001000")},
		{"k%", symbols("00000000 00000000 00100010 00000000")},
		{"m°C", symbols("00000000 00000000 01000000 00000010")},
		{"k hFE", symbols("00000000 00000000 00100000 00010000")},
		{"diode and Ω", symbols("00000000 00000000 00000100 00100000")},
		{"continuity and V", symbols("00000000 00000000 00001000 10000000")},
		{"diode and continuity", symbols("00000000 00000000 00001100 10000000")},
		{"all symbols lit", symbols("00111111 11111111 11111111 11111111")},
	})
	table.Rejected(t, drivers.BadDigit, []drivertest.Bad{
		{"all blank", chars("+???? 0")},
		{"a blank before the digits", chars("+?382 4")},
		{"a blank behind the digits", chars("+038? 4")},
		{"L without a zero", chars("+??:? 4")},
		{"0L elsewhere", chars("+0:?? 4")},
		{"1L", chars("+?1:? 4")},
		{"a character that the display does not have", chars("+03<2 4")},
		{"the letter L between digits", chars("+03:2 4")},
	})
}

// TestEveryUnit walks all prefixes and units: either a reading or one rejection.
func TestEveryUnit(t *testing.T) {
	d := Format.Plain()
	b := frame(good.Frame)
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

// FuzzDecoder: see [drivertest.Table.Fuzz].
func FuzzDecoder(f *testing.F) {
	p := frame(good.Frame)
	table.Fuzz(f, good, frames, frame("-9999 7  11111111 11111111 11111111 11111111 11111111"), slices.Concat(p[:7], p[11:], p[:7], p))
}
