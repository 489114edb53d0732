//go:build servers

package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"nightsoak/acquire/socket"
)

const promFiles = "../../export/metrics/prometheus"

// influxdb runs a real InfluxDB with an empty database named bench.
func influxdb(t *testing.T, dir string) string {
	t.Helper()
	influx := database(t, "influxdb", "influxd", "/ping", func(addr string) (env, args []string) {
		return []string{
			"INFLUXDB_META_DIR=" + dir + "/meta", "INFLUXDB_DATA_DIR=" + dir + "/data", "INFLUXDB_DATA_WAL_DIR=" + dir + "/wal",
			"INFLUXDB_HTTP_BIND_ADDRESS=" + addr, "INFLUXDB_BIND_ADDRESS=" + unused(t),
			"INFLUXDB_REPORTING_DISABLED=true", "INFLUXDB_MONITOR_STORE_ENABLED=false", "INFLUXDB_HTTP_LOG_ENABLED=false",
		}, []string{"run", "-config", "/dev/null"}
	})
	resp, err := http.PostForm(influx+"/query", url.Values{"q": {"CREATE DATABASE bench"}})
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	return influx
}

// witness stands between Prometheus and a daemon: of each scrape it keeps what
// /api/state said just before and just after, where that is one moment.
type witness struct {
	mu    sync.Mutex
	seen  []witnessed
	moved int // scrapes with another moment before than after
}

type witnessed struct {
	at    time.Time
	state witnessedState
}

type witnessedState struct {
	Run     struct{ T float64 }
	Sockets []map[string]any
}

func (w *witness) before(t *testing.T, daemon string) string {
	get := func(path string) ([]byte, http.Header, error) {
		resp, err := http.Get(daemon + path)
		if err != nil {
			return nil, nil, err
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		return b, resp.Header, err
	}
	s := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		at := time.Now()
		var first, last witnessedState
		one, _, err := get("api/state")
		body, header, err2 := get("metrics")
		two, _, err3 := get("api/state")
		if err != nil || err2 != nil || err3 != nil {
			rw.WriteHeader(http.StatusBadGateway)
			return
		}
		if strings.HasPrefix(r.UserAgent(), "Prometheus") && json.Unmarshal(one, &first) == nil && json.Unmarshal(two, &last) == nil {
			w.mu.Lock()
			if first.Run.T == last.Run.T {
				w.seen = append(w.seen, witnessed{at, first})
			} else {
				w.moved++
			}
			w.mu.Unlock()
		}
		rw.Header().Set("Content-Type", header.Get("Content-Type"))
		rw.Write(body)
	}))
	t.Cleanup(s.Close)
	return strings.TrimPrefix(s.URL, "http://")
}

// series is one of an answer of Prometheus or VictoriaMetrics.
type series struct {
	Metric map[string]string
	Values [][2]any // of a range
	Value  [2]any   // of a moment
}

func promQL(t *testing.T, base, query string) []series {
	t.Helper()
	var res struct{ Data struct{ Result []series } }
	got := fetch(t, base+"/api/v1/query?"+url.Values{"query": {query}}.Encode())
	if err := json.Unmarshal([]byte(got), &res); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return res.Data.Result
}

// benchesIn are the benches that a query's answer speaks of.
func benchesIn(all []series) []string {
	benches := map[string]bool{}
	for _, s := range all {
		benches[s.Metric["bench"]] = true
	}
	return slices.Sorted(maps.Keys(benches))
}

// panels are the queries of a ready dashboard, by panel.
func panels(t *testing.T, name string) (queries map[string][]string, variables []string) {
	t.Helper()
	text, err := os.ReadFile("../../export/metrics/dashboards/" + name)
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
		Templating struct{ List []struct{ Query any } }
	}
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	queries = map[string][]string{}
	for _, p := range d.Panels {
		for _, q := range p.Targets {
			queries[p.Title] = append(queries[p.Title], q.Expr)
		}
	}
	for _, v := range d.Templating.List {
		if q, ok := v.Query.(string); ok && strings.HasPrefix(q, "label_values(") {
			variables = append(variables, q)
		}
	}
	if len(queries) < 4 || len(variables) == 0 {
		t.Fatalf("%s: %d panels, %d variables", name, len(queries), len(variables))
	}
	return queries, variables
}

func eventually(t *testing.T, what string, within time.Duration, so func() (string, bool)) time.Duration {
	t.Helper()
	began := time.Now()
	for {
		got, ok := so()
		if ok {
			return time.Since(began)
		}
		if time.Since(began) > within { // bounds failure only
			t.Fatalf("%s: not within %v: %.2000s", what, within, got)
		}
		time.Sleep(200 * time.Millisecond)
	}
}

// TestBenches: three daemons feed one VictoriaMetrics, by scrape and by lines of
// version 1 and 2, and one InfluxDB; one Prometheus with our example and our
// rules scrapes them, and a real Alertmanager is told. Every reading queried
// back is the record's, decimal for decimal; each scrape agrees with
// /api/state; every query of the dashboards has an answer and tells the benches
// apart; one daemon is killed, and exactly its alert fires.
func TestBenches(t *testing.T) {
	dir := t.TempDir()
	influx := influxdb(t, dir)

	// The example's files, but for addresses and a faster scrape.
	if err := os.CopyFS(dir+"/prom", os.DirFS(promFiles)); err != nil {
		t.Fatal(err)
	}
	alertmanagerConfig := filepath.Join(dir, "alertmanager.yml")
	if err := os.WriteFile(alertmanagerConfig, []byte("route: { receiver: bench }\nreceivers: [{ name: bench }]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	alertmanager := database(t, "prometheus-alertmanager", "prometheus-alertmanager", "/-/ready", func(addr string) (env, args []string) {
		return nil, []string{"--config.file=" + alertmanagerConfig, "--storage.path=" + dir + "/am", "--web.listen-address=" + addr, "--cluster.listen-address="}
	})
	config, err := os.ReadFile(dir + "/prom/prometheus.yml")
	if err != nil {
		t.Fatal(err)
	}
	own := strings.NewReplacer(": 5s", ": 1s", "127.0.0.1:9093", strings.TrimPrefix(alertmanager, "http://"), "refresh_interval: 1m", "refresh_interval: 1s").Replace(string(config))
	targets := dir + "/prom/benches.yml"
	if err := os.WriteFile(dir+"/prom/prometheus.yml", []byte(own), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(targets, []byte("[]"), 0o600); err != nil {
		t.Fatal(err)
	}
	victoria := database(t, "victoria-metrics", "victoria-metrics", "/health", func(addr string) (env, args []string) {
		return nil, []string{"-storageDataPath=" + dir + "/vm", "-httpListenAddr=" + addr, "-retentionPeriod=100y", "-loggerLevel=WARN", "-dedup.minScrapeInterval=1ms",
			"-promscrape.config=" + dir + "/prom/prometheus.yml", "-promscrape.config.strictParse=false", "-promscrape.fileSDCheckInterval=1s", "-search.latencyOffset=0s"}
	})
	prometheus := database(t, "prometheus", "prometheus", "/-/ready", func(addr string) (env, args []string) {
		return nil, []string{"--config.file=" + dir + "/prom/prometheus.yml", "--storage.tsdb.path=" + dir + "/tsdb", "--web.listen-address=" + addr, "--log.level=error"}
	})

	rigs, daemons, eye := map[string]*rig{}, map[string]*server{}, &witness{}
	for _, name := range []string{"south", "west"} {
		r := newRig(t)
		text, err := os.ReadFile(r.files[1])
		if err != nil {
			t.Fatal(err)
		}
		mine := strings.Replace(string(text), `name = "north"`, fmt.Sprintf("name = %q", name), 1) + fmt.Sprintf(`
[[lines]]
to = "%[1]s/write?db=bench"
[[lines]]
to = "%[2]s/write?db=v1"
precision = "ms"
[[lines]]
to = "%[2]s/api/v2/write?org=o&bucket=b&extra_label=db=v2"
precision = "ms"
`, influx, victoria)
		if err := os.WriteFile(r.files[1], []byte(mine), 0o600); err != nil {
			t.Fatal(err)
		}
		rigs[name], daemons[name] = r, start(t, append([]string{"serve"}, r.files...)...)
	}
	daemons["north"] = start(t, "demo", "--speed", "60", "--listen", "127.0.0.1:0", "--dir", filepath.Join(dir, "demo"))
	list := ""
	for name, s := range daemons {
		at := strings.Trim(strings.TrimPrefix(s.url, "http://"), "/")
		if name == "south" {
			at = eye.before(t, s.url)
		}
		list += fmt.Sprintf("- targets: [%q]\n  labels: { bench: %s }\n", at, name)
	}
	if err := os.WriteFile(targets, []byte(list), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"south", "west"} {
		daemons[name].until(t, "all meters live", 60*time.Second, live)
	}

	alerts := func() (all []map[string]string) {
		var got []struct{ Labels map[string]string }
		if err := json.Unmarshal([]byte(fetch(t, alertmanager+"/api/v2/alerts")), &got); err != nil {
			t.Fatal(err)
		}
		for _, a := range got {
			all = append(all, a.Labels)
		}
		return all
	}
	eventually(t, "the demo's runaway is in the Alertmanager", 3*time.Minute, func() (string, bool) {
		all := alerts()
		return fmt.Sprint(all), slices.ContainsFunc(all, func(l map[string]string) bool {
			return l["alertname"] == "NightsoakAlarm" && l["bench"] == "north" && l["alarm"] == "runaway" && l["subject"] == "V7"
		})
	})

	// Every query of every dashboard has an answer, for all benches and for each.
	fill := func(q, bench string) string {
		return strings.NewReplacer("$bench", bench, "$ticket", "R-1187", "$__interval", "30s").Replace(q)
	}
	asked := 0
	for name, bases := range map[string][]string{"wall.json": {prometheus, victoria}, "warm-up.json": {prometheus, victoria}, "benches.json": {prometheus, victoria}, "night.json": {victoria}} {
		queries, variables := panels(t, name)
		for _, base := range bases {
			for _, v := range variables {
				metric, label, _ := strings.Cut(strings.TrimSuffix(strings.TrimPrefix(v, "label_values("), ")"), ", ")
				if got := promQL(t, base, "count by ("+label+") ("+fill(metric, ".+")+")"); len(got) == 0 || got[0].Metric[label] == "" {
					t.Errorf("%s: %s gives no %s", name, v, label)
				}
				asked++
			}
			for panel, exprs := range queries {
				want := []string{"north", "south", "west"}
				switch {
				case panel == "Alarms that stand" || panel == "Drift, per hour": // of the emulated hours only
					want = []string{"north"}
				case name == "night.json":
					want = []string{"south", "west"}
				}
				for _, expr := range exprs {
					got := benchesIn(promQL(t, base, fill(expr, ".+")))
					for began := time.Now(); !slices.Equal(got, want) && time.Since(began) < time.Minute; time.Sleep(time.Second) { // an alarm may still have to come
						got = benchesIn(promQL(t, base, fill(expr, ".+")))
					}
					if !slices.Equal(got, want) {
						t.Errorf("%s, %s: %s speaks of %v, want %v", name, panel, expr, got, want)
					}
					if got := benchesIn(promQL(t, base, fill(expr, want[0]))); !slices.Equal(got, want[:1]) {
						t.Errorf("%s, %s: %s, asked for %s, speaks of %v", name, panel, expr, want[0], got)
					}
					asked += 2
				}
			}
		}
	}
	t.Logf("%d queries of the dashboards asked", asked)

	// One vanishes.
	daemons["south"].until(t, "half a minute of run", 2*time.Minute, func(st remoteState) bool { return st.Run.T > 30 })
	daemons["west"].Process.Kill()
	daemons["west"].Wait()
	took := eventually(t, "the alert of the bench that vanished", 3*time.Minute, func() (string, bool) {
		all := alerts()
		return fmt.Sprint(all), slices.ContainsFunc(all, func(l map[string]string) bool { return l["alertname"] == "NightsoakDown" && l["bench"] == "west" })
	})
	for _, l := range alerts() {
		if l["alertname"] == "NightsoakDown" && l["bench"] != "west" {
			t.Errorf("an alert of a bench that is there: %v", l)
		}
	}
	t.Logf("NightsoakDown of the killed daemon was in the Alertmanager after %v", took.Round(time.Second))

	agree(t, prometheus, eye)
	must(t, "end", "--at", daemons["south"].url)
	daemons["south"].stop(t)
	equalsRecord(t, influx, victoria, rigs["south"].dir)
}

// agree holds what Prometheus has of bench south to what /api/state said at each scrape.
func agree(t *testing.T, prometheus string, eye *witness) {
	eye.mu.Lock()
	defer eye.mu.Unlock()
	fields := map[string]string{
		"nightsoak_socket_cathode_current_amperes": "cathode_current_a", "nightsoak_socket_plate_current_amperes": "plate_current_a",
		"nightsoak_socket_plate_volts": "plate_volts", "nightsoak_socket_plate_dissipation_watts": "plate_dissipation_w",
		"nightsoak_socket_dissipation_ratio": "dissipation_ratio"}
	compared, unknown := 0, 0
	for metric, field := range fields {
		type sample struct {
			at float64
			v  float64
		}
		have := map[string][]sample{}
		for _, s := range promQL(t, prometheus, metric+`{bench="south"}[10m]`) {
			for _, v := range s.Values {
				x, err := strconv.ParseFloat(v[1].(string), 64)
				if err != nil {
					t.Fatal(err)
				}
				have[s.Metric["socket"]] = append(have[s.Metric["socket"]], sample{v[0].(float64), x})
			}
		}
		for _, w := range eye.seen {
			at := float64(w.at.UnixNano()) / 1e9
			for _, s := range w.state.Sockets {
				name := s["name"].(string)
				i := slices.IndexFunc(have[name], func(p sample) bool { return p.at > at-0.4 && p.at < at+0.1 }) // a scrape is stamped as it is sent
				want, known := s[field].(float64)
				switch {
				case known && i < 0 && time.Since(w.at) > 3*time.Second:
					t.Errorf("%s of %s: %g in /api/state, no sample of that scrape", metric, name, want)
				case !known && i >= 0:
					t.Errorf("%s of %s: unknown in /api/state, %g in Prometheus", metric, name, have[name][i].v)
				case known && i >= 0:
					if got := socket.Round(have[name][i].v); got != socket.Round(want) {
						t.Errorf("%s of %s: %g in /api/state, %g in Prometheus", metric, name, want, got)
					}
					compared++
				default:
					unknown++
				}
			}
		}
	}
	t.Logf("%d figures of %d scrapes agree with /api/state, %d were unknown in both; at %d scrapes the state moved meanwhile", compared, len(eye.seen), unknown, eye.moved)
	if compared < 100 {
		t.Error("that is too few to say that they agree")
	}
}

// equalsRecord holds the readings in the databases to those of the record of
// bench south: number, order and every decimal.
func equalsRecord(t *testing.T, influx, victoria, data string) {
	var runs []struct {
		ID string `json:"id"`
	}
	if err := json.Unmarshal([]byte(must(t, "runs", "--json", "--data", data)), &runs); err != nil || len(runs) != 1 {
		t.Fatal(err, runs)
	}
	rows, err := csv.NewReader(strings.NewReader(readingsCSV(t, data, runs[0].ID))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	decimal := func(s string) *big.Rat {
		r, ok := new(big.Rat).SetString(s)
		if !ok {
			t.Fatalf("%q is no number", s)
		}
		return r
	}
	want := map[string][]*big.Rat{}
	for _, row := range rows[1:] {
		if row[2] != "OL" {
			want[row[1]] = append(want[row[1]], decimal(row[2]+map[string]string{"mV": "e-3", "V": ""}[row[3]]))
		}
	}
	// VictoriaMetrics shows nothing of the last moments at first.
	eventually(t, "VictoriaMetrics shows all it was given", 60*time.Second, func() (string, bool) {
		fetch(t, victoria+"/internal/force_flush")
		got := promQL(t, victoria, `sum(count_over_time(nightsoak_meter_value{db="v2",bench="south",ticket="R-1187"}[10m]))`)
		n := 0
		for _, values := range want {
			n += len(values)
		}
		return fmt.Sprint(got, n), len(got) == 1 && fmt.Sprint(got[0].Value[1]) == strconv.Itoa(n)
	})
	for meter, values := range want {
		got := map[string][]*big.Rat{}
		var res struct {
			Results []struct {
				Series []struct{ Values [][]json.Number }
			}
		}
		if err := json.Unmarshal([]byte(fetch(t, influx+"/query?"+url.Values{"db": {"bench"}, "epoch": {"ns"}, "q": {
			`SELECT value FROM nightsoak_meter WHERE bench='south' AND ticket='R-1187' AND "meter"='` + meter + `'`}}.Encode())), &res); err != nil || len(res.Results[0].Series) != 1 {
			t.Fatal(err, meter)
		}
		for _, v := range res.Results[0].Series[0].Values {
			got["influxdb, version 1"] = append(got["influxdb, version 1"], decimal(v[1].String()))
		}
		for _, way := range []string{"v1", "v2"} {
			all := fetch(t, victoria+"/api/v1/export?"+url.Values{"match[]": {`nightsoak_meter_value{db="` + way + `",bench="south",ticket="R-1187",meter="` + meter + `"}`}}.Encode())
			var s struct{ Values []json.Number }
			if err := json.Unmarshal([]byte(all), &s); err != nil { // one series, one line
				t.Fatal(way, meter, err)
			}
			for _, v := range s.Values {
				got["victoria-metrics, "+way] = append(got["victoria-metrics, "+way], decimal(v.String()))
			}
		}
		sum := func(all []*big.Rat) *big.Rat {
			s := new(big.Rat)
			for _, x := range all {
				s.Add(s, x)
			}
			return s
		}
		for place, there := range got {
			wrong := 0
			for i := range min(len(there), len(values)) {
				if there[i].Cmp(values[i]) != 0 {
					wrong++
				}
			}
			t.Logf("%s, %s: %d readings, sum %s V; the record %d, %s V", place, meter, len(there), sum(there).FloatString(6), len(values), sum(values).FloatString(6))
			if len(there) != len(values) || wrong > 0 || sum(there).Cmp(sum(values)) != 0 {
				t.Errorf("%s, %s: %d of the record's %d readings, %d of them other", place, meter, len(there), len(values), wrong)
			}
		}
	}
	if len(want) != 5 {
		t.Errorf("%d meters in the record", len(want))
	}
}
