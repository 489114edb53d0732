package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export/record"
)

// recordRun records a run of a minute in dir, judged by this core, and ends it.
func recordRun(t *testing.T, dir string, change func(*record.Info)) record.Info {
	t.Helper()
	s, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	b, err := bench.Parse("bench.toml", []byte(oneMeter))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", []byte(oneSocket), b)
	if err != nil {
		t.Fatal(err)
	}
	info := record.Info{Ticket: "R-1187", Bench: "north", Started: time.Date(2026, 11, 24, 22, 14, 53, 0, time.UTC), Meters: meterNames(b),
		BenchText: []byte(oneMeter), JobText: []byte(oneSocket), Core: alarms.Core, Software: "0.1.0", GOARCH: runtime.GOARCH}
	change(&info)
	if info, err = s.Begin(info); err != nil {
		t.Fatal(err)
	}
	w, err := s.Writer(info.ID, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	e := alarms.New(b, j)
	feed := func(in alarms.Input) {
		w.Put(record.Step{Inputs: []alarms.Input{in}, Events: e.Feed(in), T: e.Now()})
	}
	feed(alarms.Input{Act: &alarms.Act{Act: "begin"}})
	for i := range 60 {
		at := time.Duration(i+1) * time.Second
		feed(alarms.Input{T: at, Reading: drivers.Reading{Digits: int64(41 + i%2), Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC}})
		feed(alarms.Input{T: at, Meter: 1, Reading: drivers.Reading{Digits: 462, Quantity: drivers.Voltage, Flags: drivers.DC}})
	}
	feed(alarms.Input{T: time.Minute, Act: &alarms.Act{Act: "end"}})
	w.End(e.Now(), info.Started.Add(e.Now()))
	if err := w.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	return info
}

func TestVerify(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*record.Info)
		sql    string
		code   int
		says   string
	}{
		"whole":          {nil, "", 0, "byte for byte\nverified\n"},
		"event edited":   {nil, `update events set json = replace(json, 'warm-up', 'soak') where json like '%warm-up%'`, exitNotSo, "WRONG      event "},
		"event gone":     {nil, `delete from events where key = (select max(key) from events)`, exitNotSo, "events can be read"},
		"reading edited": {nil, `update blocks set lo = 40 where meter = 0`, exitNotSo, "meter k1 from t = 1.000 s to 60.000 s"},
		"job edited":     {nil, `update runs set job_text = cast(job_text || x'0a' as blob)`, exitNotSo, "SHA-256"},
		"other core":     {func(i *record.Info) { i.Core = "0" }, "", 0, "not compared: judged by core 0"},
		"other machine":  {func(i *record.Info) { i.GOARCH = "z80" }, "", 0, "not compared: judged on z80"},
		"no machine":     {func(i *record.Info) { i.GOARCH = "" }, "", 0, "not compared: the record does not say"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if c.change == nil {
				c.change = func(*record.Info) {}
			}
			recordRun(t, dir, c.change)
			if c.sql != "" {
				if _, err := query(t, dir).Exec(c.sql); err != nil {
					t.Fatal(err)
				}
			}
			out, errOut, code := here("verify", "R-1187", "--data", dir)
			if code != c.code || !strings.Contains(out, c.says) {
				t.Errorf("status %d, want %d and %q\n%s%s", code, c.code, c.says, out, errOut)
			}
		})
	}
	if out, errOut, code := here("verify", "R-9", "--data", t.TempDir()); code == 0 || !strings.Contains(errOut, "no record here") {
		t.Errorf("without a record: status %d\n%s%s", code, out, errOut)
	}
}

// A run leaves one machine as one file and is the same run on another.
func TestPackedRun(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	info := recordRun(t, from, func(*record.Info) {})
	packed := filepath.Join(t.TempDir(), "R-1187.zip")
	ok := func(args ...string) string {
		t.Helper()
		out, errOut, code := here(args...)
		if code != 0 {
			t.Fatalf("%v: status %d\n%s%s", args, code, out, errOut)
		}
		return out
	}
	ok("report", "R-1187", "--data", from, "--out", packed)
	if out := ok("verify", packed); !strings.Contains(out, "as they were packed") || !strings.Contains(out, "byte for byte") {
		t.Errorf("verify of the file says\n%s", out)
	}
	if out := ok("import", packed, "--data", to); !strings.HasPrefix(out, "run: "+info.ID+"\n120 readings, ") {
		t.Errorf("import says\n%s", out)
	}
	for _, args := range [][]string{{"verify", "R-1187"}, {"replay", "R-1187", "--json"}, {"runs", "--json"}} {
		if there, here := ok(append(args, "--data", to)...), ok(append(args, "--data", from)...); there != here {
			t.Errorf("%v says there\n%s\nand here\n%s", args, there, here)
		}
	}
	if _, errOut, code := here("import", packed, "--data", to); code != exitUsage || !strings.Contains(errOut, info.ID) {
		t.Errorf("imported again: status %d, %s", code, errOut)
	}
	b, err := os.ReadFile(packed)
	if err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(t.TempDir(), "bad.zip")
	if err := os.WriteFile(bad, b[:len(b)-1], 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		command string
		code    int
	}{{"import", exitUsage}, {"verify", exitNotSo}} {
		if _, errOut, code := here(c.command, bad, "--data", to); code != c.code || !strings.Contains(errOut, "packed") {
			t.Errorf("%s of a damaged file: status %d, %s", c.command, code, errOut)
		}
	}

	// A daemon may hold the record meanwhile.
	s, err := record.Open(to)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if out := ok("keep", "R-1187", "--data", to); out != "kept: "+info.ID+"\n" {
		t.Errorf("keep says %s", out)
	}
	if out := ok("runs", "--data", to); !strings.Contains(out, "kept") {
		t.Errorf("runs says\n%s", out)
	}
	if out := ok("keep", "--off", "R-1187", "--data", to); !strings.Contains(out, "no longer") {
		t.Errorf("keep --off says %s", out)
	}
	if _, errOut, code := here("keep", "R-9", "--data", to); code != exitUsage || !strings.Contains(errOut, "R-9") {
		t.Errorf("keep of no run: status %d, %s", code, errOut)
	}
}

// A record of the first version still opens, replays, reports and verifies.
func TestFirstVersion(t *testing.T) {
	b, err := os.ReadFile("../../export/record/testdata/v1/nightsoak.db")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "nightsoak.db"), b, 0o644); err != nil {
		t.Fatal(err)
	}
	const run = "R-1187-20261128T031339Z"
	for i := range 2 { // as it is, and once a daemon has brought it up to date
		for _, args := range [][]string{
			{"replay", run, "--json"}, {"verify", run},
			{"report", run, "--out", filepath.Join(dir, fmt.Sprint(i, ".html"))},
			{"report", run, "--out", filepath.Join(dir, fmt.Sprint(i, ".csv"))},
			{"report", run, "--out", filepath.Join(dir, fmt.Sprint(i, ".zip"))},
		} {
			out, errOut, code := here(append(args, "--data", dir)...)
			if code != 0 {
				t.Errorf("%v: status %d\n%s%s", args, code, out, errOut)
			}
			if args[0] == "replay" && (!strings.Contains(out, `"phase":"warm-up"`) || !strings.Contains(out, `"act":"end"`)) {
				t.Errorf("replayed, it says\n%s", out)
			}
		}
		s, err := record.Open(dir)
		if err == nil {
			err = s.Tidy(t.Context(), record.Retention{})
		}
		if err != nil {
			t.Fatal(err)
		}
		s.Close()
	}
	first, err := os.ReadFile(filepath.Join(dir, "0.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if second, err := os.ReadFile(filepath.Join(dir, "1.csv")); err != nil || !bytes.Equal(first, second) || len(first) < 1000 {
		t.Errorf("brought up to date, it gives another CSV (%v)", err)
	}
}

// An unfinished run that can no longer be read does not keep the daemon from
// watching: it is ended where it stood, in words, and the next one begins.
func TestDamagedRunIsNotGoneOnWith(t *testing.T) {
	dir := t.TempDir()
	run := recordRun(t, dir, func(*record.Info) {})
	if _, err := query(t, dir).Exec(`update runs set ended = null, ended_ms = null; update blocks set crc = crc + 1 where meter = 1`); err != nil {
		t.Fatal(err)
	}
	b, err := bench.Parse("bench.toml", []byte(oneMeter))
	if err != nil {
		t.Fatal(err)
	}
	b.DataDir = dir
	j, err := bench.ParseJob("job.toml", []byte(oneSocket), b)
	if err != nil {
		t.Fatal(err)
	}
	j.Ticket = run.Ticket
	d, err := newDaemon(b, 1, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	defer d.close()
	if resumed, err := d.resume(j); resumed || err != nil {
		t.Fatalf("resumed %v, %v", resumed, err)
	}
	host, err := d.store.HostEvents(run.ID)
	if err != nil || len(host) != 1 || !strings.Contains(host[0].Text, "could not go on") || !strings.Contains(host[0].Text, "meter ht from t = 1.000 s to 60.000 s") {
		t.Errorf("host events: %v %v", host, err)
	}
	if in, err := d.store.Find(run.ID); err != nil || in.Ended == nil {
		t.Errorf("the run is still unfinished: %+v %v", in, err)
	}
	if err := d.begin(j, false); err != nil {
		t.Errorf("the next run does not begin: %v", err)
	}
	if err := d.stop(); err != nil {
		t.Error(err)
	}
}
