package scpi

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"nightsoak/drivers"
)

// TestFigures: forms of IEEE 488.2; 9.9E37 and 9.91E37 as published instrument
// manuals give them for SCPI-99.
func TestFigures(t *testing.T) {
	tests := []struct{ function, line, want string }{
		{"VOLT:DC", "0", "0 V dc"}, // NR1
		{"VOLT:DC", "-17", "-17 V dc"},
		{"VOLT:DC", "+000462", "462 V dc"},
		{"VOLT:DC", "0.0382", "0.0382 V dc"}, // NR2
		{"VOLT:DC", "-1.500", "-1.500 V dc"},
		{"VOLT:DC", ".5", "0.5 V dc"},
		{"VOLT:DC", "12.", "12 V dc"},
		{"VOLT:DC", "+4.61873000E+02", "461.873000 V dc"}, // NR3
		{"VOLT:DC", "+1.00000000E+00", "1.00000000 V dc"},
		{"VOLT:DC", "+9.99999999E-01", "999.999999 mV dc"},
		{"VOLT:DC", "-3.82000000E-02", "-38.2000000 mV dc"},
		{"VOLT:DC", "1.00E-03", "1.00 mV dc"},
		{"VOLT:DC", "9.99e-4", "999 µV dc"},
		{"VOLT:DC", "1E-9", "0.001 µV dc"},
		{"VOLT:DC", "+0.00000000E+00", "0.00000000 V dc"},
		{"VOLT:DC", "-0.00E-03", "0.00 mV dc"},
		{"VOLT:DC", "1.234567E-1,2.0,3.0", "123.4567 mV dc"}, // the first of several
		{"VOLT:DC", `1.0;"note, of two words";2.0`, "1.0 V dc"},
		{"VOLT:DC", "  38.2  ", "38.2 V dc"},
		{"CURR:DC", "+4.1E-02", "41 mA dc"},
		{"RES", "+1.0E+06", "1.0 MΩ"}, // a last digit above one ohm: no digit is made up
		{"RES", "4.7E3", "4.7 kΩ"},
		{"RES", "+9.99900000E+03", "9999.00000 Ω"},
		{"FREQ", "1E9", "1 GHz"},
		{"FREQ", "1E4", "0.01 MHz"},
		{"CAP", "1.0E-09", "0.0010 µF"},
		{"TEMP", "+2.5E-01", "0.25 °C"},
		{"DIOD", "6.12E-01", "612 mV diode"},
		{"CONT", "1.5", "1.5 Ω beep"},

		// Some meters append the unit.
		{"VOLT:DC", "+4.61873E+02 VDC", "461.873 V dc"},
		{"VOLT:DC", "1.23V", "1.23 V dc"},
		{"VOLT:AC", "+6.31E+00VAC,+9978SECS,+00001RDNG#", "6.31 V ac"},
		{"VOLT:DC", "38.2 mV", "38.2 mV dc"},
		{"VOLT:DC", "-38.20 mVDC", "-38.20 mV dc"},
		{"VOLT:DC", "3.82E+01 mV", "38.2 mV dc"},
		{"CURR:DC", "412 uA", "412 µA dc"},
		{"CURR:AC", "+4.1E-02AAC", "41 mA ac"},
		{"RES", "47.20 kOhm", "47.20 kΩ"},
		{"RES", "1.0 MOHM", "1.0 MΩ"},
		{"FRES", "0.998 OHMS", "0.998 Ω"},
		{"FREQ", "50.02HZ", "50.02 Hz"},
		{"FREQ", "1.5 MHz", "1.5 MHz"},
		{"CAP", "47 nF", "47 nF"},
		{"TEMP", "+2.31E+01 C", "23.1 °C"},
		{"TEMP", "73.6 FAR", "73.6 °F"},
		{"DIOD", "0.612 VDC", "0.612 V diode"},

		{"VOLT:DC", "9.9E37", "OL V dc overload"},
		{"VOLT:DC", "+9.90000000E+37", "OL V dc overload"},
		{"VOLT:DC", "-9.9E+37", "OL V dc overload"},
		{"VOLT:DC", "-9.90000000E+37VDC", "OL V dc overload"},
		{"VOLT:DC", "INF", "OL V dc overload"},
		{"VOLT:DC", "-INFinity", "OL V dc overload"},
		{"VOLT:DC", "NINF", "OL V dc overload"},
		{"RES", "OL", "OL Ω overload"},
		{"VOLT:DC", "NAN", "NaN V dc nan"},
		{"RES", "9.0E37", "OL Ω overload"},
		{"RES", "+1.00000000E+38", "OL Ω overload"},
		{"VOLT:DC", "9.91E37", "NaN V dc nan"},
		{"VOLT:DC", "+9.91000000E+37", "NaN V dc nan"},
	}
	for _, tt := range tests {
		r, err := readFigure(tt.line, 1, mustFind(t, tt.function))
		if err != nil || show(r) != tt.want {
			t.Errorf("%s %q reads %q, %v; want %q", tt.function, tt.line, show(r), err, tt.want)
			continue
		}
		back, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String())
		if err != nil || back != r {
			t.Errorf("%q is %#v, and read back from its text %#v, %v", tt.line, r, back, err)
		}
		first, _, _ := strings.Cut(strings.TrimSpace(tt.line), ",")
		if v, err := strconv.ParseFloat(first, 64); err == nil && r.HasValue() && r.Value() != v {
			t.Errorf("%q has the value %v, want %v", tt.line, r.Value(), v)
		}
	}
}

func TestNoFigures(t *testing.T) {
	volts, temperature, capacitance := mustFind(t, "VOLT:DC"), mustFind(t, "TEMP"), mustFind(t, "CAP")
	for _, tt := range []struct {
		function function
		line     string
		place    int
		want     string
	}{
		{volts, "1.0,2.0", 3, "it has 2 of the figures, and figure = 3 is asked for: check figure"},
		{volts, "", 2, "it has 1 of the figures, and figure = 2"},
		{volts, "1.0,", 2, `"" is not a number: nothing was sent`},
		{volts, `1.0,"2.0"`, 2, `"\"2.0\"" is not a number`},
		{volts, "0.5 VAC", 1, `"VAC" is no unit of VOLT:DC: check that the meter measures that`},
		{volts, "0.5 OHM", 1, `"OHM" is no unit of VOLT:DC`},
		{volts, "0.5 MV", 1, `"MV" is no unit`}, // milli or mega?
		{volts, "0.5 xV", 1, `"xV" is no unit`},
		{volts, "0.5 m", 1, `"m" is no unit`},
		{volts, "0.5 VDC VDC", 1, `"VDC VDC" is no unit`},
		{volts, "1E-60 pV", 1, "out of all reason"},
		{temperature, "296 K", 1, `"K" is no unit of TEMP`},
		{capacitance, "73 FAR", 1, `"FAR" is no unit of CAP`},
	} {
		if r, err := readFigure(tt.line, tt.place, tt.function); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s %q, figure %d: %v, %v; want an error with %q", tt.function.short, tt.line, tt.place, r, err, tt.want)
		}
	}
	for place, want := range map[int]string{1: "1.0", 2: "2.50", 3: "-3", 4: "4"} {
		if r, err := readFigure("1.0, 2.50 ;-3;4E0", place, volts); err != nil || r.Text() != want {
			t.Errorf("figure %d is %v, %v; want %s", place, r, err, want)
		}
	}
}

func mustFind(t testing.TB, name string) function {
	t.Helper()
	f, err := findFunction(name)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// TestNumberForms writes the same numbers as NR1, NR2 and NR3 (IEEE 488.2
// clauses 8.7.2 to 8.7.4) and reads them back, digit for digit.
func TestNumberForms(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 8))
	for range 5000 {
		places := random.IntN(8)
		n := random.Int64N(int64(math.Pow10(1 + random.IntN(12))))
		sign, negative := "+", random.IntN(2) == 0
		if negative {
			sign = "-"
		}
		digits := fmt.Sprintf("%0*d", places+1, n)
		point := len(digits) - places
		power := random.IntN(20) - 10
		want := n
		if negative {
			want = -n
		}
		for _, form := range []struct {
			text string
			exp  int
		}{
			{sign + digits, 0}, // NR1
			{sign + digits[:point] + "." + digits[point:], -places},                                      // NR2
			{fmt.Sprintf("%s%s.%sE%+03d", sign, digits[:1], digits[1:], power), power - len(digits) + 1}, // NR3
		} {
			got, exp, _, err := decimal(form.text)
			if err != nil || got != want || exp != form.exp {
				t.Fatalf("%q is %d × 10^%d, %v; want %d × 10^%d", form.text, got, exp, err, want, form.exp)
			}
			if !isFigure(form.text) {
				t.Fatalf("%q is not taken for a figure", form.text)
			}
		}
	}
}

// TestFunctionAnswers: CONF? and FUNC? answer in quotes and in short form, a
// list where several functions run at once, a quote within written twice
// (published instrument manuals).
func TestFunctionAnswers(t *testing.T) {
	for _, tt := range []struct {
		line  string
		place int
		want  string // short name, or part of the error
	}{
		{`"VOLT:DC"`, 1, "VOLT:DC"},
		{`"VOLT"`, 1, "VOLT:DC"},
		{`VOLT`, 1, "VOLT:DC"},
		{`"VOLT +1.000000E+01,+3.000000E-06"`, 1, "VOLT:DC"},
		{`"VOLT +1.000000E+01,+3.000000E-06"`, 2, "VOLT:DC"},
		{`VOLT:AC +1.0E+01,+3.0E-06`, 2, "VOLT:AC"},
		{`"VOLT:DC","CURR:DC"`, 1, "VOLT:DC"},
		{`"VOLT:DC","CURR:DC"`, 2, "CURR:DC"},
		{`"VOLT:DC","CURR:DC"`, 3, "VOLT:DC"},
		{`"""FRES"" 100"`, 1, "FRES"},
		{`"temp"`, 1, "TEMP"},
		{`"PER"`, 1, `"PER" is not known`},
		{``, 1, `"" is not known`},
		{`"`, 1, `"" is not known`},
	} {
		f, err := answeredFunction(tt.line, tt.place)
		if err == nil && f.short != tt.want || err != nil && !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s, figure %d: %q, %v; want %s", tt.line, tt.place, f.short, err, tt.want)
		}
	}
}

// FuzzFigure: nothing panics; what is read has a text that reads back the same,
// and the value of the figure sent.
func FuzzFigure(f *testing.F) {
	for _, s := range []string{"+4.61873000E+02", "9.9E37", "9.91E37", "-0.00E-03", "1.2E", ",", "", "1,2;3", "1E-30", "999999999999999999E-60",
		"38.2 mV", "1.0 MOHM", `"a,b";1`, "NAN", "-INF", "1\"2,3", "Ω", "1µV", "1.E1"} {
		f.Add(s, 1, 0)
	}
	f.Fuzz(func(t *testing.T, line string, place, which int) {
		fn := functions[uint(which)%uint(len(functions))]
		place = max(place, 1)
		if _, err := answeredFunction(line, place); err != nil && strings.Contains(err.Error(), "\n") {
			t.Errorf("error %q has several lines", err)
		}
		if e, ok := parseEntry(line); ok && strings.Contains(e.String(), "\n") {
			t.Errorf("error entry %q has several lines", e)
		}
		r, err := readFigure(line, place, fn)
		if err != nil {
			return
		}
		if back, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String()); err != nil || back != r {
			t.Errorf("%q is %#v, and read back from its text %#v, %v", line, r, back, err)
		}
		text := fields(line)[place-1]
		if v, err := strconv.ParseFloat(text, 64); err == nil && r.HasValue() && r.Value() != v {
			t.Errorf("%q has the value %v, want %v", text, r.Value(), v)
		}
	})
}
