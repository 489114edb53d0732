package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/emulate"
)

// A first power-up on which HT comes up higher than expected, through the real
// daemon and a relay board on a terminal: the mains drop at once, though "when"
// names another alarm and "after" asks for an hour; the record names the reading;
// the report has the section.
func TestFirstPowerCuts(t *testing.T) {
	t.Parallel()
	amp, err := emulate.NewAmp(emulate.Config{Seed: 7, HTAt: 5 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	r, err := emulate.Start(context.Background(), acquire.NewClock(0, 1), amp, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	relay, err := emulate.NewRelay(amp, filepath.Join(dir, "relay"))
	if err != nil {
		t.Fatal(err)
	}
	defer relay.Close()
	cut := strings.Replace(relay.CutoffTOML(), `when = ["over-dissipation", "sense-open"]`, "when = [\"runaway\"]\nafter = \"1h\"", 1)
	if !strings.Contains(cut, "1h") {
		t.Fatal(cut)
	}
	b, j := filepath.Join(dir, "bench.toml"), filepath.Join(dir, "job.toml")
	if err := errors.Join(os.WriteFile(b, []byte(r.BenchTOML(dir, "127.0.0.1:0")+cut), 0o600),
		os.WriteFile(j, []byte(emulate.JobTOML()+"[first_power]\nplate_volts = \"350V\"\n"), 0o600)); err != nil {
		t.Fatal(err)
	}
	s := start(t, "serve", "--bench", b)
	must(t, "begin", "--job", j, "--first-power", "--at", s.url)
	if said := must(t, "state", "--at", s.url); !strings.Contains(said, "first power-up: HT at most 385.0 V\n") {
		t.Errorf("state says\n%s", said)
	}
	s.until(t, "the relay has dropped", 30*time.Second, func(st remoteState) bool {
		return st.Cutoff.State == "cut" && slices.ContainsFunc(st.Alarms, func(a remoteAlarm) bool { return a.ID == "first-power/north" })
	})
	s.until(t, "HT falls", 30*time.Second, func(st remoteState) bool { return st.HT.Volts != nil && *st.HT.Volts < 470 })
	st := s.state(t)
	if st.HT.Charged == nil || !*st.HT.Charged {
		t.Errorf("after the drop: %+v", st.HT)
	}
	run := st.Run.ID
	must(t, "end", "--at", s.url)
	s.stop(t)
	events := recorded(t, dir, run)
	for _, want := range []string{`"alarm":"first-power"`, `"text":"First power-up: HT 4`, `past 385 V"`, `"act":"cut","id":"first-power/north","meter":"ht"`} {
		if !strings.Contains(events, want) {
			t.Errorf("no %s in\n%s", want, events)
		}
	}
	if got := must(t, "replay", run, "--data", dir, "--json"); got != events {
		t.Errorf("replayed:\n%s\nrecorded:\n%s", got, events)
	}
	page := filepath.Join(dir, "r.html")
	must(t, "report", run, "--data", dir, "--out", page)
	if text, err := os.ReadFile(page); err != nil || !strings.Contains(string(text), "<h2>First power-up</h2>") {
		t.Errorf("the report has no section: %v", err)
	}
}
