package main

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	_ "modernc.org/sqlite"
	"nightsoak/alarms"
	"nightsoak/export/record"
)

// query opens a record's database beside whatever else has it open.
func query(t *testing.T, dir string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "nightsoak.db")+"?_pragma=busy_timeout(5000)")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return db
}

// copyRecord copies a record's database, without the journal: its daemon has ended.
func copyRecord(t *testing.T, dir string) string {
	t.Helper()
	to := t.TempDir()
	b, err := os.ReadFile(filepath.Join(dir, "nightsoak.db"))
	if err == nil {
		err = os.WriteFile(filepath.Join(to, "nightsoak.db"), b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	return to
}

// recorded is the events of a run as its report gives them, one a line.
func recorded(t *testing.T, data, run string) string {
	t.Helper()
	var b strings.Builder
	rows, err := query(t, data).Query("select json from events order by rowid")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		b.WriteString(s + "\n")
	}
	return b.String()
}

// Tests that keep time run alone; the others, below, run beside each other.

// The demo's main job: settle, name the runaway, end by itself, leave a report
// that opens; and the recorded run judged again gives the very same events,
// computed and not read back. It tells the whole story: the runaway at low, then
// at high, people told of each, the limit, the relay dropped, HT seen to fall,
// still charged, under 60 V at this probe; and so does the report.
func TestDemo(t *testing.T) {
	dir := t.TempDir()
	out := must(t, "demo", "--speed", "60", "--for", "38s", "--fault", "runaway", "--listen", "127.0.0.1:0", "--dir", dir)
	said := map[string]string{}
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		k, v, ok := strings.Cut(l, ": ")
		if !ok {
			t.Errorf("a line of stdout of its own kind: %q", l)
		}
		said[k] = v
	}
	page, err := os.ReadFile(said["report"])
	if err != nil || !strings.Contains(string(page), "R-1187") || !strings.HasPrefix(string(page), "<!DOCTYPE html>") {
		t.Errorf("the report at %q does not open: %v", said["report"], err)
	}
	data, run := said["record"], said["run"]

	events := recorded(t, data, run)
	var settled []string
	var low, high, over, cut, cool float64
	for _, l := range strings.Split(strings.TrimSpace(events), "\n") {
		var e struct {
			T                                         float64
			Event, Socket, Alarm, ID, Priority, State string
			Act, Phase                                string
		}
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatal(err)
		}
		switch {
		case e.Event == "settled":
			settled = append(settled, e.Socket)
		case e.Alarm == "runaway" && e.ID != "runaway/V7":
			t.Errorf("a runaway of %s", e.ID)
		case e.ID == "runaway/V7" && e.Priority == "low" && low == 0:
			low = e.T
		case e.ID == "runaway/V7" && e.Priority == "high" && high == 0:
			high = e.T
		case e.Event == "act" && e.Act == "cut" && e.ID == "over-dissipation/V7":
			cut = e.T
		case e.Event == "phase" && e.Phase == "cool-down":
			cool = e.T
		case e.ID == "over-dissipation/V7" && over == 0:
			over = e.T
		}
	}
	if len(settled) != 4 || high == 0 || over-high < 120 {
		t.Errorf("settled %v, runaway high at %.0f s, over the limit at %.0f s\n%s", settled, high, over, events)
	}
	t.Logf("runaway/V7 low at %.0f s, high at %.0f s, limit at %.0f s, cut at %.1f s, HT fell at %.0f s", low, high, over, cut, cool)
	if low == 0 || low >= high || cut < over || cut > over+10 || cool < cut || cool > cut+60 {
		t.Errorf("low %.0f, high %.0f, over %.0f, cut %.1f, HT fell %.0f s\n%s", low, high, over, cut, cool, events)
	}
	var messages []string
	told, err := os.ReadFile(filepath.Join(dir, toldFile))
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range strings.Split(strings.TrimSpace(string(told)), "\n") {
		var m struct{ ID, Priority, State string }
		if err := json.Unmarshal([]byte(l), &m); err != nil {
			t.Fatal(err)
		}
		if m.State == "unacknowledged" {
			messages = append(messages, m.ID+" "+m.Priority)
		}
	}
	// What comes within two seconds of wall time is one message: medium may go with high.
	if m := strings.Replace(strings.Join(messages, ", "), "runaway/V7 medium, ", "", 1); m != "runaway/V7 low, runaway/V7 high, over-dissipation/V7 high" {
		t.Errorf("people were told %q", messages)
	}
	for _, want := range []string{"Runaway on V7", `>cut</td><td>V7 at 100`, "proved: HT and 4 currents were seen to fall by half", "was still charged until this probe read 60", "prove every capacitor dead before touching"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	if strings.Contains(strings.ToLower(string(page)), " safe ") {
		t.Error("the report says that something is safe")
	}

	replayed := func(data string) string { return must(t, "replay", run, "--data", data, "--json") }
	if got := replayed(data); got != events {
		t.Errorf("replayed:\n%s\nrecorded:\n%s", got, events)
	}
	emptied := copyRecord(t, data)
	if _, err := query(t, emptied).Exec("delete from events"); err != nil {
		t.Fatal(err)
	}
	if got := replayed(emptied); got != events {
		t.Errorf("with the event table emptied:\n%s", got)
	}
	altered := copyRecord(t, data)
	if got := must(t, "replay", alter(t, altered, run), "--data", altered, "--json"); got == events {
		t.Error("V7's rise taken out of the readings makes no difference")
	}

	// The readings, written out and judged from the file, with the acts beside.
	csv, acts := filepath.Join(dir, "r.csv"), filepath.Join(dir, "acts")
	must(t, "report", run, "--data", data, "--out", csv)
	var kept strings.Builder
	for _, l := range strings.SplitAfter(events, "\n") {
		if strings.Contains(l, `"event":"act"`) || strings.Contains(l, `"event":"port"`) {
			kept.WriteString(l)
		}
	}
	if err := os.WriteFile(acts, []byte(kept.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := must(t, "replay", csv, "--acts", acts, "--bench", filepath.Join(dir, "bench.toml"), "--job", filepath.Join(dir, "job.toml"), "--json"); got != events {
		t.Errorf("replayed from CSV:\n%s\nrecorded:\n%s", got, events)
	}
}

// alter records a run once more with V7's rise taken out of its readings, and
// returns the new run's id: sealed readings cannot be edited where they stand.
func alter(t *testing.T, dir, run string) string {
	t.Helper()
	s, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	info, err := s.Find(run)
	if err == nil {
		info, err = s.Begin(info)
	}
	if err != nil {
		t.Fatal(err)
	}
	w, err := s.Writer(info.ID, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	n, altered := 0, 0
	for in, err := range s.Inputs(run) {
		if err != nil {
			t.Fatal(err)
		}
		if in.Act == nil && in.Port == nil && in.Gap == nil && in.Meter == 2 && in.Reading.Digits > 4300 {
			in.Reading.Digits = 4100
			altered++
		}
		if w.Put(record.Step{Inputs: []alarms.Input{in}, T: in.T}); n%1000 == 0 { // within what is held in memory
			if err := w.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		n++
	}
	if err := w.Close(t.Context()); err != nil || altered == 0 {
		t.Fatalf("%d readings altered: %v", altered, err)
	}
	return info.ID
}

// kills is how often TestKill kills the daemon; .ci/run asks for 50.
func kills(t *testing.T) int {
	n, err := strconv.Atoi(os.Getenv("NIGHTSOAK_KILLS"))
	if err != nil {
		n = 5
	}
	return n
}

// SIGKILL at random moments: the database stays whole, at most a second of
// readings is missing, the run goes on and the gap is stated.
func TestKill(t *testing.T) {
	r := newRig(t)
	var run string
	var worst time.Duration
	var readings, gaps int // on disk: readings, and sessions that left any and so must have stated the gap before them
	n := kills(t)
	for i := range n {
		s := start(t, append([]string{"serve"}, r.files...)...)
		began := time.Duration(s.state(t).Run.T * float64(time.Second))
		s.until(t, "all meters live", 10*time.Second, live)
		st := s.state(t)
		if run == "" {
			run = st.Run.ID
		} else if st.Run.ID != run {
			t.Fatalf("kill %d: run %s does not go on, %s is on", i, run, st.Run.ID)
		}
		time.Sleep(rand.N(900 * time.Millisecond))
		st = s.state(t)
		if err := s.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		s.Wait()

		db := query(t, r.dir)
		var ok string
		var last int64
		if err := db.QueryRow("pragma integrity_check").Scan(&ok); err != nil || ok != "ok" {
			t.Fatalf("kill %d: %s %v", i, ok, err)
		}
		before := readings
		if err := db.QueryRow("select coalesce(max(t_ms), 0), count(*) from readings").Scan(&last, &readings); err != nil {
			t.Fatal(err)
		}
		if i > 0 && readings > before {
			gaps++
		}
		// What the daemon had taken just before the kill, against what is on
		// disk; where nothing of this session is, all since it began.
		lost := st.newest() - max(time.Duration(last)*time.Millisecond, began)
		worst = max(worst, lost)
		if lost > time.Second {
			t.Errorf("kill %d: the last %v of readings are missing", i, lost)
		}
	}
	s := start(t, append([]string{"serve"}, r.files...)...)
	s.until(t, "all meters live", 10*time.Second, live)
	s.stop(t)
	events := recorded(t, r.dir, run)
	gaps++ // the last session
	// A session killed at once may have left the gap and no reading yet, or neither.
	if stated := strings.Count(events, `"event":"gap"`); stated < gaps || stated > n {
		t.Errorf("%d gaps stated; %d sessions of %d left readings:\n%s", stated, gaps, n, events)
	}
	if got := must(t, "replay", run, "--data", r.dir, "--json"); got != events {
		t.Errorf("replayed:\n%s\nrecorded:\n%s", got, events)
	}
	t.Logf("%d kills, at most %v of readings missing", n, worst.Round(time.Millisecond))
}

// A meter's terminal goes and comes back: its silence is an alarm, its return
// needs no restart, and the others never miss a reading.
func TestMeterLost(t *testing.T) {
	r := newRig(t)
	s := start(t, append([]string{"serve"}, r.files...)...)
	s.until(t, "all meters live", 10*time.Second, live)
	if err := r.Drop("k2"); err != nil {
		t.Fatal(err)
	}
	silent := func(st remoteState) bool {
		for _, a := range st.Alarms {
			if a.ID == "meter-silent/k2" && a.State == "unacknowledged" {
				return true
			}
		}
		return false
	}
	took := s.until(t, "meter-silent/k2", 8*time.Second, silent)
	if took > 6*time.Second {
		t.Errorf("meter-silent after %v, silent_after is 5s", took)
	}
	if err := r.Restore("k2"); err != nil {
		t.Fatal(err)
	}
	back := s.until(t, "k2 back", 12*time.Second, live)
	s.stop(t)
	for i, pace := range map[int]time.Duration{0: 400 * time.Millisecond, 2: 500 * time.Millisecond, 3: 500 * time.Millisecond, 4: 500 * time.Millisecond} {
		var widest int64
		err := query(t, r.dir).QueryRow(`select max(gap) from (select t_ms - lag(t_ms) over (order by rowid) as gap from readings where meter = ?)`, i).Scan(&widest)
		if err != nil {
			t.Fatal(err)
		}
		if gap := time.Duration(widest) * time.Millisecond; gap > pace*19/10 {
			t.Errorf("meter %d: %v between two readings, its pace is %v", i, gap, pace)
		}
	}
	t.Logf("silent after %v, back after %v", took.Round(10*time.Millisecond), back.Round(10*time.Millisecond))
}

// What an operator does through the commands arrives, is recorded, and is
// refused in words when it makes no sense.
func TestActs(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	s := start(t, "serve", "--bench", r.files[1])
	s.until(t, "all meters live", 10*time.Second, live)
	at := func(args ...string) (string, int) {
		_, errOut, code := nightsoak(t, append(args, "--at", s.url)...)
		return errOut, code
	}
	if msg, code := at("note", "nothing is on"); code != 1 || !strings.Contains(msg, "no run is on") {
		t.Errorf("note without a run: status %d, %s", code, msg)
	}
	if msg, code := at("begin", "--job", r.files[3], "--first-power"); code != 0 {
		t.Fatalf("begin: %s", msg)
	}
	bad := filepath.Join(r.dir, "bad.toml")
	if err := os.WriteFile(bad, []byte("ticket = 7\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if msg, code := at("begin", "--job", bad); code != 2 || !strings.Contains(msg, "ticket") {
		t.Errorf("begin with a bad job: status %d, %s", code, msg)
	}
	for _, args := range [][]string{{"note", "bias", "trimmer", "cleaned"}, {"adjusted", "all"}, {"state"}, {"end"}} {
		if msg, code := at(args...); code != 0 {
			t.Errorf("%v: status %d, %s", args, code, msg)
		}
	}
	if msg, code := at("adjusted", "V9"); code != 1 || msg == "" {
		t.Errorf("adjusted V9: status %d, %s", code, msg)
	}
	s.stop(t)
	var runs []struct {
		ID    string
		Ended *time.Time
	}
	if err := json.Unmarshal([]byte(must(t, "runs", "--json", "--data", r.dir)), &runs); err != nil || len(runs) != 1 || runs[0].Ended == nil {
		t.Fatalf("runs: %v %+v", err, runs)
	}
	events := recorded(t, r.dir, runs[0].ID)
	for _, want := range []string{`"act":"begin","first_power":true`, `"act":"note","text":"bias trimmer cleaned"`, `"act":"adjusted","socket":"all"`, `"act":"end"`, `"phase":"ended"`} {
		if !strings.Contains(events, want) {
			t.Errorf("no %s in\n%s", want, events)
		}
	}
}

// Every wrong file is refused with status 2 and its own words.
func TestWrongFiles(t *testing.T) {
	t.Parallel()
	names, err := filepath.Glob("../../acquire/bench/testdata/wrong/*.toml")
	if err != nil || len(names) < 20 {
		t.Fatalf("%d wrong files: %v", len(names), err)
	}
	dir := "../../testdata/demo/"
	for _, name := range names {
		args := []string{"check", "--bench", name}
		if strings.HasPrefix(filepath.Base(name), "job") {
			args = []string{"check", "--bench", dir + "bench.toml", "--job", name}
		}
		_, msg, code := nightsoak(t, args...)
		if code != exitUsage || !strings.Contains(msg, filepath.Base(name)+":") || strings.Contains(msg, "panic") {
			t.Errorf("%s: status %d\n%s", name, code, msg)
		}
	}
}

// Commands that only look things up.
func TestLookUps(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		args string
		code int
		says string
	}{
		{"version", 0, "nightsoak "},
		{"check --bench ../../testdata/demo/bench.toml --job ../../testdata/demo/job.toml", 0, "V5"},
		{"formats", 0, "fs9721"},
		{"formats --json", 0, `"kind":"asks"`},
		{"tubes 6V6GT", 0, "12 W"},
		{"tubes --json", 0, `"rating_system":"design-centre"`},
		{"tubes 6V6XX", 2, "6V6GT"},
		{"ports --json", 0, "["},
		{"bias --tube 6CA7 --plate-volts 460 --json", 0, `{"percent":70,"current_a":0.03804348,"sense_v":0.03804348}`},
		{"bias --tube 6CA7 --plate-volts 0", 2, "above 0"},
		{"bias --tube 6CA7", 2, "plate-volts"},
		{"fly", 2, "fly"},
		{"listen /dev/not-there --format fs9721", 1, "/dev/not-there"},
		{"listen /dev/null --format fs9999", 2, "fs9721"},
		{"state --at http://127.0.0.1:1", 1, "no daemon answers"},
		{"runs --data /not/there", 1, "/not/there"},
		{"demo --speed 0", 2, "choose above 0"},
		{"demo --fault fire", 2, "runaway"},
		{"replay x.csv", 2, "--bench"},
	} {
		out, errOut, code := nightsoak(t, strings.Fields(c.args)...)
		if code != c.code || !strings.Contains(out+errOut, c.says) {
			t.Errorf("nightsoak %s: status %d, want %d and %q\n%s%s", c.args, code, c.code, c.says, out, errOut)
		}
	}
}

// The idle targets every technician knows: 25 W at 460 V is 38 mA at 70 %, 35
// at 65 %, 32 to 33 at 60 %, and as many mV across 1 ohm (common practice, no source).
func TestPublishedIdleTargets(t *testing.T) {
	t.Parallel()
	var b struct {
		Limit   float64 `json:"limit_w"`
		Targets []struct {
			Percent float64
			I       float64 `json:"current_a"`
			V       float64 `json:"sense_v"`
		}
	}
	if err := json.Unmarshal([]byte(must(t, "bias", "--json", "--tube", "6CA7", "--plate-volts", "460")), &b); err != nil {
		t.Fatal(err)
	}
	got := ""
	for _, x := range b.Targets {
		got += fmt.Sprintf("%g:%.1f:%.1f ", x.Percent, 1000*x.I, 1000*x.V)
	}
	if want := "60:32.6:32.6 65:35.3:35.3 70:38.0:38.0 "; b.Limit != 25 || got != want {
		t.Errorf("limit %g W, %s, want %s", b.Limit, got, want)
	}
}

// listen finds out by itself what talks on a terminal.
func TestListenRecognises(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for meter, format := range map[string]string{"k1": "fs9721", "k3": "es51922", "ht": "scpi"} {
		out := must(t, "listen", r.Port(meter), "--json", "--count", "3")
		lines := strings.Split(strings.TrimSpace(out), "\n")
		var first struct {
			Recognised, Line string
			Confidence       float64
		}
		var second struct {
			Reading, Unit, Format string
			Value                 *float64
			SIUnit                string `json:"si_unit"`
		}
		if len(lines) != 4 || json.Unmarshal([]byte(lines[0]), &first) != nil || json.Unmarshal([]byte(lines[1]), &second) != nil {
			t.Fatalf("%s:\n%s", meter, out)
		}
		if first.Recognised != format || first.Confidence < 0.9 || second.Format != format || second.SIUnit != "V" || second.Value == nil {
			t.Errorf("%s: %+v %+v", meter, first, second)
		}
	}
}

// The event stream gives what was missed to a viewer that comes back.
func TestEventsResume(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	s := start(t, append([]string{"serve"}, r.files...)...)
	s.until(t, "all meters live", 10*time.Second, live)
	resp, err := s.stream("")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(resp, `"act":"begin"`) || !strings.Contains(resp, "event: state") {
		t.Errorf("from the start:\n%s", resp)
	}
	resp, err = s.stream("2")
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(resp, `"act":"begin"`) || !strings.Contains(resp, "id: 3\n") {
		t.Errorf("after event 2:\n%s", resp)
	}
	s.stop(t)
}

// Ctrl-C ends the demo in good order: status 0, the run ended, its report written.
func TestDemoInterrupted(t *testing.T) {
	t.Parallel()
	s := start(t, "demo", "--listen", "127.0.0.1:0", "--dir", t.TempDir(), "--fault", "none")
	s.until(t, "all meters live", 10*time.Second, live)
	if err := s.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := s.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, s.logged())
	}
	_, report, ok := strings.Cut(s.logged(), "report: ")
	report, _, _ = strings.Cut(report, "\n")
	if _, err := os.Stat(report); !ok || err != nil {
		t.Errorf("no report: %v\n%s", err, s.logged())
	}
	var ended int
	if err := query(t, s.record).QueryRow("select count(*) from runs where ended is not null").Scan(&ended); err != nil || ended != 1 {
		t.Errorf("%d runs ended: %v", ended, err)
	}
}

// A second daemon on the same record is refused, and told who has it.
func TestTwoDaemons(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	s := start(t, append([]string{"serve"}, r.files...)...)
	_, msg, code := nightsoak(t, append([]string{"serve"}, r.files...)...)
	if code != exitFailed || !strings.Contains(msg, strconv.Itoa(s.Process.Pid)) {
		t.Errorf("status %d, does not name process %d: %s", code, s.Process.Pid, msg)
	}
	_, msg, code = nightsoak(t, "listen", r.Port("k1"), "--format", "fs9721")
	if code != exitFailed || !strings.Contains(msg, strconv.Itoa(s.Process.Pid)) {
		t.Errorf("listen: status %d, does not name process %d: %s", code, s.Process.Pid, msg)
	}
	s.stop(t)
}

// Every reading and event that is recorded goes out as a line, with the same
// figure and time (read back by the protocol's reference decoder).
func TestLinesOut(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	out := filepath.Join(r.dir, "out.lp")
	f, err := os.OpenFile(r.files[1], os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = fmt.Fprintf(f, "\n[[lines]]\nto = \"file:%s\"\n", out)
	}
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	s := start(t, append([]string{"serve"}, r.files...)...)
	s.until(t, "all meters live", 10*time.Second, live)
	s.stop(t)

	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	var meters, events int
	dec := lineprotocol.NewDecoderWithBytes(text)
	for dec.Next() {
		m, err := dec.Measurement()
		if err != nil {
			t.Fatal(err)
		}
		switch string(m) {
		case "nightsoak_meter":
			meters++
		case "nightsoak_event":
			events++
		}
	}
	var readings, recordedEvents int
	if err := query(t, r.dir).QueryRow("select readings, events from runs").Scan(&readings, &recordedEvents); err != nil {
		t.Fatal(err)
	}
	if readings == 0 || meters != readings || events != recordedEvents {
		t.Errorf("lines of %d readings and %d events; recorded %d and %d", meters, events, readings, recordedEvents)
	}
}
