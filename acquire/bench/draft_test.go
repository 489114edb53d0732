package bench

import (
	"reflect"
	"strings"
	"testing"
)

var benchDraft = BenchDraft{Name: "north", DataDir: "/var/lib/x", Meters: []MeterDraft{
	{Name: "k1", Port: "/dev/ttyUSB0", Format: "fs9721", Accuracy: "0.5% + 3", SilentAfter: "8s"},
	{Name: "ht", Port: "tcp://192.0.2.7:5025", Format: "scpi", Scale: "1000", Keys: "function = VOLT:DC\nrange = 1000\n"},
}, Rest: "[panel]\nlisten = \"127.0.0.1:9000\""}

var jobDraft = JobDraft{Ticket: "R-1187", Amplifier: "four-tube bass head, 100 W <loud> & \"old\"", Bias: "fixed", IdleTarget: "65%", SoakFor: "10h", HTFuse: "0.5A",
	Sockets: []SocketDraft{
		{Name: "V5", Tube: "6L6GC", Half: "a", Meter: "k1", Ohms: "1", Tolerance: "1%", Plate: "ht"},
		{Name: "V6", Tube: "6L6GC", Half: "b", Meter: "k1", Ohms: "9.76", Roving: true, DateCode: "188-6"},
	},
	Watches: []WatchDraft{{"heater", "ht", "V", "5.67", "6.93"}}}

const benchText = `name     = "north"
data_dir = "/var/lib/x"

[[meter]]
name         = "k1"
port         = "/dev/ttyUSB0"
format       = "fs9721"
accuracy     = "0.5% + 3"
silent_after = "8s"

[[meter]]
name     = "ht"
port     = "tcp://192.0.2.7:5025"
format   = "scpi"
scale    = 1000
function = "VOLT:DC"
range    = 1000

# By hand from here on: the set-up page leaves what stands below as it is.

[panel]
listen = "127.0.0.1:9000"
`

const jobText = `ticket      = "R-1187"
amplifier   = "four-tube bass head, 100 W <loud> & \"old\""
bias        = "fixed"
idle_target = "65%"
soak_for    = "10h"
ht_fuse     = "0.5A"

[[socket]]
name  = "V5"
tube  = "6L6GC"
half  = "a"
sense = { meter = "k1", ohms = 1, tolerance = "1%" }
plate = { meter = "ht" }

[[socket]]
name      = "V6"
tube      = "6L6GC"
date_code = "188-6"
half      = "b"
sense     = { meter = "k1", ohms = 9.76, roving = true }

[[watch]]
name  = "heater"
meter = "ht"
unit  = "V"
low   = 5.67
high  = 6.93

# By hand from here on: the set-up page leaves what stands below as it is.
`

// A draft's text is what a person would write; read back, it is the draft.
func TestDraft(t *testing.T) {
	if got := benchDraft.Text(); got != benchText {
		t.Errorf("bench file:\n%s\nwant\n%s", got, benchText)
	}
	if got := jobDraft.Text(); got != jobText {
		t.Errorf("job file:\n%s\nwant\n%s", got, jobText)
	}
	if got, ok := DraftBench(benchText); !ok || !reflect.DeepEqual(got, benchDraft) {
		t.Errorf("read back: %v %+v", ok, got)
	}
	if got, ok := DraftJob(jobText); !ok || !reflect.DeepEqual(got, jobDraft) {
		t.Errorf("read back: %v %+v", ok, got)
	}
	b, err := Parse("bench.toml", []byte(benchText))
	if err != nil {
		t.Fatal(err)
	}
	if b.Meters[1].Settings["range"] != "1000" || b.Panel.Listen != "127.0.0.1:9000" {
		t.Errorf("parsed as %+v", b)
	}
	one := jobDraft
	one.Sockets, one.Watches = one.Sockets[:1], nil
	if j, err := ParseJob("job.toml", []byte(one.Text()), b); err != nil || j.Sockets[0].Sense.Tolerance != 0.01 || j.HTFuse != 0.5 {
		t.Errorf("parsed as %+v, %v", j, err)
	}
}

// What a person typed reaches the file as they meant it, and never as more than one value.
func TestDraftTakesWhatWasTyped(t *testing.T) {
	d := JobDraft{IdleTarget: " 65 ", SoakFor: "10", HTFuse: "0.5", Sockets: []SocketDraft{{Ohms: "1,5", Tolerance: "1", SharedBy: "many"}}, Ticket: "a\nb = 1\n[[x]]"}
	for _, want := range []string{`idle_target = "65%"`, `soak_for    = "10h"`, `ht_fuse     = "0.5A"`, `{ ohms = 1.5, tolerance = "1%", shared_by = "many" }`, `ticket      = "a\nb = 1\n[[x]]"`} {
		if !strings.Contains(d.Text(), want) {
			t.Errorf("no %s in\n%s", want, d.Text())
		}
	}
	m := MeterDraft{Name: "k1", Keys: "nonsense\nname = k2\nfunction=\"VOLT:DC\""}
	if got := m.Text(); strings.Count(got, "\nname") != 1 || !strings.Contains(got, "what_is_this = \"name = k2\"") || !strings.Contains(got, `function     = "VOLT:DC"`) {
		t.Errorf("keys came out as\n%s", got)
	}
}

// A file that says more than a draft, or says it otherwise, is no draft's: the
// page then shows it as text instead of losing any of it.
func TestDraftLosesNothing(t *testing.T) {
	for name, change := range map[string]func(string) string{
		"a comment": func(s string) string { return "# mine\n" + s },
		"another order": func(s string) string {
			return strings.Replace(s, "format       = \"fs9721\"\naccuracy     = \"0.5% + 3\"", "accuracy     = \"0.5% + 3\"\nformat       = \"fs9721\"", 1)
		},
		"a further key": func(s string) string { return strings.Replace(s, "silent_after", "every = \"1s\"\nsilent_after", 1) },
		"a table above": func(s string) string {
			return strings.Replace(s, "[[meter]]", "[record]\nkeep_for = \"30d\"\n\n[[meter]]", 1)
		},
		"spaced":         func(s string) string { return strings.Replace(s, "= 1000", "=  1000", 1) },
		"no mark":        func(s string) string { return strings.Replace(s, Mark, "", 1) },
		"broken":         func(s string) string { return "[" + s },
		"a list as text": func(s string) string { return strings.Replace(s, `"fs9721"`, `["fs9721"]`, 1) },
	} {
		if _, ok := DraftBench(change(benchText)); ok {
			t.Errorf("%s: taken for a draft", name)
		}
	}
	if d, ok := DraftBench(strings.Replace(benchText, "9000", "9001", 1)); !ok || !strings.Contains(d.Text(), "9001") {
		t.Error("a change below the mark is not the form's business")
	}
}

func FuzzDraft(f *testing.F) {
	f.Add(benchText)
	f.Add(jobText)
	f.Fuzz(func(t *testing.T, text string) {
		if d, ok := DraftBench(text); ok && d.Text() != text {
			t.Error("a bench draft that says otherwise")
		}
		if d, ok := DraftJob(text); ok && d.Text() != text {
			t.Error("a job draft that says otherwise")
		}
		d := JobDraft{Ticket: text, Sockets: []SocketDraft{{Ohms: text, Meter: text}}}
		if got, ok := DraftJob(d.Text()); ok && got.Ticket != strings.TrimSpace(text) {
			t.Errorf("%q came back as %q", text, got.Ticket)
		}
	})
}
