package record

import (
	"bytes"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

var csvMeters = []string{"k1", "k2", "ht"}

func meterIndex(name string) int { return slices.Index(csvMeters, name) }

// of is an iterator over inputs.
func of(inputs ...alarms.Input) iter.Seq2[alarms.Input, error] {
	return func(yield func(alarms.Input, error) bool) {
		for _, in := range inputs {
			if !yield(in, nil) {
				return
			}
		}
	}
}

func TestCSVBothWays(t *testing.T) {
	const text = `t,meter,reading,unit,flags
0.000,ht,461.8,V,dc
0.200,k1,38.2,mV,dc auto
0.200,k2,-0.050,mV,dc auto lowbat apo
0.400,k1,OL,mV,dc overload
123456.789,k2,NaN,V,nan
123456.789,k1,1000,kΩ,hold
`
	got := collect(t, ReadCSV(strings.NewReader(text), "r.csv", meterIndex))
	want := []alarms.Input{
		{T: 0, Meter: 2, Reading: drivers.Reading{Digits: 4618, Exp: -1, Quantity: drivers.Voltage, Flags: drivers.DC}},
		reading(200*time.Millisecond, 0, 382),
		{T: 200 * time.Millisecond, Meter: 1, Reading: drivers.Reading{Digits: -50, Exp: -6, Prefix: -3, Quantity: drivers.Voltage,
			Flags: drivers.DC | drivers.Auto | drivers.LowBattery | drivers.AutoPowerOff}},
		{T: 400 * time.Millisecond, Reading: drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Overload}},
		{T: 123456789 * time.Millisecond, Meter: 1, Reading: drivers.Reading{Quantity: drivers.Voltage, Flags: drivers.NotANumber}},
		{T: 123456789 * time.Millisecond, Reading: drivers.Reading{Digits: 1000, Exp: 3, Prefix: 3, Quantity: drivers.Resistance, Flags: drivers.Hold}},
	}
	if !slices.Equal(got, want) {
		t.Errorf("read\n%+v\nwant\n%+v", got, want)
	}
	var b bytes.Buffer
	acts := append(slices.Clone(want), alarms.Input{Act: &alarms.Act{Act: "end"}}) // acts have no place in it
	if err := WriteCSV(&b, csvMeters, of(acts...)); err != nil {
		t.Fatal(err)
	}
	if b.String() != text {
		t.Errorf("written\n%s\nwant\n%s", &b, text)
	}
	// As a spreadsheet hands it back: a byte order mark, CR LF, columns quoted.
	sheet := "\ufeff" + strings.ReplaceAll(strings.ReplaceAll(text, "\n", "\r\n"), "k1", `"k1"`)
	if got := collect(t, ReadCSV(strings.NewReader(sheet), "r.csv", meterIndex)); !slices.Equal(got, want) {
		t.Errorf("from a spreadsheet\n%+v\nwant\n%+v", got, want)
	}
}

// A display cannot show every reading that a scaled probe gives: 4618 × 0.1 mV
// through 1000:1 is 461.8 V, and resolution must not be lost over it.
func TestCSVChoosesAPrefixThatShowsItExactly(t *testing.T) {
	for _, c := range []struct {
		r    drivers.Reading
		want string
	}{
		{drivers.Reading{Digits: 4618, Exp: -1, Prefix: -3, Quantity: drivers.Voltage}, "461.8,V,"},
		{drivers.Reading{Digits: 47, Exp: 4, Prefix: 0, Quantity: drivers.Resistance}, "0.47,MΩ,"},
		{drivers.Reading{Digits: 1, Exp: -20, Prefix: 0, Quantity: drivers.Capacitance}, "0.00000000000000001,mF,"},
		{drivers.Reading{Digits: 5, Exp: 0, Prefix: -3}, "5,,"},
		{drivers.Reading{Exp: 7, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.Overload}, "OL,mV,overload"},
	} {
		var b bytes.Buffer
		if err := WriteCSV(&b, csvMeters, of(alarms.Input{Reading: c.r})); err != nil {
			t.Errorf("%+v: %v", c.r, err)
			continue
		}
		if _, row, _ := strings.Cut(b.String(), "\n"); row != "0.000,k1,"+c.want+"\n" {
			t.Errorf("%+v is %q, want %q", c.r, row, c.want)
		}
		back := collect(t, ReadCSV(&b, "r.csv", meterIndex))[0].Reading
		if c.r.HasValue() && (back.Digits != c.r.Digits || back.Exp != c.r.Exp) {
			t.Errorf("%+v comes back as %+v", c.r, back)
		}
	}
	var b bytes.Buffer
	for _, bad := range []alarms.Input{
		{Reading: drivers.Reading{Digits: 1, Exp: 100, Quantity: drivers.Voltage}},
		{Meter: 3},
		{Meter: -1},
	} {
		if err := WriteCSV(&b, csvMeters, of(bad)); err == nil {
			t.Errorf("%+v was written", bad)
		}
	}
	cause := errors.New("cause")
	if err := WriteCSV(&b, csvMeters, func(yield func(alarms.Input, error) bool) { yield(alarms.Input{}, cause) }); !errors.Is(err, cause) {
		t.Errorf("error is %v", err)
	}
}

func TestCSVErrors(t *testing.T) {
	const head = "t,meter,reading,unit,flags\n0.2,k1,38.2,mV,dc\n"
	for text, want := range map[string]string{
		"":                              `r.csv:1: nothing here: the first line must be "t,meter,reading,unit,flags"`,
		"time,meter,value\n":            `r.csv:1: header is "time,meter,value": it must be "t,meter,reading,unit,flags"`,
		head + "0.4,k1,38.2,mV\n":       `r.csv:3: 4 columns, not the 5 of "t,meter,reading,unit,flags"`,
		head + "0.1,k1,38.2,mV,dc\n":    `r.csv:3:1: column t: t = 0.100 s comes after 0.200 s: run time never goes backwards; sort the lines`,
		head + "-1,k1,38.2,mV,dc\n":     `r.csv:3:1: column t: "-1" is not a run time: write seconds from 0, for example 613.200`,
		head + "NaN,k1,38.2,mV,dc\n":    `r.csv:3:1: column t: "NaN" is not a run time: write seconds from 0, for example 613.200`,
		head + "1e300,k1,38.2,mV,dc\n":  `r.csv:3:1: column t: "1e300" is not a run time: write seconds from 0, for example 613.200`,
		head + "0.4,k9,38.2,mV,dc\n":    `r.csv:3:5: column meter: meter "k9" is not in the bench file`,
		head + "0.4,k1,38,2,mV,dc\n":    `r.csv:3: 6 columns, not the 5 of "t,meter,reading,unit,flags"`,
		head + "0.4,k1,3e2,mV,dc\n":     `r.csv:3:8: column reading: not a reading: "3e2" is not a decimal number`,
		head + "0.4,k1,38.2,mW,dc\n":    `r.csv:3:13: column unit: not a reading: unit "mW" is not known; write for example mV, V, mA, kΩ, Hz`,
		head + "0.4,k1,38.2,mV,dc loud": `r.csv:3:16: column flags: not a reading: unknown flag "loud": known are dc ac auto hold overload rel minmax lowbat apo diode beep nan`,
		head + "0.4,k1,\"38.2,mV,dc\n":  `r.csv:3:20: extraneous or missing " in quoted-field`,
	} {
		n, got := 0, error(nil)
		for _, err := range ReadCSV(strings.NewReader(text), "r.csv", meterIndex) {
			if err != nil {
				got = err
			} else {
				n++
			}
		}
		if _, ok := errors.AsType[*SyntaxError](got); !ok || !strings.HasPrefix(got.Error(), want) {
			t.Errorf("%q:\n got %v\nwant %s", text, got, want)
		}
		if strings.HasPrefix(text, head) && n != 1 {
			t.Errorf("%q: %d readings before the error, want 1", text, n)
		}
	}
	cause := errors.New("cause")
	for _, err := range ReadCSV(failingReader{cause}, "r.csv", meterIndex) {
		if !errors.Is(err, cause) || !strings.HasPrefix(err.Error(), "r.csv: ") {
			t.Errorf("error is %v", err)
		}
	}
}

type failingReader struct{ err error }

func (f failingReader) Read([]byte) (int, error) { return 0, f.err }

func TestReadActs(t *testing.T) {
	const text = `{"t":0.000,"event":"act","act":"begin","first_power":true}

{"t":12.5,"event":"port","meter":"k1","open":false,"text":"gone"}
{"t":9300.0004,"event":"act","act":"shelve","id":"drift/V6","for":"30m"}
{"t":9300,"event":"gap","from":9200.5,"text":"not there"}
`
	got := collect(t, ReadActs(strings.NewReader(text), "acts.jsonl"))
	want := []alarms.Input{
		{Act: &alarms.Act{Act: "begin", FirstPower: true}},
		{T: 12500 * time.Millisecond, Port: &alarms.PortChange{Meter: "k1", Text: "gone"}},
		{T: 9300 * time.Second, Act: &alarms.Act{Act: "shelve", ID: "drift/V6", For: "30m"}},
		{T: 9300 * time.Second, Gap: &alarms.Gap{From: alarms.Seconds(9200500 * time.Millisecond), Text: "not there"}},
	}
	if g, w := dump(t, got), dump(t, want); g != w {
		t.Errorf("got\n%s\nwant\n%s", g, w)
	}
	const first = `{"t":5,"event":"act","act":"note","text":"x"}` + "\n"
	for line, want := range map[string]string{
		`{"t":9120,"event":"alarm","id":"runaway/V7"}`:             `acts.jsonl:2: event "alarm": only act, port and gap belong here, the core works out the rest; leave the line out`,
		`{"t":6,"event":"act","act":"note","txt":"x"}`:             `acts.jsonl:2: event "act": json: unknown field "txt"`,
		`{"t":6,"event":"act","text":"x"}`:                         `acts.jsonl:2: event "act" without "act": say which, for example "act":"note"`,
		`{"t":6,"event":"port","open":true}`:                       `acts.jsonl:2: event "port" without "meter": say whose port`,
		`{"event":"act","act":"note"}`:                             `acts.jsonl:2: "t" is missing or negative: write the run time in seconds, for example "t":613.2`,
		`{"t":-1,"event":"act","act":"note"}`:                      `acts.jsonl:2: "t" is missing or negative: write the run time in seconds, for example "t":613.2`,
		`{"t":1e12,"event":"act","act":"note"}`:                    `acts.jsonl:2: time of 1e+12 s is out of range`,
		`{"t":4,"event":"act","act":"note"}`:                       `acts.jsonl:2: t = 4.000 s comes after 5.000 s: run time never goes backwards; sort the lines`,
		`{"t":6,"event":"act","act":"note"} x`:                     `acts.jsonl:2:36: invalid character 'x'`,
		`note: it hums`:                                            `acts.jsonl:2:2: invalid character 'o'`,
		`"` + strings.Repeat("x", 2<<20) + `"`:                     `acts.jsonl:2: bufio.Scanner: token too long`,
		`{"t":6,"event":"gap","from":"six","text":"a"}`:            `acts.jsonl:2: event "gap": json: cannot unmarshal string`,
		`{"t":6,"event":"act","act":"note","cathode_current_a":1}`: `acts.jsonl:2: event "act": json: unknown field "cathode_current_a"`,
	} {
		n, got := 0, error(nil)
		for _, err := range ReadActs(strings.NewReader(first+line), "acts.jsonl") {
			if err != nil {
				got = err
			} else {
				n++
			}
		}
		if got == nil || !strings.HasPrefix(got.Error(), want) || n != 1 {
			t.Errorf("%.80s: after %d acts\n got %v\nwant %s", line, n, got, want)
		}
	}
}

func TestMerge(t *testing.T) {
	act := func(s int, text string) alarms.Input {
		return alarms.Input{T: time.Duration(s) * time.Second, Act: &alarms.Act{Act: "note", Text: text}}
	}
	read := func(s int) alarms.Input { return reading(time.Duration(s)*time.Second, 0, int64(s)) }
	cause := errors.New("cause")
	fail := func(before ...alarms.Input) iter.Seq2[alarms.Input, error] {
		return func(yield func(alarms.Input, error) bool) {
			for _, in := range before {
				if !yield(in, nil) {
					return
				}
			}
			yield(alarms.Input{}, cause)
		}
	}
	for name, c := range map[string]struct {
		acts, readings iter.Seq2[alarms.Input, error]
		want           string
	}{
		"both":               {of(act(0, "a"), act(2, "b"), act(2, "c"), act(9, "d")), of(read(1), read(2), read(2), read(3)), "0a 1 2b 2c 2 2 3 9d"},
		"no acts":            {of(), of(read(1)), "1"},
		"no readings":        {of(act(1, "a")), of(), "1a"},
		"neither":            {of(), of(), ""},
		"acts that fail":     {fail(act(1, "a")), of(read(1), read(2)), "1a cause"},
		"readings that fail": {of(act(1, "a"), act(3, "b")), fail(read(2)), "1a 2 cause"},
		"late act failure":   {fail(), of(), "cause"},
	} {
		var got []string
		for in, err := range Merge(c.acts, c.readings) {
			switch {
			case err != nil:
				got = append(got, err.Error())
			case in.Act != nil:
				got = append(got, fmt.Sprintf("%.0f%s", in.T.Seconds(), in.Act.Text))
			default:
				got = append(got, fmt.Sprintf("%.0f", in.T.Seconds()))
			}
		}
		if g := strings.Join(got, " "); g != c.want {
			t.Errorf("%s: %s, want %s", name, g, c.want)
		}
	}
	for range Merge(of(act(0, "a"), act(1, "b")), of(read(5))) { // breaking off is fine
		break
	}
}

// What can be read can be written, and then reads the same.
func FuzzReadCSV(f *testing.F) {
	for _, s := range []string{
		"t,meter,reading,unit,flags\n0.200,k1,38.2,mV,dc auto\n0.4,ht,OL,V,dc\n",
		"t,meter,reading,unit,flags\n1e3,k2,-0.050,kohm,\n",
		"\ufefft,meter,reading,unit,flags\r\n\"0\",\"k1\",\"NaN\",°F,nan\r\n",
		"t,meter,reading,unit,flags\n0,k1,+.000000000000000001,GhFE,beep\n",
		"t,meter\n", "\"", "",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var read []alarms.Input
		for in, err := range ReadCSV(strings.NewReader(s), "f.csv", meterIndex) {
			if err != nil {
				if !strings.HasPrefix(err.Error(), "f.csv:") {
					t.Errorf("error names no place: %v", err)
				}
				break
			}
			read = append(read, in)
		}
		var b bytes.Buffer
		if err := WriteCSV(&b, csvMeters, of(read...)); err != nil {
			t.Fatal(err)
		}
		if again := collect(t, ReadCSV(&b, "f.csv", meterIndex)); !slices.Equal(again, read) {
			t.Errorf("read %+v\nagain %+v", read, again)
		}
	})
}

// What can be read goes into the record and comes back the same.
func FuzzReadActs(f *testing.F) {
	for _, s := range []string{
		`{"t":0.000,"event":"act","act":"begin","first_power":true}`,
		`{"t":1,"event":"port","meter":"k1","open":true}` + "\n" + `{"t":1,"event":"gap","from":0.5,"text":"\ud800"}`,
		`{"t":1,"event":"alarm"}`, `{"t":1e400}`, `null`, `[]`, "{",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for in, err := range ReadActs(strings.NewReader(s), "f.jsonl") {
			if err != nil {
				if !strings.HasPrefix(err.Error(), "f.jsonl:") {
					t.Errorf("error names no place: %v", err)
				}
				break
			}
			kind, body, err := encodeAct(&in)
			back := alarms.Input{T: in.T}
			if err == nil {
				err = decodeAct(kind, body, &back)
			}
			if err != nil || dump(t, []alarms.Input{back}) != dump(t, []alarms.Input{in}) {
				t.Errorf("%+v comes back as %+v (%v)", in, back, err)
			}
		}
	})
}
