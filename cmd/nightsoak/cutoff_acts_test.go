//go:build linux

package main

import (
	"fmt"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"
)

// A person cuts and arms again; HT and currents fall, or do not; and the record,
// judged again, tells the same.
func TestCutAndRearm(t *testing.T) {
	y := newBoard(t)
	b := newTextBench(t, 3, cutoffBytes(y.tty, "prove_within = \"1s\"\n"))
	s := start(t, b.files...)
	s.cutUntil(t, "HT up", 10*time.Second, armedAndUp)
	if out, errOut, code := nightsoak(t, "rearm", "--at", s.url); code != exitFailed || !strings.Contains(errOut, "armed already") {
		t.Errorf("armed twice: %d %s%s", code, out, errOut)
	}

	if out := must(t, "cut", "--at", s.url); out != "cut: done\n" {
		t.Errorf("cut says %q", out)
	}
	y.await(t, s, "OFF\r", time.Time{}, time.Second)
	b.all(0, 12)
	st := s.cutUntil(t, "proved", 5*time.Second, func(st cutState) bool { return st.Cutoff.Proof == "proved" })
	if st.Cutoff.State != "cut" || st.Cutoff.ProvedRun != st.Run.ID || !strings.Contains(st.Cutoff.Why, "a person said") {
		t.Errorf("%+v", st.Cutoff)
	}

	b.all(idles, htUp)
	if out := must(t, "rearm", "--at", s.url); out != "rearm: done\n" {
		t.Errorf("rearm says %q", out)
	}
	s.cutUntil(t, "armed, HT up", 10*time.Second, armedAndUp)
	s.mustPost(t, "cut", nothing)
	st = s.cutUntil(t, "failed", 5*time.Second, func(st cutState) bool { return st.Cutoff.State == "failed" })
	if st.Cutoff.Proof != "not fallen" || !strings.Contains(st.Cutoff.Why, "V1 still at 41.") || len(st.Alarms) == 0 || st.Alarms[0].ID != "cutoff-failed/north" || st.Alarms[0].State != "unacknowledged" {
		t.Errorf("%+v", st)
	}
	s.mustPost(t, "acknowledge", map[string]string{"id": "cutoff-failed/north"})
	s.cutUntil(t, "acknowledged", 2*time.Second, func(st cutState) bool { return st.Alarms[0].State == "acknowledged" })
	b.all(0, 12)
	s.cutUntil(t, "fallen after all", 5*time.Second, func(st cutState) bool { return st.Cutoff.State == "cut" && st.Cutoff.Proof == "proved" })
	s.stop(t)

	events := recorded(t, b.dir, "")
	if n, m := strings.Count(events, `"act":"cut"`), strings.Count(events, `"act":"rearm"`); n != 2 || m != 1 {
		t.Errorf("%d cuts and %d times armed in\n%s", n, m, events)
	}
	if got := must(t, "replay", st.Run.ID, "--data", b.dir, "--json"); got != events {
		t.Errorf("replayed:\n%s\nrecorded:\n%s", got, events)
	}
	var host string
	rows, err := query(t, b.dir).Query("select text from host_events order by id")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var text string
		if err := rows.Scan(&text); err != nil {
			t.Fatal(err)
		}
		host += text + "\n"
	}
	for _, want := range []string{"cut-off: proved: HT and 2 currents were seen to fall by half\n", "cut-off: the mains were dropped, but they have not fallen: "} {
		if !strings.Contains(host, want) {
			t.Errorf("no %q in\n%s", want, host)
		}
	}
}

// When a job says when: another alarm than the bench, after some time; and at
// the end of the soak.
func TestJobSaysWhenToCut(t *testing.T) {
	started := func(t *testing.T, job string) (*textBench, *server, *board) {
		y := newBoard(t)
		b := newTextBench(t, 3, strings.Replace(cutoffBytes(y.tty, ""), "over-dissipation", "sense-open", 1))
		if err := os.WriteFile(b.files[4], []byte(strings.Replace(b.job, "[limits]\n", job, 1)), 0o600); err != nil {
			t.Fatal(err)
		}
		s := start(t, b.files...)
		s.cutUntil(t, "HT up", 10*time.Second, func(st cutState) bool { return st.Run.Phase != "standby" })
		return b, s, y
	}
	t.Run("after", func(t *testing.T) {
		t.Parallel()
		b, s, y := started(t, "[cutoff]\nwhen = [\"over-dissipation\"]\nafter = \"1s\"\n[limits]\n")
		b.shows[0].Store(tooMuch)
		at := b.show(0)
		took := gap(at, y.await(t, s, "OFF\r", at, 10*time.Second))
		if took < time.Second || took > 3*time.Second {
			t.Errorf("dropped %v after the reading", took)
		}
		s.stop(t)
	})
	t.Run("another alarm", func(t *testing.T) {
		t.Parallel()
		b, s, y := started(t, "[limits]\n")
		b.shows[0].Store(tooMuch)
		st := s.cutUntil(t, "over-dissipation", 5*time.Second, func(st cutState) bool { return len(st.Alarms) > 0 })
		time.Sleep(500 * time.Millisecond)
		if !y.last("").IsZero() {
			t.Errorf("%s drops the mains, and nobody asked for it", st.Alarms[0].ID)
		}
		b.shows[0].Store(99999) // far past what any tube passes through 1 ohm: sense-open
		y.await(t, s, "OFF\r", time.Time{}, 10*time.Second)
		s.stop(t)
	})
	t.Run("cut_at_end", func(t *testing.T) {
		t.Parallel()
		b, s, y := started(t, "soak_for = \"1s\"\ncut_at_end = true\n[limits]\nsettle_by = \"1s\"\n")
		y.await(t, s, "OFF\r", time.Time{}, 20*time.Second)
		st := s.cutUntil(t, "cut", 5*time.Second, isCut)
		if !strings.Contains(st.Cutoff.Why, "cut_at_end") {
			t.Errorf("why: %q", st.Cutoff.Why)
		}
		s.stop(t)
		if events := recorded(t, b.dir, ""); !strings.Contains(events, "the soak of 1 s is over; the job has the mains dropped now") {
			t.Errorf("recorded\n%s", events)
		}
	})
	t.Run("no cut-off", func(t *testing.T) {
		t.Parallel()
		b := newTextBench(t, 3, "")
		s := start(t, b.files...)
		for _, act := range []string{"cut", "rearm"} {
			if code, why := s.post(t, act, nothing); code != http.StatusConflict || !strings.Contains(why, "no [cutoff]") {
				t.Errorf("%s: %d %s", act, code, why)
			}
		}
		if st := s.cutUntil(t, "absent", time.Second, func(st cutState) bool { return st.Cutoff.State == "absent" }); st.Cutoff.Holding {
			t.Error(fmt.Sprint(st))
		}
		s.stop(t)
	})
}
