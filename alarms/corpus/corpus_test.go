package main

import (
	"bytes"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"nightsoak/acquire/emulate/night"
)

// judgeAll judges nights on every core.
func judgeAll(t *testing.T, ids []id) []result {
	t.Helper()
	results := make([]result, len(ids))
	next := make(chan int)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				results[i] = judge(ids[i])
			}
		})
	}
	for i := range ids {
		next <- i
	}
	close(next)
	wg.Wait()
	for i := range results {
		if err := results[i].err; err != nil {
			t.Fatal(err)
		}
	}
	return results
}

// told is what tell says of results: what was missed, late, not named or false.
func told(results []result) string {
	var b bytes.Buffer
	for i := range results {
		results[i].tell(&b)
	}
	return b.String()
}

// within is how late what is wrong in these nights may be told, from the moment it is true.
var within = map[night.Kind]time.Duration{
	night.DeadTube: 5 * time.Second, night.DeadLifts: 5 * time.Second, night.SupplyDead: 5 * time.Second, night.Step: 15 * time.Second,
}

// TestNights holds nights against what was promised of the core: a few short ones
// in detail, and all of them, which takes a quarter of an hour, with
//
//	NIGHTSOAK_LONG=1 go test -timeout 2h -v -run 'TestNights/^(seen|unseen)$' ./alarms/corpus
func TestNights(t *testing.T) {
	t.Run("short", shortNights)
	if until, ok := t.Deadline(); os.Getenv("NIGHTSOAK_LONG") != "1" || ok && time.Until(until) < time.Hour {
		return
	}
	for _, third := range []string{"seen", "unseen"} {
		t.Run(third, func(t *testing.T) {
			ids, err := choice{seeds: night.Seeds, third: third}.nights()
			if err != nil {
				t.Fatal(err)
			}
			results := judgeAll(t, ids)
			mustShow(t, results)
			var b bytes.Buffer
			print(&b, results)
			t.Logf("%s\n%s", told(results), &b)
		})
	}
}

// shortNights are nights of ten kinds, the shortest of those that may be looked at:
// every fault is found, in time and by its best name, nothing is false, and
// forecasts hold.
func shortNights(t *testing.T) {
	var ids []id
	for kind, seed := range map[night.Kind]uint64{
		night.Quiet: 8, night.MainsSteps: 2, night.Standby: 4, night.RunawayGas: 2, night.RunawayMains: 1,
		night.DriftDown: 5, night.Step: 5, night.Intermittent: 1, night.DeadLifts: 2, night.MeterSilent: 7,
	} {
		if night.Unseen(seed) {
			t.Fatalf("%s/%d is not to be looked at", kind, seed)
		}
		ids = append(ids, id{kind, seed})
	}
	var all settling
	labels := 0
	results := judgeAll(t, ids)
	mustShow(t, results)
	for _, r := range results {
		name := fmt.Sprintf("%s/%d", r.kind, r.seed)
		all.add(r.settling)
		s := &r.scores[0]
		labels += len(s.Verdicts)
		for i := range s.Verdicts {
			v := &s.Verdicts[i]
			if !v.Named || v.Late() || v.Repeats > 0 {
				t.Errorf("%s: %s of %v: named %v, late %v, told again %d times", name, v.Label.What, v.Label.Subjects, v.Named, v.Late(), v.Repeats)
			}
			if v.Label.Limit > 0 && v.Lead() < 5*time.Minute {
				t.Errorf("%s: %s named %v before the limit", name, v.Label.What, v.Lead())
			}
		}
		if len(s.False) > 0 {
			t.Errorf("%s: false: %+v", name, s.False)
		}
		if strings.HasPrefix(string(r.kind), "runaway") != (len(s.Verdicts) == 1 && s.Verdicts[0].Label.What == "runaway") {
			t.Errorf("%s: labels %+v", name, r.night.Labels)
		}
	}
	if labels != 7 {
		t.Errorf("%d faults in ten nights, want 7", labels)
	}
	if all.settled < 20 || all.forecasts < 100 || 10*all.inTime < 9*all.forecasts || 10*all.inAmps < 9*all.forecasts {
		t.Errorf("settling: %+v", all)
	}
}

// The textbook detectors do what is known of them: silent on a quiet night but
// for the charts, which cry wolf on every socket; the limit finds a runaway as it
// passes and cannot name it; 10 % from a value once taken finds it before.
func TestYardsticks(t *testing.T) {
	results := judgeAll(t, []id{{night.Quiet, 8}, {night.RunawayGas, 2}})
	limit, band, charts := results[0].scores[1], results[0].scores[2], results[0].scores[3]
	if sockets := strings.Count(results[0].night.Job, "[[socket]]"); len(limit.False) > 0 || len(band.False) > 0 || len(charts.False) != sockets || sockets == 0 {
		t.Errorf("a quiet night of %d sockets: %d, %d and %d false", sockets, len(limit.False), len(band.False), len(charts.False))
	}
	limit, band = results[1].scores[1], results[1].scores[2]
	if v := &limit.Verdicts[0]; !v.Found || v.Named || v.Lead() > time.Minute || v.Lead() < -time.Minute {
		t.Errorf("a runaway by the limit: %+v", v)
	}
	if v := &band.Verdicts[0]; !v.Found || v.Lead() < time.Minute {
		t.Errorf("a runaway by 10 %%: %+v", v)
	}
}

// What the scorer prints of a night is its line and the sums, and what it names.
func TestPrint(t *testing.T) {
	results := judgeAll(t, []id{{night.SupplyDead, 4}})
	var b bytes.Buffer
	print(&b, results)
	lines := strings.Split(b.String(), "\n")
	if f := strings.Fields(lines[1]); len(f) != 16 || f[0] != "supply-dead" || f[1] != "1" || f[2] != "1" || f[3] != "1" {
		t.Errorf("want a line of supply-dead with one night, one fault, found:\n%s", &b)
	}
	for _, name := range append([]string{"nightsoak"}, yardstickNames[:]...) {
		if !strings.Contains(b.String(), name+"  ") {
			t.Errorf("no line of %s in\n%s", name, &b)
		}
	}
	results[0].scores[0].False = []night.Event{{T: time.Hour, Alarm: "drift", Subject: "V5", Priority: "medium"}}
	results[0].scores[0].Verdicts[0].Found = false
	if got := told(results); strings.Count(got, "\n") != 2 || !strings.Contains(got, "supply-dead/4 MISSED supply") || !strings.Contains(got, "supply-dead/4 FALSE drift of V5, medium, at 1h0m0s") {
		t.Errorf("told %q", got)
	}
}

// The seeds that are seen and those that are not make all of them.
func TestChoice(t *testing.T) {
	count := map[string]int{}
	for _, third := range []string{"all", "seen", "unseen"} {
		ids, err := choice{kinds: "quiet,step", third: third, seeds: 50}.nights()
		if err != nil {
			t.Fatal(err)
		}
		count[third] = len(ids)
	}
	if count["all"] != 100 || count["unseen"] != 34 || count["seen"]+count["unseen"] != 100 {
		t.Errorf("nights: %v", count)
	}
	for _, c := range []choice{{kinds: "loud", third: "all"}, {third: "half"}} {
		if _, err := c.nights(); err == nil || !strings.Contains(err.Error(), "loud") && !strings.Contains(err.Error(), "unseen") {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// silent are the kinds in which nothing is wrong with any tube, for all that the
// mains does.
var silent = []night.Kind{
	night.Quiet, night.MainsWander, night.MainsSteps, night.MainsSags, night.MainsDropouts,
	night.BrownOut, night.Standby, night.HeaterAging, night.Creep, night.Adjusted,
}

// mustShow holds results against what was promised of the core.
func mustShow(t *testing.T, results []result) {
	var quiet, runaways night.Tally
	var all settling
	late := map[string]int{}
	missed, named, beforeLimit := 0, 0, 0
	for i := range results {
		r := &results[i]
		s := &r.scores[0]
		all.add(r.settling)
		if slices.Contains(silent, r.kind) {
			quiet.Add(*s)
		}
		var only night.Score
		for _, v := range s.Verdicts {
			if !v.Found {
				missed++
			}
			if limit, ok := within[r.kind]; ok && v.Found && v.Delay() > limit {
				late[v.Label.What]++
			}
			if v.Label.What == "runaway" {
				only.Verdicts = append(only.Verdicts, v)
				if v.Named {
					named++
				}
				if v.Found && v.Lead() > 0 {
					beforeLimit++
				}
			}
		}
		if len(only.Verdicts) > 0 {
			runaways.Add(only)
		}
	}
	if missed > 0 {
		t.Errorf("%d faults not found", missed)
	}
	if quiet.Medium+quiet.High > 0 || 100*quiet.Low > quiet.Nights {
		t.Errorf("false on %d quiet and mains nights: %d high, %d medium, %d low", quiet.Nights, quiet.High, quiet.Medium, quiet.Low)
	}
	if n := runaways.Labels; 100*named < 95*n || beforeLimit < n {
		t.Errorf("of %d runaways %d were named, %d told before the limit", n, named, beforeLimit)
	}
	if share, _ := runaways.Share(0.5); runaways.Labels > 20 && share > 0.30 {
		t.Errorf("half of the runaways were named after more than %.0f %% of the time to the limit", 100*share)
	}
	for what, n := range late {
		t.Errorf("%s was told too late %d times", what, n)
	}
	inBounds := func(n, of int) bool { return 90*of <= 100*n && 100*n <= 98*of }
	if f := all.forecasts; f > 1000 && !(inBounds(all.inTime, f) && inBounds(all.inAmps, f)) {
		t.Errorf("of %d forecasts the time of %d held and the current of %d; 90 to 98 %% should", f, all.inTime, all.inAmps)
	}
	if len(all.left) > 0 {
		t.Errorf("of %d settled %d left the settle rate without a cause", all.settled, len(all.left))
	}
}
