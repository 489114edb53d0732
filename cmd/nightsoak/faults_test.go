//go:build servers && linux && !race

package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"nightsoak/acquire/bench"
	"nightsoak/drivers"
)

// A hostFault breaks something around a running daemon. What is expected and how
// many readings of the other meters may be lost was written before it was run. In
// every one, besides: no event is lost, the record judged again gives the same
// events, and the daemon ends in good order when it is told to.
type hostFault struct {
	name, expected string
	bound          int // readings of the witnesses that may be lost, in all, beside stated gaps
	do             func(c *faulty) (seen string)
	alone          bool // it takes the processors
}

// long says whether the campaign runs at full length (NIGHTSOAK_LONG).
var long = os.Getenv("NIGHTSOAK_LONG") != ""

// length is a figure of the campaign in its short and its long form.
func length[T any](short, full T) T {
	if long {
		return full
	}
	return short
}

var hostFaults = []hostFault{
	{"terminal storm", "a meter's terminal goes and comes back 100 times (1,000 when long) 20 ms apart: it reads within 7 s of the last return (the pause between tries grows to 5 s); no file stays open", 0, (*faulty).storm, true},
	{"garbage at full rate", "noise as fast as a terminal takes it for 6 s (60 s): rejected and counted, no reading of it, meter-silent after silent_after", 0, (*faulty).garbage, true},
	{"valid frames at full rate", "one frame repeated over TCP for 15 s (60 s): at most 500 and 50 a second are used, every other one is counted, meter-flooding stands, the record and its log grow by under 100 kB a second", 0, (*faulty).flood, true},
	{"absurd values", "numbers of 30 digits, signs, zeros, figures without end, between good ones: counted or taken as written; answers stay valid JSON, no alarm of high priority but sense-open", 0, (*faulty).absurd, false},
	{"wall clock set", "a day forwards, an hour back, a leap second: clock-jumped each time, run time and record go on as if nothing were", 0, (*faulty).clockSet, false},
	{"no battery clock", "started in 1970, killed, started again once the time is known, then killed and the clock set back before the record: the run goes on each time, stated is a stretch of unknown length", 0, (*faulty).noBattery, false},
	{"machine slept", "an hour of sleep is a stated gap, run time has it; no alarm of its meters", 0, (*faulty).slept, false},
	{"disk full", "record-failing; held in memory, written once there is room", 0, (*faulty).diskFull, false},
	{"disk turns read-only", "its file system finds an error and takes no more: record-failing until the end; pages answer; what is on it stays readable; SIGTERM ends it within 30 s with status 1", -1, (*faulty).readOnly, false},
	{"no file descriptor left", "new pages are refused and a lost port stays lost; meters and record go on; all is well once there are some", 0, (*faulty).noFiles, false},
	{"memory pressure", "a memory limit under what it needs (GOMEMLIMIT=16MiB) and 20 reports asked at once: slower, nothing else", 0, (*faulty).memory, true},
	{"100 browsers that never read", "other pages answer within 2 s; less than 1 MB more each; every connection is let go once its client is", 0, (*faulty).sse, true},
	{"two daemons", "the second is refused with status 1 and names the first, which goes on", 0, (*faulty).twoDaemons, false},
	{"stopped and continued", "SIGSTOP for 3 s: what waited in the terminals is judged when it goes on", 0, (*faulty).stopped, false},
	{"SIGTERM in every phase", "standby, warm-up, soak, cool-down, ended: status 0 within 5 s, and the next daemon goes on in the same phase", 0, (*faulty).everyPhase, false},
}

// hangs is of the long form alone: a file system that is frozen under a test that
// then breaks off is not let go.
var hangs = hostFault{"disk hangs", "every write blocks for 60 s: record-failing, pages answer, held in memory and written when it goes on", 0, (*faulty).diskHangs, false}

func TestHostFaults(t *testing.T) {
	if long {
		hostFaults = append(hostFaults, hangs)
	}
	var rows strings.Builder
	var mu sync.Mutex
	t.Run("of", func(t *testing.T) {
		for _, f := range hostFaults {
			t.Run(strings.ReplaceAll(f.name, " ", "-"), func(t *testing.T) {
				if !f.alone {
					t.Parallel()
				}
				c := newFaulty(t)
				seen := f.do(c)
				lost, late := c.close(f.bound < 0)
				if f.bound >= 0 && lost > f.bound {
					t.Errorf("%d readings of the other meters are lost, at most %d may be", lost, f.bound)
				}
				kept := strconv.Itoa(lost)
				if f.bound < 0 {
					kept = "from the fault on"
				}
				mu.Lock()
				defer mu.Unlock()
				fmt.Fprintf(&rows, "| %s | %s | %s; the others at most %v late | %s |\n", f.name, f.expected, seen, late.Round(time.Millisecond), kept)
			})
		}
	})
	t.Logf("\n| fault | expected | seen | readings lost |\n| --- | --- | --- | --- |\n%s", rows.String())
}

// faulty is a bench of three meters: k1, which faults happen to, and two witnesses
// whose figures count up, so that the record shows which are missing.
type faulty struct {
	*testing.T
	dir, data string
	bench     string // text of the bench file, after what newFaulty writes
	port      string // of k1
	env       []string
	s         *server
	k1        *tty
	volts     atomic.Int64 // of ht
	mute      atomic.Bool  // of k1
	sent      [2]atomic.Int64
}

const witnessPace = 100 * time.Millisecond

// newFaulty starts the meters. k1's terminal is found by a link, as udev makes them.
func newFaulty(t *testing.T) *faulty {
	c := &faulty{T: t, dir: t.TempDir()}
	c.data, c.port = filepath.Join(c.dir, "data"), filepath.Join(c.dir, "k1")
	c.volts.Store(462)
	c.plug()
	stop := make(chan struct{})
	var wg sync.WaitGroup
	every := func(d time.Duration, do func()) {
		wg.Go(func() {
			pace := time.NewTicker(d)
			defer pace.Stop()
			for {
				select {
				case <-stop:
					return
				case <-pace.C:
					do()
				}
			}
		})
	}
	for i, name := range []string{"k2", "ht"} {
		y := newTTY(t)
		c.bench += c.meter(name, y.slave.Name(), []string{"mV", "V"}[i])
		every(witnessPace, func() {
			whole := int64(41)
			if i == 1 {
				whole = c.volts.Load()
			}
			fmt.Fprintf(y.master, "%d.%03d\r\n", whole, c.sent[i].Add(1)%1000)
		})
	}
	first := c.k1
	every(200*time.Millisecond, func() {
		if !c.mute.Load() {
			fmt.Fprintf(first.master, "41.%03d\r\n", rand.IntN(1000))
		}
	})
	t.Cleanup(func() { close(stop); wg.Wait() })
	return c
}

func (c *faulty) meter(name, port, unit string) string {
	return fmt.Sprintf("[[meter]]\nname = %q\nport = %q\nformat = \"textline\"\npattern = '^(?P<value>[-+0-9.eE]+)$'\nsample = '38.200'\nunit = %q\n", name, port, unit)
}

// plug points k1's link at a new terminal.
func (c *faulty) plug() {
	c.k1 = newTTY(c.T)
	link := filepath.Join(c.dir, "k1")
	if err := errors.Join(os.Symlink(c.k1.slave.Name(), link+".new"), os.Rename(link+".new", link)); err != nil {
		c.Fatal(err)
	}
}

// start starts the daemon and waits until every meter is live.
func (c *faulty) start() {
	c.Helper()
	b, j := filepath.Join(c.dir, "bench.toml"), filepath.Join(c.dir, "job.toml")
	file := fmt.Sprintf("name = \"north\"\ndata_dir = %q\n[panel]\nlisten = \"127.0.0.1:0\"\n", c.data) + c.meter("k1", c.port, "mV") + c.bench
	job := "ticket = \"R-1187\"\n[limits]\nsettle_by = \"2s\"\n"
	for i := range 2 {
		job += fmt.Sprintf("[[socket]]\nname = \"V%d\"\ntube = \"6L6GC\"\nsense = { meter = \"k%d\", ohms = 1.0 }\nplate = { meter = \"ht\" }\n", i+5, i+1)
	}
	if err := errors.Join(os.WriteFile(b, []byte(file), 0o600), os.WriteFile(j, []byte(job), 0o600)); err != nil {
		c.Fatal(err)
	}
	c.s = startIn(c.T, c.env, "serve", "--bench", b, "--job", j)
	c.await("every meter live", 15*time.Second, func(st faultState) bool {
		for _, m := range st.Meters {
			if m.Age == nil {
				return false
			}
		}
		return len(st.Meters) == 3
	})
}

type faultState struct {
	Run struct {
		T     float64
		Phase string
	}
	Meters []struct {
		Name, State string
		Age         *float64 `json:"age_s"`
		Readings    uint64
		Rejected    map[string]uint64
	}
	Alarms []struct{ ID, State, Priority, Text string }
}

func (c *faulty) state() (st faultState) {
	c.Helper()
	b, err := c.s.get("/api/state")
	if err == nil {
		err = json.Unmarshal(b, &st)
	}
	if err != nil {
		c.Fatalf("%v\n%s", err, c.s.logged())
	}
	return st
}

func (c *faulty) await(what string, within time.Duration, so func(faultState) bool) (took time.Duration) {
	c.Helper()
	var st faultState
	for began := time.Now(); time.Since(began) < within; time.Sleep(20 * time.Millisecond) {
		if st = c.state(); so(st) {
			return time.Since(began)
		}
	}
	c.Fatalf("not within %v: %s: %+v\n%s", within, what, st, c.s.logged())
	return 0
}

func alarmed(id string) func(faultState) bool {
	return func(st faultState) bool {
		for _, a := range st.Alarms {
			if a.ID == id {
				return true
			}
		}
		return false
	}
}

func not(so func(faultState) bool) func(faultState) bool {
	return func(st faultState) bool { return !so(st) }
}

// stop ends the daemon in good order, within what an end may take.
func (c *faulty) stop(within time.Duration) {
	c.Helper()
	at := time.Now()
	c.s.stop(c.T)
	if took := time.Since(at); took > within {
		c.Errorf("its end took %v", took)
	}
}

// close ends the daemon if it still runs, holds the record to what every fault
// must leave, and counts what is missing of the witnesses. With broken, the record
// could not be written to the end.
func (c *faulty) close(broken bool) (lost int, late time.Duration) {
	c.Helper()
	if c.s.ProcessState == nil {
		c.stop(8 * time.Second)
	}
	var runs []struct{ ID string }
	if err := json.Unmarshal([]byte(must(c.T, "runs", "--json", "--data", c.data)), &runs); err != nil || len(runs) != 1 {
		c.Fatalf("runs: %v %+v", err, runs)
	}
	events := recorded(c.T, c.data, runs[0].ID)
	if got := must(c.T, "replay", runs[0].ID, "--data", c.data, "--json"); got != events {
		c.Errorf("replayed:\n%s\nrecorded:\n%s", got, events)
	}
	type stretch struct{ from, to float64 }
	var gaps []stretch
	for l := range strings.Lines(events) {
		var e struct {
			T, From float64
			Event   string
		}
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			c.Fatal(err)
		}
		if e.Event == "gap" {
			gaps = append(gaps, stretch{e.From, e.T})
		}
	}
	file := filepath.Join(c.dir, "r.csv")
	must(c.T, "report", runs[0].ID, "--data", c.data, "--out", file)
	text, err := os.ReadFile(file)
	if err != nil {
		c.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		c.Fatal(err)
	}
	type last struct {
		t float64
		n int64
	}
	seen := map[string]last{}
	for _, r := range rows[1:] {
		if r[1] != "k2" && r[1] != "ht" {
			continue
		}
		t, err := strconv.ParseFloat(r[0], 64)
		_, frac, ok := strings.Cut(r[2], ".")
		n, err2 := strconv.ParseInt(frac, 10, 64)
		if err != nil || err2 != nil || !ok {
			c.Fatalf("row %q", r)
		}
		if was, ok := seen[r[1]]; ok {
			stated := false
			for _, g := range gaps {
				stated = stated || was.t <= g.to && t >= g.from
			}
			if !stated {
				lost += int((n - was.n - 1 + 1000) % 1000)
				late = max(late, time.Duration((t-was.t)*1e9)-witnessPace)
			}
		}
		seen[r[1]] = last{t, n}
	}
	if !broken { // up to its end
		for i, name := range []string{"k2", "ht"} {
			if short := (c.sent[i].Load() - seen[name].n) % 1000; short < 0 || short > 200 {
				c.Errorf("the record of %s ends %d readings early", name, short)
			}
		}
	}
	return lost, max(late, 0)
}

// written is the size of the record.
func (c *faulty) written() (n int64) {
	for _, suffix := range []string{"", "-wal"} {
		if s, err := os.Stat(filepath.Join(c.data, "nightsoak.db"+suffix)); err == nil {
			n += s.Size()
		}
	}
	return n
}

func (c *faulty) storm() string {
	c.start()
	files := openFilesOf(c, c.s.Process.Pid)
	times := length(100, 1000)
	for range times {
		old := c.k1
		c.plug()
		old.slave.Close()
		old.master.Close()
		fmt.Fprint(c.k1.master, "41.000\r\n")
		time.Sleep(20 * time.Millisecond) // the pace of the storm
	}
	was := c.state().Meters[0].Readings
	took := c.await("k1 read again", 7*time.Second, func(st faultState) bool {
		fmt.Fprintf(c.k1.master, "41.%03d\r\n", rand.IntN(1000))
		return st.Meters[0].Readings > was+2
	})
	if now := openFilesOf(c, c.s.Process.Pid); now > files {
		c.Errorf("%d files open, before the storm %d", now, files)
	}
	return fmt.Sprintf("%d times; read %v after the last", times, took.Round(10*time.Millisecond))
}

// pour writes as fast as it is taken, for d; it says how many bytes went.
func pour(w io.Writer, d time.Duration, text []byte) (n int64, err error) {
	for end := time.Now().Add(d); time.Now().Before(end); {
		m, err := w.Write(text)
		if n += int64(m); err != nil {
			return n, err
		}
	}
	return n, nil
}

func (c *faulty) garbage() string {
	c.start()
	c.mute.Store(true)
	noise := make([]byte, 4096)
	for i := range noise {
		noise[i] = byte(rand.IntN(256))
	}
	d := length(6*time.Second, time.Minute)
	before := c.state().Meters[0]
	n, err := pour(c.k1.master, d, noise)
	if err != nil {
		c.Fatal(err)
	}
	st := c.state()
	if st.Meters[0].Readings > before.Readings+1 || st.Meters[0].Rejected["noise"]+st.Meters[0].Rejected["short"] == 0 || !alarmed("meter-silent/k1")(st) {
		c.Errorf("k1 before %+v, then %+v, %+v", before, st.Meters[0], st.Alarms)
	}
	c.mute.Store(false)
	fmt.Fprint(c.k1.master, "\r\n")
	took := c.await("k1 heard again", 5*time.Second, func(s faultState) bool { return s.Meters[0].Readings > st.Meters[0].Readings+2 })
	return fmt.Sprintf("%.1f MB/s, %v rejected, silent told, heard again after %v", float64(n)/1e6/d.Seconds(), st.Meters[0].Rejected, took.Round(10*time.Millisecond))
}

func (c *faulty) flood() string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		c.Fatal(err)
	}
	defer l.Close()
	c.port = "tcp://" + l.Addr().String()
	d := length(15*time.Second, time.Minute)
	frames := bytes.Repeat([]byte("41.000\r\n"), 512)
	begun, poured := make(chan struct{}), make(chan int64, 1)
	var out net.Conn
	go func() {
		if out, err = l.Accept(); err != nil {
			poured <- 0
			return
		}
		fmt.Fprint(out, "0\r\n41.000\r\n") // the first may be half a line, and is left out
		<-begun
		n, _ := pour(out, d, frames)
		poured <- n
	}()
	c.start()
	size, cpu := c.written(), cpuOf(c, c.s.Process.Pid)
	close(begun)
	sent := uint64(<-poured)/8 + 1
	out.Write([]byte("\r\n")) // what is cut off in the middle counts as nothing
	c.await("all taken", 20*time.Second, func(st faultState) bool {
		return st.Meters[0].Readings+st.Meters[0].Rejected[drivers.TooMany.String()] >= sent
	})
	st := c.state()
	used, left := st.Meters[0].Readings, st.Meters[0].Rejected[drivers.TooMany.String()]
	grown, took := c.written()-size, cpuOf(c, c.s.Process.Pid)-cpu
	if used+left != sent || used > 500+bench.MostReadings*uint64(d.Seconds()+10) || !alarmed("meter-flooding/k1")(st) || grown > 100_000*int64(d.Seconds()) { // four commits a second of some pages each; unbounded it was 4 MB
		c.Errorf("%d sent, %d used, %d left out; the record has grown by %d bytes; %+v", sent, used, left, grown, st.Alarms)
	}
	out.Close()
	return fmt.Sprintf("%.1f million frames a second, %d used, %d left out, none uncounted; record %.1f kB/s, processor %.0f %% of one", float64(sent)/1e6/d.Seconds(), used, left,
		float64(grown)/1e3/d.Seconds(), 100*took.Seconds()/d.Seconds())
}

func (c *faulty) absurd() string {
	c.start()
	c.mute.Store(true)
	texts := []string{"-41.000", "999999999999999999999999999999", "0.000000000000000000000000000001", "-0", "+0.0", "1e308", "1e999", "1e-999", "-9223372036854775808", "9223372036854775807", "..", "e", "+-1", "0000000000000041.000", strings.Repeat("9", 5000), "NaN", "Inf"}
	for range length(5, 100) {
		for _, text := range texts {
			fmt.Fprintf(c.k1.master, "%s\r\n41.000\r\n", text)
			time.Sleep(5 * time.Millisecond) // within the bound of readings that are used
		}
		c.state() // valid JSON
	}
	time.Sleep(2 * tick)
	st := c.state()
	for _, a := range st.Alarms {
		if a.Priority == "high" && a.ID != "sense-open/V5" && a.ID != "over-dissipation/V5" {
			c.Errorf("alarm %+v", a)
		}
	}
	if _, err := c.s.get("/metrics"); err != nil {
		c.Error(err)
	}
	return fmt.Sprintf("%d readings, rejected %v", st.Meters[0].Readings, st.Meters[0].Rejected)
}

func (c *faulty) clockSet() string {
	clock := filepath.Join(c.dir, "clock")
	c.env = []string{otherWall + "=" + clock}
	c.start()
	var seen []string
	off := 0.0
	for _, by := range []float64{86400, -3600, -1} {
		off += by
		before, at := c.state().Run.T, time.Now()
		setOtherWall(c.T, clock, ".off", off)
		c.await("clock-jumped", 5*time.Second, alarmed("clock-jumped/north"))
		st := c.state()
		if passed := time.Since(at).Seconds(); st.Run.T-before > passed+0.3 || st.Run.T < before {
			c.Errorf("run time went from %.1f to %.1f in %.1f s", before, st.Run.T, passed)
		}
		for _, a := range st.Alarms {
			if a.ID == "clock-jumped/north" {
				text, _, _ := strings.Cut(strings.TrimPrefix(a.Text, "the wall clock jumped "), ",")
				if seen = append(seen, text); a.Priority != "low" {
					c.Errorf("%+v", a)
				}
			}
		}
		c.s.mustPost(c.T, "acknowledge", map[string]string{"id": "clock-jumped/north"})
		c.await("over once known", 5*time.Second, not(alarmed("clock-jumped/north")))
	}
	return strings.Join(seen, ", ")
}

func (c *faulty) noBattery() string {
	clock := filepath.Join(c.dir, "clock")
	c.env = []string{otherWall + "=" + clock}
	setOtherWall(c.T, clock, ".off", -float64(time.Now().Unix()))
	c.start()
	time.Sleep(time.Second)
	kill(c.T, c.s, syscall.SIGKILL)
	setOtherWall(c.T, clock, ".off", 0)
	c.start()
	known := c.state()
	time.Sleep(time.Second)
	kill(c.T, c.s, syscall.SIGKILL)
	setOtherWall(c.T, clock, ".off", -3600)
	c.start()
	back := c.state()
	if known.Run.T > 60 || back.Run.T < known.Run.T || back.Run.T > 60 {
		c.Errorf("run time %.0f s, then %.0f s", known.Run.T, back.Run.T)
	}
	c.stop(8 * time.Second)
	events := recorded(c.T, c.data, "")
	if strings.Count(events, `"event":"gap"`) != 2 || strings.Count(events, "a time that is not known") != 2 {
		c.Errorf("the gaps are stated as\n%s", events)
	}
	return "both stated"
}

func (c *faulty) slept() string {
	clock := filepath.Join(c.dir, "clock")
	c.env = []string{otherWall + "=" + clock}
	c.start()
	before := c.state()
	setOtherWall(c.T, clock, ".slept", 3600)
	setOtherWall(c.T, clock, ".off", 3600) // within the same tick or the next: then it is told as two
	took := c.await("the hour", 5*time.Second, func(st faultState) bool { return st.Run.T-before.Run.T > 3600 })
	st := c.state()
	if alarmed("meter-silent/k2")(st) {
		c.Errorf("%+v", st.Alarms)
	}
	c.stop(8 * time.Second)
	if events := recorded(c.T, c.data, ""); strings.Count(events, "this computer slept for 1h0m0s") != 1 {
		c.Errorf("stated as\n%s", events)
	}
	return fmt.Sprintf("stated after %v", took.Round(10*time.Millisecond))
}

// onDisk gives the record a disk of its own: a file of 32 MB with ext4, which needs
// root. It is where, and the name of its block device.
func (c *faulty) onDisk() (dir, device string) {
	return c.diskIn(c.dir, 32<<20)
}

// diskIn is such a disk whose file is in a directory.
func (c *faulty) diskIn(in string, size int64) (dir, device string) {
	c.Helper()
	dir, image := filepath.Join(in, "disk"), filepath.Join(in, "image")
	err := errors.Join(os.Mkdir(dir, 0o700), os.WriteFile(image, nil, 0o600), os.Truncate(image, size))
	if err != nil {
		c.Fatal(err)
	}
	for _, args := range [][]string{{"mkfs.ext4", "-q", image}, {"mount", "-o", "loop,errors=remount-ro", image, dir}} {
		if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
			c.Fatalf("%v: %v\n%s(run this as root, where loop devices are allowed)", args, err, out)
		}
	}
	c.Cleanup(func() {
		if out, err := exec.Command("umount", "--lazy", dir).CombinedOutput(); err != nil {
			c.Errorf("%v\n%s", err, out)
		}
	})
	var s unix.Stat_t
	if err := unix.Stat(dir, &s); err != nil {
		c.Fatal(err)
	}
	link, err := os.Readlink(fmt.Sprintf("/sys/dev/block/%d:%d", unix.Major(s.Dev), unix.Minor(s.Dev)))
	if err != nil {
		c.Fatal(err)
	}
	c.data = filepath.Join(dir, "data")
	return dir, filepath.Base(link)
}

func (c *faulty) diskFull() string {
	dir, _ := c.onDisk()
	c.start()
	fill := filepath.Join(dir, "fill")
	if err := os.WriteFile(fill, make([]byte, 64<<20), 0o600); !errors.Is(err, unix.ENOSPC) {
		c.Fatalf("the disk is not full: %v", err)
	}
	told := c.await("record-failing", 30*time.Second, alarmed("record-failing/north"))
	time.Sleep(length(3*time.Second, time.Minute))
	if err := os.Remove(fill); err != nil {
		c.Fatal(err)
	}
	over := c.await("recovered", 30*time.Second, not(alarmed("record-failing/north")))
	return fmt.Sprintf("told after %v, over %v after there was room", told.Round(10*time.Millisecond), over.Round(10*time.Millisecond))
}

// FIFREEZE and FITHAW of linux/fs.h, from memory: the file system takes no write
// until it is thawed, and who writes waits.
const fiFreeze, fiThaw = 0xc0045877, 0xc0045878

// diskHangs freezes the file system that the disk of the record is a file of: so the
// disk takes nothing, while what is cached still works, as with one that is gone.
func (c *faulty) diskHangs() string {
	under, _ := c.diskIn(c.dir, 64<<20)
	c.diskIn(under, 32<<20)
	c.start()
	disk, err := os.Open(under)
	if err != nil {
		c.Fatal(err)
	}
	defer disk.Close()
	if err := unix.IoctlSetInt(int(disk.Fd()), fiFreeze, 0); err != nil {
		c.Fatal(err)
	}
	var once sync.Once
	thaw := func() {
		once.Do(func() {
			if err := unix.IoctlSetInt(int(disk.Fd()), fiThaw, 0); err != nil {
				c.Error(err)
			}
		})
	}
	defer thaw()
	defer time.AfterFunc(2*time.Minute, thaw).Stop() // should what comes next hang too
	told := c.await("record-failing", 30*time.Second, alarmed("record-failing/north"))
	time.Sleep(time.Minute)
	at := time.Now()
	if _, err := c.s.get("/"); err != nil {
		c.Error(err)
	}
	page := time.Since(at)
	thaw()
	over := c.await("recovered", 30*time.Second, not(alarmed("record-failing/north")))
	return fmt.Sprintf("told after %v, a page in %v, over %v after it went on", told.Round(10*time.Millisecond), page.Round(time.Millisecond), over.Round(10*time.Millisecond))
}

func (c *faulty) readOnly() string {
	_, device := c.onDisk()
	c.start()
	if err := os.WriteFile(filepath.Join("/sys/fs/ext4", device, "trigger_fs_error"), []byte("1"), 0); err != nil {
		c.Fatal(err)
	}
	told := c.await("record-failing", 30*time.Second, alarmed("record-failing/north"))
	if _, err := c.s.get("/"); err != nil {
		c.Error(err)
	}
	if err := c.s.Process.Signal(syscall.SIGTERM); err != nil {
		c.Fatal(err)
	}
	at := time.Now()
	err := c.s.Wait()
	took := time.Since(at)
	if code := c.s.ProcessState.ExitCode(); code != exitFailed || took > 30*time.Second {
		c.Errorf("ended with status %d after %v: %v", code, took, err)
	}
	// What is there must be readable where nothing can be written.
	copied := filepath.Join(c.dir, "copied")
	if err := os.CopyFS(copied, os.DirFS(c.data)); err != nil {
		c.Fatal(err)
	}
	c.data = copied
	return fmt.Sprintf("told after %v, ended with status 1 after %v, what was written reads", told.Round(10*time.Millisecond), took.Round(10*time.Millisecond))
}

func (c *faulty) noFiles() string {
	c.start()
	pid := c.s.Process.Pid
	http.DefaultClient.CloseIdleConnections()
	time.Sleep(200 * time.Millisecond)
	var was unix.Rlimit
	if err := unix.Prlimit(pid, unix.RLIMIT_NOFILE, nil, &was); err != nil {
		c.Fatal(err)
	}
	if err := unix.Prlimit(pid, unix.RLIMIT_NOFILE, &unix.Rlimit{Cur: 3, Max: was.Max}, nil); err != nil {
		c.Fatal(err)
	}
	old := c.k1
	c.plug()
	old.slave.Close()
	old.master.Close()
	ask := http.Client{Timeout: 500 * time.Millisecond, Transport: &http.Transport{}}
	refused := 0
	for end := time.Now().Add(length(3*time.Second, 30*time.Second)); time.Now().Before(end); {
		resp, err := ask.Get(c.s.url)
		if err != nil {
			refused++
			continue
		}
		resp.Body.Close()
		time.Sleep(50 * time.Millisecond)
	}
	ask.CloseIdleConnections()
	if refused == 0 {
		c.Error("a page came without a descriptor for it")
	}
	if err := unix.Prlimit(pid, unix.RLIMIT_NOFILE, &was, nil); err != nil {
		c.Fatal(err)
	}
	took := c.await("k1 back", 10*time.Second, func(st faultState) bool {
		fmt.Fprintf(c.k1.master, "41.%03d\r\n", rand.IntN(1000))
		return st.Meters[0].State == "ok" && *st.Meters[0].Age < 1
	})
	return fmt.Sprintf("%d pages refused; all well %v after", refused, took.Round(10*time.Millisecond))
}

func (c *faulty) memory() string {
	c.env = []string{"GOMEMLIMIT=16MiB"}
	c.start()
	time.Sleep(time.Second)
	id := struct{ Run struct{ ID string } }{}
	b, err := c.s.get("/api/state")
	if err == nil {
		err = json.Unmarshal(b, &id)
	}
	if err != nil {
		c.Fatal(err)
	}
	var wg sync.WaitGroup
	var answered atomic.Int64
	at := time.Now()
	for range 20 {
		wg.Go(func() {
			if _, err := c.s.get("/api/runs/" + id.Run.ID + "/report.pdf"); err != nil {
				c.Error(err)
				return
			}
			answered.Add(1)
		})
	}
	wg.Wait()
	return fmt.Sprintf("%d reports in %v, %.0f MB resident", answered.Load(), time.Since(at).Round(10*time.Millisecond), float64(residentOf(c, c.s.Process.Pid))/1e6)
}

func (c *faulty) sse() string {
	c.start()
	files, before := openFilesOf(c, c.s.Process.Pid), residentOf(c, c.s.Process.Pid)
	var conns []net.Conn
	for range 100 {
		d := net.Dialer{Control: func(_, _ string, raw syscall.RawConn) error {
			return raw.Control(func(fd uintptr) {
				if err := unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF, 4096); err != nil {
					c.Error(err)
				}
			})
		}}
		conn, err := d.DialContext(c.Context(), "tcp", strings.TrimSuffix(strings.TrimPrefix(c.s.url, "http://"), "/"))
		if err != nil {
			c.Fatal(err)
		}
		fmt.Fprintf(conn, "GET /api/events HTTP/1.1\r\nHost: north\r\n\r\n")
		conns = append(conns, conn)
	}
	time.Sleep(length(5*time.Second, 5*time.Minute))
	at := time.Now()
	c.state()
	page := time.Since(at)
	more, held := residentOf(c, c.s.Process.Pid)-before, openFilesOf(c, c.s.Process.Pid)-files
	if page > 2*time.Second || more > 100<<20 {
		c.Errorf("a state took %v; %d bytes more", page, more)
	}
	for _, conn := range conns {
		conn.Close()
	}
	took := c.await("the connections let go", 15*time.Second, func(faultState) bool { return openFilesOf(c, c.s.Process.Pid) <= files+2 })
	return fmt.Sprintf("a state in %v, %.1f MB more, %d connections held; gone %v after their clients", page.Round(time.Millisecond), float64(more)/1e6, held, took.Round(10*time.Millisecond))
}

func (c *faulty) twoDaemons() string {
	c.start()
	_, errOut, code := nightsoak(c.T, c.s.Args[1:]...)
	pid := strconv.Itoa(c.s.Process.Pid)
	if code != exitFailed || !strings.Contains(errOut, pid) {
		c.Errorf("status %d, the first is %s: %s", code, pid, errOut)
	}
	return "refused: process " + pid + " named"
}

func (c *faulty) stopped() string {
	c.start()
	kill(c.T, c.s, unix.SIGSTOP)
	time.Sleep(3 * time.Second) // the fault itself
	kill(c.T, c.s, unix.SIGCONT)
	at := time.Now()
	c.state()
	return fmt.Sprintf("a state %v after it went on", time.Since(at).Round(time.Millisecond))
}

func (c *faulty) everyPhase() string {
	c.volts.Store(0)
	c.start()
	var worst time.Duration
	for _, phase := range []string{"standby", "warm-up", "soak", "cool-down", "ended"} {
		switch phase {
		case "warm-up":
			c.volts.Store(462)
		case "cool-down":
			c.volts.Store(100)
		case "ended":
			c.s.mustPost(c.T, "end", nothing)
		}
		in := func(st faultState) bool { return st.Run.Phase == phase }
		c.await(phase, 10*time.Second, in)
		at := time.Now()
		c.stop(5 * time.Second)
		worst = max(worst, time.Since(at))
		if phase == "ended" {
			break
		}
		c.start()
		if st := c.state(); !in(st) && !(phase == "warm-up" && st.Run.Phase == "soak") { // settle_by may have come
			c.Errorf("stopped in %s, goes on in %s", phase, st.Run.Phase)
		}
	}
	return fmt.Sprintf("status 0 each time, after %v at most", worst.Round(10*time.Millisecond))
}
