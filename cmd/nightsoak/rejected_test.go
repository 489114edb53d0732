//go:build linux

package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// What a meter sends that is no reading is counted: as a metric always, and in the
// record of a run while it is on, for the report of it.
func TestRejectedFramesAreInTheReport(t *testing.T) {
	b := newTextBench(t, 2, "")
	s := start(t, b.files[:3]...) // no job, and so no run yet
	garbage := func(times int) {
		before := rejectedBy(t, s, "k1")
		for range times {
			io.WriteString(b.meters[0].master, "E-7\r\n")
		}
		for began := time.Now(); rejectedBy(t, s, "k1") < before+times; time.Sleep(20 * time.Millisecond) {
			if time.Since(began) > 10*time.Second {
				t.Fatalf("%d lines of garbage, %d rejected after 10 s", times, rejectedBy(t, s, "k1")-before)
			}
		}
	}
	garbage(3)
	s.mustPost(t, "begin", map[string]any{"job": b.job})
	garbage(5)
	s.mustPost(t, "end", nothing)
	garbage(2)
	s.stop(t)

	out := filepath.Join(t.TempDir(), "r.json")
	runs, errOut, code := nightsoak(t, "runs", "--data", b.dir, "--json")
	var all []struct{ ID string }
	if err := json.Unmarshal([]byte(runs), &all); err != nil || len(all) != 1 {
		t.Fatalf("runs: %d %s %s %v", code, runs, errOut, err)
	}
	if _, errOut, code := nightsoak(t, "report", all[0].ID, "--data", b.dir, "--out", out); code != 0 {
		t.Fatal(errOut)
	}
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	var report struct {
		Meters []struct {
			Name     string
			Rejected *int
		}
	}
	if err := json.Unmarshal(text, &report); err != nil {
		t.Fatal(err)
	}
	if m := report.Meters; len(m) != 2 || m[0].Rejected == nil || *m[0].Rejected != 5 || m[1].Rejected == nil || *m[1].Rejected != 0 {
		t.Errorf("the report has %s", text[strings.Index(string(text), `"meters"`):][:400])
	}
}

// rejectedBy is how many frames of a meter the daemon has rejected.
func rejectedBy(t *testing.T, s *server, meter string) (sum int) {
	t.Helper()
	text, err := s.get("/metrics")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`nightsoak_meter_rejected_frames_total\{meter="`+meter+`".*\} (\d+)`).FindAllStringSubmatch(string(text), -1) {
		var n int
		fmt.Sscan(m[1], &n)
		sum += n
	}
	return sum
}
