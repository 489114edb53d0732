package cutoff

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
)

// within is a context for one attempt.
func within(t *testing.T, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), d)
	t.Cleanup(cancel)
	return ctx
}

func mustWay(t *testing.T, c *bench.Cutoff) way {
	t.Helper()
	w, err := newWay(c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.close)
	return w
}

// A relay board behind a TCP serial server: what it is told, what it must answer,
// and that a connection which broke is made anew.
func TestRelayBoard(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	got := make(chan string, 10)
	answers := make(chan string, 10)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				buf := make([]byte, 100)
				for {
					n, err := c.Read(buf)
					if err != nil {
						return
					}
					got <- string(buf[:n])
					answer := <-answers
					if answer == "hang up" {
						return
					}
					io.WriteString(c, answer)
				}
			}()
		}
	}()
	w := mustWay(t, &bench.Cutoff{By: "bytes", Port: "tcp://" + l.Addr().String(), Serial: "9600 8N1", Hold: []byte("ON\r"), Drop: []byte("OFF\r"), Reply: []byte("OK")})
	if !w.holdsOnce() {
		t.Error("a hold that is not repeated is sent once")
	}
	answers <- "ERR"
	if err := w.drop(within(t, 300*time.Millisecond)); err == nil || !strings.Contains(err.Error(), "answers 45 52 52 and not 4F 4B") {
		t.Errorf("a wrong answer: %v", err)
	}
	answers <- "\r\nOK\r\n"
	if err := w.drop(within(t, 5*time.Second)); err != nil {
		t.Error(err)
	}
	answers <- "hang up"
	if err := w.drop(within(t, 5*time.Second)); err == nil {
		t.Error("no error though it hung up")
	}
	answers <- "OK"
	if err := w.drop(within(t, 5*time.Second)); err != nil {
		t.Errorf("after it hung up: %v", err)
	}
	answers <- ""
	if err := w.hold(within(t, 5*time.Second)); err != nil {
		t.Error(err)
	}
	for _, want := range []string{"OFF\r", "OFF\r", "OFF\r", "OFF\r", "ON\r"} {
		if s := <-got; s != want {
			t.Errorf("it was told %q, want %q", s, want)
		}
	}
	l.Close()
	w.close()
	if err := w.ready(within(t, time.Second)); err == nil {
		t.Error("ready, though nobody listens")
	}
}

// A line that is not one says so, and drops all the same: without pulses an
// adaptor lets go.
func TestLineWithoutLines(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	w := &line{ported: ported{spec: "tcp://" + l.Addr().String()}}
	if err := w.hold(within(t, time.Second)); err == nil || !strings.Contains(err.Error(), "no modem lines") {
		t.Errorf("hold: %v", err)
	}
	if err := w.drop(within(t, time.Second)); err != nil {
		t.Error(err)
	}
}

// What a request says, and that its secrets stay in their files.
func TestHTTP(t *testing.T) {
	var last string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		last = r.Method + " " + r.URL.String() + " " + r.Header.Get("Authorization") + " " + string(b)
		switch r.URL.Path {
		case "/away":
			http.Redirect(w, r, "/off", http.StatusFound)
		case "/broken":
			http.Error(w, "no relay", http.StatusInternalServerError)
		case "/hangs":
			<-r.Context().Done()
		}
	}))
	defer srv.Close()
	dir := t.TempDir()
	secret := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for _, c := range []struct {
		url, want, err string
	}{
		{srv.URL + "/off?key=hush", `PUT /off?key=hush Bearer hush {"on":false}`, ""},
		{srv.URL + "/away", "PUT /away Bearer hush {\"on\":false}", "http: answered 302 Found"},
		{srv.URL + "/broken", "", "http: answered 500 Internal Server Error: no relay"},
		{srv.URL + "/hangs?key=hush", "", "context deadline exceeded"},
		{"http://127.0.0.1:1/?key=hush", "", "refused"},
	} {
		w := mustWay(t, &bench.Cutoff{By: "http", Method: "PUT", URLFile: secret("url", c.url+"\n"), TokenFile: secret("token", "hush\n"), Body: `{"on":false}`})
		err := w.drop(within(t, time.Second))
		switch {
		case c.err == "" && err != nil, c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err)):
			t.Errorf("%s: %v, want %q", c.url, err, c.err)
		case err != nil && strings.Contains(err.Error(), "hush"):
			t.Errorf("the secret is in %q", err)
		case c.want != "" && last != c.want:
			t.Errorf("asked %q, want %q", last, c.want)
		}
	}
	for _, c := range []*bench.Cutoff{
		{By: "http", Method: "POST", URLFile: filepath.Join(dir, "none")},
		{By: "http", Method: "POST", URL: srv.URL, TokenFile: secret("empty", "\n")},
		{By: "http", Method: "POST", URLFile: secret("bad", "http://hush:%zz/")},
	} {
		if _, err := newWay(c); err == nil || strings.Contains(err.Error(), "hush") {
			t.Errorf("%+v: %v", c, err)
		}
	}
	if _, err := newWay(&bench.Cutoff{By: "http", Method: "POST", URLFile: filepath.Join(dir, "none")}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the cause is lost: %v", err)
	}
}
