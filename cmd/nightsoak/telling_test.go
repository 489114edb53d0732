package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// told is what a channel was given, of the message's JSON.
type told struct {
	ID        string `json:"id"`
	Priority  string `json:"priority"`
	State     string `json:"state"`
	MessageID string `json:"message_id"`
	Again     bool   `json:"again"`
	Body      string `json:"body"`
}

// The real daemon tells a command at once; a webhook that is down meanwhile gets
// the same alarm from the daemon that follows the one killed. A password in play
// is in no log.
func TestTelling(t *testing.T) {
	r := newRig(t)
	rung := filepath.Join(r.dir, "rung")
	password := filepath.Join(r.dir, "password")
	// Nobody listens there for now; below the ports that systems give to clients.
	addr := fmt.Sprintf("127.0.0.1:%d", 15000+rand.IntN(15000))
	f, err := os.OpenFile(r.files[1], os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = fmt.Fprintf(f, "\n[[notify]]\nname = \"bell\"\ncommand = [\"/bin/sh\", \"-c\", \"cat >> $0\", %q]\nresolved = true\n"+
		"[[notify]]\nname = \"hook\"\nurl = \"http://bench:{secret}@%s/hook\"\nsecret = %q\n", rung, addr, password)
	if err == nil {
		err = f.Close()
	}
	if err == nil {
		err = os.WriteFile(password, []byte("hush-hush\n"), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	// Of the rung, those about one alarm; each line is one message.
	heard := func(id string) (all []told) {
		b, _ := os.ReadFile(rung)
		for line := range bytes.Lines(b) {
			var m told
			if json.Unmarshal(line, &m) == nil && m.ID == id {
				all = append(all, m)
			}
		}
		return all
	}
	// wait asks until it is so; the deadline bounds failure only.
	wait := func(what string, so func() bool) {
		t.Helper()
		for end := time.Now().Add(2 * time.Minute); !so(); time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				b, _ := os.ReadFile(rung)
				t.Fatalf("not told: %s; the bell got\n%s", what, b)
			}
		}
	}
	s := start(t, append([]string{"serve"}, r.files...)...)
	s.until(t, "all meters live", 10*time.Second, live)
	if err := r.Drop("k2"); err != nil {
		t.Fatal(err)
	}
	wait("k2 silent", func() bool { return len(heard("meter-silent/k2")) == 1 })
	m := heard("meter-silent/k2")[0]
	if m.Priority != "medium" || m.State != "unacknowledged" || m.Again || !strings.Contains(m.Body, "What to do: ") || !strings.Contains(m.Body, "k2") {
		t.Errorf("%+v", m)
	}
	wait("that the webhook is tried", func() bool { return strings.Contains(s.logged(), "connection refused") })
	if err := s.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	s.Wait()

	hook := make(chan told, 100)
	l, err := net.Listen("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		var m told
		b, err := io.ReadAll(req.Body)
		if _, pass, _ := req.BasicAuth(); err != nil || json.Unmarshal(b, &m) != nil || pass != "hush-hush" {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		hook <- m
	})}
	go srv.Serve(l)
	defer srv.Close()
	s2 := start(t, append([]string{"serve"}, r.files...)...)
	select {
	case m := <-hook:
		if m.ID != "meter-silent/k2" || !strings.HasSuffix(m.MessageID, ":hook") {
			t.Errorf("the webhook got %+v", m)
		}
	case <-time.After(30 * time.Second):
		t.Fatalf("the webhook got nothing\n%s", s2.logged())
	}
	if err := r.Restore("k2"); err != nil {
		t.Fatal(err)
	}
	wait("k2 back", func() bool { all := heard("meter-silent/k2"); return all[len(all)-1].State == "returned" })
	s2.stop(t)
	// It rings once for one alarm; more, after a kill in the wrong moment, say so.
	raised := 0
	for _, m := range heard("meter-silent/k2") {
		if m.State == "unacknowledged" && !m.Again {
			raised++
		}
	}
	if raised != 1 {
		t.Errorf("the bell rang %d times for one alarm without saying so", raised)
	}
	if all := s.logged() + s2.logged(); strings.Contains(all, "hush-hush") || strings.Contains(all, "$0") {
		t.Errorf("a secret is in the log:\n%s", all)
	}
}

// A channel that the bench file alone shows to be wrong stops check and serve,
// with its place.
func TestTellingCheck(t *testing.T) {
	r := newRig(t)
	f, err := os.OpenFile(r.files[1], os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("\n[[notify]]\nurl = \"pigeon://loft.example:hush@x\"\n"); err != nil {
		t.Fatal(err)
	}
	f.Close()
	for _, command := range []string{"check", "serve"} {
		_, errOut, code := nightsoak(t, append([]string{command}, r.files...)...)
		if code != exitUsage || !strings.Contains(errOut, "bench.toml:") || !strings.Contains(errOut, "url: ") || strings.Contains(errOut, "hush") {
			t.Errorf("%s: status %d: %s", command, code, errOut)
		}
	}
}
