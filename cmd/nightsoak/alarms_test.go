package main

import (
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
)

// remoteAlarms are the alarms of /api/state, each with what must outlive a
// restart, in a line.
func (s *server) remoteAlarms(t *testing.T) (all []string) {
	t.Helper()
	var st struct {
		Alarms []struct {
			ID, Priority, State, Text string
			Until                     *time.Time
		}
	}
	b, err := s.get("/api/state")
	if err == nil {
		err = json.Unmarshal(b, &st)
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range st.Alarms {
		until := ""
		if a.Until != nil {
			until = " until " + a.Until.Format(time.RFC3339Nano)
		}
		if a.State == "acknowledged" { // its text goes on living
			a.Text = ""
		}
		all = append(all, fmt.Sprintf("%s %s %s%s: %s", a.ID, a.Priority, a.State, until, a.Text))
	}
	slices.Sort(all)
	return all
}

// What people did about alarms, and what the files set, outlives a daemon that
// is killed: shelved until the same moment, out of service for the same reason,
// acknowledged, and the weakening still said.
func TestAlarmsOutliveAKill(t *testing.T) {
	r := newRig(t)
	job, err := os.OpenFile(r.files[3], os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = job.WriteString("\n[alarm.runaway]\npriority = \"medium\"\n[alarm.drift]\nout_of_service = \"new tubes, they will drift\"\n")
	}
	if err != nil {
		t.Fatal(err)
	}
	job.Close()
	s := start(t, append([]string{"serve"}, r.files...)...)
	s.until(t, "all meters live", 10*time.Second, live)
	run := s.state(t).Run.ID
	if err := r.Drop("k3"); err != nil {
		t.Fatal(err)
	}
	s.until(t, "meter-silent/k3", 10*time.Second, func(st remoteState) bool {
		return slices.ContainsFunc(st.Alarms, func(a remoteAlarm) bool { return a.ID == "meter-silent/k3" && a.State == "unacknowledged" })
	})
	for _, args := range [][]string{
		{"acknowledge", "meter-silent/k3"},
		{"shelve", "meter-hold/k2", "--for", "2h"},
		{"out-of-service", "sense-open/V5", "--by", "A. Keeper", "the", "clamp", "is", "being", "mended"},
		{"in-service", "drift/V6", "--by", "A. Keeper"},
	} {
		must(t, append(args, "--at", s.url)...)
	}
	if _, msg, code := nightsoak(t, "out-of-service", "step/V5", "--at", s.url, "why"); code != exitUsage || !strings.Contains(msg, "--by") {
		t.Errorf("nobody takes it out: status %d, %s", code, msg)
	}
	if _, msg, code := nightsoak(t, "reset", "step/V5", "--at", s.url); code != exitFailed || !strings.Contains(msg, "nothing to reset") {
		t.Errorf("reset of what has not latched: status %d, %s", code, msg)
	}
	want := s.remoteAlarms(t)
	for _, is := range []string{"meter-silent/k3 medium acknowledged", "meter-hold/k2 medium shelved until ", "sense-open/V5 high out-of-service: out of service: the clamp is being mended, says A. Keeper",
		"drift/V5 medium out-of-service: out of service: new tubes, they will drift"} {
		if !slices.ContainsFunc(want, func(a string) bool { return strings.HasPrefix(a, is) }) {
			t.Fatalf("no %q in\n%s", is, strings.Join(want, "\n"))
		}
	}
	s.until(t, "the acts on disk", 10*time.Second, func(remoteState) bool {
		return strings.Contains(recorded(t, r.dir, run), `"act":"in-service"`)
	})
	if err := s.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	s.Wait()

	s = start(t, append([]string{"serve"}, r.files...)...)
	if got := s.remoteAlarms(t); !slices.Equal(got, want) {
		t.Errorf("after the kill\n%s\nbefore\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if b, err := s.get("/"); err != nil || !strings.Contains(string(b), "weakens alarms that are high: runaway (priority medium, its own is high)") || !strings.Contains(string(b), "Act within 10 min. Likely cause: ") {
		t.Errorf("the bench page hides the weakening, or what the silence means: %v", err)
	}
	must(t, "unshelve", "meter-hold/k2", "--at", s.url)
	must(t, "in-service", "sense-open/V5", "--by", "A. Keeper", "--at", s.url)
	must(t, "end", "--at", s.url)
	s.stop(t)

	events := recorded(t, r.dir, run)
	if got := must(t, "replay", run, "--data", r.dir, "--json"); got != events {
		t.Errorf("replayed:\n%s\nrecorded:\n%s", got, events)
	}
	for _, has := range []string{`"event":"setting","alarm":"runaway","priority":"high","weakened":true,"text":"priority medium, its own is high"`, `"act":"out-of-service","id":"sense-open/V5","by":"A. Keeper","text":"the clamp is being mended"`} {
		if !strings.Contains(events, has) {
			t.Errorf("no %s in\n%s", has, events)
		}
	}
	report := r.dir + "/r.html"
	must(t, "report", run, "--data", r.dir, "--out", report)
	page, err := os.ReadFile(report)
	if err != nil {
		t.Fatal(err)
	}
	for _, says := range []string{"The files made alarms less than they are: runaway (priority medium, its own is high).", "sense resistor open on V5", "How well the alarms served"} {
		if !strings.Contains(string(page), says) {
			t.Errorf("the report does not say %q", says)
		}
	}

	out := must(t, "runs", "--data", r.dir)
	if !strings.Contains(out, "ALARMS/H") {
		t.Error(out)
	}
	if out = must(t, "runs", run, "--data", r.dir); !strings.Contains(out, "alarms that asked for a person: 1") || !strings.Contains(out, "up to 12") {
		t.Error(out)
	}
	var q alarms.Quality
	if err := json.Unmarshal([]byte(must(t, "runs", run, "--data", r.dir, "--json")), &q); err != nil || q.Told != 1 || q.ByPriority[alarms.Medium] != 1 || q.PerHour != 1 {
		t.Errorf("%v %+v", err, q)
	}
}
