package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export/record"
)

const oneMeter = `name = "north"
[[meter]]
name = "k1"
port = "/dev/ttyUSB0"
format = "fs9721"
[[meter]]
name = "ht"
port = "/dev/ttyUSB1"
format = "fs9721"
`

// V1 idles at 41 mV and 462 V: 63 % of its 30 W, over the 60 % of this job.
const oneSocket = `ticket = "R-1187"
[[socket]]
name = "V1"
tube = "6L6GC"
sense = { meter = "k1", ohms = 1.0 }
plate = { meter = "ht" }
[limits]
dissipation = "60%"
`

// put writes files into a folder of their own and gives their paths.
func put(t *testing.T, texts ...string) (paths []string) {
	t.Helper()
	dir := t.TempDir()
	for i, name := range []string{"bench.toml", "job.toml", "limits.toml", "readings.csv", "acts"} {
		paths = append(paths, filepath.Join(dir, name))
		if i < len(texts) {
			if err := os.WriteFile(paths[i], []byte(texts[i]), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	return paths
}

const (
	what     = "[limits]\n# what if\ndissipation = \"100%\"\n"
	overload = "over-dissipation/V1"
)

// minute is a minute of readings, one a second of each meter.
func minute() string {
	s := "t,meter,reading,unit,flags\n"
	for t := 1; t <= 60; t++ {
		s += fmt.Sprintf("%d,ht,462,V,dc\n%d,k1,41,mV,dc\n", t, t)
	}
	return s
}

// Under other limits a file of readings is judged otherwise: what was raised is
// not, and that the operator acknowledged it is left out and said.
func TestReplayLimits(t *testing.T) {
	p := put(t, oneMeter, oneSocket, what, minute(), `{"t":10,"event":"act","act":"acknowledge","id":"`+overload+`"}`+"\n")
	args := []string{"replay", p[3], "--bench", p[0], "--job", p[1], "--acts", p[4], "--json"}
	out, errOut, code := here(args...)
	// V1's first reading is at 1 s, dissipation_for is 3 s.
	if code != 0 || errOut != "" || !strings.Contains(out, `{"t":4.000,"event":"alarm","id":"`+overload) || !strings.Contains(out, `"state":"acknowledged"`) {
		t.Fatalf("status %d %s\n%s", code, errOut, out)
	}
	out, errOut, code = here(append(args, "--limits", p[2])...)
	if code != 0 || strings.Contains(out, overload) || !strings.Contains(errOut, `an act is left out: refused: acknowledge: `+overload) {
		t.Errorf("--limits: status %d %s\n%s", code, errOut, out)
	}
	if !strings.Contains(out, `"phase":"warm-up"`) {
		t.Errorf("--limits gives no other events either:\n%s", out)
	}
	out, _, code = here(append(args, "--limits", p[2], "--explain", "V1", "--at", "5")...)
	if code != 0 || !strings.Contains(out, `"id":"`+overload+`","stands":false`) {
		t.Errorf("--limits --explain: status %d\n%s", code, out)
	}

	wrong := put(t, "", "", "[limits]\n\ndrfit = \"5%\"\n")[2]
	_, errOut, code = here(append(args, "--limits", wrong)...)
	if code != exitUsage || !strings.HasPrefix(errOut, wrong+":3:1: limits.drfit") || !strings.Contains(errOut, `did you mean "drift"?`) {
		t.Errorf("a wrong limits file: status %d %s", code, errOut)
	}
	_, errOut, code = here(append(args, "--limits", wrong+".not-there")...)
	if code != exitUsage || !strings.Contains(errOut, "limits file: ") {
		t.Errorf("no limits file: status %d %s", code, errOut)
	}
}

// An acknowledged alarm may be of a delay that ended since the last input.
func TestReplayKeepsWhatIsDue(t *testing.T) {
	p := put(t, oneMeter, oneSocket, what, minute(), `{"t":70,"event":"act","act":"acknowledge","id":"meter-silent/k1"}`+"\n")
	for _, limits := range [][]string{nil, {"--limits", p[2]}} {
		out, errOut, code := here(append([]string{"replay", p[3], "--bench", p[0], "--job", p[1], "--acts", p[4], "--json"}, limits...)...)
		if code != 0 || errOut != "" || strings.Count(out, `"id":"meter-silent/k1"`) != 3 || strings.Index(out, `{"t":65.000,`) > strings.Index(out, `{"t":70.000,`) {
			t.Errorf("%q: status %d %s\n%s", limits, code, errOut, out)
		}
	}
}

// --at is the moment itself, delays that end at it included, and nothing after
// it is read.
func TestReplayExplain(t *testing.T) {
	csv := minute() + "not a reading\n"
	p := put(t, oneMeter, oneSocket, "", csv)
	at := func(at ...string) (x alarms.Explanation, errOut string) {
		t.Helper()
		out, errOut, code := here(append([]string{"replay", p[3], "--bench", p[0], "--job", p[1], "--json", "--explain", "V1"}, at...)...)
		if want := map[bool]int{true: 0, false: exitUsage}[errOut == ""]; code != want {
			t.Errorf("%v: status %d %s", at, code, errOut)
		}
		if code == 0 {
			if err := json.Unmarshal([]byte(out), &struct {
				T     *alarms.Seconds
				Phase *alarms.Phase
				Now   struct {
					X *float64 `json:"plate_dissipation_w"`
				}
				Alarms *[]alarms.AlarmVerdict
			}{T: &x.T, Phase: &x.Phase, Alarms: &x.Alarms}); err != nil || strings.Count(out, "\n") != 1 {
				t.Errorf("%v: %v\n%s", at, err, out)
			}
		}
		return x, errOut
	}
	stands := func(x alarms.Explanation) bool {
		for _, a := range x.Alarms {
			if a.ID == overload {
				return a.Stands
			}
		}
		t.Fatalf("no %s: %+v", overload, x)
		return false
	}
	for _, c := range []struct {
		at     string
		t      time.Duration
		phase  alarms.Phase
		stands bool
	}{
		{"0", 0, alarms.Standby, false},
		{"0.999", 999 * time.Millisecond, alarms.Standby, false},
		{"1", time.Second, alarms.WarmUp, false},
		{"3.999", 3999 * time.Millisecond, alarms.WarmUp, false},
		{"4", 4 * time.Second, alarms.WarmUp, true},
		{"0:00:04", 4 * time.Second, alarms.WarmUp, true},
		{"0:00:59.5", 59500 * time.Millisecond, alarms.WarmUp, true},
	} {
		if x, msg := at("--at", c.at); time.Duration(x.T) != c.t || x.Phase != c.phase || msg != "" || stands(x) != c.stands {
			t.Errorf("at %s: t %v, %s, %s", c.at, time.Duration(x.T), x.Phase, msg)
		}
	}
	if _, msg := at(); !strings.Contains(msg, "readings.csv:122") {
		t.Errorf("read to the end, the last line is no reading: %s", msg)
	}
	p[3] = put(t, "", "", "", minute())[3]
	if x, msg := at(); x.T != alarms.Seconds(time.Minute) || msg != "" {
		t.Errorf("no --at is the end: %v %s", x.T, msg)
	}
	if x, msg := at("--at", "60"); x.T != alarms.Seconds(time.Minute) || msg != "" {
		t.Errorf("the end itself: %v %s", x.T, msg)
	}
	for _, c := range []struct{ at, says string }{
		{"60.001", "--at 0:01:00 is after the end at 0:01:00"},
		{"2:32:00", "--at 2:32:00 is after the end at 0:01:00"},
		{"2:32", "h:mm:ss"},
		{"2:60:00", "h:mm:ss"},
		{"1h", "h:mm:ss"},
		{"1m", "h:mm:ss"},
		{"-1", "h:mm:ss"},
		{"", "h:mm:ss"},
		{"NaN", "h:mm:ss"},
		{"99999999999999999999", "h:mm:ss"},
	} {
		if _, msg := at("--at=" + c.at); !strings.Contains(msg, c.says) {
			t.Errorf("--at=%s: %q, want %q", c.at, msg, c.says)
		}
	}

	for args, says := range map[string]string{"--explain V9": `"V9"; known are V1`, "--at 4": "--at goes with --explain"} {
		_, msg, code := here(append([]string{"replay", p[3], "--bench", p[0], "--job", p[1]}, strings.Fields(args)...)...)
		if code != exitUsage || !strings.Contains(msg, says) {
			t.Errorf("%s: status %d %s", args, code, msg)
		}
	}
	out, _, code := here("replay", p[3], "--bench", p[0], "--job", p[1], "--explain", "V1")
	if code != 0 || !strings.HasPrefix(out, "V1 (6L6GC) at 0:01:00: warm-up since 0:00:01, for 0:00:59\nnow            41.0 mA, 462.0 V, 18.9 W, 63.1 % of 30 W\n") {
		t.Errorf("for people: status %d\n%s", code, out)
	}
}

// A recorded run is asked the same; its end is the moment up to which it was
// judged, and within a gap nobody watched.
func TestReplayRecordedRun(t *testing.T) {
	p := put(t, oneMeter, oneSocket, what)
	dir := t.TempDir()
	s, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	info, err := s.Begin(record.Info{Ticket: "R-1187", Bench: "north", Started: time.Now(), Meters: []string{"k1", "ht"},
		BenchText: []byte(oneMeter), JobText: []byte(oneSocket), Core: alarms.Core})
	if err != nil {
		t.Fatal(err)
	}
	w, err := s.Writer(info.ID, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	in := []alarms.Input{{Act: &alarms.Act{Act: "begin"}}}
	for _, span := range [][2]int{{1, 20}, {50, 60}} {
		if span[0] > 1 {
			in = append(in, alarms.Input{T: 50 * time.Second, Gap: &alarms.Gap{From: alarms.Seconds(21 * time.Second), Text: "the daemon died"}})
		}
		for i := span[0]; i <= span[1]; i++ {
			for m, r := range []drivers.Reading{{Digits: 41, Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC}, {Digits: 462, Quantity: drivers.Voltage, Flags: drivers.DC}} {
				in = append(in, alarms.Input{T: time.Duration(i) * time.Second, Meter: m, Reading: r})
			}
		}
	}
	w.Put(record.Step{Inputs: in, T: 62 * time.Second})
	if err := errors.Join(w.Flush(context.Background()), w.Close(context.Background())); err != nil {
		t.Fatal(err)
	}

	base := []string{"replay", "R-1187", "--data", dir}
	for _, c := range []struct {
		args string
		code int
		says string
	}{
		{"--json", 0, `"id":"` + overload},
		{"--json --limits " + p[2] + " --explain V1", 0, `"id":"` + overload + `","stands":false`},
		{"--explain V1", 0, "V1 (6L6GC) at 0:01:02: "},
		{"--explain V1 --at 62", 0, "V1 (6L6GC) at 0:01:02: "},
		{"--explain V1 --at 63", exitUsage, "after the end at 0:01:02"},
		{"--explain V1 --at 10", 0, overload + "  stands; high raised at 0:00:04, unacknowledged"},
		{"--explain V1 --at 21", 0, "V1 (6L6GC) at 0:00:21: "},
		{"--explain V1 --at 22", exitUsage, "--at 0:00:22 is in a gap: nothing was watched from 0:00:21 to 0:00:50"},
		{"--explain V1 --at 50", 0, "V1 (6L6GC) at 0:00:50: "},
	} {
		out, errOut, code := here(append(base, strings.Fields(c.args)...)...)
		if code != c.code || !strings.Contains(out+errOut, c.says) {
			t.Errorf("%s: status %d, want %d and %q\n%s%s", c.args, code, c.code, c.says, out, errOut)
		}
	}
	out, _, _ := here(append(base, "--json", "--limits", p[2])...)
	if strings.Contains(out, overload) || !strings.Contains(out, `"event":"gap"`) {
		t.Errorf("--limits of a recorded run:\n%s", out)
	}
}
