package panel

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
)

func newSetup(t *testing.T, listen func(spec, cutoff string) (Heard, error)) (http.Handler, SetupOptions) {
	dir := t.TempDir()
	opt := SetupOptions{Bench: filepath.Join(dir, "bench.toml"), Job: filepath.Join(dir, "job.toml"),
		Ports: func() ([]port.Info, error) {
			return []port.Info{{Port: "/dev/ttyUSB0", Product: "<b>adaptor</b>"}}, nil
		},
		Listen: func(_ context.Context, spec, cutoff string) (Heard, error) { return listen(spec, cutoff) }}
	return NewSetup(opt), opt
}

// press posts the page with a button, as the browser on this machine does.
func press(h http.Handler, do string, fields url.Values, change ...func(*http.Request)) *httptest.ResponseRecorder {
	v := url.Values{"do": {do}}
	for k, all := range fields {
		v[k] = all
	}
	r := httptest.NewRequest("POST", "http://127.0.0.1:8418/", strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "http://127.0.0.1:8418")
	r.RemoteAddr = "127.0.0.1:4242"
	for _, c := range change {
		c(r)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

var oneMeter = url.Values{"bench.name": {"north"}, "meter.name": {"k1"}, "meter.port": {"/dev/ttyUSB0"}, "meter.format": {"fs9721"}}

// The page opens ports and writes files: nobody but this machine's own browser may.
func TestSetupIsForThisMachine(t *testing.T) {
	h, opt := newSetup(t, nil)
	for name, change := range map[string]func(*http.Request){
		"from the network":    func(r *http.Request) { r.RemoteAddr = "192.0.2.9:4242" },
		"forwarded":           func(r *http.Request) { r.Header.Set("X-Forwarded-For", "127.0.0.1") },
		"another name":        func(r *http.Request) { r.Host = "rebound.example" },
		"another page":        func(r *http.Request) { r.Header.Set("Origin", "http://elsewhere.example") },
		"another port's page": func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:9999") },
		"an unnamed page":     func(r *http.Request) { r.Header.Set("Origin", "null") },
	} {
		if w := press(h, "save", oneMeter, change); w.Code != http.StatusForbidden {
			t.Errorf("%s: %d", name, w.Code)
		}
	}
	if files, _ := os.ReadDir(filepath.Dir(opt.Bench)); len(files) > 0 {
		t.Errorf("it wrote %v", files)
	}
	w := press(h, "save", oneMeter)
	if text, err := os.ReadFile(opt.Bench); w.Code != http.StatusOK || err != nil || !strings.Contains(string(text), `format = "fs9721"`) {
		t.Errorf("this machine's own page: %d, %v\n%s", w.Code, err, text)
	}
	if csp := w.Header().Get("Content-Security-Policy"); !strings.Contains(csp, "script-src 'none'") || strings.Contains(csp, "unsafe") {
		t.Error(csp)
	}
}

// What was typed comes back as text, on the page as in the file.
func TestSetupHostileFields(t *testing.T) {
	h, opt := newSetup(t, nil)
	w := press(h, "save", url.Values{"bench.name": {"north\"\n[x]"}, "meter.name": {"<script>"}, "meter.port": {`"><img src=x>`}, "meter.keys": {"function = a\r\n[cutoff]\r\nport = /dev/x"},
		"job.ticket": {"</textarea><b>"}, "socket.name": {"V1"}, "socket.tube": {"<i>"}})
	body := w.Body.String()
	for _, wrong := range []string{"<script>", "<img src=x>", "</textarea><b>", "<i>", "<b>adaptor"} {
		if strings.Contains(body, wrong) {
			t.Errorf("the page carries %s", wrong)
		}
	}
	if !strings.Contains(body, "bench.toml:") {
		t.Error("no mistake is told")
	}
	if _, err := os.Stat(opt.Bench); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file with mistakes was written: %v", err)
	}
}

// The cut-off's port is told to whoever listens, whatever else is wrong with the file.
func TestSetupLeavesTheCutoffAlone(t *testing.T) {
	told := "nobody"
	h, _ := newSetup(t, func(_, cutoff string) (Heard, error) {
		told = cutoff
		return Heard{Meter: bench.MeterDraft{Port: "/dev/ttyUSB0", Format: "es51922", Line: "19230 7O1"}, Sure: 0.99, Reading: "38.2 mV"}, nil
	})
	fields := url.Values{"meter.name": {"k1"}, "meter.port": {"/dev/ttyUSB0"}, "bench.rest": {"[cutoff]\nport = \"/dev/ttyUSB9\"\nby = \"nonsense\""}}
	if body := press(h, "listen:0", fields).Body.String(); told != "/dev/ttyUSB9" || !strings.Contains(body, "recognised as es51922, 99 % sure; its display shows 38.2 mV") || !strings.Contains(body, `value="19230 7O1"`) {
		t.Errorf("told of %q\n%s", told, body)
	}
	told = "nobody"
	fields["bench.rest"] = []string{"[cutoff\nport ="}
	if w := press(h, "listen:0", fields); told != "nobody" || !strings.Contains(w.Body.String(), "nobody knows which port drives the cut-off") {
		t.Errorf("with a file that is no TOML it listened: %q", told)
	}
}

func TestNextName(t *testing.T) {
	for _, c := range []struct {
		have       []string
		like, want string
	}{{nil, "k1", "k1"}, {[]string{"k1", "k2"}, "k1", "k3"}, {[]string{"V5"}, "V5", "V6"}, {[]string{"ht"}, "ht", "ht0"}, {nil, "", "0"}, {[]string{"V99999999999999999999"}, "V99999999999999999999", "V9223372036854775807"}} {
		if got := nextName(c.have, c.like); got != c.want {
			t.Errorf("after %q of %q: %q, want %q", c.like, c.have, got, c.want)
		}
	}
}

func FuzzSetup(f *testing.F) {
	f.Add("listen:0", "meter.name=k1&meter.port=tcp://[")
	f.Add("drop-socket:-1", "socket.name=V1&socket.name=V2")
	f.Add("fields:job", "job.hand=yes&job.text=[[")
	f.Add("add-socket", "socket.name=V99999999999999999999999&socket.meter=k")
	f.Fuzz(func(t *testing.T, do, body string) {
		h, _ := newSetup(t, func(string, string) (Heard, error) { return Heard{}, errors.New("no") })
		fields, _ := url.ParseQuery(body)
		delete(fields, "do")
		if w := press(h, do, fields); w.Code >= 500 {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	})
}
