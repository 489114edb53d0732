package drivers

import (
	"errors"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
)

// display is a reading as the three columns of the readings CSV.
type display struct{ text, unit, flags string }

func of(r Reading) display { return display{r.Text(), r.Unit(), r.Flags.String()} }

func TestParseReading(t *testing.T) {
	tests := []struct {
		in   display
		want Reading
		out  display // where it is not the same as in
	}{
		{display{"38.2", "mV", "dc auto"}, Reading{382, -4, -3, Voltage, DC | Auto}, display{}},
		{display{"-0.050", "V", "dc"}, Reading{-50, -3, 0, Voltage, DC}, display{}},
		{display{"462", "V", "dc hold"}, Reading{462, 0, 0, Voltage, DC | Hold}, display{}},
		{display{"0.00", "µA", "dc rel"}, Reading{0, -8, -6, Current, DC | Relative}, display{}},
		{display{"1.000", "kΩ", "beep"}, Reading{1000, 0, 3, Resistance, Continuity}, display{}},
		{display{"22.00", "MHz", "ac minmax"}, Reading{2200, 4, 6, Frequency, AC | MinMax}, display{}},
		{display{"4.700", "pF", ""}, Reading{4700, -15, -12, Capacitance, 0}, display{}},
		{display{"1", "GΩ", ""}, Reading{1, 9, 9, Resistance, 0}, display{}},
		{display{"-12.5", "°C", "lowbat apo"}, Reading{-125, -1, 0, Temperature, LowBattery | AutoPowerOff}, display{}},
		{display{"72.1", "°F", ""}, Reading{721, -1, 0, Fahrenheit, 0}, display{}},
		{display{"50.0", "%", ""}, Reading{500, -1, 0, Percent, 0}, display{}},
		{display{"-3.01", "dB", "dc ac"}, Reading{-301, -2, 0, Decibel, DC | AC}, display{}},
		{display{"215", "hFE", ""}, Reading{215, 0, 0, Gain, 0}, display{}},
		{display{"7", "", ""}, Reading{7, 0, 0, NoQuantity, 0}, display{}},
		{display{"0.612", "V", "diode"}, Reading{612, -3, 0, Voltage, Diode}, display{}},
		{display{"999999999999999999", "V", ""}, Reading{999999999999999999, 0, 0, Voltage, 0}, display{}},
		{display{"OL", "mV", "dc auto overload"}, Reading{0, -3, -3, Voltage, DC | Auto | Overload}, display{}},
		{display{"NaN", "V", "dc nan"}, Reading{0, 0, 0, Voltage, DC | NotANumber}, display{}},
		// Spellings that are taken, and how they are written again.
		{display{"OL", "MΩ", ""}, Reading{0, 6, 6, Resistance, Overload}, display{"OL", "MΩ", "overload"}},
		{display{"-OL", "V", "dc"}, Reading{0, 0, 0, Voltage, DC | Overload}, display{"OL", "V", "dc overload"}},
		{display{"+038.2", "mV", "auto  dc"}, Reading{382, -4, -3, Voltage, DC | Auto}, display{"38.2", "mV", "dc auto"}},
		{display{".5", "V", ""}, Reading{5, -1, 0, Voltage, 0}, display{"0.5", "V", ""}},
		{display{"5.", "V", ""}, Reading{5, 0, 0, Voltage, 0}, display{"5", "V", ""}},
		{display{"1.5", "kohm", ""}, Reading{15, 2, 3, Resistance, 0}, display{"1.5", "kΩ", ""}},
		{display{"1.5", "MOhm", ""}, Reading{15, 5, 6, Resistance, 0}, display{"1.5", "MΩ", ""}},
		{display{"1.5", "\u2126", ""}, Reading{15, -1, 0, Resistance, 0}, display{"1.5", "Ω", ""}}, // the ohm sign
		{display{"1.5", "uA", ""}, Reading{15, -7, -6, Current, 0}, display{"1.5", "µA", ""}},
		{display{"1.5", "\u03bcA", ""}, Reading{15, -7, -6, Current, 0}, display{"1.5", "µA", ""}}, // Greek mu
	}
	for _, tt := range tests {
		got, err := ParseReading(tt.in.text, tt.in.unit, tt.in.flags)
		if err != nil || got != tt.want {
			t.Errorf("ParseReading(%q) = %+v, %v; want %+v", tt.in, got, err, tt.want)
			continue
		}
		want := tt.out
		if want == (display{}) {
			want = tt.in
		}
		if of(got) != want {
			t.Errorf("%q is written again as %q, want %q", tt.in, of(got), want)
		}
	}
}

func TestParseReadingErrors(t *testing.T) {
	tests := []struct {
		in   display
		want string // part of the message
	}{
		{display{"", "V", ""}, `"" is not a decimal number`},
		{display{".", "V", ""}, `"." is not a decimal number`},
		{display{"-", "V", ""}, `"-" is not a decimal number`},
		{display{"--5", "V", ""}, `"--5" is not a decimal number`},
		{display{"+-5", "V", ""}, `"+-5" is not a decimal number`},
		{display{"5-", "V", ""}, `"5-" is not a decimal number`},
		{display{"1.2.3", "V", ""}, `"1.2.3" is not a decimal number`},
		{display{"1e3", "V", ""}, `"1e3" is not a decimal number`},
		{display{"0x1F", "V", ""}, `"0x1F" is not a decimal number`},
		{display{"1_000", "V", ""}, `"1_000" is not a decimal number`},
		{display{" 5", "V", ""}, `" 5" is not a decimal number`},
		{display{"٣", "V", ""}, "is not a decimal number"},
		{display{"Inf", "V", ""}, `"Inf" is not a decimal number`},
		{display{"1000000000000000000", "V", ""}, "at most 18 digits"},
		{display{"9223372036854775808", "V", ""}, "at most 18 digits"},
		{display{"0.0000000000000000001", "V", ""}, "at most 18 digits"},
		{display{"5", "v", ""}, `unit "v" is not known`},
		{display{"5", "m", ""}, `unit "m" is not known`},
		{display{"5", "kkV", ""}, `unit "kkV" is not known`},
		{display{"5", "V", "dc automatic"}, `unknown flag "automatic": known are dc ac auto`},
		{display{"5", "V", "overload"}, `an overload is written OL, no figure NaN`},
		{display{"5", "V", "nan"}, `an overload is written OL, no figure NaN`},
		{display{"OL", "V", "nan"}, `"OL" beside flags "nan"`},
		{display{"NaN", "V", "dc overload"}, `"NaN" beside flags "dc overload"`},
	}
	for _, tt := range tests {
		r, err := ParseReading(tt.in.text, tt.in.unit, tt.in.flags)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("ParseReading(%q) = %+v, %v; want an error with %q", tt.in, r, err, tt.want)
			continue
		}
		if !errors.Is(err, errReading) || strings.Contains(err.Error(), "\n") || r != (Reading{}) {
			t.Errorf("ParseReading(%q): %+v, %v: want no reading and one line that wraps errReading", tt.in, r, err)
		}
	}
}

// FuzzParseReading: what is accepted has a text that is read back as the very same reading.
func FuzzParseReading(f *testing.F) {
	for _, s := range []display{
		{"38.2", "mV", "dc auto"}, {"-0.050", "V", "dc"}, {"OL", "MΩ", "overload"}, {"NaN", "V", "nan"},
		{"000123", "kohm", "beep"}, {"-0", "uA", ""}, {".5", "%", "hold"}, {"1", "", "ac dc"}, {"9223372036854775807", "dB", ""},
	} {
		f.Add(s.text, s.unit, s.flags)
	}
	f.Fuzz(func(t *testing.T, text, unit, flags string) {
		r, err := ParseReading(text, unit, flags)
		if err != nil {
			return
		}
		again, err := ParseReading(r.Text(), r.Unit(), r.Flags.String())
		if err != nil || again != r {
			t.Errorf("%q %q %q is %+v; its text %q is %+v, %v", text, unit, flags, r, of(r), again, err)
		}
		if v := r.Value(); r.HasValue() == math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("%+v has the value %v", r, v)
		}
	})
}

// TestValue compares with strconv.ParseFloat of the same decimal, which is
// correctly rounded.
func TestValue(t *testing.T) {
	check := func(digits int64, exp int8) {
		t.Helper()
		want, err := strconv.ParseFloat(strconv.FormatInt(digits, 10)+"e"+strconv.Itoa(int(exp)), 64)
		if err != nil {
			t.Fatal(err)
		}
		if got := (Reading{Digits: digits, Exp: exp}).Value(); got != want {
			t.Errorf("%d × 10^%d = %v, want %v", digits, exp, got, want)
		}
	}
	for _, digits := range []int64{0, 1, -1, 382, -50, 3, 7, 1<<53 - 1, 1 << 53, 1<<53 + 1, -(1<<53 + 1), 999999999999999999, math.MaxInt64, math.MinInt64} {
		for exp := range 256 {
			check(digits, int8(exp-128))
		}
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range 20000 {
		check(random.Int64N(2*220000)-220000, int8(random.IntN(30)-18)) // as meters show
		check(int64(random.Uint64())>>random.IntN(64), int8(random.IntN(256)-128))
	}
	if !math.IsNaN(Reading{Flags: Overload}.Value()) || !math.IsNaN(Reading{Flags: NotANumber}.Value()) {
		t.Error("an overload has a value")
	}
}

func TestResolution(t *testing.T) {
	tests := []struct {
		in   display
		want float64
	}{
		{display{"38.2", "mV", ""}, 1e-4},
		{display{"38.20", "mV", ""}, 1e-5},
		{display{"462", "V", ""}, 1},
		{display{"1.000", "kΩ", ""}, 1},
		{display{"22.00", "MHz", ""}, 1e4},
	}
	for _, tt := range tests {
		r, err := ParseReading(tt.in.text, tt.in.unit, tt.in.flags)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.Resolution(); got != tt.want {
			t.Errorf("resolution of %q is %v, want %v", tt.in, got, tt.want)
		}
	}
}

func TestString(t *testing.T) {
	tests := []struct {
		r    Reading
		want string
	}{
		{Reading{382, -4, -3, Voltage, DC | Auto}, "38.2 mV [dc auto]"},
		{Reading{7, 0, 0, NoQuantity, 0}, "7"},
		{Reading{0, -3, -3, Voltage, DC | Overload}, "OL mV [dc]"},
		{Reading{0, 0, 0, Voltage, NotANumber}, "NaN V [nan]"},
		// A last digit above the unit's one is filled up with zeros.
		{Reading{46, 1, 0, Voltage, 0}, "460 V"},
		{Reading{0, 1, 0, Voltage, 0}, "0 V"},
		{Reading{math.MinInt64, -18, 0, Voltage, 0}, "-9.223372036854775808 V"},
	}
	for _, tt := range tests {
		if got := tt.r.String(); got != tt.want {
			t.Errorf("%#v is written %q, want %q", tt.r, got, tt.want)
		}
	}
}

func TestFlagNames(t *testing.T) {
	if got := Flags(0).Names(); got == nil || len(got) != 0 {
		t.Errorf("no flags are named %#v, want an empty list", got)
	}
	all := Flags(math.MaxUint16)
	back, err := ParseFlags(all.String())
	if err != nil {
		t.Fatal(err)
	}
	if want := Flags(1<<12 - 1); back != want {
		t.Errorf("flags %q read back as %b, want %b", all, back, want)
	}
}

func TestRejects(t *testing.T) {
	var r Rejects
	r[Noise], r[BadReply] = 2, 3
	if r.Total() != 5 {
		t.Errorf("total is %d, want 5", r.Total())
	}
	for why := range numReasons {
		if why.String() == "" {
			t.Errorf("reason %d has no name", why)
		}
	}
}

func BenchmarkText(b *testing.B) {
	r := Reading{382, -4, -3, Voltage, DC}
	b.ReportAllocs()
	for b.Loop() {
		_ = r.Text()
	}
}

func BenchmarkParseReading(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ParseReading("38.2", "mV", "dc auto"); err != nil {
			b.Fatal(err)
		}
	}
}
