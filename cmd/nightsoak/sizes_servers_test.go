//go:build servers

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate/night"
	"nightsoak/alarms"
	"nightsoak/export"
	"nightsoak/export/metrics"
)

// TestSizes measures README's table under "Many benches": what the yardstick
// of a night, eight sockets on nine meters, costs a VictoriaMetrics in series, samples and bytes on the disk,
// by lines of every reading, by lines of means of a second, and by scrapes.
// Only its first hour, unless NIGHTSOAK_LONG=1: all of it takes minutes.
func TestSizes(t *testing.T) {
	dir := t.TempDir()
	n, err := night.Yardstick()
	if err != nil {
		t.Fatal(err)
	}
	if os.Getenv("NIGHTSOAK_LONG") == "" {
		n.Long = time.Hour
	}
	info := recordThe(t, dir, n, nil)
	seconds := info.Advanced.Seconds()
	t.Logf("%.1f h, %d meters, %d readings", info.Advanced.Hours(), len(info.Meters), info.Readings)

	size := func(what string, lines int, fill func(victoria string)) {
		t.Helper()
		at := t.TempDir()
		victoria := database(t, "victoria-metrics", "victoria-metrics", "/health", func(addr string) (env, args []string) {
			return nil, []string{"-storageDataPath=" + at, "-httpListenAddr=" + addr, "-retentionPeriod=100y", "-loggerLevel=WARN", "-dedup.minScrapeInterval=1ms"}
		})
		fill(victoria)
		fetch(t, victoria+"/internal/force_flush")
		fetch(t, victoria+"/internal/force_merge")
		var figures map[string]float64
		for end := time.Now().Add(60 * time.Second); ; time.Sleep(100 * time.Millisecond) {
			figures = map[string]float64{}
			for _, l := range strings.Split(fetch(t, victoria+"/metrics"), "\n") {
				name, value, _ := strings.Cut(l, " ")
				if name, _, _ = strings.Cut(name, "{"); name == "vm_data_size_bytes" || name == "vm_rows" || name == "vm_active_merges" {
					x, err := strconv.ParseFloat(value, 64)
					if err != nil {
						t.Fatal(err, l)
					}
					if strings.Contains(l, "indexdb") {
						name += "_index"
					}
					figures[name] += x
				}
			}
			if figures["vm_active_merges"] == 0 {
				break
			}
			if time.Now().After(end) {
				t.Fatal("it merges on and on")
			}
		}
		var count struct{ Data []int }
		if err := json.Unmarshal([]byte(fetch(t, victoria+"/api/v1/series/count")), &count); err != nil || len(count.Data) != 1 {
			t.Fatal(err, count)
		}
		samples, data := figures["vm_rows"], figures["vm_data_size_bytes"]
		if samples == 0 || count.Data[0] == 0 {
			t.Errorf("%s: nothing there: %v", what, figures)
		}
		t.Logf("%s: %d series, %.0f lines/s, %.0f samples/s, %.0f samples, %.2f B a sample, %.1f MB a night of %.1f h and %.1f MB of index, so %.0f MB in 30 such nights",
			what, count.Data[0], float64(lines)/seconds, samples/seconds, samples, data/samples, data/1e6, info.Advanced.Hours(), figures["vm_data_size_bytes_index"]/1e6, 30*data/1e6)
	}
	for _, every := range []string{"0s", "1s"} { // 0: every reading
		file := filepath.Join(dir, every)
		args := []string{"export", info.ID, "--data", dir, "--every", every, "--precision", "ms", "--to"}
		must(t, append(args, "file:"+file)...)
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		size("lines, every "+every, bytes.Count(b, []byte("\n")), func(victoria string) { must(t, append(args, victoria+"/write")...) })
	}
	size("scrapes, every 5 s", 0, func(victoria string) { scrapeNight(t, n, victoria) })
}

// scrapeNight puts into a VictoriaMetrics what a scrape every 5 s of the
// night shows: the real exposition, with the labels that a scrape adds, by the
// database's own import.
func scrapeNight(t *testing.T, n *night.Night, victoria string) {
	t.Helper()
	b, err := bench.Parse("bench.toml", []byte(n.Bench))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", []byte(n.Job), b)
	if err != nil {
		t.Fatal(err)
	}
	e := alarms.New(b, j)
	started := time.Date(2026, 11, 24, 21, 4, 0, 0, time.UTC)
	h := metrics.Handler(metrics.New(func() export.State {
		return export.State{Bench: b.Name, RunID: "1", Ticket: j.Ticket, Started: started, Snapshot: e.Snapshot()}
	}, version()))
	due := 5 * time.Second
	for in := range n.Inputs() {
		for ; due <= in.T; due += 5 * time.Second {
			e.Advance(due)
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
			to := victoria + "/api/v1/import/prometheus?" + url.Values{
				"timestamp":   {fmt.Sprint(started.Add(due).UnixMilli())},
				"extra_label": {"bench=north", "job=nightsoak", "instance=127.0.0.1:8417"},
			}.Encode()
			resp, err := http.Post(to, "text/plain", w.Body)
			if err != nil {
				t.Fatal(err)
			}
			resp.Body.Close()
			if resp.StatusCode != http.StatusNoContent {
				t.Fatal(resp.Status)
			}
		}
		x := alarms.Input{T: in.T, Meter: in.Meter, Reading: in.Reading}
		if in.Act != nil {
			x.Act = &alarms.Act{Act: in.Act.Act, Socket: in.Act.Socket}
		}
		e.Feed(x)
	}
}
