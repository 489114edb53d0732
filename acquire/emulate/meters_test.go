package emulate

import (
	"math/rand/v2"
	"strings"
	"testing"

	"nightsoak/drivers"
	driverdtm0660 "nightsoak/drivers/dtm0660"
	driveres51922 "nightsoak/drivers/es51922"
	driveres51986 "nightsoak/drivers/es51986"
	driverfs9721 "nightsoak/drivers/fs9721"
	driverfs9922 "nightsoak/drivers/fs9922"
)

// Frames written out by hand from the layouts, which are from memory of
// the chips' data sheets.
func TestFramesByHand(t *testing.T) {
	for _, c := range []struct {
		name        string
		chip        chip
		rng, counts int
		over        bool
		want        []byte
	}{
		{"fs9721 041.2 mV", fs9721, 0, 412, false, []byte{
			0b0001_0111,               // DC, AUTO, RS232
			0b0010_0_111, 0b0011_1101, // 0: e f a, d c b
			0b0100_0_010, 0b0101_0111, // 4: f, c g b
			0b0110_0_000, 0b0111_0101, // 1: c b
			0b1000_1_101, 0b1001_1011, // point; 2: e a, d g b
			0b1010_0000,
			0b1011_1000, // milli
			0b1100_0000,
			0b1101_0100, // V
			0b1110_0000,
		}},
		{"fs9721 -39.67 V", fs9721, 2, -3967, false, []byte{
			0b0001_0111,
			0b0010_1_001, 0b0011_1111, // minus; 3: a, d c g b
			0b0100_0_011, 0b0101_1111, // 9: f a, d c g b
			0b0110_1_111, 0b0111_1110, // point; 6: e f a, d c g
			0b1000_0_001, 0b1001_0101, // 7: a, c b
			0b1010_0000, 0b1011_0000, 0b1100_0000, 0b1101_0100, 0b1110_0000,
		}},
		{"fs9721 5.8 V in the 400.0 V range", fs9721, 3, 58, false, []byte{
			0b0001_0111,
			0b0010_0_111, 0b0011_1101, // 0
			0b0100_0_111, 0b0101_1101, // 0
			0b0110_0_011, 0b0111_1110, // 5: f a, d c g
			0b1000_1_111, 0b1001_1111, // point; 8
			0b1010_0000, 0b1011_0000, 0b1100_0000, 0b1101_0100, 0b1110_0000,
		}},
		{"fs9721 overload at 4.000 V", fs9721, 1, 4000, true, []byte{
			0b0001_0111,
			0b0010_0_000, 0b0011_0000,
			0b0100_1_111, 0b0101_1101, // point; 0
			0b0110_0_110, 0b0111_1000, // L: e f, d
			0b1000_0_000, 0b1001_0000,
			0b1010_0000, 0b1011_0000, 0b1100_0000, 0b1101_0100, 0b1110_0000,
		}},
		{"es51922 41.23 mV", es51922, 0, 4123, false, []byte{
			0b0110100, // range 4: 220.00 mV
			0b0110000, 0b0110100, 0b0110001, 0b0110010, 0b0110011,
			0b0111011, // volts
			0b0110000, // no judge, sign, battery, overload
			0b0110000, // no max, min, relative
			0b0110000, // no peak
			0b0111010, // DC, AUTO
			0b0110000, // no hold
			0b0001101, 0b0001010,
		}},
		{"es51922 -22.39 V", es51922, 3, -2239, false, []byte{
			0b0110010, // range 2: 220.00 V
			0b0110000, 0b0110010, 0b0110010, 0b0110011, 0b0111001,
			0b0111011,
			0b0110100, // sign
			0b0110000, 0b0110000, 0b0111010, 0b0110000, 0b0001101, 0b0001010,
		}},
		{"es51922 overload at 2.2000 V", es51922, 1, 99999, true, []byte{
			0b0110000, // range 0: 2.2000 V
			0b0110010, 0b0110010, 0b0110000, 0b0110000, 0b0110000,
			0b0111011,
			0b0110001, // overload
			0b0110000, 0b0110000, 0b0111010, 0b0110000, 0b0001101, 0b0001010,
		}},
		{"dtm0660 041.2 mV", dtm0660, 0, 412, false, []byte{
			0b0001_1110,               // RS232, AUTO, DC
			0b0010_111_0, 0b0011_1011, // 0: a f e, b c d
			0b0100_010_0, 0b0101_1110, // 4: f, b g c
			0b0110_000_0, 0b0111_1010, // 1: b c
			0b1000_101_1, 0b1001_1101, // 2: a e, b g d; point
			0b1010_0000,
			0b1011_0001, // milli
			0b1100_0000,
			0b1101_0010, // V
			0b1110_0000, 0b1111_0000,
		}},
		{"dtm0660 -59.67 V", dtm0660, 2, -5967, false, []byte{
			0b0001_1110,
			0b0010_110_1, 0b0011_0111, // 5: a f, g c d; minus
			0b0100_110_0, 0b0101_1111, // 9: a f, b g c d
			0b0110_111_1, 0b0111_0111, // 6: a f e, g c d; point
			0b1000_100_0, 0b1001_1010, // 7: a, b c
			0b1010_0000, 0b1011_0000, 0b1100_0000, 0b1101_0010, 0b1110_0000, 0b1111_0000,
		}},
		{"dtm0660 overload at 6.000 V", dtm0660, 1, 6000, true, []byte{
			0b0001_1110,
			0b0010_000_0, 0b0011_0000,
			0b0100_111_1, 0b0101_1011, // 0; point
			0b0110_011_0, 0b0111_0001, // L: f e, d
			0b1000_000_0, 0b1001_0000,
			0b1010_0000, 0b1011_0000, 0b1100_0000, 0b1101_0010, 0b1110_0000, 0b1111_0000,
		}},
		{"es51986 41.2 mV", es51986, 0, 412, false, []byte{
			0b0110100, // range 4: 400.0 mV
			0b0110000, 0b0110100, 0b0110001, 0b0110010,
			0b0111011, // volts
			0b0110000, // no judge, sign, battery, overload
			0b0110000, // no peak, no frequency
			0b0111010, // DC, AUTO
			0b0001101, 0b0001010,
		}},
		{"es51986 -22.39 V", es51986, 2, -2239, false, []byte{
			0b0110001, // range 1: 40.00 V
			0b0110010, 0b0110010, 0b0110011, 0b0111001,
			0b0111011,
			0b0110100, // sign
			0b0110000, 0b0111010, 0b0001101, 0b0001010,
		}},
		{"es51986 overload at 4.000 V", es51986, 1, 99999, true, []byte{
			0b0110000, // range 0: 4.000 V
			0b0110100, 0b0110000, 0b0110000, 0b0110000,
			0b0111011,
			0b0110001, // overload
			0b0110000, 0b0111010, 0b0001101, 0b0001010,
		}},
		{"fs9922 41.2 mV", fs9922, 0, 412, false, []byte{
			'+', '0', '4', '1', '2', ' ',
			0b00110100,  // point after the third digit
			0b00_110001, // AUTO, DC, bar graph
			0b00_000000,
			0b01000000, // m
			0b10000000, // V
			4, 0b00001101, 0b00001010,
		}},
		{"fs9922 -39.67 V", fs9922, 2, -3967, false, []byte{
			'-', '3', '9', '6', '7', ' ',
			0b00110010, // after the second digit
			0b00_110001, 0b00_000000, 0b00000000, 0b10000000,
			0b1_0100111, // minus 39 of 60
			0b00001101, 0b00001010,
		}},
		{"fs9922 overload at 6.000 V", fs9922, 1, 6000, true, []byte{
			'+', '?', '0', ':', '?', ' ',
			0b00110001, // after the first digit
			0b00_110001, 0b00_000000, 0b00000000, 0b10000000,
			60, 0b00001101, 0b00001010,
		}},
	} {
		got := c.chip.encode(nil, c.rng, c.counts, c.over)
		if string(got) != string(c.want) {
			t.Errorf("%s:\n got %08b\nwant %08b", c.name, got, c.want)
		}
	}
}

// shown feeds a display n readings of the same volts and gives what the
// product's own decoder reads.
func shown(t *testing.T, d *display, dec drivers.Decoder, volts float64, n int) (got []drivers.Reading) {
	t.Helper()
	for range n {
		dec.Feed(d.frame(nil, volts), func(r drivers.Reading) { got = append(got, r) })
	}
	if len(got) != n {
		t.Fatalf("%g V: %d of %d frames decoded, rejected %v", volts, len(got), n, dec.Rejects())
	}
	return got
}

var chips = []struct {
	name string
	chip chip
	dec  func() drivers.Decoder
}{
	{"fs9721", fs9721, driverfs9721.Format.Plain},
	{"es51922", es51922, driveres51922.Format.Plain},
	{"es51986", es51986, driveres51986.Format.Plain},
	{"dtm0660", dtm0660, driverdtm0660.Format.Plain},
	{"fs9922", fs9922, driverfs9922.Format.Plain},
}

// Every figure of every range survives the way through the driver.
func TestFramesThroughTheDrivers(t *testing.T) {
	for _, c := range chips {
		dec := c.dec()
		var frame []byte
		for rng, count := range c.chip.ranges {
			for counts := -c.chip.full + 1; counts < c.chip.full; counts += 7 {
				frame = c.chip.encode(frame[:0], rng, counts, false)
				got := drivers.Reading{}
				dec.Feed(frame, func(r drivers.Reading) { got = r })
				if got.Digits != int64(counts) || got.Resolution() != count ||
					got.Quantity != drivers.Voltage || got.Flags != drivers.DC|drivers.Auto {
					t.Fatalf("%s range %d, %d counts: read as %v (%+v)", c.name, rng, counts, got, got)
				}
			}
			frame = c.chip.encode(frame[:0], rng, 0, true)
			got := drivers.Reading{}
			dec.Feed(frame, func(r drivers.Reading) { got = r })
			if got.Text() != "OL" || got.Quantity != drivers.Voltage {
				t.Errorf("%s range %d: overload read as %v", c.name, rng, got)
			}
		}
		if n := dec.Rejects(); n.Total() != 0 {
			t.Errorf("%s: rejected %v", c.name, n)
		}
	}
}

// A cathode that floats: OL once in each range that is too small, then volts;
// and down again the same way.
func TestAutoRange(t *testing.T) {
	// fs9721 passes 400.0 mV and 4.000 V, es51922 220.00 mV, 2.2000 V and
	// 22.000 V, es51986 400.0 mV and 4.000 V, dtm0660 and fs9922 600.0 mV
	// and 6.000 V.
	for i, wantOverloads := range []int{2, 3, 2, 2, 2} {
		c := chips[i]
		d := &display{chip: c.chip, noise: rand.New(rand.NewPCG(1, 2))}
		dec := c.dec()
		for _, r := range shown(t, d, dec, 0.0413, 20) {
			if r.Unit() != "mV" || r.Value() < 0.0413-1.6*c.chip.ranges[0] || r.Value() > 0.0413+1.6*c.chip.ranges[0] {
				t.Errorf("%s at 41.3 mV shows %v", c.name, r)
			}
		}
		up := shown(t, d, dec, 22.4, 8)
		overloads := 0
		for overloads < len(up) && !up[overloads].HasValue() {
			overloads++
		}
		if overloads != wantOverloads {
			t.Errorf("%s: %d overloads on the way up to 22.4 V, want %d: %v", c.name, overloads, wantOverloads, up)
		}
		if last := up[len(up)-1]; last.Unit() != "V" || last.Value() < 22.2 || last.Value() > 22.6 {
			t.Errorf("%s at 22.4 V shows %v", c.name, last)
		}
		down := shown(t, d, dec, 0.0413, 8)
		if last := down[len(down)-1]; last.Unit() != "mV" || last.Resolution() != c.chip.ranges[0] {
			t.Errorf("%s back at 41.3 mV shows %v", c.name, last)
		}
		top := shown(t, d, dec, 5000, 10)
		if last := top[len(top)-1]; last.HasValue() {
			t.Errorf("%s at 5000 V shows %v, want OL", c.name, last)
		}
	}
}

// The noise: a count up or down, and not always the same.
func TestNoise(t *testing.T) {
	for _, c := range chips {
		d := &display{chip: c.chip, noise: rand.New(rand.NewPCG(1, 2))}
		seen := map[int64]int{}
		for _, r := range shown(t, d, c.dec(), 0.0410, 500) {
			seen[r.Digits-int64(0.0410/c.chip.ranges[0]+0.5)]++
		}
		if seen[-1]+seen[0]+seen[1] != 500 || seen[-1] == 0 || seen[1] == 0 {
			t.Errorf("%s: counts off the true figure: %v", c.name, seen)
		}
	}
}

func TestVoltmeter(t *testing.T) {
	x := 461.73
	v := &voltmeter{volts: func() float64 { return x }, noise: rand.New(rand.NewPCG(1, 2))}
	reads := func(s string) string { return string(v.feed([]byte(s))) }
	expect := func(sent, want string) {
		t.Helper()
		if got := reads(sent); got != want {
			t.Errorf("%q: answer %q, want %q", sent, got, want)
		}
	}
	expect("FETC?\n", "")
	expect("syst:err?\n", "-230,\"Data corrupt or stale\"\n")
	expect("*CLS\r\n:CONFigure:VOLTage:DC 1000\r\nSYSTem:ERRor?\r\n", "0,\"No error\"\n")
	expect("*IDN?", "")
	expect("\n", "nightsoak,emulated voltmeter,0,1\n")
	expect("CONF?;*OPC?\n", "\"VOLT:DC\";1\n")
	for _, ask := range []string{"READ?\n", "MEAS:VOLT:DC?\n", "INIT;FETC?\n"} {
		switch got := reads(ask); got {
		case "+461.72\n", "+461.73\n", "+461.74\n":
		default:
			t.Errorf("%q at 461.73 V: answer %q", ask, got)
		}
	}
	// SCPI-99: infinity is 9.9E37.
	x = 1200
	expect("READ?\n", "+9.90000000E+37\n")
	x = -1200
	expect("READ?\n", "-9.90000000E+37\n")

	// SCPI-99 error numbers; the queue is first in, first out, and says when it overflows.
	expect("CONF:CURR:DC\nSYST:ERR?\n", "-113,\"Undefined header\"\n")
	expect(strings.Repeat("x", 10000)+"\nSYST:ERR?\n", "-363,\"Input buffer overrun\"\n")
	expect(strings.Repeat("what\n", maxErrors+3), "")
	expect(strings.Repeat("SYST:ERR?;", maxErrors)+"SYST:ERR?\n",
		strings.Repeat("-113,\"Undefined header\";", maxErrors-1)+"-350,\"Queue overflow\";0,\"No error\"\n")
}

// Whatever comes, the voltmeter keeps its line and its queue bounded and
// answers whole lines.
func FuzzVoltmeter(f *testing.F) {
	for _, s := range []string{"*IDN?\n", ":SYST:ERR?;READ?\r\n", "CONF:VOLT:DC 1000\nFETC?\n", ";;\n:\n", "\x00\xff?\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		v := &voltmeter{volts: func() float64 { return 462 }, noise: rand.New(rand.NewPCG(1, 2))}
		a := v.feed(p)
		if len(a) > 0 && a[len(a)-1] != '\n' {
			t.Errorf("answer %q has no end", a)
		}
		if len(v.line) > maxLine+1 || len(v.errors) > maxErrors {
			t.Errorf("keeps %d bytes and %d errors", len(v.line), len(v.errors))
		}
	})
}
