package panel

import (
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/export"
	"nightsoak/export/report/chart"
)

// TestLooks: what is asked for by URL is what is shown, whatever is asked.
func TestLooks(t *testing.T) {
	for _, c := range []struct{ query, from, to, marked string }{
		{"", "0", "9144", "Whole run"},
		{"?from=600&to=1200", "600", "1200", "Share of limit"},
		{"?from=600&to=601", "591", "601", "All"},
		{"?last=600", "8544", "9144", "Last 10 min"},
		{"?last=3600&show=current", "5544", "9144", "Last hour"},
		{"?from=1200&to=600&show=volts&socket=V6", "590", "600", "V6"},
		{"?from=-5&to=NaN&last=x&show=%3Cb%3E&w=-1", "0", "9144", "Share of limit"},
		{"?from=1e300&to=Inf", "0", "9144", "Whole run"},
		{"?from=99999&to=999999", "9134", "9144", "All"},
	} {
		f := scene("well")
		for _, path := range []string{"/", "/trace", "/runs/" + f.state.RunID} {
			w := ask(t, f, Options{Job: f.job}, "GET", path+c.query, "", nil)
			body := w.Body.String()
			if w.Code != 200 || !strings.Contains(body, `data-from="`+c.from+`" data-to="`+c.to+`"`) {
				t.Errorf("%s%s: %d, %s", path, c.query, w.Code, regexp.MustCompile(`data-from[^>]*`).FindString(body))
			}
			if !strings.Contains(body, `aria-current="true">`+c.marked+`<`) {
				t.Errorf("%s%s does not say that it shows %s", path, c.query, c.marked)
			}
		}
	}
}

// TestLooksWithoutScript: links alone lead in, along and out again.
func TestLooksWithoutScript(t *testing.T) {
	f := scene("well")
	step := func(query, does string) string {
		t.Helper()
		body := ask(t, f, Options{Job: f.job}, "GET", "/"+query, "", nil).Body.String()
		m := regexp.MustCompile(`<a href="([^"]*)"[^>]* aria-label="` + does + `"`).FindStringSubmatch(body)
		if m == nil {
			t.Fatalf("no way %s from %q", does, query)
		}
		return strings.ReplaceAll(m[1], "&amp;", "&")
	}
	q := step("?from=600&to=1200&show=current", "zoom in")
	if q != "?from=750&show=current&to=1050" {
		t.Errorf("zoomed in: %q", q)
	}
	if q = step(q, "later"); q != "?from=900&show=current&to=1200" {
		t.Errorf("later: %q", q)
	}
	if q = step(q, "zoom out"); q != "?from=750&show=current&to=1350" {
		t.Errorf("zoomed out: %q", q)
	}
	for range 8 {
		if q == "?show=current" {
			break
		}
		q = step(q, "zoom out")
	}
	if q != "?show=current" {
		t.Errorf("zooming out ends at %q", q)
	}
}

// TestRead: the read-out has time, clock and every line, be it a range or not known.
func TestRead(t *testing.T) {
	f := scene("well")
	body := ask(t, f, Options{}, "GET", "/trace/at?from=3599&to=3601", "", nil).Body.String()
	for _, want := range []string{"1:00:00.0 into the run", time.Date(2026, 1, 14, 21, 12, 0, 0, time.UTC).Local().Format("15:04:05"), "V5</small> <b>63.1 %", "V6</small> <b>62.0 to 152.0 %", "V7</small> <b>unknown"} {
		if !strings.Contains(body, want) {
			t.Errorf("no %q in %s", want, body)
		}
	}
	if body := ask(t, f, Options{}, "GET", "/trace/at?run=%3Cimg%3E", "", nil).Body.String(); strings.Contains(body, "<img") || !strings.Contains(body, "&lt;img&gt;") {
		t.Errorf("a run that is none: %s", body)
	}
}

// TestRunPages: lists, pages of runs and comparing.
func TestRunPages(t *testing.T) {
	const on, old, older = "20260114-2012-R-1187", "20260112-1955-R-1180", "20260110-1802-R-1180"
	for _, c := range []struct {
		path   string
		status int
		has    string
	}{
		{"/runs", 200, "Runaway of V7: see the alarms."},
		{"/runs", 200, "on now: soak"},
		{"/runs", 200, "open it to see"},
		{"/runs", 200, `href="api/runs/` + old + `/report.pdf"`},
		{"/runs?ticket=R-1187", 200, "four-tube bass head"},
		{"/runs?after=" + old, 200, older},
		{"/runs/" + on, 200, "Settled and stayed within its limits"},
		{"/runs/" + on, 200, "fan turned to the back panel"},
		{"/runs/" + on, 200, `href="../api/runs/` + on + `/report.json"`},
		{"/runs/" + on, 200, `<option value="` + old + `">`},
		{"/runs/none", 404, "No such run"},
		{"/runs/" + on + "/job.toml", 200, `ticket = "R-1187"`},
		{"/runs/none/job.toml", 404, "there is no run"},
		{"/compare", 400, "Choose two runs"},
		{"/compare?run=" + on, 400, "1 were chosen"},
		{"/compare?run=" + on + "&run=" + on, 400, "Choose two runs"},
		{"/compare?run=" + on + "&run=none", 404, "not in the record"},
		{"/compare?run=" + old + "&run=" + older, 303, ""},
	} {
		w := ask(t, scene("well"), Options{}, "GET", c.path, "", nil)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.has) {
			t.Errorf("%s: %d, want %d with %q", c.path, w.Code, c.status, c.has)
		}
		if csp := w.Header().Get("Content-Security-Policy"); strings.Contains(csp, "unsafe") || csp == "" {
			t.Errorf("%s: policy %q", c.path, csp)
		}
		if c.status == http.StatusOK && inline.FindString(w.Body.String()) != "" {
			t.Errorf("%s has something inline", c.path)
		}
	}
	if w := ask(t, scene("well"), Options{}, "GET", "/runs?ticket=R-1187", "", nil); strings.Contains(w.Body.String(), "R-1180") {
		t.Error("another ticket's runs are listed")
	}
	// The later one's report leads, whichever was named first.
	for _, path := range []string{"/compare?run=" + old + "&run=" + older, "/compare?run=" + older + "&run=" + old} {
		if to := ask(t, scene("well"), Options{}, "GET", path, "", nil).Header().Get("Location"); to != "api/runs/"+old+"/report.html?against="+older {
			t.Errorf("%s leads to %q", path, to)
		}
	}
}

// TestRunPagesEscape puts markup where people write words.
func TestRunPagesEscape(t *testing.T) {
	const evil = `"><img src=x>'&`
	f := scene("well")
	f.state.Ticket, f.state.Amplifier, f.state.Bench = evil, evil, evil
	f.jobs.Sockets[0].Name = evil
	f.events = append(f.events, alarms.Event{Seq: 99, Event: "act", Act: "note", Text: evil})
	f.trace.Marks = []chart.Mark{{T: time.Hour, Text: evil}}
	for _, path := range []string{"/", "/runs", "/runs/" + f.state.RunID, "/trace"} {
		body := ask(t, f, Options{Job: f.job}, "GET", path, "", nil).Body.String()
		if strings.Contains(body, "<img") || strings.Contains(body, `"">`) {
			t.Errorf("%s lets markup through", path)
		}
		if !strings.Contains(body, "&lt;img src=x&gt;") {
			t.Errorf("%s does not show the words at all", path)
		}
	}
}

// TestPace: readings a second of run time, of the last seconds.
func TestPace(t *testing.T) {
	var p pace
	at := time.Date(2026, 1, 14, 20, 12, 0, 0, time.UTC)
	say := func(wall, run time.Duration, n uint64) string {
		s := export.State{RunID: "r"}
		s.Snapshot.T, s.Snapshot.Meters = run, []alarms.MeterState{{Readings: n}}
		v := &view{Meters: make([]meterView, 1)}
		p.say(v, &s, at.Add(wall))
		return v.Meters[0].Pace
	}
	for _, c := range []struct {
		wall, run time.Duration
		n         uint64
		want      string
	}{
		{0, 100 * time.Second, 250, "2.5 a second"},
		{5 * time.Second, 105 * time.Second, 300, "10.0 a second"},
		{9 * time.Second, 109 * time.Second, 300, "5.6 a second"},
		{14 * time.Second, 114 * time.Second, 300, "0.0 a second"}, // silent
		{15 * time.Second, 10 * time.Millisecond, 0, "unknown"},    // another run
	} {
		if got := say(c.wall, c.run, c.n); got != c.want {
			t.Errorf("at %v: %q, want %q", c.wall, got, c.want)
		}
	}
}
