package panel

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightsoak/alarms"
	"nightsoak/export/report/chart"
)

var update = flag.Bool("update", false, "write the goldens anew")

func TestMain(m *testing.M) {
	time.Local = time.UTC // pages show the daemon's own zone
	os.Exit(m.Run())
}

// ask sends one request straight to the handler.
func ask(t *testing.T, src *fake, opt Options, method, target, body string, with func(*http.Request)) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, target, strings.NewReader(body))
	r.RemoteAddr, r.Host = "127.0.0.1:50000", "127.0.0.1:8417"
	if with != nil {
		with(r)
	}
	w := httptest.NewRecorder()
	New(src, opt).ServeHTTP(w, r)
	return w
}

func TestWhoMayAct(t *testing.T) {
	header := func(kv ...string) func(*http.Request) {
		return func(r *http.Request) {
			for i := 0; i < len(kv); i += 2 {
				r.Header.Set(kv[i], kv[i+1])
			}
		}
	}
	from := func(remote, host string) func(*http.Request) {
		return func(r *http.Request) { r.RemoteAddr, r.Host = remote, host }
	}
	both := func(a, b func(*http.Request)) func(*http.Request) {
		return func(r *http.Request) { a(r); b(r) }
	}
	far := from("192.0.2.7:50000", "192.0.2.1:8417")
	right, wrong := header("Authorization", "Bearer s3cret"), header("Authorization", "Bearer guess")
	for _, c := range []struct {
		name  string
		token string
		with  func(*http.Request)
		want  int
	}{
		{"straight over loopback", "s3cret", nil, 200},
		{"straight over IPv6 loopback", "", from("[::1]:50000", "[::1]:8417"), 200},
		{"IPv4 mapped into IPv6", "", from("[::ffff:127.0.0.1]:50000", "localhost:8417"), 200},
		{"loopback without a port in Host", "", from("127.0.0.1:50000", "localhost"), 200},
		{"our own page", "", header("Origin", "http://127.0.0.1:8417"), 200},
		{"our own page, as browsers say it", "", header("Origin", "http://127.0.0.1:8417", "Sec-Fetch-Site", "same-origin"), 200},
		{"forwarded", "s3cret", header("X-Forwarded-For", "127.0.0.1"), 401},
		{"forwarded, any header of that family", "", header("X-Forwarded-Whatever", "1"), 401},
		{"forwarded, RFC 7239", "", header("Forwarded", "for=127.0.0.1"), 401},
		{"by a proxy's hand", "", header("Via", "1.1 proxy"), 401},
		{"by HTTP/1.0, which proxies speak", "", func(r *http.Request) { r.Proto, r.ProtoMajor, r.ProtoMinor = "HTTP/1.0", 1, 0 }, 401},
		{"a name that resolves to loopback", "", from("127.0.0.1:50000", "rebound.example:8417"), 403},
		{"a page under such a name", "", both(from("127.0.0.1:50000", "rebound.example:8417"), header("Origin", "http://rebound.example:8417", "Sec-Fetch-Site", "same-origin")), 403},
		{"from elsewhere", "s3cret", far, 401},
		{"from elsewhere, claiming a loopback name", "s3cret", from("192.0.2.7:50000", "localhost:8417"), 401},
		{"from elsewhere with the token", "s3cret", both(far, right), 200},
		{"forwarded with the token", "s3cret", both(right, header("X-Forwarded-For", "192.0.2.7")), 200},
		{"from elsewhere with a wrong token", "s3cret", both(far, wrong), 403},
		{"a wrong token is wrong on loopback too", "s3cret", wrong, 403},
		{"no token is configured", "", both(far, header("Authorization", "Bearer ")), 403},
		{"another scheme", "s3cret", both(far, header("Authorization", "Basic s3cret")), 403},
		{"a foreign page", "", header("Origin", "https://elsewhere.example"), 403},
		{"a foreign page on another port", "", header("Origin", "http://127.0.0.1:9999"), 403},
		{"a foreign page, as browsers say it", "", header("Sec-Fetch-Site", "cross-site"), 403},
		{"a foreign page with the token", "s3cret", both(right, header("Origin", "https://elsewhere.example")), 403},
		{"an opaque origin", "", header("Origin", "null"), 403},
	} {
		t.Run(c.name, func(t *testing.T) {
			src := scene("well")
			w := ask(t, src, Options{Token: c.token}, "POST", "/api/end", "{}", c.with)
			if w.Code != c.want {
				t.Errorf("status %d, want %d: %s", w.Code, c.want, w.Body)
			}
			if acted := len(src.acts) == 1; acted != (c.want == 200) {
				t.Errorf("acts taken: %q", src.acts)
			}
			if challenged := w.Header().Get("WWW-Authenticate") != ""; challenged != (c.want == 401) {
				t.Errorf("WWW-Authenticate %q with status %d", w.Header().Get("WWW-Authenticate"), w.Code)
			}
		})
	}
}

func TestActBodies(t *testing.T) {
	act := func(a alarms.Act) string { return fmt.Sprintf("%+v", a) }
	for _, c := range []struct {
		act, body string
		status    int
		want      string // what the source was told, or the error in words
	}{
		{"note", `{"text":"fan on"}`, 200, act(alarms.Act{Act: "note", Text: "fan on"})},
		{"acknowledge", `{"id":"runaway/V7"}`, 200, act(alarms.Act{Act: "acknowledge", ID: "runaway/V7"})},
		{"shelve", `{"id":"drift/V6","for":"30m"}`, 200, act(alarms.Act{Act: "shelve", ID: "drift/V6", For: "30m"})},
		{"unshelve", `{"id":"drift/V6"}`, 200, act(alarms.Act{Act: "unshelve", ID: "drift/V6"})},
		{"reset", `{"id":"runaway/V7"}`, 200, act(alarms.Act{Act: "reset", ID: "runaway/V7"})},
		{"out-of-service", `{"id":"drift/V6","by":"A. Keeper","text":"new tube"}`, 200, act(alarms.Act{Act: "out-of-service", ID: "drift/V6", By: "A. Keeper", Text: "new tube"})},
		{"out-of-service", `{"id":"drift/V6","text":"new tube"}`, 400, `"by" is missing or empty: out-of-service takes "id", "by", "text"`},
		{"in-service", `{"id":"drift/V6","by":"A. Keeper"}`, 200, act(alarms.Act{Act: "in-service", ID: "drift/V6", By: "A. Keeper"})},
		{"move", `{"meter":"k1","socket":"V6"}`, 200, act(alarms.Act{Act: "move", Meter: "k1", Socket: "V6"})},
		{"adjusted", `{"socket":"all"}`, 200, act(alarms.Act{Act: "adjusted", Socket: "all"})},
		{"mark", `{"watch":"hum","text":"before"}`, 200, act(alarms.Act{Act: "mark", Watch: "hum", Text: "before"})},
		{"end", `{}`, 200, act(alarms.Act{Act: "end"})},
		{"end", ``, 200, act(alarms.Act{Act: "end"})},
		{"begin", `{"job":"ticket = \"R-1187\"","first_power":true}`, 200, `begin "ticket = \"R-1187\"" true`},
		{"begin", `{"job":"x"}`, 200, `begin "x" false`},
		{"cut", `{}`, 200, act(alarms.Act{Act: "cut"})},
		{"rearm", `{}`, 200, act(alarms.Act{Act: "rearm"})},
		{"cut", `{"id":"runaway/V7"}`, 400, `unknown field "id": cut takes no fields`},
		{"note", `{}`, 400, `"text" is missing or empty: note takes "text"`},
		{"note", ``, 400, `"text" is missing or empty: note takes "text"`},
		{"note", `{"text":"  "}`, 400, `"text" is missing or empty: note takes "text"`},
		{"note", `{"text":"a","txet":"b"}`, 400, `unknown field "txet": note takes "text"`},
		{"note", `{"text":1}`, 400, `"text" is a string`},
		{"note", `["text"]`, 400, `the body is not a JSON object: json: cannot unmarshal array into Go value of type map[string]json.RawMessage`},
		{"note", `{"text":"a"} {}`, 400, `the body is not a JSON object: invalid character '{' after top-level value`},
		{"end", `{"text":"a"}`, 400, `unknown field "text": end takes no fields`},
		{"end", `{"first_power":true}`, 400, `unknown field "first_power": end takes no fields`},
		{"begin", `{"job":"x","first_power":"yes"}`, 400, `"first_power" is true or false`},
		{"shelve", `{"id":"a/b","for":"soon"}`, 400, `"for" is "soon": write a time such as "30m"`},
		{"shelve", `{"id":"a/b","for":"-1m"}`, 400, `"for" is "-1m": write a time such as "30m"`},
		{"note", `{"text":"` + strings.Repeat("a", maxBody) + `"}`, 413, "the body is larger than 256 kB"},
		{"dance", `{}`, 404, `there is no act "dance": known are acknowledge adjusted begin cut end in-service mark move note out-of-service rearm reset shelve unshelve`},
	} {
		t.Run(c.act+" "+c.body[:min(len(c.body), 30)], func(t *testing.T) {
			src := scene("well")
			w := ask(t, src, Options{}, "POST", "/api/"+c.act, c.body, nil)
			if w.Code != c.status {
				t.Fatalf("status %d, want %d: %s", w.Code, c.status, w.Body)
			}
			got := strings.Join(src.acts, "; ")
			if c.status != 200 {
				if got != "" {
					t.Errorf("refused, and yet the source was told %s", got)
				}
				var answer struct{ Error string }
				if err := json.Unmarshal(w.Body.Bytes(), &answer); err != nil {
					t.Fatal(err)
				}
				got = answer.Error
			}
			if got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func TestSourceErrors(t *testing.T) {
	for _, c := range []struct {
		err  error
		want int
	}{
		{errors.New("no run is on"), 409},
		{fmt.Errorf("job.toml:3:1: %w", ErrInvalid), 422},
		{fmt.Errorf("alarm drift/V9: %w", ErrNotFound), 404},
	} {
		src := scene("well")
		src.err = c.err
		for _, target := range []string{"/api/begin", "/api/note"} {
			body := map[string]string{"/api/begin": `{"job":"x"}`, "/api/note": `{"text":"x"}`}[target]
			w := ask(t, src, Options{}, "POST", target, body, nil)
			if want := fmt.Sprintf(`{"error":%q}`+"\n", c.err); w.Code != c.want || w.Body.String() != want {
				t.Errorf("%s: %d %s, want %d %s", target, w.Code, w.Body, c.want, want)
			}
		}
	}
	src := scene("well")
	src.err = errors.New("disk is gone")
	if w := ask(t, src, Options{}, "GET", "/api/runs", "", nil); w.Code != 500 {
		t.Errorf("/api/runs: %d, want 500", w.Code)
	}
	if w := ask(t, src, Options{}, "GET", "/", "", nil); w.Code != 200 || !strings.Contains(w.Body.String(), "The records cannot be listed: disk is gone") {
		t.Errorf("the bench page hides that the records cannot be listed: %d", w.Code)
	}
}

func TestReports(t *testing.T) {
	src := scene("well")
	src.report = func(w io.Writer, id, suffix string) error {
		switch id {
		case "lost":
			return fmt.Errorf("run %q: %w", id, ErrNotFound)
		case "broken":
			return errors.New("disk is gone")
		case "half":
			io.WriteString(w, "t,meter")
			return errors.New("disk is gone")
		}
		_, err := fmt.Fprintf(w, "%s of %s", suffix, id)
		return err
	}
	for _, c := range []struct {
		path   string
		status int
		kind   string
		body   string
	}{
		{"r1/report.html", 200, "text/html; charset=utf-8", ".html of r1"},
		{"r1/report.csv", 200, "text/csv; charset=utf-8", ".csv of r1"},
		{"r1/report.json", 200, "application/json", ".json of r1"},
		{"r1/report.svg", 200, "image/svg+xml", ".svg of r1"},
		{"r1/report.exe", 404, "application/json", `{"error":"there is no \"report.exe\" of a run: ask for report.pdf, report.html, report.csv, report.json, report.svg or report.png"}` + "\n"},
		{"r1/other.csv", 404, "application/json", `{"error":"there is no \"other.csv\" of a run: ask for report.pdf, report.html, report.csv, report.json, report.svg or report.png"}` + "\n"},
		{"lost/report.csv", 404, "application/json", `{"error":"run \"lost\": not found"}` + "\n"},
		{"broken/report.csv", 500, "application/json", `{"error":"disk is gone"}` + "\n"},
	} {
		w := ask(t, src, Options{}, "GET", "/api/runs/"+c.path, "", nil)
		if w.Code != c.status || w.Header().Get("Content-Type") != c.kind || w.Body.String() != c.body {
			t.Errorf("%s: %d %q %s", c.path, w.Code, w.Header().Get("Content-Type"), w.Body)
		}
	}

	// A report that breaks off must not look whole: the connection does too.
	server := httptest.NewServer(New(src, Options{}))
	defer server.Close()
	resp, err := http.Get(server.URL + "/api/runs/half/report.csv")
	if err == nil {
		_, err = io.ReadAll(resp.Body)
		resp.Body.Close()
	}
	if err == nil {
		t.Error("a report that broke off arrived as if whole")
	}
}

func TestPlainRoutes(t *testing.T) {
	metrics := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "# metrics") })
	for _, c := range []struct {
		method, path string
		status       int
		has          string
	}{
		{"GET", "/healthz", 200, "ok\n"},
		{"GET", "/metrics", 200, "# metrics"},
		{"GET", "/api/state", 200, `"ticket":"R-1187"`},
		{"GET", "/api/runs", 200, `"ticket":"R-1180"`},
		{"GET", "/trace.svg?w=600&h=200", 200, `width="600"`},
		{"GET", "/trace.svg?w=9999999&h=x", 200, `width="4000"`},
		{"GET", "/assets/panel.js", 200, "EventSource"},
		{"GET", "/assets/wall.html", 404, "there is no asset"},
		{"GET", "/nowhere", 404, ""},
		{"GET", "/api/note", 405, ""},
		{"POST", "/", 405, ""},
		{"GET", "/api/events?view=moon", 400, "there is no view"},
		{"GET", "/api/events?after=x", 400, "no event's number"},
	} {
		w := ask(t, scene("well"), Options{Metrics: metrics}, c.method, c.path, "", nil)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.has) {
			t.Errorf("%s %s: %d %.200s, want %d with %q", c.method, c.path, w.Code, w.Body, c.status, c.has)
		}
	}
	empty := scene("none")
	empty.trace = nil
	if w := ask(t, empty, Options{}, "GET", "/trace.svg", "", nil); w.Code != 404 {
		t.Errorf("a trace of nothing: %d, want 404", w.Code)
	}
}

// scenes are all the states that the pages are looked at in.
var scenes = []string{"well", "warm-up", "runaway", "over", "drift", "unknown", "cool-down", "discharged", "charge-unknown", "none", "12", "trimmed"}

var (
	inline   = regexp.MustCompile(`(?i)<style|<script[^>]*>[^<]|\son[a-z]+\s*=\s*["']|\sstyle\s*=|javascript:`)
	anywhere = regexp.MustCompile(`(?:https?:)?//[\w.-]+`)
	comments = regexp.MustCompile(`(?m)^\s*//.*$`)
)

// TestPagesKeepTheirPolicy: nothing inline that the content policy would
// block, nothing from another host, small enough for a slow link.
func TestPagesKeepTheirPolicy(t *testing.T) {
	var assetBytes int
	for _, name := range []string{"panel.css", "bench.css", "panel.js", "trace.js", "mark.svg"} {
		body := ask(t, scene("well"), Options{}, "GET", "/assets/"+name, "", nil).Body.String()
		assetBytes += len(body)
		for _, host := range anywhere.FindAllString(comments.ReplaceAllString(body, ""), -1) {
			if host != "http://www.w3.org" { // the name of the SVG name space, never fetched
				t.Errorf("%s names another host: %s", name, host)
			}
		}
	}
	for _, name := range scenes {
		for _, path := range []string{"/", "/wall", "/idle"} {
			f := scene(name)
			w := ask(t, f, Options{Job: f.job}, "GET", path, "", nil)
			body := w.Body.String()
			if w.Code != 200 {
				t.Fatalf("%s of %q: %d %s", path, name, w.Code, body)
			}
			if csp := w.Header().Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
				t.Errorf("%s: policy %q", path, csp)
			}
			if got := inline.FindString(body); got != "" {
				t.Errorf("%s of %q has something inline that the policy blocks: %q", path, name, got)
			}
			for _, host := range anywhere.FindAllString(body, -1) {
				if host != "http://www.w3.org" {
					t.Errorf("%s of %q names another host: %s", path, name, host)
				}
			}
			if n := len(body) + assetBytes; n >= 150_000 {
				t.Errorf("%s of %q weighs %d bytes with its assets", path, name, n)
			}
			if !strings.Contains(body, `<noscript><meta http-equiv="refresh"`) {
				t.Errorf("%s of %q stands still without JavaScript", path, name)
			}
		}
	}
}

// TestPagesEscape puts markup where people write words.
func TestPagesEscape(t *testing.T) {
	const evil = `"><img src=x>'&`
	f := scene("unknown")
	s := &f.state
	s.Bench, s.Ticket, s.Amplifier, s.Notices = evil, evil, evil, []string{evil}
	for i := range s.Snapshot.Sockets {
		s.Snapshot.Sockets[i].Name, s.Snapshot.Sockets[i].Tube, s.Snapshot.Sockets[i].Half = evil, evil, evil
	}
	for i := range s.Snapshot.Meters {
		s.Snapshot.Meters[i].Name, s.Snapshot.Meters[i].State, s.Snapshot.Meters[i].Text = evil, evil, evil
	}
	for i := range s.Snapshot.Alarms {
		a := &s.Snapshot.Alarms[i]
		a.ID, a.Alarm, a.Subject, a.Text, a.Advice = evil, evil, evil, evil, evil
	}
	f.events = append(f.events, alarms.Event{Seq: 99, Event: "act", Act: evil, Text: evil})
	f.trace = &chart.Trace{Title: evil, Lines: []chart.Line{{Name: evil, Series: chart.NewSeries(4)}}}
	for _, path := range []string{"/", "/wall", "/idle"} {
		body := ask(t, f, Options{Job: f.job}, "GET", path, "", nil).Body.String()
		if strings.Contains(body, "<img") || strings.Contains(body, `"">`) {
			t.Errorf("%s lets markup through", path)
		}
		if !strings.Contains(body, "&lt;img src=x&gt;") {
			t.Errorf("%s does not show the words at all", path)
		}
	}
}

// TestPagesGolden pins the words and the structure of the pages; the trace,
// which is another package's, is left out.
func TestPagesGolden(t *testing.T) {
	for _, c := range []struct{ scene, path string }{
		{"runaway", "/wall"}, {"unknown", "/wall"}, {"discharged", "/wall"}, {"none", "/wall"}, {"unknown", "/"}, {"trimmed", "/idle"}, {"first-power", "/"},
	} {
		name := strings.Trim(c.scene+"-"+strings.Trim(c.path, "/"), "-") + ".html"
		t.Run(name, func(t *testing.T) {
			f := scene(c.scene)
			f.trace = nil
			got := strings.ReplaceAll(ask(t, f, Options{Job: f.job}, "GET", c.path, "", nil).Body.String(), build, "BUILD")
			file := filepath.Join("testdata", name)
			if *update {
				if err := os.MkdirAll("testdata", 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("the page differs from %s (go test -update writes it anew):\n%s", file, diff)
			}
		})
	}
}
