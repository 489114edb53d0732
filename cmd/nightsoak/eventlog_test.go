//go:build linux

package main

import (
	"strings"
	"testing"
	"time"
)

// serve --events prints the very lines that the record has.
func TestEventsOnStandardOutput(t *testing.T) {
	b := newTextBench(t, 3, "")
	s := start(t, append(b.files, "--events")...)
	s.cutUntil(t, "HT up", 10*time.Second, func(st cutState) bool { return st.Run != nil && st.Run.Phase == "warm-up" })
	s.mustPost(t, "note", map[string]string{"text": "cover <on> \"now\"\nfan off"})
	s.mustPost(t, "end", nothing)
	s.stop(t)
	want := recorded(t, b.dir, "")
	got := ""
	for _, l := range strings.SplitAfter(s.logged(), "\n") {
		if strings.HasPrefix(l, `{"t":`) {
			got += l
		}
	}
	if got != want || !strings.Contains(got, `"act":"note"`) || !strings.Contains(got, `"phase":"ended"`) {
		t.Errorf("printed\n%s\nrecorded\n%s", got, want)
	}
}
