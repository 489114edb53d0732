package report

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/acquire/tube"
	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export/report/chart"
)

var update = flag.Bool("update", false, "write the goldens anew")

const whole = 10*time.Hour + 20*time.Minute

func write(t *testing.T, suffix string, d *Data) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, suffix, d); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestGoldens(t *testing.T) {
	hot, quiet := night(3*time.Hour, true), night(whole, false)
	for _, tt := range []struct {
		file string
		d    *Data
	}{{"runaway.html", hot}, {"runaway.json", hot}, {"runaway.svg", hot}, {"quiet.json", quiet}} {
		t.Run(tt.file, func(t *testing.T) {
			got := write(t, filepath.Ext(tt.file), tt.d)
			if again := write(t, filepath.Ext(tt.file), tt.d); got != again {
				t.Error("the same data twice give different bytes")
			}
			file := filepath.Join("testdata", tt.file)
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("the report differs from %s: look at both, then -update", file)
			}
		})
	}
}

func TestUnknownSuffixNamesTheKnown(t *testing.T) {
	for _, suffix := range []string{".docx", ".gif", ".zip", ".csv", "", "html"} {
		var b bytes.Buffer
		err := Write(&b, suffix, night(time.Hour, false))
		var se *SuffixError
		if !errors.As(err, &se) || se.Suffix != suffix || b.Len() != 0 {
			t.Errorf("%q: error %v with %d bytes written", suffix, err, b.Len())
			continue
		}
		for _, s := range append(slices.Clone(Suffixes), ".csv") {
			if !strings.Contains(err.Error(), s) {
				t.Errorf("%q: %v does not name %s", suffix, err, s)
			}
		}
	}
}

// alarm appends an alarm's course to d, one event a minute from 2 h on.
func alarm(d *Data, name, subject string, p alarms.Priority, states ...alarms.State) {
	for i, s := range states {
		d.Events = append(d.Events, alarms.Event{T: alarms.Seconds(2*time.Hour + time.Duration(i)*time.Minute), Event: alarms.EventAlarm,
			ID: name + "/" + subject, Alarm: name, Subject: subject, Priority: p, State: s, Text: "text", Advice: "advice"})
	}
}

// without removes the events that drop picks.
func without(d *Data, drop func(alarms.Event) bool) { d.Events = slices.DeleteFunc(d.Events, drop) }

func TestVerdict(t *testing.T) {
	tests := []struct {
		name     string
		change   func(d *Data)
		headline string
		beside   []string // the whole list; nil is none
	}{
		{"quiet night", func(*Data) {},
			"Settled and stayed within its limits for 10 h.", nil},
		{"shorter than asked", func(d *Data) { d.Job.SoakFor = 12 * time.Hour },
			"Settled and stayed within its limits for 10 h.", []string{"The soak asked for was 12 h; this one was 10 h."}},
		{"runaway", func(d *Data) {
			alarm(d, "runaway", "V7", alarms.High, alarms.Unacknowledged)
			alarm(d, "over-dissipation", "V7", alarms.High, alarms.Unacknowledged)
			alarm(d, "drift", "V6", alarms.Medium, alarms.Unacknowledged)
		}, "Runaway on V7, past its limit: see the alarms.", []string{"Also: drift on V6."}},
		{"runaway seen early", func(d *Data) { alarm(d, "runaway", "V7", alarms.High, alarms.Unacknowledged, alarms.Normal) },
			"Runaway on V7: see the alarms.", nil},
		{"cut for an alarm", func(d *Data) {
			without(d, func(e alarms.Event) bool { return e.T > alarms.Seconds(9*time.Hour) })
			alarm(d, "runaway", "V7", alarms.High, alarms.Unacknowledged)
			d.Events = append(d.Events, alarms.Event{T: alarms.Seconds(9 * time.Hour), Event: alarms.EventAct, Act: "cut", ID: "runaway/V7", Text: "V7 up 8 mA"},
				alarms.Event{T: alarms.Seconds(9*time.Hour + 12*time.Second), Event: alarms.EventPhase, Phase: alarms.CoolDown})
		}, "Runaway on V7: see the alarms.", []string{"The mains were told to drop at 9:00:00: runaway on V7. HT was under half of what it had been at 9:00:12.",
			"The soak asked for was 10 h; this one was 8 h 47 min."}},
		{"cut by a person, and HT stays", func(d *Data) {
			d.Events = append(d.Events, alarms.Event{T: alarms.Seconds(9 * time.Hour), Event: alarms.EventAct, Act: "cut", Text: "a person said: cut now"})
		}, "Settled and stayed within its limits for 10 h.", []string{"The mains were told to drop at 9:00:00: a person said: cut now. HT was not seen to fall after it."}},
		{"sense open", func(d *Data) { alarm(d, "sense-open", "V8", alarms.High, alarms.Unacknowledged) },
			"Sense resistor open on V8: see the alarms.", nil},
		{"drift", func(d *Data) {
			alarm(d, "drift", "V6", alarms.Medium, alarms.Unacknowledged, alarms.Returned, alarms.Normal)
		},
			"Drift on V6: see the alarms.", nil},
		{"low only", func(d *Data) { alarm(d, "imbalance", "north", alarms.Low, alarms.Unacknowledged, alarms.Normal) },
			"Settled and stayed within its limits for 10 h.", []string{"Worth knowing: halves out of balance."}},
		{"suppressed is not raised", func(d *Data) { alarm(d, "drift", "V6", alarms.Medium, alarms.Suppressed, alarms.Normal) },
			"Settled and stayed within its limits for 10 h.", nil},
		{"out of service", func(d *Data) { alarm(d, "runaway", "V6", alarms.High, alarms.OutOfService) },
			"Settled and stayed within its limits for 10 h.", []string{"Not watched for, at least for a time: runaway on V6."}},
		{"unknown alarm", func(d *Data) { alarm(d, "grid-emission", "V6", alarms.High, alarms.Unacknowledged) },
			"Grid emission on V6: see the alarms.", nil},
		{"meter silent", func(d *Data) { alarm(d, "meter-silent", "k4", alarms.Medium, alarms.Unacknowledged, alarms.Normal) },
			"Settled; within its limits as far as was seen, for 10 h. Not known throughout.",
			[]string{"Measuring was troubled: meter k4 silent. What happened meanwhile is not known."}},
		{"gap", func(d *Data) {
			from := alarms.Seconds(3 * time.Hour)
			d.Events = append(d.Events, alarms.Event{T: alarms.Seconds(4 * time.Hour), Event: alarms.EventGap, From: &from, Text: "no daemon"})
		}, "Settled; within its limits as far as was seen, for 9 h. Not known throughout.",
			[]string{"Nobody watched from 3:00 to 4:00 (1 h): what happened then is not known.",
				"The soak asked for was 10 h; this one was 9 h."}},
		{"never measured", func(d *Data) { d.Worst[1] = Worst{} },
			"Not known: the load on V6 was never measured.", nil},
		{"one not settled", func(d *Data) {
			without(d, func(e alarms.Event) bool { return e.Event == alarms.EventSettled && e.Socket == "V6" })
		}, "Not settled: V6 had not come to rest.", []string{"The soak asked for was 10 h; none was seen."}},
		{"adjusted since", func(d *Data) {
			d.Events = append(d.Events, alarms.Event{T: alarms.Seconds(5 * time.Hour), Event: alarms.EventAct, Act: "adjusted", Socket: "all"})
		}, "Not settled: V5, V6, V7 and V8 had not come to rest.", []string{"The soak asked for was 10 h; none was seen."}},
		{"a moment over", func(d *Data) { d.Worst[2] = Worst{Ratio: known(1.04, 0.01), T: 2 * time.Minute} },
			"Settled, but V7 passed its limit for a moment.", nil},
		{"too near to tell", func(d *Data) { d.Worst[2] = Worst{Ratio: known(0.99, 0.01), T: 2 * time.Minute} },
			"Settled and stayed within its limits for 10 h.",
			[]string{"At its worst V7 was so near its limit that the meters cannot tell which side it was on."}},
		{"no HT", func(d *Data) { d.Events = d.Events[:2] },
			"Not known: the high voltage was never seen to come up.", []string{"The soak asked for was 10 h; none was seen."}},
		{"unfinished", func(d *Data) { d.Ended = false },
			"Settled and stayed within its limits for 10 h.", []string{"The run is unfinished: this is how things stood at 10:20."}},
	}
	base := night(whole, false) // the series are the same for all
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d := *base
			job := *base.Job
			d.Job, d.Events, d.Worst = &job, slices.Clone(base.Events), slices.Clone(base.Worst)
			tt.change(&d)
			v := gather(&d).verdict()
			plain := func(s string) string { return strings.ReplaceAll(s, nbsp, " ") }
			if got := plain(v.Headline); got != tt.headline {
				t.Errorf("headline %q, want %q", got, tt.headline)
			}
			var beside []string
			for _, s := range v.Beside {
				beside = append(beside, plain(s))
			}
			if !slices.Equal(beside, tt.beside) {
				t.Errorf("beside %q, want %q", beside, tt.beside)
			}
			html := write(t, ".html", &d)
			if !strings.Contains(plain(html), ">"+tt.headline+"</h1>") {
				t.Error("the headline is not the page's")
			}
			if m := regexp.MustCompile(`(?i)[^ ]* [^ ]* \bsafe\b`).FindString(html); m != "" {
				t.Errorf("the page says %q", m)
			}
		})
	}
}

func TestAlarmsAreToldWhole(t *testing.T) {
	html := strings.ReplaceAll(write(t, ".html", night(3*time.Hour, true)), nbsp, " ")
	for _, want := range []string{
		"Runaway on V7", "high priority, over", "low priority, still standing at the end",
		"2:34:00 low, unacknowledged<br>2:36:00 medium, unacknowledged<br>2:41:00 high, unacknowledged<br>2:52:00 high, acknowledged<br>2:53:20 normal",
		"leaky coupling capacitor", "cover back on, fan off", "V7 at 152 % of its limit, 2 h 53 min into the run.",
		"63.0 ± 1.1 %", "40.9 ± 0.6 mA", "RCA 6L6-GC, DATA 1, August 1960", "half a 81.6 ± 0.8 mA, half b 82.6 ± 0.8 mA: difference -1.2 ± 1.4 % of their mean",
		"this probe read 41 V", "keep a charge", "no guarantee", "not a safety device", "licensed practice", "rules of the place",
		"0.5% &#43; 3", "36 000", "nightsoak 0.2.0", "settled at 462 ± 3 V; between 45",
	} {
		if !strings.Contains(html, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

func TestHTWords(t *testing.T) {
	for _, tt := range []struct {
		v       socket.Value
		charged *bool
		want    string
	}{
		{socket.Value{}, nil, "not being measured: take it as still charged."},
		{known(61, 1), new(true), "stood at 61 V: still charged."},
		{known(59, 1), new(true), "stood at 59 V: still charged."}, // not for 10 s yet
		{known(0, 1), nil, "its clip had come off: that proves nothing. Take the plate supply as still charged."},
		{known(3, 1), new(false), "this probe read 3 V. It proves one place only: prove every capacitor dead before touching."},
	} {
		f := gather(&Data{Final: alarms.Snapshot{HT: alarms.HTState{Volts: tt.v, Charged: tt.charged}}})
		if got := strings.ReplaceAll(f.htWords(), nbsp, " "); !strings.HasSuffix(got, tt.want) {
			t.Errorf("%+v: %q", tt.v, got)
		}
	}
}

func TestFigure(t *testing.T) {
	for _, tt := range []struct {
		v        socket.Value
		scale    float64
		decimals int
		want     string
	}{
		{socket.Value{}, 1, 1, "unknown"},
		{socket.Value{X: 5}, 1, 1, "unknown"},
		{known(math.NaN(), 0), 1, 1, "unknown"},
		{known(0.0412, 0), 1000, 1, "41.2 mA"},
		{known(0.0412, 0.0003), 1000, 1, "41.2 ± 0.6 mA"},
		{known(0.0412, 0.00001), 1000, 1, "41.20 ± 0.02 mA"},
		{known(0.0412, 1e-9), 1000, 1, "41.200 ± 0.001 mA"},
		{known(0, 0), 1000, 1, "0.0 mA"},
		{known(-0.00003, 0), 1000, 1, "0.0 mA"},
		{known(-0.0000003, 0.0003), 1000, 1, "0.0 ± 0.6 mA"},
	} {
		if got := strings.ReplaceAll(figure(tt.v, tt.scale, tt.decimals, "mA"), nbsp, " "); got != tt.want {
			t.Errorf("%+v: %q, want %q", tt.v, got, tt.want)
		}
	}
}

func TestJSONKeepsEventBytes(t *testing.T) {
	d := night(3*time.Hour, true)
	d.Events = append(d.Events, alarms.Event{T: alarms.Seconds(d.End), Event: alarms.EventAct, Act: "note", Text: "<b> & \u2028 \"ü\""})
	got := write(t, ".json", d)
	var events []string
	for i := range d.Events {
		b, err := json.Marshal(d.Events[i])
		if err != nil {
			t.Fatal(err)
		}
		events = append(events, string(b))
	}
	if want := "\"events\":[\n" + strings.Join(events, ",\n") + "\n]}\n"; !strings.HasSuffix(got, want) {
		t.Errorf("the events are not their own bytes:\n%s", got)
	}
	var r struct {
		Run struct {
			ID, Ticket, Bench, Started, Ended string
			T                                 float64
		}
		Sockets []struct {
			Name string
			L    float64 `json:"limit_w"`
			S    float64 `json:"settled_dissipation_ratio"`
			U    float64 `json:"settled_dissipation_ratio_u95"`
			W    float64 `json:"worst_t"`
		}
		Meters []struct {
			Name, Accuracy string
			Readings       uint64
		}
		Limits map[string]float64
		Events []map[string]any
	}
	if err := json.Unmarshal([]byte(got), &r); err != nil {
		t.Fatal(err)
	}
	if r.Run.ID != d.RunID || r.Run.Ticket != "R-1187" || r.Run.Bench != "north" || r.Run.T != 10800 ||
		r.Run.Started != "2026-11-24T21:04:00Z" || r.Run.Ended != "2026-11-25T00:04:00Z" {
		t.Errorf("run %+v", r.Run)
	}
	if len(r.Sockets) != 4 || r.Sockets[2].Name != "V7" || r.Sockets[2].L != 30 || math.Abs(r.Sockets[2].S-0.62986) > 1e-9 || math.Abs(r.Sockets[2].U-0.0108) > 1e-9 || r.Sockets[2].W != 10380 {
		t.Errorf("sockets %+v", r.Sockets)
	}
	if len(r.Meters) != 5 || r.Meters[0].Accuracy != "0.5% + 3" || r.Meters[4].Readings != 36004 {
		t.Errorf("meters %+v", r.Meters)
	}
	if r.Limits["settle_per_s"] != 300 || r.Limits["conduction_a"] != 0.002 || r.Limits["ht_up_v"] != 60 {
		t.Errorf("limits %v", r.Limits)
	}
	if len(r.Events) != len(d.Events) {
		t.Errorf("%d events, want %d", len(r.Events), len(d.Events))
	}
}

// A watch stands in the unit that the job gives it, its marks side by side.
func TestMarks(t *testing.T) {
	d := night(3*time.Hour, false)
	millivolts := func(tenths int64) drivers.Reading {
		return drivers.Reading{Digits: tenths, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.AC}
	}
	d.Job.Watches = []bench.Watch{{Name: "hum", Unit: "mV", Quantity: drivers.Voltage, Low: math.Inf(-1), High: 0.005}}
	d.Final.Watches = []alarms.WatchState{{Name: "hum", Value: socket.Value{X: 0.0009, Known: true}, Quantity: drivers.Voltage, Marks: []alarms.Mark{
		{T: 12 * time.Minute, Label: "before", Reading: millivolts(32)}, {T: 160 * time.Minute, Label: "after", Reading: millivolts(9)}}}}
	page := strings.ReplaceAll(write(t, ".html", d), nbsp, " ")
	for _, want := range []string{"last 0.90 mV; allowed up to 5 mV", "hum, before", "3.2 mV at 0:12", "hum, after", "0.9 mV at 2:40, -2.3 mV from before"} {
		if !strings.Contains(page, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
}

var tag = regexp.MustCompile(`</?[a-zA-Z!][^\s>]*`)

// TestHostileNamesAreInert lets every name and text be an attack, and wants
// the very same sequence of tags as with tame ones.
func TestHostileNamesAreInert(t *testing.T) {
	hostile := func(name string) *Data {
		d := night(3*time.Hour, true)
		d.RunID, d.SoftwareVersion, d.CoreVersion = name, name, name
		d.Bench.Name, d.Job.Ticket, d.Job.Amplifier, d.Job.Bias = name, name, name, name
		d.Job.Watches = []bench.Watch{{Name: name, Quantity: drivers.Voltage, Low: math.Inf(-1), High: 7}}
		for i := range d.Job.Sockets {
			d.Job.Sockets[i].Name, d.Job.Sockets[i].Sheet = name, name
			d.Job.Sockets[i].Tube = &tube.Type{Name: name}
		}
		for i := range d.Bench.Meters {
			d.Bench.Meters[i].Name, d.Bench.Meters[i].Format.Name, d.Final.Meters[i].State = name, name, name
		}
		for i := range d.Events {
			e := &d.Events[i]
			e.Text, e.Advice, e.Subject, e.Meter = name, name, name, name
			if e.Act != "" {
				e.Act = name
			}
			if e.Phase != "" {
				e.Phase = alarms.Phase(name)
			}
			if e.Alarm != "" {
				e.Alarm = name
			}
		}
		from := alarms.Seconds(time.Hour)
		d.Events = append(d.Events, alarms.Event{T: alarms.Seconds(2 * time.Hour), Event: alarms.EventGap, From: &from, Text: name})
		return d
	}
	for _, bad := range []string{
		`</style><script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `'--><svg/onload=alert(1)>`,
		"{{.Ticket}}", "]]></title><a href=javascript:alert(1)>", "a\x00b\u202ec\xff",
	} {
		for _, suffix := range []string{".html", ".svg"} {
			tame, got := write(t, suffix, hostile(strings.Repeat("x", len(bad)))), write(t, suffix, hostile(bad))
			if want, have := tag.FindAllString(tame, -1), tag.FindAllString(got, -1); !slices.Equal(want, have) {
				t.Errorf("%q changed the tags of %s", bad, suffix)
			}
		}
		if !json.Valid([]byte(write(t, ".json", hostile(bad)))) {
			t.Errorf("%q breaks the JSON", bad)
		}
	}
}

func TestPageAsksForNothing(t *testing.T) {
	html := write(t, ".html", night(3*time.Hour, true))
	rest := strings.ReplaceAll(html, `xmlns="http://www.w3.org/2000/svg"`, "")
	for _, bad := range []string{"<script", "http:", "https:", " src=", "@import", "url(", "<iframe", "<object"} {
		if strings.Contains(rest, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if got := regexp.MustCompile(`href="([^"]*)"`).FindAllStringSubmatch(rest, -1); len(got) != 1 || got[0][1] != "data:," {
		t.Errorf("links %q, want only the empty icon", got)
	}
}

func TestSVGIsXML(t *testing.T) {
	d := xml.NewDecoder(strings.NewReader(write(t, ".svg", night(3*time.Hour, true))))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// little are runs of which next to nothing is on record.
func little() map[string]*Data {
	sockets := night(time.Hour, false)
	sockets.Current, sockets.Ratio, sockets.HT, sockets.Worst = nil, nil, nil, nil
	sockets.Readings, sockets.Rejects, sockets.Final, sockets.Events = nil, nil, alarms.Snapshot{}, nil
	odd := &Data{Events: []alarms.Event{
		{Event: alarms.EventSettled, Socket: "nobody"}, {Event: alarms.EventGap}, {Event: "new", Text: "x"},
		{Event: alarms.EventAlarm, State: alarms.Normal}, {Event: alarms.EventPhase, Phase: alarms.Soak}, {Event: alarms.EventPort},
	}, HT: chart.NewSeries(2)}
	return map[string]*Data{"nothing": {}, "files only": sockets, "odd events": odd}
}

// TestLittleIsKnown writes reports of runs of which next to nothing is on record.
func TestLittleIsKnown(t *testing.T) {
	for name, d := range little() {
		for _, suffix := range Suffixes {
			got := write(t, suffix, d)
			if suffix == ".pdf" || suffix == ".png" { // not text: TestPDF reads their words
				continue
			}
			if strings.Contains(got, "NaN") || strings.Contains(got, "Inf") || strings.Contains(got, "(MISSING)") || strings.Contains(got, "%!") {
				t.Errorf("%s%s: something unprintable got in", name, suffix)
			}
			if suffix == ".html" && !strings.Contains(got, "Not known: the high voltage was never seen to come up.") {
				t.Errorf("%s: no honest headline", name)
			}
		}
	}
}

func TestCurrentIsDrawnWhereNoShareIsKnown(t *testing.T) {
	const share, current, supply = "Heat at each tube", "Cathode current of each tube", "Plate supply at its meter"
	d := night(time.Hour, false)
	shows := func(page, what string) bool { return strings.Contains(page, "<title>"+what) }
	pages := func() (front, back string) {
		front, back, _ = strings.Cut(write(t, ".html", d), `<section class="bench">`)
		return front, back
	}
	if front, back := pages(); !shows(front, share) || shows(front+back, current) || !shows(back, supply) {
		t.Error("every share known: want share on the owner's page, supply on the bench's, no current")
	}
	d.Ratio = slices.Clone(d.Ratio)
	d.Ratio[2] = nil
	if front, back := pages(); !shows(front, share) || !shows(back, current) {
		t.Error("one share unknown: want share on the owner's page, current on the bench's")
	}
	d.Ratio, d.HT, d.Worst = nil, nil, nil
	for i := range d.Events {
		d.Events[i].DissipationRatio = nil
	}
	front, back := pages()
	if shows(front, share) || !shows(front, current) || shows(back, supply) {
		t.Error("no share known: want current on the owner's page, no supply")
	}
	if want := "V5 at 41 mA, V6 at 40 mA, V7 at 41 mA and V8 at 42 mA, share of the limit unknown."; !strings.Contains(strings.ReplaceAll(front, nbsp, " "), want) {
		t.Errorf("the owner's page does not say %q", want)
	}
}

func TestFrontPageTellsTheGravest(t *testing.T) {
	d := night(whole, false)
	for i := range 20 {
		alarm(d, "drift", string(rune('A'+i)), alarms.Low, alarms.Unacknowledged, alarms.Normal)
	}
	alarm(d, "step", "V6", alarms.Medium, alarms.Unacknowledged)
	front, back, _ := strings.Cut(write(t, ".html", d), `<section class="bench">`)
	if n := strings.Count(front, "<li><span"); n != mostOnFront {
		t.Errorf("%d alarms on the owner's page, want %d", n, mostOnFront)
	}
	if !strings.Contains(front, "and 15 more of no greater importance") || !strings.Contains(front, "Sudden step on V6.") {
		t.Error("the owner's page hides the gravest, or that there are more")
	}
	if n := strings.Count(back, "<td>advice</td>"); n != 21 {
		t.Errorf("%d alarms on the bench's page, want 21", n)
	}
}

func TestLabelsSayTheLast(t *testing.T) {
	d := night(3*time.Hour, true)
	label := func() chart.Line { return gather(d).shareTrace(720, 300).Lines[2] }
	if l := label(); l.Note != "63"+nbsp+"%" || math.Abs(l.At-0.62986) > 1e-9 {
		t.Errorf("cooled down: %q at %v, want the settled 63 %%", l.Note, l.At)
	}
	without(d, func(e alarms.Event) bool { return e.Phase == alarms.CoolDown })
	d.Final.Sockets[2].DissipationRatio = known(1.52, 0.02)
	if l := label(); l.Note != "152"+nbsp+"%" || l.At != 0 {
		t.Errorf("stopped hot: %q at %v, want the last 152 %% at the line's end", l.Note, l.At)
	}
	d.Final.Sockets[2].DissipationRatio = socket.Value{}
	if l := label(); l.Note != unknown {
		t.Errorf("last not known: %q", l.Note)
	}
}

func TestFew(t *testing.T) {
	for want, in := range map[string][]string{
		"": nil, "a": {"a"}, "a and b": {"a", "b"}, "a, b, c, d and e": {"a", "b", "c", "d", "e"}, "a, b, c, d and 2 more": {"a", "b", "c", "d", "e", "f"},
	} {
		if got := few(in); got != want {
			t.Errorf("few(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestLongAndCount(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 s", 59 * time.Second: "59 s", 44*time.Minute + 59*time.Second: "44 min", time.Hour: "1 h",
		9*time.Hour + 58*time.Minute: "9 h 58 min", 168*time.Hour + 90*time.Second: "168 h 1 min",
	} {
		if got := strings.ReplaceAll(long(d), nbsp, " "); got != want {
			t.Errorf("long(%v) = %q, want %q", d, got, want)
		}
	}
	for n, want := range map[uint64]string{0: "0", 999: "999", 1000: "1 000", 1944000: "1 944 000"} {
		if got := strings.ReplaceAll(count(&n), nbsp, " "); got != want {
			t.Errorf("count(%d) = %q, want %q", n, got, want)
		}
	}
}
