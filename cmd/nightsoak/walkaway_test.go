//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/alarms/drill"
	"nightsoak/alarms/walkaway"
)

// asJSON runs a command that answers in JSON and gives its exit status.
func asJSON[T any](t *testing.T, args ...string) (v T, code int) {
	t.Helper()
	out, errOut, code := nightsoak(t, append(args, "--json")...)
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		t.Fatalf("%s: status %d, %v\n%s%s", strings.Join(args, " "), code, err, out, errOut)
	}
	return v, code
}

func finding(lines []alarms.Finding, name string) alarms.Finding {
	if i := slices.IndexFunc(lines, func(l alarms.Finding) bool { return l.Name == name }); i >= 0 {
		return lines[i]
	}
	return alarms.Finding{}
}

// The real daemon before it is left alone: the channel tried and heard, the
// cut-off drilled and then proved, each line confirmed or waived by name; what is
// found goes into the record, and no reading of a drill does.
func TestWalkawayAndDrill(t *testing.T) {
	y := newBoard(t)
	rung := filepath.Join(t.TempDir(), "rung")
	mended := rung + ".mended" // once it is there, the phone works
	b := newTextBench(t, 3, cutoffBytes(y.tty, "")+fmt.Sprintf("[[notify]]\nname = \"bell\"\ncommand = [\"/bin/sh\", \"-c\", \"cat >> $0\", %q]\n[[notify]]\nname = \"phone\"\nat_least = \"high\"\ncommand = [\"/usr/bin/test\", \"-e\", %q]\n", rung, mended))
	s := start(t, b.files...)
	run := s.cutUntil(t, "HT up", 10*time.Second, armedAndUp).Run.ID
	at := func(args ...string) []string { return append(args, "--at", s.url) }

	// Nobody has done anything yet.
	out, _, code := nightsoak(t, at("walkaway")...)
	if code != exitNotSo || !strings.HasPrefix(out, walkaway.Cautions[0]) || !strings.Contains(out, "lines fail: ") ||
		!regexp.MustCompile(`(?m)^fail +covers +covers and guards on: nobody has confirmed it$`).MatchString(out) ||
		!regexp.MustCompile(`(?m)^pass +meters-live +3 meters live, the oldest reading 0\.\d s old$`).MatchString(out) ||
		!regexp.MustCompile(`(?m)^fail +settled +.*V1 has not settled`).MatchString(out) ||
		!regexp.MustCompile(`(?m)^pass +disk +\d+ MB free; 12h0m0s at `).MatchString(out) {
		t.Errorf("status %d\n%s", code, out)
	}

	// A channel that works and one that does not.
	tried, code := asJSON[walkaway.Result](t, at("walkaway", "--try")...)
	if code != exitNotSo || len(tried.Channels) != 2 || !tried.Channels[0].Delivered || tried.Channels[1].Delivered || !strings.Contains(tried.Channels[1].Err, "exit status 1") {
		t.Errorf("status %d %+v", code, tried)
	}
	told := readFile(t, rung)
	word := regexp.MustCompile(`The code is ([A-Z2-9]{4})\.`).FindStringSubmatch(told)
	if word == nil {
		t.Fatalf("no code in\n%s", told)
	}
	if err := os.WriteFile(mended, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, wrong := range [][]string{{"--heard", "bell=0000"}, {"--heard", "phone=" + word[1]}, {"--confirm", "settled"}, {"--waive", "disk=tonight"}, {"--waive", "dsk=tonight", "--by", "A. Keeper"}, {"--try", "--confirm", "covers"}} {
		if out, errOut, code := nightsoak(t, at(append([]string{"walkaway"}, wrong...)...)...); code != exitUsage {
			t.Errorf("%v: status %d %s%s", wrong, code, out, errOut)
		}
	}

	// A drill that drops nothing.
	d, code := asJSON[drill.Result](t, at("drill", "over-dissipation", "--socket", "V2")...)
	t.Logf("%+v", d)
	if l := finding(d.Lines, "alarm"); l.Is != alarms.Pass || !strings.HasPrefix(l.Text, "over-dissipation/V2, high priority, 0.") || !strings.Contains(l.Text, "(k2: ") {
		t.Errorf("%+v", l)
	}
	if l := finding(d.Lines, "cut-off"); l.Is != alarms.Pass || !strings.Contains(l.Text, "nothing was dropped") {
		t.Errorf("%+v", l)
	}
	if l := finding(d.Lines, "channel bell"); l.Is != alarms.Pass || !strings.HasPrefix(l.Text, "delivered ") || !strings.Contains(readFile(t, rung), "DRILL, not real: HIGH: over-dissipation V2, bench north, R-1187") {
		t.Errorf("%+v\n%s", l, readFile(t, rung))
	}
	if code != 0 || !d.OK || finding(d.Lines, "channel phone").Is != alarms.Pass {
		t.Errorf("status %d, %+v", code, d)
	}
	if !y.last("OFF").IsZero() {
		t.Error("the drill dropped the mains")
	}
	// What is not high is not for the phone, and drops nothing.
	d, code = asJSON[drill.Result](t, at("drill", "silent")...)
	if l := finding(d.Lines, "channel phone"); code != 0 || !d.OK || l.Is != alarms.Untried || !strings.Contains(finding(d.Lines, "cut-off").Text, "in earnest meter-silent drops nothing") {
		t.Errorf("status %d, %+v", code, d)
	}
	if _, errOut, code := nightsoak(t, at("drill", "dead", "--socket", "V9")...); code != exitUsage || !strings.Contains(errOut, `no socket "V9"`) {
		t.Errorf("status %d, %s", code, errOut)
	}

	// An alarm that somebody took out of service does not come, and that is found.
	must(t, at("out-of-service", "no-conduction/V1", "--by", "A. Keeper", "new", "tubes")...)
	d, code = asJSON[drill.Result](t, at("drill", "dead")...)
	if l := finding(d.Lines, "alarm"); code != exitNotSo || d.OK || l.Is != alarms.Fail || !strings.HasPrefix(l.Text, "no-conduction/V1 did not come within 30m0s of run time") || len(d.Lines) != 1 {
		t.Errorf("status %d, %+v", code, d)
	}

	// And a drill that drops the mains; HT and currents fall, and a person switches on again.
	began := time.Now()
	d, _ = asJSON[drill.Result](t, at("drill", "over-dissipation", "--cut")...)
	y.await(t, s, "OFF\r", began, time.Second)
	t.Logf("%+v", d)
	if l := finding(d.Lines, "cut-off"); l.Is != alarms.Pass || !strings.HasPrefix(l.Text, "the mains were told to drop") {
		t.Errorf("%+v", l)
	}
	b.all(0, 12)
	s.cutUntil(t, "proved", 10*time.Second, func(st cutState) bool { return st.Cutoff.Proof == "proved" })
	b.all(idles, htUp)
	must(t, at("rearm")...)
	s.cutUntil(t, "armed, HT up", 10*time.Second, armedAndUp)

	// All in place, in a person's words; settling takes longer than a test.
	args := at("walkaway", "--by", "A. Keeper", "--heard", "bell="+strings.ToLower(word[1]), "--confirm", "dummy-load,ht-fuse,covers,surroundings,access,local-rules",
		"--waive", "settled=a relief watches, until it has", "--waive", "on-target=no target; it was set by ear", "--waive", "alarms-able=as wired", "--waive", "alarms-quiet=seen", "--waive", "channels=nobody is at the phone")
	if staysAwake() == "" {
		args = append(args, "--confirm", "awake")
	}
	r, code := asJSON[walkaway.Result](t, args...)
	if code != 0 || !r.OK {
		t.Errorf("status %d %+v", code, r)
	}
	if l := finding(r.Lines, "cut-off"); l.Is != alarms.Pass || !strings.Contains(l.Text, "in this run") {
		t.Errorf("%+v", l)
	}
	if l := finding(r.Lines, "channels"); l.Is != alarms.Waived || strings.Contains(l.Text, "bell") || l.Why != "nobody is at the phone" {
		t.Errorf("%+v", l)
	}
	if l := finding(r.Lines, "on-target"); l.Why != "no target; it was set by ear" {
		t.Errorf("%+v", l)
	}

	// The page's own form, as a browser without script sends it.
	resp, err := http.PostForm(s.url+"walkaway", url.Values{"do": {"check"}, "confirm": {"covers"}})
	if err != nil {
		t.Fatal(err)
	}
	var page bytes.Buffer
	page.ReadFrom(resp.Body)
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK || !strings.Contains(page.String(), "Checked, and put into the record") || !strings.Contains(page.String(), "covers and guards on: confirmed") {
		t.Errorf("%s\n%s", resp.Status, &page)
	}
	must(t, at("end")...)
	if _, errOut, code := nightsoak(t, at("walkaway")...); code != exitFailed || !strings.Contains(errOut, "no run is on") {
		t.Errorf("after the end: status %d %s", code, errOut)
	}
	s.stop(t)

	events := recorded(t, b.dir, "")
	if strings.Contains(events, `"alarm":"over-dissipation"`) || strings.Contains(events, `"alarm":"meter-silent"`) {
		t.Errorf("a drill's alarm is in the record:\n%s", events)
	}
	for what, n := range map[string]int{`"act":"walkaway"`: 3, `"act":"drill"`: 4, `"act":"cut","id":"over-dissipation/V1"`: 1} {
		if got := strings.Count(events, what); got != n {
			t.Errorf("%d of %s, want %d in\n%s", got, what, n, events)
		}
	}
	if got := must(t, "replay", run, "--data", b.dir, "--json"); got != events {
		t.Errorf("replayed:\n%s\nrecorded:\n%s", got, events)
	}
	must(t, "verify", run, "--data", b.dir)
	file := filepath.Join(b.dir, "r.html")
	must(t, "report", run, "--data", b.dir, "--out", file)
	if got, err := os.ReadFile(file); err != nil || !strings.Contains(string(got), "Departure check") || !strings.Contains(string(got), "A fault given to a copy of the core") {
		t.Errorf("the report lacks the check or the drill: %v", err)
	}
}

// What systemd's inhibitor files say; the form is that of its login manager,
// written down from memory.
func TestBlocksSleep(t *testing.T) {
	for text, want := range map[string]string{
		"# This is private data.\nWHAT=sleep:idle\nWHO=soak\nWHY=a run is on\nMODE=block\nUID=0\nPID=7\n": "soak",
		"WHAT=idle:sleep\nWHO=\"the soak\"\nMODE=block\n":                                                 "the soak",
		"WHAT=sleep\nMODE=block\n":                          "somebody",
		"WHAT=sleep\nWHO=network\nMODE=delay\n":             "",
		"WHAT=handle-lid-switch\nWHO=desktop\nMODE=block\n": "",
		"": "",
	} {
		if got := blocksSleep(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}
