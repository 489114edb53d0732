//go:build linux

package main

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"
)

// A database that refuses every line for good is an alarm of the daemon's own,
// until somebody knows.
func TestOutletLosing(t *testing.T) {
	refuses := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		io.Copy(io.Discard, r.Body)
		w.WriteHeader(http.StatusBadRequest)
		io.WriteString(w, `{"error":"field type conflict"}`)
	}))
	defer refuses.Close()
	b := newTextBench(t, 2, fmt.Sprintf("[[lines]]\nto = \"%s/write?db=bench\"\nage = \"50ms\"\n", refuses.URL))
	s := start(t, b.files...)
	loses := func(a string) bool { return strings.HasPrefix(a, "outlet-losing/north low unacknowledged: ") }
	stands := func(want bool) {
		t.Helper()
		for began := time.Now(); slices.ContainsFunc(s.remoteAlarms(t), loses) != want; time.Sleep(20 * time.Millisecond) {
			if time.Since(began) > 20*time.Second {
				t.Fatalf("alarms are %q", s.remoteAlarms(t))
			}
		}
	}
	stands(true)
	refuses.Close() // so that no more is refused
	s.mustPost(t, "acknowledge", map[string]string{"id": "outlet-losing/north"})
	stands(false)
	s.stop(t)
}
