package main

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"nightsoak/acquire/socket"
)

// here runs a command that needs no daemon in this process.
func here(args ...string) (out, errOut string, code int) {
	var o, e bytes.Buffer
	code = run(args, &o, &e)
	return o.String(), e.String(), code
}

// By hand, for 38.0 mV ± (0.5 % + 3 counts of 0.1 mV), 1 ohm ± 1 % and 460 V ±
// (0.5 % + 3 counts of 1 V), 25 W: standard uncertainties 0.28437 mV with the
// last digit, 5.7735 mohm and 3.0735 V; parts of the ratio 0.5232, 0.4037 and
// 0.4672 %; together 0.8092 %.
func TestBiasBudget(t *testing.T) {
	args := []string{"bias", "--tube", "6CA7", "--plate-volts", "460", "--percent", "70", "--budget"}
	out, errOut, code := here(append(args, "--json")...)
	var got struct {
		Targets []struct{ Budget *socket.Budget }
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil || code != 0 || len(got.Targets) != 1 || got.Targets[0].Budget == nil {
		t.Fatalf("status %d, %v: %s%s", code, err, out, errOut)
	}
	b := got.Targets[0].Budget
	near := func(what string, got, want float64) {
		if math.Abs(got/want-1) > 2e-4 {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	if len(b.Lines) != 3 || b.Coverage != 2 {
		t.Fatalf("%+v", b)
	}
	for i, want := range [][2]float64{{0.28437e-3, 0.0052315}, {5.7735e-3, 0.0040365}, {3.0735, 0.0046718}} {
		near(b.Lines[i].Input, b.Lines[i].Uncertainty, want[0])
		near(b.Lines[i].Input, b.Lines[i].Contribution, want[1])
	}
	near("combined", b.U, 0.0080925)
	near("expanded", b.Expanded, 0.016185)

	for _, c := range []struct {
		more []string
		want []string
	}{
		{nil, []string{"Uncertainty budget at 69.91 % of the limit", "sense meter ", "sense resistor ", "plate meter ", "460 V", "combined 0.81 %, expanded ±1.6 %", "k = 2"}},
		{[]string{"--sense-digit", "1mV"}, []string{"0.038 V", "sense meter outweighs", "k = 0.95·√3 = 1.65"}},
		{[]string{"--tolerance", "10%"}, []string{"sense resistor outweighs"}},
		{[]string{"--plate-accuracy", "10% + 0"}, []string{"plate meter outweighs"}},
		{[]string{"--accuracy", "0% + 2", "--plate-digit", "0.1 V"}, []string{"460 V", "k = "}},
	} {
		out, errOut, code := here(append(args, c.more...)...)
		for _, w := range c.want {
			if code != 0 || !strings.Contains(out, w) {
				t.Errorf("%v: status %d, want %q in:\n%s%s", c.more, code, w, out, errOut)
			}
		}
	}
	for _, c := range []struct{ flag, value, want string }{
		{"--tolerance", "5", "must be a percentage"}, {"--tolerance", "0%", "above 0"}, {"--tolerance", "nan%", "must be a percentage"},
		{"--accuracy", "0.5%", "counts of the last digit"}, {"--accuracy", "nan% + 3", "counts of the last digit"}, {"--accuracy", "0.5% + 3 x", "counts of the last digit"},
		{"--plate-accuracy", "0.5 + 3", "counts of the last digit"},
		{"--sense-digit", "0.1", "one count"}, {"--sense-digit", "2 mV", "one count"}, {"--sense-digit", "1 mA", "one count"}, {"--sense-digit", "1 kohm", "one count"},
		{"--plate-digit", "1 kV", "choose finer ones"}, {"--sense-digit", "100 mV", "one count"}, {"--sense-digit", "OL mV", "one count"},
	} {
		_, errOut, code := here(append(args, c.flag, c.value)...)
		if code != exitUsage || !strings.Contains(errOut, c.want) || strings.Count(errOut, "\n") != 1 {
			t.Errorf("%s %q: status %d, %s", c.flag, c.value, code, errOut)
		}
	}
}

// What the handbook says of a type, plainly: every set, and on what mark.
func TestTubesShowsEverySource(t *testing.T) {
	for _, c := range []struct {
		name string
		want []string
	}{
		{"6V6GT", []string{"12 W, design-centre", "14 W, design-maximum (from-memory)", "13.2 W, maker's limits", "GE 6V6-GT, ET-T914, March 1955 (transcribed)",
			"100 kΩ at most\n", "500 kΩ at most (from-memory)", "6.3 V (secondary), 0.45 A (secondary)", "octal 7AC: plate 3, cathode 8, screen 4, grid 5", "3.5 to 9 % of the cathode current"}},
		{"6BQ5", []string{"EL84, 6BQ5\n", "12 W, design-centre"}},
		{"300B", []string{"screen none", "250 kΩ at most (from-memory)", "by Western Electric"}},
		{"845", []string{"jumbo 4-pin bayonet: pins not known", "75 W", "100 W"}},
		{"EL360", []string{"not known: pins not known", "16 W", "18 W"}},
	} {
		out, errOut, code := here("tubes", c.name)
		for _, w := range c.want {
			if code != 0 || !strings.Contains(out, w) {
				t.Errorf("%s: status %d, want %q in:\n%s%s", c.name, code, w, out, errOut)
			}
		}
	}
	if _, errOut, code := here("tubes", "6V6"); code != exitUsage || !strings.Contains(errOut, "6V6GT") {
		t.Errorf("6V6: status %d, %s", code, errOut)
	}
}
