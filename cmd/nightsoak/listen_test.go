package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate"
	"nightsoak/acquire/port"
	"nightsoak/drivers"
	"nightsoak/drivers/catalogue"
)

// meterAt is an emulated meter that says one figure at a line setting, five
// times a second.
func meterAt(t *testing.T, line, frame string) (link string, meter *emulate.Talker) {
	t.Helper()
	l, err := port.ParseLine(line)
	if err != nil {
		t.Fatal(err)
	}
	link = filepath.Join(t.TempDir(), "k1")
	if meter, err = emulate.Talk(link, l, 200*time.Millisecond, []byte(frame)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { meter.Close() })
	return link, meter
}

const (
	fs9721Frame  = "\x17\x27\x3D\x41\x5F\x67\x7F\x8D\x9B\xA0\xB8\xC0\xD4\xE0" // 38.2 mV
	es51922Frame = "403820;000:0\r\n"                                         // 38.20 mV
)

// What is recognised is said with the lines for the bench file, and those are a
// valid [[meter]].
func TestListenSaysWhatToPaste(t *testing.T) {
	t.Parallel()
	link, meter := meterAt(t, "19200 7O1", es51922Frame)
	out := must(t, "listen", link, "--count", "1")
	told, rest, _ := strings.Cut(out, ". For the bench file:\n\n")
	if !strings.HasPrefix(told, "recognised in ") || !strings.HasSuffix(told, " s: es51922 at 19200 7O1, over 99 % sure") {
		t.Errorf("told %q", told)
	}
	paste, reading, _ := strings.Cut(rest, "\n\n")
	if !strings.Contains(reading, "38.20 mV") {
		t.Errorf("then %q", reading)
	}
	b, err := bench.Parse("pasted", []byte("name = \"north\"\n\n"+paste+"\n"))
	if err != nil {
		t.Fatalf("%v\nin\n%s", err, paste)
	}
	if m := b.Meters[0]; m.Name != "k1" || m.Port != link || m.Format.Name != "es51922" || m.Line != "19200 7O1" {
		t.Errorf("pasted %+v", m)
	}
	if strings.Contains(paste, "line") {
		t.Errorf("the format's own line needs no key:\n%s", paste)
	}
	if got := meter.Got(); len(got) > 0 {
		t.Errorf("sent %q to a meter that talks", got)
	}
}

// With --json the first line has it, and a bench file gives the next free name.
func TestListenJSON(t *testing.T) {
	t.Parallel()
	link, _ := meterAt(t, "9600 8N1", fs9721Frame) // not the speed it usually has
	file := benchFile(t, `name = "north"
[[meter]]
name = "k1"
port = "/dev/ttyUSB7"
format = "fs9721"
[cutoff]
by = "line"
port = "/dev/ttyUSB9"
when = ["runaway"]
`)
	out := must(t, "listen", link, "--json", "--count", "1", "--bench", file)
	first, second, _ := strings.Cut(out, "\n")
	var r struct {
		Recognised, Line, Meter string
		Confidence, Seconds     float64
	}
	if err := json.Unmarshal([]byte(first), &r); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if r.Recognised != "fs9721" || r.Line != "9600 8N1" || r.Confidence < 0.99 || r.Confidence >= 1 || !(r.Seconds > 0 && r.Seconds < 10) {
		t.Errorf("first %+v", r)
	}
	if want := fmt.Sprintf("[[meter]]\nname   = \"k2\"\nport   = %q\nformat = \"fs9721\"\nline   = \"9600 8N1\"\n", link); r.Meter != want {
		t.Errorf("to paste:\n%swant\n%s", r.Meter, want)
	}
	if !strings.Contains(second, `"reading":"38.2","unit":"mV"`) {
		t.Errorf("then %q", second)
	}
}

func benchFile(t *testing.T, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// The cut-off's port is not opened, under whatever name.
func TestListenLeavesTheCutoffAlone(t *testing.T) {
	t.Parallel()
	link, meter := meterAt(t, "2400 8N1", fs9721Frame)
	other := filepath.Join(t.TempDir(), "contactor")
	if err := os.Symlink(link, other); err != nil {
		t.Fatal(err)
	}
	file := benchFile(t, fmt.Sprintf("name = \"north\"\n[[meter]]\nname = \"k1\"\nport = \"/dev/ttyUSB7\"\nformat = \"fs9721\"\n[cutoff]\nby = \"line\"\nport = %q\nwhen = [\"runaway\"]\n", other))
	real, err := filepath.EvalSymlinks(link)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{other, link, real} {
		out, msg, code := nightsoak(t, "listen", name, "--bench", file, "--format", "fs9721", "--count", "1")
		want := fmt.Sprintf("nightsoak: %s: this port drives the cut-off of %s: opening it could drop the mains or hold them, so it is left alone\n", name, file)
		if code != exitUsage || msg != want || out != "" {
			t.Errorf("status %d, %q %q, want %q", code, out, msg, want)
		}
	}
	if got := meter.Got(); len(got) > 0 {
		t.Errorf("sent %q", got)
	}
	_, msg, code := nightsoak(t, "listen", link, "--bench", filepath.Join(t.TempDir(), "none.toml"))
	if code != exitUsage || !strings.Contains(msg, "none.toml") {
		t.Errorf("no bench file: status %d, %s", code, msg)
	}
}

// A wrong line setting ends with the right one named, and status 3.
func TestListenNamesTheLine(t *testing.T) {
	t.Parallel()
	link, _ := meterAt(t, "19200 7O1", es51922Frame)
	_, msg, code := nightsoak(t, "listen", link, "--format", "es51922", "--line", "2400 7O1")
	if code != exitNotSo || !strings.Contains(msg, link+": bytes arrive but no frame fits es51922 at 2400 7O1: seen ") || !strings.Contains(msg, ", best guess 19200 7O1\n") {
		t.Errorf("status %d, %s", code, msg)
	}
}

// What is found out about any format can be pasted; what cannot be found out by
// asking is named in a remark.
func TestMeterTOML(t *testing.T) {
	found := map[string]drivers.Settings{"modbus": {"address": "17"}}
	for _, f := range catalogue.All() {
		if f.NewDecoder != nil && f.Plain() == nil {
			continue // cannot be found out
		}
		g := acquire.Guess{Format: f, Line: "1200 7E2 dtr", Settings: found[f.Name]}
		paste := meterTOML("k1", `/dev/tty "odd\name`, g)
		_, missing, incomplete := strings.Cut(paste, "# still missing, and not to be found out by asking: ")
		b, err := bench.Parse("pasted", []byte("name = \"north\"\n"+paste))
		switch {
		case incomplete != (f.Name == "modbus"), incomplete != (err != nil):
			t.Errorf("%v, missing %q, in\n%s", err, missing, paste)
		case incomplete:
			key, _, _ := strings.Cut(missing, ":")
			if !strings.Contains(err.Error(), key) || !strings.Contains(paste, "\naddress = 17\n") {
				t.Errorf("%v, missing %q, in\n%s", err, missing, paste)
			}
		case b.Meters[0].Line != g.Line || b.Meters[0].Port != `/dev/tty "odd\name`:
			t.Errorf("pasted %+v", b.Meters[0])
		}
	}
}
