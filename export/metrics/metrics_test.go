package metrics

import (
	"flag"
	"fmt"
	"io"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export"
)

var update = flag.Bool("update", false, "write the golden anew")

func is(x float64) socket.Value { return socket.Value{X: x, Known: true} }

// bench is the demo's bench with two sockets: all is known of V7, nothing of V8.
func bench() export.State {
	return export.State{
		Bench: "north", RunID: "r1", Ticket: "R-1187",
		Snapshot: alarms.Snapshot{
			T: 152 * time.Minute, Phase: alarms.Soak, HT: alarms.HTState{Volts: is(462)},
			Sockets: []alarms.SocketState{
				{Name: "V7", Tube: "6L6GC", Settled: true, DriftPerHour: is(0.84), Figures: socket.Figures{
					CathodeCurrent: is(0.0413), PlateCurrent: is(0.0413), PlateVolts: is(462), PlateDissipation: is(19.0806), DissipationRatio: is(0.63602)}},
				{Name: "V8", Tube: "6L6GC"},
			},
			Meters: []alarms.MeterState{
				{Name: "k3", State: "ok", Age: is(0.2), Readings: 45600},
				{Name: "k4", State: "waiting"},
			},
			Watches: []alarms.WatchState{{Name: "heater", Value: is(6.3), Quantity: drivers.Voltage}, {Name: "hum", Quantity: drivers.Voltage}},
			Alarms: []alarms.AlarmState{
				{Alarm: "runaway", Subject: "V7", Priority: alarms.High, Active: true},
				{Alarm: "drift", Subject: "V7", Priority: alarms.Medium},
			},
		},
		Rejects: []drivers.Rejects{{drivers.Short: 2, drivers.BadDigit: 1}},
	}
}

// scrape is the exposition of s as a server asks for it.
func scrape(t *testing.T, s export.State, accept string) (body, contentType string) {
	t.Helper()
	server := httptest.NewServer(Handler(New(func() export.State { return s }, "0.1")))
	defer server.Close()
	req := httptest.NewRequest("GET", server.URL, nil)
	req.RequestURI = ""
	if accept != "" {
		req.Header.Set("Accept", accept)
	}
	resp, err := server.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != 200 {
		t.Fatal(resp.Status, err, string(b))
	}
	return string(b), resp.Header.Get("Content-Type")
}

var goVersion = regexp.MustCompile(`goversion="[^"]*"`)

// TestExposition compares the whole of our own exposition with its golden.
func TestExposition(t *testing.T) {
	body, _ := scrape(t, bench(), "")
	var own strings.Builder
	for line := range strings.Lines(body) {
		if strings.Contains(line, "nightsoak_") {
			own.WriteString(goVersion.ReplaceAllString(line, `goversion="GO"`))
		}
	}
	const file = "testdata/bench.prom"
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(own.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), own.String()); diff != "" {
		t.Errorf("the exposition differs from %s (go test -update writes it anew):\n%s", file, diff)
	}
}

// TestUnknownIsAbsent: of a socket of which nothing is known there is only
// that it has not settled; a meter never heard has no age.
func TestUnknownIsAbsent(t *testing.T) {
	body, _ := scrape(t, bench(), "")
	for line := range strings.Lines(body) {
		if strings.Contains(line, `"V8"`) && !strings.HasPrefix(line, "nightsoak_socket_settled") {
			t.Errorf("V8 is not known, and yet: %s", line)
		}
		if strings.HasPrefix(line, "nightsoak_meter_reading_age_seconds") && strings.Contains(line, `"k4"`) || strings.Contains(line, `"hum"`) {
			t.Errorf("never read, and yet: %s", line)
		}
	}
	none, _ := scrape(t, export.State{Bench: "north"}, "")
	if got := regexp.MustCompile(`(?m)^nightsoak_\w+`).FindAllString(none, -1); len(got) != 1 || got[0] != "nightsoak_build_info" {
		t.Errorf("without a run: %v", got)
	}
}

// TestLint is the library's own check of names, help and types, the one that
// promtool runs.
func TestLint(t *testing.T) {
	problems, err := testutil.CollectAndLint(New(bench, "0.1"))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func TestOpenMetrics(t *testing.T) {
	body, kind := scrape(t, bench(), "application/openmetrics-text; version=1.0.0")
	if !strings.HasPrefix(kind, "application/openmetrics-text") || !strings.HasSuffix(body, "# EOF\n") {
		t.Errorf("%q ends %q", kind, body[max(0, len(body)-20):])
	}
}

// TestRulesNameWhatIs: the rules ask for no metric that we do not have.
func TestRulesNameWhatIs(t *testing.T) {
	rules, err := os.ReadFile("prometheus/rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	have, _ := scrape(t, bench(), "")
	asked := regexp.MustCompile(`\bnightsoak_\w+`).FindAllString(string(rules), -1)
	if len(asked) < 6 {
		t.Errorf("only %v found", asked)
	}
	for _, name := range asked {
		recorded := strings.Contains(string(rules), ":"+name+":") && !strings.Contains(have, "\n"+name+"{")
		if !recorded && !strings.Contains(have, "\n"+name+"{") {
			t.Errorf("no metric %s", name)
		}
	}
}

// large is a bench of n meters and as many sockets, with an alarm for each.
func large(n int) export.State {
	s := export.State{Bench: "north", RunID: "r1", Ticket: "R-1187", Snapshot: alarms.Snapshot{Phase: alarms.Soak, HT: alarms.HTState{Volts: is(462)}}}
	for i := range n {
		v := bench().Snapshot.Sockets[0]
		v.Name = fmt.Sprint("V", i)
		m := bench().Snapshot.Meters[0]
		m.Name = fmt.Sprint("k", i)
		s.Snapshot.Sockets = append(s.Snapshot.Sockets, v)
		s.Snapshot.Meters = append(s.Snapshot.Meters, m)
		s.Snapshot.Alarms = append(s.Snapshot.Alarms, alarms.AlarmState{Alarm: "runaway", Subject: v.Name, Priority: alarms.High, Active: true})
		s.Rejects = append(s.Rejects, drivers.Rejects{})
	}
	return s
}

// TestCardinality holds the number of series to what DEVELOPERS.md says: 7 a
// socket, 9 a meter, one for each watch and each alarm that stands, and 3.
func TestCardinality(t *testing.T) {
	for _, n := range []int{1, 9, 64} {
		body, _ := scrape(t, large(n), "")
		got := len(regexp.MustCompile(`(?m)^nightsoak_`).FindAllString(body, -1))
		if want := 7*n + 9*n + n + 3; got != want {
			t.Errorf("%d sockets, meters and alarms: %d series, want %d", n, got, want)
		}
	}
}

// BenchmarkScrape is a scrape of 64 meters and sockets, beside the same number
// of plain gauges of the library in one registry.
func BenchmarkScrape(b *testing.B) {
	s := large(64)
	plain := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "plain", Help: "Plain."}, []string{"a", "b"})
	for i := range 16*64 + 3 {
		plain.WithLabelValues(fmt.Sprint(i), "6L6GC").Set(float64(i))
	}
	for _, c := range []struct {
		name string
		of   prometheus.Collector
	}{{"ours", New(func() export.State { return s }, "0.1")}, {"plain", plain}} {
		b.Run(c.name, func(b *testing.B) {
			h := Handler(c.of)
			b.ReportAllocs()
			for b.Loop() {
				h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/metrics", nil))
			}
		})
	}
}
