//go:build servers

package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/emulate/night"
)

// database runs a real server until the test ends, and says where it listens.
func database(t *testing.T, pkg, program, ready string, args func(addr string) (env, args []string)) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		t.Fatalf("%s is not installed: apt-get install %s", program, pkg)
	}
	addr := unused(t)
	env, argv := args(addr)
	cmd := exec.CommandContext(t.Context(), path, argv...)
	cmd.Env = append(os.Environ(), env...)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Wait() }) // killed with the context
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		resp, err := http.Get("http://" + addr + ready)
		if err == nil {
			resp.Body.Close()
			return "http://" + addr
		}
		if time.Now().After(end) { // bounds failure only
			t.Fatalf("%s does not answer: %v", program, err)
		}
	}
}

func unused(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func fetch(t *testing.T, u string) string {
	t.Helper()
	resp, err := http.Get(u)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode/100 != 2 {
		t.Fatalf("%s: %s: %v %.300s", u, resp.Status, err, b)
	}
	return string(b)
}

// TestExportEqualsLive: a run is fed to InfluxDB and VictoriaMetrics while it is
// on, with its daemon killed in the middle, and again from its record. What the
// second holds is what the first does; every reading of the record is there,
// exactly; sending it once more where it is already adds nothing.
func TestExportEqualsLive(t *testing.T) {
	dir := t.TempDir()
	influx := database(t, "influxdb", "influxd", "/ping", func(addr string) (env, args []string) {
		return []string{
			"INFLUXDB_META_DIR=" + dir + "/meta", "INFLUXDB_DATA_DIR=" + dir + "/data", "INFLUXDB_DATA_WAL_DIR=" + dir + "/wal",
			"INFLUXDB_HTTP_BIND_ADDRESS=" + addr, "INFLUXDB_BIND_ADDRESS=" + unused(t),
			"INFLUXDB_REPORTING_DISABLED=true", "INFLUXDB_MONITOR_STORE_ENABLED=false", "INFLUXDB_HTTP_LOG_ENABLED=false",
		}, []string{"run", "-config", "/dev/null"}
	})
	// VictoriaMetrics counts a sample written twice twice, unless it is told
	// to keep one of a millisecond: README.
	victoria := database(t, "victoria-metrics", "victoria-metrics", "/health", func(addr string) (env, args []string) {
		return nil, []string{"-storageDataPath=" + dir + "/vm", "-httpListenAddr=" + addr, "-retentionPeriod=100y", "-loggerLevel=WARN", "-dedup.minScrapeInterval=1ms"}
	})
	for _, db := range []string{"live", "again", "means", "means-again"} {
		resp, err := http.PostForm(influx+"/query", url.Values{"q": {`CREATE DATABASE "` + db + `"`}})
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
	}
	r := newRig(t)
	f, err := os.OpenFile(r.files[1], os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = fmt.Fprintf(f, `
[[lines]]
to = "%[1]s/write?db=live"
[[lines]]
to = "%[1]s/write?db=means"
every = "1s"
[[lines]]
to = "%[2]s/write?db=live"
precision = "ms"
`, influx, victoria)
	}
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	s := start(t, append([]string{"serve"}, r.files...)...)
	s.until(t, "all meters live", 20*time.Second, live)
	s.until(t, "some seconds more", 30*time.Second, func(st remoteState) bool { return st.Run.T > 8 })
	s.Process.Kill()
	s.Wait()
	s = start(t, append([]string{"serve"}, r.files...)...)
	s.until(t, "some seconds more", 60*time.Second, func(st remoteState) bool { return live(st) && st.Run.T > 16 })
	must(t, "end", "--at", s.url)
	s.stop(t)
	var runs []struct {
		ID       string `json:"id"`
		Readings int    `json:"readings"`
	}
	if err := json.Unmarshal([]byte(must(t, "runs", "--json", "--data", r.dir)), &runs); err != nil || len(runs) != 1 {
		t.Fatal(err, runs)
	}
	run := runs[0].ID
	for _, to := range [][]string{
		{influx + "/write?db=again"},
		{influx + "/write?db=means-again", "--every", "1s"},
		{victoria + "/write?db=again", "--precision", "ms"},
	} {
		t.Log(strings.TrimSpace(must(t, append([]string{"export", run, "--data", r.dir, "--to"}, to...)...)))
	}

	// What the killed daemon had sent on and not yet recorded is in the live
	// database only: readings within a second before the kill.
	points := func(db string) map[string]bool {
		var res struct {
			Results []struct {
				Series []struct {
					Name    string
					Columns []string
					Values  [][]any
				}
			}
		}
		d := json.NewDecoder(strings.NewReader(fetch(t, influx+"/query?"+url.Values{"db": {db}, "epoch": {"ns"}, "q": {`SELECT * FROM /.*/ WHERE ticket = 'R-1187'`}}.Encode())))
		d.UseNumber()
		if err := d.Decode(&res); err != nil {
			t.Fatal(err)
		}
		all := map[string]bool{}
		for _, r := range res.Results {
			for _, s := range r.Series {
				for _, v := range s.Values {
					all[fmt.Sprint(s.Name, s.Columns, v)] = true
				}
			}
		}
		return all
	}
	compare := func(what string, live, again map[string]bool, most int) {
		missing, more := 0, 0
		for p := range again {
			if !live[p] {
				if missing++; missing < 4 {
					t.Logf("%s: only back-filled: %s", what, p)
				}
			}
		}
		for p := range live {
			if !again[p] {
				more++
			}
		}
		t.Logf("%s: %d points back-filled, %d of them missing live; %d live that the killed daemon had not recorded", what, len(again), missing, more)
		if missing > 0 || more > most || len(again) == 0 {
			t.Errorf("%s: live and back-filled differ", what)
		}
	}
	before := points("live")
	compare("influxdb", before, points("again"), 150)
	must(t, "export", run, "--data", r.dir, "--to", influx+"/write?db=live")
	if after := points("live"); len(after) != len(before) {
		t.Errorf("exported where it was already: %d points, %d before", len(after), len(before))
	}
	means, meansAgain := points("means"), points("means-again")
	compare("influxdb, 1 s means", means, meansAgain, 40)

	// Every reading of the record, by count and exact value.
	rows, err := csv.NewReader(strings.NewReader(readingsCSV(t, r.dir, run))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	count, sum := map[string]int{}, map[string]float64{}
	for _, row := range rows[1:] {
		if x, err := strconv.ParseFloat(row[2], 64); err == nil {
			scale := map[string]float64{"mV": 1e-3, "V": 1}[row[3]]
			count[row[1]]++
			sum[row[1]] += x * scale
		}
	}
	for meter, n := range count {
		got := fetch(t, influx+"/query?"+url.Values{"db": {"again"}, "q": {`SELECT count(value), sum(value) FROM nightsoak_meter WHERE "meter"='` + meter + `'`}}.Encode())
		var res struct {
			Results []struct{ Series []struct{ Values [][]any } }
		}
		if err := json.Unmarshal([]byte(got), &res); err != nil || len(res.Results[0].Series) != 1 {
			t.Fatal(err, got)
		}
		v := res.Results[0].Series[0].Values[0]
		if v[1].(float64) != float64(n) || math.Abs(v[2].(float64)-sum[meter]) > 1e-9*math.Abs(sum[meter]) {
			t.Errorf("%s: %v V of %v readings there, %g of %d in the record", meter, v[2], v[1], sum[meter], n)
		}
	}

	// VictoriaMetrics rounds to what fits a block's common power of ten, so how a
	// figure near zero reads depends on its neighbours there.
	vm := func(db string) (there map[string]bool, values map[string]float64) {
		fetch(t, victoria+"/internal/force_flush")
		all, values := map[string]bool{}, map[string]float64{}
		d := json.NewDecoder(strings.NewReader(fetch(t, victoria+"/api/v1/export?"+url.Values{"match[]": {`{db="` + db + `",ticket="R-1187"}`}}.Encode())))
		for {
			var s struct {
				Metric     map[string]string
				Values     []float64
				Timestamps []int64
			}
			if err := d.Decode(&s); err == io.EOF {
				return all, values
			} else if err != nil {
				t.Fatal(err)
			}
			delete(s.Metric, "db")
			for i, v := range s.Values {
				key := fmt.Sprint(s.Metric, s.Timestamps[i])
				all[key], values[key] = true, v
			}
		}
	}
	liveThere, liveValues := vm("live")
	againThere, againValues := vm("again")
	compare("victoria-metrics", liveThere, againThere, 300)
	readings := 0
	for p, v := range againValues {
		if l := liveValues[p]; math.Abs(v-l) > 1e-9*math.Abs(v)+1e-15 {
			t.Errorf("victoria-metrics: %s: live %g, back-filled %g", p, l, v)
		}
		if strings.Contains(p, "__name__:nightsoak_meter_value") {
			readings++
		}
	}
	if all := len(rows) - 1; readings != all {
		t.Errorf("victoria-metrics has %d readings, the record %d", readings, all)
	}
}

// readingsCSV is a run's readings as CSV.
func readingsCSV(t *testing.T, data, run string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "r.csv")
	must(t, "report", run, "--data", data, "--out", out)
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestExportNight back-fills a whole recorded night into InfluxDB and counts it
// there; beside it, the same lines made ready before and posted by nobody but a
// plain client, which is as fast as the server takes them here.
func TestExportNight(t *testing.T) {
	dir := t.TempDir()
	info := recordNight(t, dir, night.RunawayGas, 5)
	influx := database(t, "influxdb", "influxd", "/ping", func(addr string) (env, args []string) {
		return []string{
			"INFLUXDB_META_DIR=" + dir + "/meta", "INFLUXDB_DATA_DIR=" + dir + "/data", "INFLUXDB_DATA_WAL_DIR=" + dir + "/wal",
			"INFLUXDB_HTTP_BIND_ADDRESS=" + addr, "INFLUXDB_BIND_ADDRESS=" + unused(t),
			"INFLUXDB_REPORTING_DISABLED=true", "INFLUXDB_MONITOR_STORE_ENABLED=false", "INFLUXDB_HTTP_LOG_ENABLED=false",
		}, []string{"run", "-config", "/dev/null"}
	})
	for _, db := range []string{"bulk", "export"} {
		resp, err := http.PostForm(influx+"/query", url.Values{"q": {`CREATE DATABASE "` + db + `"`}})
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
	}
	timed := func(do func()) float64 {
		began := time.Now()
		do()
		return time.Since(began).Seconds()
	}
	out := filepath.Join(dir, "night.lp")
	toFile := timed(func() { must(t, "export", info.ID, "--data", dir, "--to", "file:"+out) })
	all, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.SplitAfter(strings.TrimSuffix(string(all), "\n"), "\n")
	bulk := timed(func() {
		for n := 0; n < len(lines); n += 5000 {
			resp, err := http.Post(influx+"/write?db=bulk", "text/plain", strings.NewReader(strings.Join(lines[n:min(n+5000, len(lines))], "")))
			if err != nil {
				t.Fatal(err)
			}
			resp.Body.Close()
			if resp.StatusCode != http.StatusNoContent {
				t.Fatal(resp.Status)
			}
		}
	})
	toServer := timed(func() { must(t, "export", info.ID, "--data", dir, "--to", influx+"/write?db=export") })
	n := float64(len(lines))
	t.Logf("%.1f h, %d readings, %d lines: to a file %.0f lines/s, exported to the server %.0f, the server's own bulk load %.0f", info.Advanced.Hours(), info.Readings, len(lines), n/toFile, n/toServer, n/bulk)
	counted := 0
	for _, m := range []string{"nightsoak_meter", "nightsoak_socket", "nightsoak_event"} {
		field := map[string]string{"nightsoak_meter": "value", "nightsoak_socket": "cathode_current_a", "nightsoak_event": "text"}[m]
		var res struct {
			Results []struct{ Series []struct{ Values [][]any } }
		}
		var counts [2]float64
		for i, db := range []string{"bulk", "export"} {
			got := fetch(t, influx+"/query?"+url.Values{"db": {db}, "q": {"SELECT count(" + field + ") FROM " + m}}.Encode())
			if err := json.Unmarshal([]byte(got), &res); err != nil || len(res.Results[0].Series) != 1 {
				t.Fatal(err, got)
			}
			counts[i] = res.Results[0].Series[0].Values[0][1].(float64)
		}
		with := 0
		for _, l := range lines {
			if strings.HasPrefix(l, m+",") && strings.Contains(l, field+"=") {
				with++
			}
		}
		if counts[0] != float64(with) || counts[1] != float64(with) {
			t.Errorf("%s: %v in bulk and export, %d lines have the field", m, counts, with)
		}
		counted += with
	}
	if counted == 0 {
		t.Error("nothing was counted")
	}
}
