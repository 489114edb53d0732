//go:build servers

package lines

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/alarms"
)

// serve runs a real server in the foreground until the test ends. Where it is
// not installed the test says so; under CI that fails. It returns false then.
func serve(t *testing.T, pkg, program, ready string, env []string, args ...string) bool {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is not installed: apt-get install %s", program, pkg)
		}
		t.Logf("NOT CHECKED: %s is not installed (Debian package %s)", program, pkg)
		return false
	}
	cmd := exec.CommandContext(t.Context(), path, args...)
	cmd.Env = append(os.Environ(), env...)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { // the context is cancelled first, which kills it
		if err := cmd.Wait(); err == nil {
			t.Errorf("%s ended by itself", program)
		}
	})
	eventually(t, program+" answers", func() (string, bool) {
		resp, err := http.Get(ready)
		if err != nil {
			return err.Error(), false
		}
		resp.Body.Close()
		return resp.Status, resp.StatusCode/100 == 2
	})
	return true
}

// eventually asks again until the answer is yes; 30 s bound failure.
func eventually(t *testing.T, what string, ask func() (string, bool)) {
	t.Helper()
	var got string
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		var ok bool
		if got, ok = ask(); ok {
			return
		}
	}
	t.Fatalf("%s: not within 30 s: %s", what, got)
}

// freeAddress is a loopback address that nobody listens on now.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func get(t *testing.T, u string) string {
	t.Helper()
	resp, err := http.Get(u)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// send sends 12,000 readings, in three batches, and one event.
func send(t *testing.T, to string) {
	t.Helper()
	o, err := Open(Options{To: to, Log: zerolog.New(zerolog.NewTestWriter(t))})
	if err != nil {
		t.Fatal(err)
	}
	start := time.Now().Add(-time.Hour)
	for i := range 12_000 {
		o.Meter(north, start.Add(time.Duration(i)*200*time.Millisecond), "k1", reading(fmt.Sprint(i), "mV"))
	}
	o.Event(north, start, &alarms.Event{Event: "alarm", Alarm: "runaway", Subject: "V7", Priority: alarms.High, State: alarms.Unacknowledged, Text: `V7 "runs" away, 100 % soon`})
	if err := o.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func TestInfluxDB(t *testing.T) {
	dir, addr := t.TempDir(), freeAddress(t)
	if !serve(t, "influxdb", "influxd", "http://"+addr+"/ping", []string{
		"INFLUXDB_META_DIR=" + dir + "/meta", "INFLUXDB_DATA_DIR=" + dir + "/data", "INFLUXDB_DATA_WAL_DIR=" + dir + "/wal",
		"INFLUXDB_HTTP_BIND_ADDRESS=" + addr, "INFLUXDB_BIND_ADDRESS=" + freeAddress(t),
		"INFLUXDB_REPORTING_DISABLED=true", "INFLUXDB_MONITOR_STORE_ENABLED=false", "INFLUXDB_HTTP_LOG_ENABLED=false",
	}, "run", "-config", "/dev/null") {
		return
	}
	query := func(q string) string {
		return get(t, "http://"+addr+"/query?"+url.Values{"db": {"bench"}, "q": {q}}.Encode())
	}
	resp, err := http.PostForm("http://"+addr+"/query", url.Values{"q": {"CREATE DATABASE bench"}})
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	send(t, "http://"+addr+"/write?db=bench")
	if got := query(`SELECT count(value), sum(value) FROM nightsoak_meter WHERE "meter"='k1' AND "unit"='V' AND "ticket"='R-1187'`); !strings.Contains(got, `12000,71994`) {
		t.Errorf("readings: %s", got) // 0 to 11999 mV add up to 71994 V
	}
	if got := query(`SELECT text FROM nightsoak_event WHERE "priority"='high' AND "subject"='V7'`); !strings.Contains(got, `V7 \"runs\" away, 100 % soon`) {
		t.Errorf("event: %s", got)
	}

	// A missing database is nobody's lines' fault: it is told in the server's
	// words, and the lines are not thrown away.
	var log strings.Builder
	o, err := Open(Options{To: "http://" + addr + "/write?db=nowhere", Log: zerolog.New(&log)})
	if err != nil {
		t.Fatal(err)
	}
	put(o, 0, 1)
	if err := o.Close(t.Context()); err == nil || !strings.HasSuffix(err.Error(), "1 lines were not delivered") {
		t.Error(err)
	}
	if !strings.Contains(log.String(), "database not found") {
		t.Errorf("the log: %s", &log)
	}
}

func TestVictoriaMetrics(t *testing.T) {
	addr := freeAddress(t)
	base := "http://" + addr
	if !serve(t, "victoria-metrics", "victoria-metrics", base+"/health", nil,
		"-storageDataPath="+t.TempDir(), "-httpListenAddr="+addr, "-retentionPeriod=100y", "-loggerLevel=WARN") {
		return
	}
	send(t, base+"/api/v2/write?bucket=bench")
	// It answers 204 whatever it thinks of the lines: ask its own counter.
	if got := get(t, base+"/metrics"); !strings.Contains(got, `vm_rows_invalid_total{type="influx"} 0`) {
		t.Error("it found invalid lines")
	}
	eventually(t, "the readings show", func() (string, bool) {
		got := get(t, base+"/api/v1/export?"+url.Values{"match[]": {`nightsoak_meter_value{meter="k1",unit="V",ticket="R-1187",bench="north"}`}}.Encode())
		return fmt.Sprintf("%.300s", got), strings.Count(got, ",") > 20_000 && strings.Contains(got, ",11.999]")
	})
}
