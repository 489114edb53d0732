package textline

import (
	"bytes"

	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/drivers"
)

// The converter of the tests: "k1 38.2 mV DC", flags as they come.
const (
	pattern = `(?P<channel>k\d) +(?P<value>\S+) (?P<unit>\S+)(?P<flags>( [A-Z]+)*)`
	sample  = "k1 38.2 mV DC AUTO"
)

var k1 = drivers.Settings{"pattern": pattern, "sample": sample, "channel": "k1"}

func decoder(t testing.TB, s drivers.Settings) drivers.Decoder {
	t.Helper()
	d, err := Format.NewDecoder(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// show is a reading as a capture's expectation writes it: figure, unit, flags.
func show(r drivers.Reading) string {
	return strings.TrimSpace(r.Text() + " " + r.Unit() + " " + r.Flags.String())
}

// decode feeds p in pieces of the given size.
func decode(t testing.TB, s drivers.Settings, p string, size int) (readings []string, rejects drivers.Rejects) {
	t.Helper()
	d := decoder(t, s)
	for piece := range slices.Chunk([]byte(p), size) {
		d.Feed(piece, func(r drivers.Reading) { readings = append(readings, show(r)) })
	}
	return readings, d.Rejects()
}

func reject(why drivers.Reason, n uint64) (r drivers.Rejects) {
	r[why] = n
	return r
}

func TestFigures(t *testing.T) {
	const none, digit = drivers.Reason(99), drivers.BadDigit
	tests := []struct {
		value, unit string
		want        string
		why         drivers.Reason
	}{
		{"38.2", "mV", "38.2 mV", none},
		{"+38.20", "mV", "38.20 mV", none}, // trailing zeros are kept
		{"-0.050", "V", "-0.050 V", none},
		{"−38.2", "mV", "-38.2 mV", none}, // U+2212
		{"-  38.2", "mV", "-38.2 mV", none},
		{"000462.1", "V", "462.1 V", none},
		{"0", "V", "0 V", none},
		{".382", "V", "0.382 V", none},
		{"38,2", "mV", "38.2 mV", none}, // decimal comma
		{"1,234", "V", "1.234 V", none}, // never thousands
		{"1,234.5", "V", "", digit},     // two marks
		{"1.234.5", "V", "", digit},     //
		{"1 234", "V", "", digit},       // a blank may hide a digit
		{"38.", "mV", "", digit},        // a point with nothing behind it
		{".", "mV", "", digit},          //
		{"-", "mV", "", digit},          //
		{"+-1", "mV", "", digit},        //
		{"--1", "mV", "", digit},        //
		{"0x1F", "mV", "", digit},       //
		{"1_000", "mV", "", digit},      //
		{"٣٨", "mV", "", digit},         // digits, but of another script
		{"3O.2", "mV", "", digit},       //
		{"1e", "V", "", digit},          //
		{"e5", "V", "", digit},          //
		{"1e+-5", "V", "", digit},       //
		{"1e5e5", "V", "", digit},       //
		{"1e1.5", "V", "", digit},       //
		{"1e100", "V", "", digit},       //
		{"1e-30", "V", "", digit},       // more places than a Reading shows
		{"1e12", "V", "", digit},        // above giga
		{"1.234E-02", "V", "0.01234 V", none},
		{"-3.8200e-1", "V", "-0.38200 V", none},
		{"1.5E+03", "V", "1.5 kV", none}, // not 1500 V, which says more
		{"2E4", "Hz", "0.02 MHz", none},
		{"1.5E+03", "mV", "1.5 V", none},
		{"4.700E+3", "Ω", "4700 Ω", none},
		{"999999999999999999", "V", "999999999999999999 V", none},
		{"1000000000000000000", "V", "", digit}, // 19 digits
		{"0.000000000000000001", "V", "0.000000000000000001 V", none},
		{"0.0000000000000000010", "V", "", digit},
		{"0.000000000000000000", "V", "0.000000000000000000 V", none},

		{"OL", "V", "OL V overload", none},
		{"-O.L", "mV", "OL mV overload", none},
		{".0L", "kΩ", "OL kΩ overload", none},
		{"Over", "V", "OL V overload", none},
		{"OVERLOAD", "V", "OL V overload", none},
		{"overflow", "V", "OL V overload", none},
		{"OVLD", "V", "OL V overload", none},
		{"ovf", "V", "OL V overload", none},
		{"inf", "V", "OL V overload", none},
		{"-Infinity", "V", "OL V overload", none},
		{"∞", "MΩ", "OL MΩ overload", none},
		{"+9.90000000E+37", "V", "OL V overload", none}, // SCPI-99
		{"-9.9E37", "V", "OL V overload", none},
		{"9.91E37", "V", "NaN V nan", none},
		{"nan", "V", "NaN V nan", none},
		{"--.--", "V", "NaN V nan", none},
		{"----", "V", "NaN V nan", none},
		{"-.", "V", "", digit},
		{"OLD", "V", "", digit},
		{"overloadoverload", "V", "", digit},
	}
	s := drivers.Settings{"pattern": `(?P<value>[^;]*);(?P<unit>\S*)`, "sample": "1;V"}
	for _, tt := range tests {
		got, rejects := decode(t, s, "\n"+tt.value+";"+tt.unit+"\n", 1000)
		want, wantRejects := []string{tt.want}, drivers.Rejects{}
		if tt.why != none {
			want, wantRejects = nil, reject(tt.why, 1)
		}
		if !slices.Equal(got, want) || rejects != wantRejects {
			t.Errorf("%s %s reads %q and rejects %v, want %q and %v", tt.value, tt.unit, got, rejects, want, wantRejects)
		}
	}
}

// What the core and the record take from a reading beside its text.
func TestExact(t *testing.T) {
	tests := []struct {
		line string
		want drivers.Reading
	}{
		{"k1 -38.20 mV DC AUTO", drivers.Reading{Digits: -3820, Exp: -5, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}},
		{"k1 1.234E-02 V DC", drivers.Reading{Digits: 1234, Exp: -5, Quantity: drivers.Voltage, Flags: drivers.DC}},
		{"k1 15E+03 V DC", drivers.Reading{Digits: 15, Exp: 3, Prefix: 3, Quantity: drivers.Voltage, Flags: drivers.DC}},
		{"k1 OL mV DC", drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Overload}},
		{"k1 --- mV OL", drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.Overload}},
		{"k1 1999 mV OL", drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.Overload}},
	}
	for _, tt := range tests {
		var got []drivers.Reading
		decoder(t, k1).Feed([]byte("\n"+tt.line+"\n"), func(r drivers.Reading) {
			got = append(got, r)
			// The record keeps a reading as these three columns.
			if again, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String()); err != nil || again != r {
				t.Errorf("%q is recorded as %v, which reads %#v, %v", tt.line, r, again, err)
			}
		})
		if !slices.Equal(got, []drivers.Reading{tt.want}) {
			t.Errorf("%q reads %#v, want %#v", tt.line, got, tt.want)
		}
	}
}

func TestUnits(t *testing.T) {
	tests := []struct{ key, shown, want string }{ // want is "" where it is not known
		{"", "mV", "1 mV"}, {"", "uA", "1 µA"}, {"", "µA", "1 µA"}, {"", "μA", "1 µA"}, // micro sign, then Greek mu
		{"", "kohm", "1 kΩ"}, {"", "kOHM", "1 kΩ"}, {"", "MOhm", "1 MΩ"}, {"", "\u2126", "1 Ω"}, {"", "Ω", "1 Ω"},
		{"", "Hz", "1 Hz"}, {"", "nF", "1 nF"}, {"", "°C", "1 °C"}, {"", "%", "1 %"}, {"", "dB", "1 dB"},
		{"", "\xB5A", "1 µA"}, {"", "\xB0C", "1 °C"}, // Latin-1
		{"", "", ""}, {"", "m", ""}, {"", "VOLTS", ""}, {"", "MV", ""}, {"MV=mV", "MV", "1 mV"},
		{"mV", "", "1 mV"}, {"mV", "V", "1 V"},
		{"VOLTS=V MILLI=mV A", "VOLTS", "1 V"}, {"VOLTS=V MILLI=mV A", "MILLI", "1 mV"}, {"VOLTS=V MILLI=mV A", "", "1 A"},
		{"V=mV", "V", "1 mV"}, // what the file says goes before what the line says
	}
	for _, tt := range tests {
		s := drivers.Settings{"pattern": `(?P<value>\S+) (?P<unit>.*)`, "sample": "1 V", "unit": tt.key}
		got, rejects := decode(t, s, "\n1 "+tt.shown+"\n1 "+tt.shown+"\n", 1000)
		want, wantRejects := []string{tt.want, tt.want}, drivers.Rejects{}
		if tt.want == "" {
			want, wantRejects = nil, reject(drivers.BadStatus, 2)
		}
		if !slices.Equal(got, want) || rejects != wantRejects {
			t.Errorf("unit %q, key %q: reads %q and rejects %v, want %q and %v", tt.shown, tt.key, got, rejects, want, wantRejects)
		}
	}
}

// What the core's own reader of units reads is read the same here.
func TestUnitsAgree(t *testing.T) {
	for spelt, u := range units {
		q, prefix, err := drivers.ParseUnit(spelt)
		if (err != nil || u != unit{q, prefix}) && !strings.HasSuffix(spelt, "OHM") {
			t.Errorf("%q is %v here, and %v %v (%v) there", spelt, u, q, prefix, err)
		}
	}
}

func TestFlags(t *testing.T) {
	const unknown = "?"
	for shown, want := range map[string]string{
		"":                                      "",
		"dc ac auto":                            "dc ac auto",
		"hold rel minmax lowbat apo diode beep": "hold rel minmax lowbat apo diode beep",
		"AC+DC, AUTO":                           "dc ac auto",
		"ACDC":                                  "dc ac",
		"MAX/MIN":                               "minmax",
		"Avg | Peak":                            "minmax",
		"LO-BAT;HLD":                            "hold lowbat",
		"Batt":                                  "lowbat",
		"--- MAN ----":                          "",
		"Δ":                                     "rel",
		"Continuity":                            "beep",
		"DCV":                                   unknown,
		"AUTOAUTOAUTO":                          unknown,
		"lobatteries!":                          unknown,
	} {
		s := drivers.Settings{"pattern": `(?P<value>\S+) V ?(?P<flags>.*)`, "sample": "1 V", "unit": "V"}
		got, rejects := decode(t, s, "\n1 V "+shown+"\n", 1000)
		wanted, wantRejects := []string{strings.TrimSpace("1 V " + want)}, drivers.Rejects{}
		if want == unknown {
			wanted, wantRejects = nil, reject(drivers.BadStatus, 1)
		}
		if !slices.Equal(got, wanted) || rejects != wantRejects {
			t.Errorf("flags %q: reads %q and rejects %v, want %q and %v", shown, got, rejects, wanted, wantRejects)
		}
	}
	for shown, want := range map[string]string{"OVER": "OL V overload", "nan": "NaN V nan", "OL NAN": "OL V overload"} {
		s := drivers.Settings{"pattern": `(?P<value>\S+) V ?(?P<flags>.*)`, "sample": "1 V", "unit": "V"}
		if got, _ := decode(t, s, "\n1 V "+shown+"\n", 1000); !slices.Equal(got, []string{want}) {
			t.Errorf("flags %q read %q, want %q", shown, got, want)
		}
	}
}

// TestStreams: lines whole and broken. good is 38.2 mV DC AUTO.
func TestStreams(t *testing.T) {
	const good = "k1 38.2 mV DC AUTO\r\n"
	long := strings.Repeat(" ", longest-len(sample))
	tests := []struct {
		name, in string
		good     int
		rejects  drivers.Rejects
	}{
		{"whole", "\r\n" + good + good, 2, drivers.Rejects{}},
		{"CR", "\rk1 38.2 mV DC AUTO\rk1 38.2 mV DC AUTO\r", 2, drivers.Rejects{}},
		{"LF", "\nk1 38.2 mV DC AUTO\nk1 38.2 mV DC AUTO\n", 2, drivers.Rejects{}},
		{"LF CR", "\n\rk1 38.2 mV DC AUTO\n\rk1 38.2 mV DC AUTO\n\r", 2, drivers.Rejects{}},
		{"empty lines", "\n\n\r\r\n" + good + "\n   \n\t\n" + good, 2, drivers.Rejects{}},
		{"before the first end", good + good, 1, reject(drivers.Noise, 1)},
		{"no end yet", "\nk1 38.2 mV DC AUTO", 0, drivers.Rejects{}},
		{"blanks at both ends", "\n   k1 38.2 mV DC AUTO   \n", 1, drivers.Rejects{}},
		{"tabs and a no-break space", "\n\tk1\t38.2\u00a0mV\tDC AUTO\t\n", 1, drivers.Rejects{}},
		{"a no-break space in Latin-1", "\nk1 38.2\xa0mV DC AUTO\n", 1, drivers.Rejects{}},
		{"STX and ETX", "\n\x02k1 38.2 mV DC AUTO\x03\r\n", 1, drivers.Rejects{}},
		{"form feed", "\r\n\f" + good, 1, drivers.Rejects{}},
		{"NUL behind each line", "\r\n\x00" + good + "\x00" + good + "\x00", 2, drivers.Rejects{}},
		{"a break", "\nk1 1\x00" + good + good, 1, reject(drivers.Noise, 1)},
		{"DEL", "\nk1 38.2 mV\x7f DC AUTO\n", 0, reject(drivers.Noise, 1)},
		{"a control character of Latin-1", "\nk1 38.2 mV\x85 DC AUTO\n", 0, reject(drivers.Noise, 1)},
		{"bytes that are no text", "\n\xff\xfe\x80\n" + good, 1, reject(drivers.Noise, 1)},
		{"another line", "\nconverter 1.3 ready\n" + good, 1, reject(drivers.Noise, 1)},
		{"cut at the front", "\n1 38.2 mV DC AUTO\n", 0, reject(drivers.Noise, 1)},
		{"cut at the back", "\nk1 38.2\n" + good, 1, reject(drivers.Noise, 1)},
		{"two in one", "\nk1 38.2 mV DC AUTOk1 38.2 mV DC AUTO\n", 0, reject(drivers.Noise, 1)},
		{"another channel", "\nk2 1 mV\nk2 - mV\nk2 1 -\nk2 1 mV WHAT\n" + good, 1, drivers.Rejects{}},
		{"no figure", "\nk1 3x.2 mV DC AUTO\n", 0, reject(drivers.BadDigit, 1)},
		{"unknown unit", "\nk1 38.2 mW DC AUTO\n", 0, reject(drivers.BadStatus, 1)},
		{"unknown flag", "\nk1 38.2 mV DC AUTI\n", 0, reject(drivers.BadStatus, 1)},
		{"longest", "\n" + long + good, 1, drivers.Rejects{}},
		{"too long", "\n " + long + good + good, 1, reject(drivers.Noise, 1)},
		{"far too long", "\n" + strings.Repeat(long, 9) + good + good, 1, reject(drivers.Noise, 1)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for size := 1; size <= len(tt.in); size = 2*size + 1 {
				got, rejects := decode(t, k1, tt.in, size)
				if want := slices.Repeat([]string{"38.2 mV dc auto"}, tt.good); !slices.Equal(got, want) || rejects != tt.rejects {
					t.Errorf("%q in pieces of %d reads %q and rejects %v, want %q and %v", tt.in, size, got, rejects, want, tt.rejects)
				}
			}
		})
	}
}

// A figure is taken whole or not at all, in lines other than the sample too.
func TestTorn(t *testing.T) {
	tests := []struct {
		pattern, sample, line string
		want                  string // "" for none
	}{
		{`[^-\d]*(?P<value>[\d.]+).*`, "at 38.2 mV", "at 462.1 mV", "462.1 mV"},
		{`(?:at )?(?P<value>[\d.]+) ?.*`, "at 38.2 mV", "38.2E-3 mV", ""},
		{`(?:at )?(?P<value>[\d.]+) ?.*`, "at 38.2 mV", "38.2e5 mV", ""},
		{`(?:at )?(?P<value>[\d.]+) ?.*`, "at 38.2 mV", "38.2E mV", "38.2 mV"},
		{`(?:at )?(?P<value>\d+)(?:\.\d)?`, "at 38", "38.2", ""},
		{`(?:at )?(?P<value>\d+)\.?`, "at 38", "38.", "38 mV"},
		{`.*?(?P<value>\d\d\.\d)`, "at 38.2", "at 138.2", ""},
		{`.*?(?P<value>\d\d\.\d)`, "at 38.2", "at -38.2", ""},
		{`.*?(?P<value>\d\d\.\d)`, "at 38.2", "at −38.2", ""},
		{`.*?(?P<value>\d\d\.\d)`, "at 38.2", "at +38.2", "38.2 mV"},
		{`.*?(?P<value>-?\d\d\.\d)`, "at 38.2", "V5-38.2", "-38.2 mV"}, // a sign of its own
		{`.*?(?P<value>\d\d)`, "at 38", "at .38", ""},
		{`.*?(?P<value>OL|\d+)`, "at 38", "at -OL", "OL mV overload"},
		{`\d+,(?P<value>\d+)`, "1,38", "1234,512", "512 mV"}, // columns
		{`#(?P<channel>01)(?P<value>\d{4})`, "#010038", "#010382", "382 mV"},
		{`(?P<value>\d+)(?P<flags>\+AC)?.*`, "38 mV", "38+AC", "38 mV ac"},
	}
	for _, tt := range tests {
		s := drivers.Settings{"pattern": tt.pattern, "sample": tt.sample, "unit": "mV"}
		if strings.Contains(tt.pattern, "channel") {
			s["channel"] = "01"
		}
		got, rejects := decode(t, s, "\n"+tt.line+"\n", 1000)
		want, wantRejects := []string{tt.want}, drivers.Rejects{}
		if tt.want == "" {
			want, wantRejects = nil, reject(drivers.BadDigit, 1)
		}
		if !slices.Equal(got, want) || rejects != wantRejects {
			t.Errorf("%s on %q reads %q and rejects %v, want %q and %v", tt.pattern, tt.line, got, rejects, want, wantRejects)
		}
	}
}

// Meters that share a port are each fed all of it: a dual display, and a
// line that carries two figures.
func TestSharedPort(t *testing.T) {
	const stream = "2 mV DC\r\nk1 38.2 mV DC\r\nk2 50.01 Hz\r\nht 462.1 V; 6.31 V\r\nk1 38.3 mV DC\r\nk2 49.99 Hz\r\n"
	with := func(sample, channel string) drivers.Settings {
		return drivers.Settings{"pattern": `(?P<channel>k\d|ht) (?P<value>\S+) (?P<unit>[mVHz]+)(?P<flags>(?: DC)?)(?:;.*)?`, "sample": sample, "channel": channel}
	}
	tests := []struct {
		set     drivers.Settings
		want    []string
		rejects drivers.Rejects
	}{
		{with("k1 38.2 mV DC", "k1"), []string{"38.2 mV dc", "38.3 mV dc"}, reject(drivers.Noise, 1)}, // joined late
		{with("k2 50.01 Hz", "k2"), []string{"50.01 Hz", "49.99 Hz"}, reject(drivers.Noise, 1)},
		{with("ht 462.1 V; 6.31 V", "ht"), []string{"462.1 V"}, reject(drivers.Noise, 1)},
		{drivers.Settings{"pattern": `(?P<channel>..) .*?(?:; (?P<value>\S+) V)?`, "sample": "ht 462.1 V; 6.31 V", "channel": "ht", "unit": "V"},
			[]string{"6.31 V"}, reject(drivers.Noise, 1)},
	}
	for _, tt := range tests {
		if got, rejects := decode(t, tt.set, stream, 7); !slices.Equal(got, tt.want) || rejects != tt.rejects {
			t.Errorf("%v reads %q and rejects %v, want %q and %v", tt.set, got, rejects, tt.want, tt.rejects)
		}
	}
}

// TestAllocations: nothing allocates but package regexp, one slice for each line
// that matches. (What it allocates is for the benchmark to show: under the race
// detector it forgets its buffers at random.)
func TestAllocations(t *testing.T) {
	d := decoder(t, k1).(*lineDecoder)
	for _, line := range []string{
		sample, "k2 50.01 Hz", "k1 38,2 \xB5A AC", "k1 -O.L mV", "k1 -1.5E+03 V", "k1 9.9E37 V OVER",
		"k1 1 W", "k1 x V", "k1 1 V X", "k1 1234567890123456789 V",
	} {
		text, ok := clean(nil, []byte(line))
		m := d.re.FindSubmatchIndex(text)
		if !ok || m == nil {
			t.Fatalf("%q does not match", line)
		}
		if allocs := testing.AllocsPerRun(100, func() { d.read(text, m) }); allocs != 0 {
			t.Errorf("to read %q costs %v allocations", line, allocs)
		}
		broken, emit := []byte(strings.Repeat(line, 50)+"\nk1\x00\xB5"+line+"\n"), func(drivers.Reading) {}
		if allocs := testing.AllocsPerRun(100, func() { d.Feed(broken, emit) }); allocs != 0 {
			t.Errorf("lines that are not tried cost %v allocations", allocs)
		}
	}
}

// FuzzDecoder: nothing panics, and how the bytes are cut into pieces makes no difference.
func FuzzDecoder(f *testing.F) {
	f.Add([]byte("\r\nk1 38.2 mV DC AUTO\r\nk2 50 Hz\r\nk1 OL mV\n"))
	f.Add([]byte("8.2 mV\rk1 −1,5E+03 \xB5V AC+DC\r\x02k1 --.- kohm\x03\r\x00"))
	f.Add([]byte("\nk1 9.9E37 V\nk1 9.91E37 V\nk1 1e99 V\nk1 1e-99 V\nk1 e V\nk1 . V\n"))
	f.Add(bytes.Repeat([]byte("k1 38.2"), 100))
	f.Fuzz(func(t *testing.T, p []byte) {
		whole, rejects := decode(t, k1, string(p), max(1, len(p)))
		single, rejectsSingle := decode(t, k1, string(p), 1)
		if !slices.Equal(whole, single) || rejects != rejectsSingle {
			t.Errorf("%q in one piece: %q, %v; byte by byte: %q, %v", p, whole, rejects, single, rejectsSingle)
		}
		if n, most := uint64(len(whole))+rejects.Total(), bytes.Count(p, []byte{'\r'})+bytes.Count(p, []byte{'\n'}); n > uint64(most) {
			t.Errorf("%q: %d readings and rejections of at most %d lines", p, n, most)
		}
		decoder(t, k1).Feed(append([]byte{'\n'}, p...), func(r drivers.Reading) {
			if again, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String()); err != nil || again != r {
				t.Errorf("%q is recorded as %v, which reads %#v, %v", p, r, again, err)
			}
		})
	})
}

// BenchmarkDecoder compares with the regular expression alone on the same lines.
func BenchmarkDecoder(b *testing.B) {
	const lines = 100
	d := decoder(b, k1)
	var bare time.Duration
	b.Run("bare match", func(b *testing.B) {
		re, line := d.(*lineDecoder).re, []byte(sample)
		b.ReportAllocs()
		for b.Loop() {
			for range lines {
				if re.FindSubmatchIndex(line) == nil {
					b.Fatal("no match")
				}
			}
		}
		bare = b.Elapsed() / time.Duration(b.N)
	})
	b.Run("decoder", func(b *testing.B) {
		stream, n := bytes.Repeat([]byte(sample+"\r\n"), lines), 0
		emit := func(drivers.Reading) { n++ }
		b.ReportAllocs()
		for b.Loop() {
			d.Feed(stream, emit)
		}
		b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "lines/s")
		if bare > 0 { // else it was not asked for
			b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(bare), "times-bare")
		}
	})
}
