package bench

import (
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// benchWith is a bench file with these meters, each on a port of its own.
func benchWith(names string) string {
	text := "name = \"north\"\n"
	for i, name := range strings.Fields(names) {
		text += fmt.Sprintf("[[meter]]\nname = %q\n", name)
		switch name {
		case "ht":
			text += "port = \"tcp://192.0.2.7:5025\"\nformat = \"scpi\"\nfunction = \"VOLT:DC\"\nscale = 1000\n"
		case "h1":
			text += "port = \"rfc2217://192.0.2.7:2217\"\nformat = \"fs9721\"\n"
		default:
			text += fmt.Sprintf("port = \"/dev/serial/by-path/pci-0000:00:14.0-usb-0:3.%d:1.0-port0\"\nformat = \"es51922\"\n", i+1)
		}
	}
	return text
}

// amplifiers are the sheets that are goldens: the job files stand beside them.
var amplifiers = []struct{ name, bench string }{
	{"two-EL84-one-resistor", benchWith("k1 k2 ht h1")},
	{"two-EL34-transformer-drop", benchWith("k1 k2 ht") + "[cutoff]\nby = \"line\"\nport = \"/dev/ttyUSB9\"\nwhen = [\"runaway\"]\n[[notify]]\ncommand = [\"ring\"]\n"},
	{"one-6V6GT-single-ended", benchWith("k1 ht")},
	{"six-6550", benchWith("k1 k2 ht")},
	{"one-300B-single-ended", benchWith("k1 vk ht h1")},
	{"one-probe-roving", benchWith("k1 ht h1")},
	{"four-KT88-screens-measured", benchWith("k1 k2 k3 k4 s1 s2 s3 s4 g2 ht")},
	{"four-6L6GC", ""}, // the demo's, what the README shows
}

func amplifier(t *testing.T, name, bench string) (*Bench, *Job) {
	t.Helper()
	path, text := "testdata/wiring/"+name+".toml", []byte(bench)
	if bench == "" {
		path, text = "../../testdata/demo/job.toml", read(t, "../../testdata/demo/bench.toml")
	}
	b, err := Parse("bench.toml", text)
	if err != nil {
		t.Fatal(err)
	}
	j, err := LoadJob(path, b)
	if err != nil {
		t.Fatal(err)
	}
	return b, j
}

// Each amplifier's sheet is a golden, read through by hand when it changes.
func TestWiring(t *testing.T) {
	for _, a := range amplifiers {
		t.Run(a.name, func(t *testing.T) {
			b, j := amplifier(t, a.name, a.bench)
			golden(t, "testdata/wiring/"+a.name+".txt", sheetFits(t, b, j))
		})
	}
	b, err := Parse("bench.toml", []byte(benchWith("k1 ht h1")))
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "testdata/wiring/no-job.txt", sheetFits(t, b, nil))
	jobs, err := filepath.Glob("testdata/wiring/*.toml")
	if err != nil || len(jobs) != len(amplifiers)-1 {
		t.Errorf("%d job files, %v, for %d amplifiers and the demo's", len(jobs), err, len(amplifiers)-1)
	}
}

// pinsNeeded is what a hand at each socket must find named, typed from the basing
// diagrams apart from the handbook: EL34 8EP, EL84 9CV, 6L6GC and 6V6GT 7AC as
// transcribed, 300B as its maker's sheet labels it, 6550 and KT88 from memory.
var pinsNeeded = map[string]string{
	"EL34":  "plate 3, cathode 8, screen 4, grid 5, suppressor 1",
	"EL84":  "plate 7, cathode 3, screen 9, grid 2",
	"6L6GC": "plate 3, cathode 8, screen 4, grid 5",
	"6V6GT": "plate 3, cathode 8, screen 4, grid 5",
	"6550":  "plate 3, cathode 8, screen 4, grid 5",
	"KT88":  "plate 3, cathode 8, screen 4, grid 5",
	"300B":  "plate 2, filament 1, 4, grid 3",
}

// A golden is easily renewed with a caution lost. What each sheet must carry is
// therefore told a second time here, apart from the sheet's own conditions.
func TestEverySheetCarriesItsCautions(t *testing.T) {
	always := func(*Socket) bool { return true }
	byResistor := func(k *Socket) bool { return k.Sense.Ohms > 0 }
	byTransformer := func(k *Socket) bool { return k.Sense.TransformerOhms > 0 }
	floating := func(k *Socket) bool { return byTransformer(k) || k.ScreenMeter >= 0 }
	filament := func(k *Socket) bool { return k.Tube.Name == "300B" || k.Tube.Name == "2A3" }
	roving := func(k *Socket) bool { return k.Sense.Roving }
	// The head of a sheet carries it if any socket needs it.
	head := []struct {
		needs func(*Socket) bool
		text  string
	}{
		{always, "capacitors hold them long after it is switched off and unplugged. They kill."},
		{always, "only with HT off, the mains plug out and every capacitor proved dead"},
		{always, "is not a safety device and replaces no fuse and no person"},
		{always, "It never says that anything may be touched."},
		{always, "Local codes, and licensed practice where it is asked for, come before this sheet."},
		{always, "earth their common through the data lead: use isolated links"},
		{always, "The dummy load is on the output before HT comes up"},
		{always, "IEC 61010-1 (probes 61010-031) for at least CAT II 600 V, better CAT III 1000 V"}, // all have a plate meter
		{floating, "Some meters here stand at the full HT with BOTH leads."},
		{byResistor, "its cathode can rise to tens or hundreds of volts: a clamp across each resistor"},
		{byResistor, "a fused lead, and a meter and leads that bear the full HT"},
		{byResistor, "usual practice and no rule: what is fitted, and how it is rated, is for licensed practice to say"},
		{filament, "heater supply floats on top of the sense resistor, and so does any meter across it"},
		{roving, "HT off and everything proved dead before every move."},
	}
	// Each socket carries its own, and none that is not its own.
	own := []struct {
		needs func(*Socket) bool
		text  string
	}{
		{func(k *Socket) bool { return k.Tube.Name == "EL34" }, "link pin 1 (suppressor) to pin 8 (cathode), "},
		{func(k *Socket) bool { return k.Tube.Name == "EL34" && byResistor(k) }, "both above the sense resistor, neither on chassis"},
		{floating, "BOTH LEADS, THE METER AND ALL THAT IS WIRED TO IT STAND AT THE FULL HT."},
		{floating, "nothing earthed on it, on an insulator and out of reach. Nobody touches meter, leads or link while HT is up."},
		{byTransformer, "Why: the primary lies between the HT supply and the plate."},
		{byTransformer, "with signal the plate end swings to about twice that. Battery powered, rated for that"},
		{func(k *Socket) bool { return k.ScreenMeter >= 0 }, "Why: the screen resistor hangs on the screen supply"},
		{filament, "never to a filament pin: heater volts would be in the reading"},
		{filament, "it feeds nothing else, and its centre tap, hum balance or return goes to its resistor and nowhere else"},
		{filament, "the centre tap (or return) of the filament of V# - lead chassis"},
		{func(k *Socket) bool { return k.Tube.Name == "EL84" }, "pin 3 of V# (cathode)"},
		{func(k *Socket) bool { return byResistor(k) && k.Tube.Base[:5] == "octal" }, "pin 8 of V# (cathode)"},
		{byTransformer, "- lead pin 3 of V# (plate)"},
		{func(k *Socket) bool { return k.ScreenMeter >= 0 }, "- lead pin 4 of V# (screen)"},
	}
	for _, a := range amplifiers {
		t.Run(a.name, func(t *testing.T) {
			b, j := amplifier(t, a.name, a.bench)
			top, sections := sections(sheetFits(t, b, j))
			some := func(is func(*Socket) bool) (found bool) {
				for i := range j.Sockets {
					found = found || is(&j.Sockets[i])
				}
				return found
			}
			for _, c := range head {
				if strings.Contains(top, c.text) != some(c.needs) {
					t.Errorf("the head has, or lacks, %q", c.text)
				}
			}
			clamped := map[int]bool{} // by sense meter
			for i := range j.Sockets {
				k := &j.Sockets[i]
				text := sections[k.Name]
				if pins := pinsNeeded[k.Tube.Name]; pins == "" || !strings.Contains(text, ": "+pins+" ") {
					t.Errorf("%s, a %s, does not name its pins %q", k.Name, k.Tube.Name, pins)
				}
				for _, c := range own {
					if phrase := strings.ReplaceAll(c.text, "V#", k.Name); strings.Contains(text, phrase) != c.needs(k) {
						t.Errorf("%s has, or lacks, %q", k.Name, phrase)
					}
				}
				// One clamp for each resistor: one that is shared has it at its first socket.
				needs := byResistor(k) && (k.Sense.SharedBy == 1 || !clamped[k.Sense.Meter])
				if got := strings.Contains(text, "clamp across the sense resistor of "+k.Name); got != needs {
					t.Errorf("%s: clamp %v, want %v", k.Name, got, needs)
				}
				clamped[k.Sense.Meter] = true
				if k.Sense.SharedBy > 1 && !needs && !strings.Contains(text, " goes to the same ") {
					t.Errorf("%s does not say which resistor it goes to", k.Name)
				}
				if h := k.Tube.ScreenShareHigh; h > 0 && i == 0 && !strings.Contains(text, "of the cathode current; shown here, never applied)") {
					t.Errorf("%s does not show the handbook's screen share", k.Name)
				}
				counts := byResistor(k) && k.ScreenMeter < 0 && k.ScreenShare == 0 && k.Tube.ScreenPin != ""
				if i == 0 && strings.Contains(text, "the plate dissipates at most what is shown") != counts {
					t.Errorf("%s: screen current counts as plate current: %v; the sheet says otherwise", k.Name, counts)
				}
				if roving(k) && !strings.Contains(text, "the probe starts here") && !strings.Contains(text, "HT off, capacitors proved dead, and then: nightsoak move ") {
					t.Errorf("%s does not say how the probe comes here", k.Name)
				}
			}
		})
	}
}

// sections cuts a sheet into its head and its sockets' sections by name, each as
// one line, so that a phrase is found across line ends.
func sections(sheet string) (head string, of map[string]string) {
	title := regexp.MustCompile(`(?m)^([^\s:][^:\n]*).*\n-{80}\n`)
	oneLine := func(s string) string {
		s = strings.ReplaceAll(s, "\n      !! ", " ")
		return strings.Join(strings.Fields(s), " ") + " "
	}
	of = map[string]string{}
	ends := append(title.FindAllStringSubmatchIndex(sheet, -1), []int{len(sheet)})
	for i, at := range ends[:len(ends)-1] {
		of[sheet[at[2]:at[3]]] = oneLine(sheet[at[1]:ends[i+1][0]])
	}
	return oneLine(sheet[:ends[1][0]]), of
}

// A clamp must let nothing through at any reading, and must let the cathode rise
// to where sense-open is raised.
func TestClamp(t *testing.T) {
	for _, c := range []struct {
		bias, sense, want string
	}{
		{"fixed", "ohms = 1.0", "two silicon power diodes in series"},                // 62.5 mV at the limit
		{"fixed", "ohms = 2.7", "three silicon power diodes in series"},              // 169 mV: 0.84 V at sense-open
		{"fixed", "ohms = 1.0, shared_by = 2", "two silicon power diodes in series"}, // 125 mV
		{"fixed", "ohms = 10", "a power zener, band away from chassis, of more than 3.12 V"},
		{"cathode", "ohms = 1.0", "two silicon power diodes in series"},
		{"cathode", "ohms = 1.0", "+ lead where the two resistors meet"},
		{"cathode", "ohms = 1.0", "the cathode-bias resistor's volts count as plate volts"},
		{"cathode", "ohms = 470", "fewer than the bypass capacitor bears"},
	} {
		text := "ticket = \"R-1187\"\nbias = \"" + c.bias + "\"\n"
		for _, name := range []string{"V5", "V6"}[:1+strings.Count(c.sense, "shared")] {
			text += "[[socket]]\nname = \"" + name + "\"\ntube = \"EL34\"\nsense = { meter = \"k1\", " + c.sense + " }\n"
		}
		b := wrongBench(t)
		j, err := ParseJob("job.toml", []byte(text), b)
		if err != nil {
			t.Fatal(err)
		}
		if _, of := sections(sheetFits(t, b, j)); !strings.Contains(of["V5"], c.want) {
			t.Errorf("%s bias, %s: no %q in\n%s", c.bias, c.sense, c.want, of["V5"])
		}
	}
}

// What the eight amplifiers have not.
func TestWiringSays(t *testing.T) {
	for _, c := range []struct{ socket, want string }{
		{`tube = "EL34"
sense = { meter = "k1", transformer_ohms = 38.2, isolated = true }`, "0.4 % for each kelvin screen"},
		{`tube = "807-like"
max_plate_watts = 25
sense = { meter = "k1", ohms = 1 }`, "pins not in the handbook: take them from the maker's sheet"},
		{`tube = "807-like"
max_plate_watts = 25
sense = { meter = "k1", ohms = 1 }
cathode = { meter = "k2" }`, "+ lead the cathode of V5 - lead chassis set to DC volts"},
		{`tube = "EL34"
max_plate_watts = 27.5
sheet = "the maker's sheet, driven"
sense = { meter = "k1", ohms = 1 }`, "27.5 W plate dissipation, from the maker's sheet, driven; the handbook says 25 W"},
		{`tube = "807"
sense = { meter = "k1", transformer_ohms = 60, isolated = true }`, "- lead the top cap of V5 (plate)"},
		{`tube = "6973"
sense = { meter = "k1", ohms = 1 }
screen = { meter = "k2", ohms = 100 }`, "- lead pins 1, 8 of V5 (screen) set to DC volts reads 1 V for each 10.0 mA"},
		{`tube = "2A3"
sense = { meter = "k1", ohms = 10 }`, "+ lead the centre tap (or return) of the filament of V5 - lead chassis"},
	} {
		b := wrongBench(t)
		j, err := ParseJob("job.toml", []byte("ticket = \"R-1187\"\n[[socket]]\nname = \"V5\"\n"+c.socket), b)
		if err != nil {
			t.Fatal(err)
		}
		if _, of := sections(sheetFits(t, b, j)); !strings.Contains(of["V5"], c.want) {
			t.Errorf("no %q in\n%s", c.want, of["V5"])
		} else if !strings.Contains(of["ALARMS"], "no plate meter at all: supply and plate-lead cannot work") {
			t.Errorf("a job without a plate meter says\n%s", of["ALARMS"])
		}
	}
}

// The trade's idle points: a 25 W tube at 460 V draws 38 mA at 70 %, 35 mA at
// 65 % and 32 to 33 mA at 60 % (common practice, no source).
func TestIdlePoints(t *testing.T) {
	s := &sheet{}
	k := &Socket{Limit: 25, Sense: Sense{Ohms: 1, SharedBy: 1}}
	for _, c := range []struct{ ratio, low, high float64 }{{0.70, 37.5, 38.5}, {0.65, 34.5, 35.5}, {0.60, 32, 33}} {
		if i := 1000 * s.current(k, c.ratio, 460); i < c.low || i > c.high {
			t.Errorf("%g of 25 W at 460 V: %g mA", c.ratio, i)
		}
	}
	// Mullard EL34 in class A: 250 V, 100 mA plate and 14.9 mA screen current is 25.0 W.
	k.ScreenShare = 14.9 / 114.9
	if i := 1000 * s.current(k, 1, 250); i < 114.8 || i > 115 {
		t.Errorf("EL34 at its limit: cathode current %g mA, not 114.9", i)
	}
}

type broken struct{}

var errBroken = errors.New("paper jam")

func (broken) Write([]byte) (int, error) { return 0, errBroken }

func TestWiringSaysWhenItCannotWrite(t *testing.T) {
	if err := Wiring(broken{}, wrongBench(t), nil); !errors.Is(err, errBroken) {
		t.Errorf("got %v", err)
	}
}
