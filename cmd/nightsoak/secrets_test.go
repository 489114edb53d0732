//go:build linux

package main

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Every place that takes a secret is given one of its own, and an other end that
// refuses it and says it back. None stands in log, state, pages, metrics, report or
// record; each did go where it belongs.
func TestSecretsStayHidden(t *testing.T) {
	t.Parallel()
	came := make(chan string, 1000)
	echo := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		all := r.URL.String() + " " + r.Header.Get("Authorization")
		select {
		case came <- all:
		default: // enough came
		}
		w.WriteHeader(http.StatusForbidden)
		fmt.Fprintf(w, "%s is not known here, with %d bytes", all, len(b))
	}))
	defer echo.Close()
	dir := t.TempDir()
	hidden := map[string]string{"panel": "hush-panel-7", "lines": "hush-lines-7", "hook": "hush-hook-7", "path": "hush-path-7", "cut": "hush-cut-7"}
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	more := fmt.Sprintf(`[[lines]]
to = "%[1]s/write?db=bench"
token_file = %[2]q
[[notify]]
name = "bearer"
url = "%[1]s/bearer"
secret = %[3]q
at_least = "low"
[[notify]]
name = "path"
url = "%[1]s/hook/{secret}"
secret = %[4]q
at_least = "low"
[cutoff]
by = "http"
url = "%[1]s/drop"
token_file = %[5]q
when = ["over-dissipation"]
`, echo.URL, file("lines", hidden["lines"]), file("hook", hidden["hook"]), file("path", hidden["path"]), file("cut", hidden["cut"]))
	b := newTextBench(t, 3, more)
	text, err := os.ReadFile(b.files[2])
	if err == nil {
		panel := "listen = \"127.0.0.1:0\"\n"
		err = os.WriteFile(b.files[2], []byte(strings.Replace(string(text), panel, panel+fmt.Sprintf("token_file = %q\n", file("panel", hidden["panel"])), 1)), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	s := start(t, b.files...)
	s.cutUntil(t, "HT up and armed", 10*time.Second, armedAndUp)
	b.shows[0].Store(tooMuch)
	s.cutUntil(t, "a drop that is refused", 20*time.Second, func(st cutState) bool { return st.Cutoff.State == "failed" })
	req, err := http.NewRequest(http.MethodPost, s.url+"api/note", strings.NewReader(`{"text":"by token"}`))
	if err != nil {
		t.Fatal(err)
	}
	for token, want := range map[string]int{hidden["panel"]: http.StatusOK, hidden["panel"] + "x": http.StatusForbidden} {
		req.Body = io.NopCloser(strings.NewReader(`{"text":"by token"}`))
		req.ContentLength = -1
		req.Header.Set("Authorization", "Bearer "+token)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		if resp.Body.Close(); resp.StatusCode != want {
			t.Errorf("a note by token: %s, want %d", resp.Status, want)
		}
	}
	missing := map[string]bool{"lines": true, "hook": true, "path": true, "cut": true}
	for end := time.After(20 * time.Second); len(missing) > 0; {
		select {
		case all := <-came:
			for name := range missing {
				if strings.Contains(all, hidden[name]) {
					delete(missing, name)
				}
			}
		case <-end:
			t.Fatalf("no request had the secret of %v\n%s", missing, s.logged())
		}
	}
	var shown bytes.Buffer
	for _, path := range []string{"/api/state", "/", "/wall", "/walkaway", "/metrics", "/api/runs"} {
		page, err := s.get(path)
		if err != nil {
			t.Fatal(err)
		}
		shown.Write(page)
	}
	events, err := s.stream("")
	if err != nil {
		t.Fatal(err)
	}
	shown.WriteString(events)
	s.stop(t)
	shown.WriteString(s.logged())
	shown.WriteString(must(t, "check", b.files[1], b.files[2], b.files[3], b.files[4]))
	err = filepath.WalkDir(b.dir, func(path string, d os.DirEntry, err error) error { // record, queues, what the cut-off remembers
		if err != nil || d.IsDir() {
			return err
		}
		kept, err := os.ReadFile(path)
		shown.Write(kept)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for name, word := range hidden {
		if i := bytes.Index(shown.Bytes(), []byte(word)); i >= 0 {
			t.Errorf("the secret of %s is shown: ...%q", name, shown.Bytes()[max(0, i-200):i+len(word)])
		}
	}
}
