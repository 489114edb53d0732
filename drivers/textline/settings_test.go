package textline

import (
	"bytes"
	"errors"
	"regexp/syntax"
	"strings"
	"testing"

	"nightsoak/drivers"
)

func TestSettings(t *testing.T) {
	const plain = `(?P<value>\S+) (?P<unit>\S+)`
	tests := []struct {
		pattern, sample, unit, channel string
		want                           string // of the error, "" for none
	}{
		{plain, "38.2 mV", "", "", ""},
		{plain, "  38.2 mV  ", "", "", ""},
		{`(?<value>\S+) (?P<unit>\S+)`, "38.2 mV", "", "", ""},
		{`^` + plain + `$`, "38.2 mV", "", "", ""},
		{`(?i)u=(?P<value>\S+)|never`, "U=38.2", "mV", "", ""},
		{plain, "38.2 VOLTS", "VOLTS=V", "", ""},
		{`(?P<channel>\d):` + plain, "2:38.2 mV", "", "2", ""},

		// The pattern.
		{"", "38.2 mV", "", "", `pattern: is missing: write what a line looks like, for example '(?P<value>\S+) (?P<unit>\S+)'`},
		{strings.Repeat("x", 1001), "x", "", "", `pattern: has 1001 bytes: at most 1000 are allowed`},
		{`(?P<value>\S+) (?P<unit>\S+`, "", "", "", "pattern: goes wrong at character 16, `(?P<unit>\\S+`: ( is not closed by )"},
		{`((?P<value>\S+) V`, "", "", "", "pattern: goes wrong at character 1, `((?P<value>\\S+) V`: ( is not closed by )"},
		{`Ω: (?P<value>\S+)) V`, "", "", "", "pattern: goes wrong at character 18, `) V`: ) closes no (; a plain one is written \\)"},
		{`(?P<value>[0-9.+) V`, "", "", "", "pattern: goes wrong at character 11, `[0-9.+) V`: [ is not closed by ]"},
		{`(?P<value>[9-0.]+) V`, "", "", "", "pattern: goes wrong at character 12, `9-0.]+) V`: this range or class of characters does not exist, or runs backwards"},
		{`(?P<value>\S+**) V`, "", "", "", "pattern: goes wrong at character 13, `+**) V`: two repetitions in a row: put the first into (?:...)"},
		{`*(?P<value>\S*) V`, "", "", "", "pattern: goes wrong at character 1, `*(?P<value>\\S*) V`: nothing stands before it to be repeated; a plain * + or ? is written \\* \\+ \\?"},
		{`(?P<value>\d{1,2000}) V`, "", "", "", "pattern: goes wrong at character 13, `{1,2000}) V`: a repetition is at most {1000}, one within another multiplied, and {2,5} has the smaller number first"},
		{`(?P<value>\S+) \V`, "", "", "", "pattern: goes wrong at character 16, `\\V`: \\ before this character means nothing; it stands before a character that is meant as such: \\. \\( \\[ \\+ \\\\"},
		{`(?P<value>\S+)\`, "", "", "", "pattern: goes wrong at character 15, `\\`: \\ has nothing behind it; a plain one is written \\\\"},
		{`(?P<the value>\S+) V`, "", "", "", "pattern: goes wrong at character 1, `(?P<the value>\\S+) V`: a named group is written (?P<value>...)"},
		{`(?P<value\S+) V`, "", "", "", "pattern: goes wrong at character 1, `(?P<value\\S+) V`: a named group is written (?P<value>...)"},
		{`(?<=U )(?P<value>\S+)`, "", "", "", "pattern: goes wrong at character 1, `(?<=U )(?P<value>\\S+…`: RE2 has no such group: a group is (?:...) or (?P<value>...), and there is no looking ahead or back"},
		{`(?P<value>\S+)(?!A)`, "", "", "", "pattern: goes wrong at character 15, `(?!A)`: RE2 has no such group: a group is (?:...) or (?P<value>...), and there is no looking ahead or back"},
		{"(?P<value>\\S+) \xff", "", "", "", "pattern: goes wrong at character 16, \"\\xff\": this is not UTF-8"},
		{strings.Repeat("(", 300) + strings.Repeat(")*", 300), "", "", "", "pattern: has no group value: put the figure into one, for example '(?P<value>\\S+) (?P<unit>\\S+)'"},
		{`(?P<value>(?:\d{999}){999})`, "1", "V", "", "pattern: goes wrong at character 22, `{999})`: a repetition is at most {1000}, one within another multiplied, and {2,5} has the smaller number first"},
		{`(?P<vlaue>\S+) V`, "", "", "", `pattern: has a group "vlaue": did you mean "value"? Groups are value, unit, channel, flags; one without a name is written (?:...)`},
		{`(\S+) V`, "", "", "", `pattern: has no group value: put the figure into one, for example '(?P<value>\S+) (?P<unit>\S+)'`},
		{`(?P<value>\S+) (?P<value>\S+)`, "", "", "", `pattern: has the group "value" twice: each stands once`},

		// The sample.
		{plain, "", "", "", "sample: is missing: copy a line that the meter printed; the pattern is tried on it"},
		{plain, "38.2\tmV", "", "", ""},
		{plain, "38.2 mV\r\n", "", "", ""},
		{plain, "38.2 mV\r\n38.3 mV", "", "", "sample: holds a control character: copy one line, write a blank for a tab"},
		{plain, "38.2 mV" + strings.Repeat(" ", 250), "", "", "sample: has 257 bytes: a line has at most 256"},
		{`k1 (?P<value>\d+\.\d\d) V`, "k1 38.2 V", "V", "", "sample: does not match the pattern, which wants \\d at character 8 and finds ` V`"},
		{`k1 (?P<value>\d+\.\d) V`, "k2 38.2 V", "V", "", "sample: does not match the pattern, which wants 1 at character 2 and finds `2 38.2 V`"},
		{`k1  (?P<value>\d+\.\d) V`, "k1 38.2 V", "V", "", "sample: does not match the pattern, which wants a blank at character 4 and finds `38.2 V`"},
		{`k1 (?P<value>\d+\.\d) V DC`, "k1 38.2 V", "V", "", "sample: does not match the pattern, which wants a blank at character 10 and finds its end"},
		{`k1 (?P<value>\d+\.\d)`, "k1 38.2 V", "V", "", "sample: does not match the pattern, which wants the line to end at character 8 and finds ` V`"},
		{`(?i)K1 (?P<value>\S+) (?:V|A)`, "k1 38.2 W", "V", "", "sample: does not match the pattern, which wants [AVav] at character 9 and finds `W`"},
		{`(?P<value>\S+) V|A`, "38.2 W", "V", "", "sample: does not match the pattern, which wants (?P<value>\\S+) V|A at character 1 and finds `38.2 W`"},

		// The figure.
		{`.*(?P<value>\d+) V`, "138.2 V", "V", "", `pattern: takes "2" for the value of the sample, which is a part of a longer figure: let it take the whole, as (?P<value>\S+) does, or put what stands beside it into the group channel`},
		{`-?(?P<value>[\d.]+) V`, "-38.2 V", "V", "", `pattern: takes "38.2" for the value of the sample, which is a part of a longer figure: let it take the whole, as (?P<value>\S+) does, or put what stands beside it into the group channel`},
		{`(?P<value>\S+)`, "38.2V", "V", "", `pattern: takes "38.2V" for the value of the sample, which is no figure: sign, digits, one point or comma and an exponent are read, or OL and NaN`},
		{`(?P<value>\d*) V`, " V", "V", "", `pattern: takes "" for the value of the sample, which is no figure: sign, digits, one point or comma and an exponent are read, or OL and NaN`},

		// The unit.
		{`(?P<value>\S+) V`, "38.2 V", "", "", `unit: is missing: the pattern has no group unit, so say what the figures are in, for example "mV"`},
		{`(?P<value>\S+) V`, "38.2 V", "VOLTS=V", "", `unit: translates "VOLTS", but lines show no unit: write (?P<unit>...) into the pattern`},
		{`(?P<value>\S+) V`, "38.2 V", "Volt", "", `unit: "Volt" is not known: write for example V, mV, mA, kΩ or Hz`},
		{`(?P<value>\S+) V`, "38.2 V", "V mV", "", `unit: "mV" is the second unit for lines that show ""`},
		{plain, "38.2 mV", "X=V X=A", "", `unit: "A" is the second unit for lines that show "X"`},
		{plain, "38.2 mV", "=V", "", `unit: "=V" is no translation: write for example VOLTS=V`},
		{plain, "38.2 mV", "VOLTS=", "", `unit: "VOLTS=" is no translation: write for example VOLTS=V`},
		{plain, "38.2 VOLTS", "", "", `unit: must translate "VOLTS", which the sample shows for a unit: write for example "VOLTS=mV"`},
		{`(?P<value>\S+) ?(?P<unit>\S*)`, "38.2", "", "", `unit: is missing: the sample shows no unit, so say what such lines are in, for example "mV"`},

		// Flags and channel.
		{plain + ` (?P<flags>.*)`, "38.2 mV DC AUT", "", "", `sample: has the flag "AUT", which is not known: nearest is "auto", known are dc ac auto hold overload rel minmax lowbat apo diode beep nan and what else meters write for these; leave out of the group flags what is none`},
		{plain, "38.2 mV", "", "k1", "channel: needs its place in the pattern: write (?P<channel>...) where lines show it"},
		{`(?P<channel>k\d) ` + plain, "k1 38.2 mV", "", "", `channel: is missing: the pattern has a group channel, so say whose lines to read; the sample's is "k1"`},
		{`(?P<channel>k\d) ` + plain, "k1 38.2 mV", "", "k2", `sample: is a line of channel "k1", and this meter's is "k2": copy one of its own`},
	}
	for _, tt := range tests {
		s := drivers.Settings{}
		for key, value := range map[string]string{"pattern": tt.pattern, "sample": tt.sample, "unit": tt.unit, "channel": tt.channel} {
			if value != "" { // the bench file leaves out what is not given
				s[key] = value
			}
		}
		d, err := Format.NewDecoder(s)
		switch _, ok := errors.AsType[*drivers.SettingError](err); {
		case tt.want == "" && (err != nil || d == nil):
			t.Errorf("%q: %v", s, err)
		case tt.want != "" && (!ok || err.Error() != tt.want || d != nil):
			t.Errorf("%q:\n got %v (%T),\nwant %s", s, err, err, tt.want)
		}
	}
	if Format.Plain() != nil {
		t.Error("a decoder without pattern")
	}
}

func TestCauseIsKept(t *testing.T) {
	_, err := Format.NewDecoder(drivers.Settings{"pattern": `(?P<value>\S+`})
	if bad, ok := errors.AsType[*syntax.Error](err); !ok || bad.Code != syntax.ErrMissingParen {
		t.Errorf("%v has cause %v", err, bad)
	}
}

// FuzzSettings: no settings panic, and those that are taken read their own sample.
func FuzzSettings(f *testing.F) {
	f.Add(pattern, sample, "", "k1", []byte("k1 38.3 mV\r\nk2 50.01 Hz\n"))
	f.Add(`(?P<value>\S+) (?P<unit>\S+)`, "38,2 VOLTS", "VOLTS=V mV", "", []byte("\x02-O.L mV\x03\n"))
	f.Add(`.*(?P<value>\d+)(?P<flags>.*)`, "38.2 DC/AC", "kohm", "", []byte("1e5AC\n"))
	f.Add(`(?i)(?:a|b{2,3})*?(?P<value>[^;]*);(?P<unit>µ?[VA])?`, "abb 1,5E+03;\xB5V", "V", "", []byte("\n;\n"))
	f.Add(`((((?P<value>)|\pL*?)+)+\b)(`, "é", "=", "", []byte{})
	f.Add(`(?<=x)[z-a]\Q*\E{3}**`, "\x00\t", " V  V=A", "\n", []byte{0})
	f.Fuzz(func(t *testing.T, pattern, sample, unit, channel string, p []byte) {
		d, err := Format.NewDecoder(drivers.Settings{"pattern": pattern, "sample": sample, "unit": unit, "channel": channel})
		if err != nil {
			if _, ok := errors.AsType[*drivers.SettingError](err); !ok || d != nil || strings.ContainsAny(err.Error(), "\r\n") {
				t.Fatalf("%T %v %v", err, err, d)
			}
			return
		}
		n := 0
		emit := func(r drivers.Reading) {
			n++
			if again, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String()); err != nil || again != r {
				t.Errorf("%#v is recorded as %v, which reads %#v, %v", r, r, again, err)
			}
		}
		d.Feed([]byte("\n"+sample+"\n"), emit)
		if n != 1 || d.Rejects() != (drivers.Rejects{}) {
			t.Errorf("%d readings of the sample, rejects %v", n, d.Rejects())
		}
		d.Feed(p, emit)
		if most := 1 + bytes.Count(p, []byte{'\r'}) + bytes.Count(p, []byte{'\n'}); n > most {
			t.Errorf("%d readings of %d lines", n, most)
		}
	})
}
