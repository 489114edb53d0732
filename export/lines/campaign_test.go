package lines

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/klauspost/compress/gzip"
	"github.com/rs/zerolog"

	"nightsoak/alarms"
)

// database is a model of one that takes line protocol, and of what can be wrong
// with it. It keeps lines by series and stamp, as InfluxDB does.
type database struct {
	mu      sync.Mutex
	fault   string
	token   string
	points  map[string]string // field by series and stamp
	order   []int             // values as they first came
	again   int               // lines that came again as they were
	altered int               // lines that came again otherwise
	answers map[string]int
}

func (d *database) set(fault string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fault = fault
}

func (d *database) take(body []byte) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for line := range strings.Lines(string(body)) {
		series, rest, _ := strings.Cut(line, " ") // no tag has a space here
		at := strings.LastIndexByte(rest, ' ')
		key, fields := series+rest[at:], rest[:at]
		if old, ok := d.points[key]; ok {
			d.again++
			if old != fields {
				d.altered++
			}
			continue
		}
		d.points[key] = fields
		if v, err := strconv.Atoi(strings.TrimPrefix(fields, "value=")); err == nil {
			d.order = append(d.order, v)
		}
	}
}

func (d *database) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	d.mu.Lock()
	fault, token := d.fault, d.token
	d.answers[fault]++
	d.mu.Unlock()
	cut := func() {
		if c, _, err := w.(http.Hijacker).Hijack(); err == nil {
			c.Close()
		}
	}
	if fault == "killed" {
		cut()
		return
	}
	if fault == "half-written" {
		io.CopyN(io.Discard, r.Body, 20)
		cut()
		return
	}
	z, err := gzip.NewReader(r.Body)
	var body []byte
	if err == nil {
		body, err = io.ReadAll(z)
	}
	switch {
	case err != nil:
		http.Error(w, err.Error(), http.StatusBadRequest)
	case r.Header.Get("Authorization") != "Token "+token:
		http.Error(w, `{"error":"authorization failed"}`, http.StatusUnauthorized)
	case fault == "hung":
		<-r.Context().Done()
	case fault == "5xx":
		http.Error(w, "timeout", []int{500, 502, 503}[rand.IntN(3)])
	case fault == "full":
		w.Header().Set("Retry-After", "7")
		http.Error(w, "engine: write /data: no space left on device", http.StatusInternalServerError)
	case fault == "taken, then killed":
		d.take(body)
		cut()
	case fault == "taken, then hung":
		d.take(body)
		<-r.Context().Done()
	case fault == "slow":
		select {
		case <-time.After(time.Duration(rand.N(int64(12 * time.Second)))): // patience is 10 s
			d.take(body)
			w.WriteHeader(http.StatusNoContent)
		case <-r.Context().Done():
		}
	default:
		d.take(body)
		w.WriteHeader(http.StatusNoContent)
	}
}

// check says what is lost of the values 0 to n-1, what came double and what out
// of order.
func (d *database) check(t *testing.T, n int) {
	t.Helper()
	d.mu.Lock()
	defer d.mu.Unlock()
	lost, disorder, next := 0, 0, 0
	for _, v := range d.order {
		if v < next {
			disorder++
		}
		lost += max(0, v-next)
		next = max(next, v+1)
	}
	lost += n - next
	t.Logf("%d lines: %d lost, %d counted twice, %d out of order; %d sent again as they were, which the database counts once; answers: %v",
		n, lost, len(d.points)-n+lost+d.altered, disorder, d.again, d.answers)
	if lost != 0 || disorder != 0 || d.altered != 0 || len(d.points) != n {
		t.Errorf("lost %d, out of order %d, altered %d, %d points for %d lines", lost, disorder, d.altered, len(d.points), n)
	}
}

// said is the last notice.
type said struct {
	mu   sync.Mutex
	text string
}

func (s *said) say(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.text = text
}

func (s *said) get() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text
}

// pipes is a network of pipes, which lets a bubble's clock run.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}
func (p *pipes) Close() error   { close(p.done); return nil }
func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipes"} }
func (p *pipes) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	near, far := net.Pipe()
	select {
	case p.conns <- far:
		return near, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

var faults = []string{"killed", "hung", "slow", "5xx", "full", "401", "half-written", "taken, then killed", "taken, then hung", "restart"}

// TestOutageCampaign breaks the database in every way, for seconds to hours of
// emulated time, and restarts the outlet meanwhile: real HTTP at both ends over
// pipes, the real spool, the clock of the bubble. NIGHTSOAK_LONG=1 for all of it.
func TestOutageCampaign(t *testing.T) {
	outages := 20
	if os.Getenv("NIGHTSOAK_LONG") != "" {
		outages = 200
	}
	dir := t.TempDir()
	token := filepath.Join(dir, "token")
	synctest.Test(t, func(t *testing.T) {
		db := &database{points: map[string]string{}, answers: map[string]int{}, token: "s3cret"}
		net := &pipes{conns: make(chan net.Conn), done: make(chan struct{})}
		server := &http.Server{Handler: db}
		go server.Serve(net)
		if err := os.WriteFile(token, []byte("s3cret\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		var log bytes.Buffer
		var notice said
		transport := &http.Transport{DialContext: net.dial}
		open := func() *Outlet {
			o, err := Open(Options{To: "http://db/write?db=bench", TokenFile: token, Gzip: true, Spool: dir, SpoolMax: 50e6, Age: 10 * time.Second,
				Log: zerolog.New(&log), Notice: notice.say, transport: transport})
			if err != nil {
				t.Fatal(err)
			}
			return o
		}
		o := open()
		began, n, most, restarts := time.Now(), 0, int64(0), 0
		run := func(d time.Duration) {
			for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(time.Second) {
				for range 3 {
					o.Meter(north, time.Now(), "k1", reading(fmt.Sprint(n), "V"))
					n++
				}
				if info, err := os.Stat(filepath.Join(dir, "spool.db")); err == nil {
					most = max(most, info.Size())
				}
			}
		}
		rng := rand.New(rand.NewPCG(9, 9))
		for i := range outages {
			fault := faults[i%len(faults)]
			long := time.Duration(float64(5*time.Second) * float64(1+rng.IntN(20)*rng.IntN(20)))
			if i%len(faults) == 3 && i < 10 {
				long = 2 * time.Hour
			}
			db.set(fault)
			if fault == "401" {
				os.WriteFile(token, []byte("stale"), 0o600)
			}
			run(long / 2)
			if fault == "restart" || rng.IntN(3) == 0 {
				ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
				if err := o.Close(ctx); err != nil {
					t.Errorf("during %s: %v", fault, err)
				}
				cancel()
				o = open()
				restarts++
			}
			run(long / 2)
			if fault == "401" {
				if long > 2*time.Minute && (!strings.Contains(notice.get(), "authorization failed") || strings.Contains(notice.get(), "stale")) {
					t.Errorf("the notice: %q", notice.get())
				}
				os.WriteFile(token, []byte("s3cret"), 0o600)
			}
			db.set("")
			run(time.Duration(rng.IntN(120)) * time.Second)
		}
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		if err := o.Close(t.Context()); err != nil {
			t.Error(err)
		}
		var mem runtime.MemStats
		runtime.ReadMemStats(&mem)
		t.Logf("%d outages and %d restarts in %v of emulated time; spool at most %.1f MB on the disk; heap %.0f MB at the end", outages, restarts, time.Since(began).Round(time.Minute), float64(most)/1e6, float64(mem.HeapAlloc)/1e6)
		db.check(t, n)
		if notice.get() != "" {
			t.Errorf("all is well, and yet: %s", notice.get())
		}
		if strings.Contains(log.String(), "s3cret") {
			t.Error("the token is in the log")
		}
		transport.CloseIdleConnections()
		server.Close()
	})
}

// TestSpoolFull: loss begins only past the stated size, takes the oldest, and is
// told in exact numbers.
func TestSpoolFull(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		db := &database{points: map[string]string{}, answers: map[string]int{}, fault: "killed"}
		net := &pipes{conns: make(chan net.Conn), done: make(chan struct{})}
		server := &http.Server{Handler: db}
		go server.Serve(net)
		transport := &http.Transport{DialContext: net.dial}
		var notice, losing said
		os.WriteFile(filepath.Join(dir, "token"), []byte("t"), 0o600)
		db.token = "t"
		o, err := Open(Options{To: "http://db/write?db=bench", TokenFile: filepath.Join(dir, "token"), Gzip: true, Spool: dir, SpoolMax: 200_000, Batch: 2000,
			Log: zerolog.Nop(), Notice: notice.say, Lost: losing.say, transport: transport})
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		put := func(batches int) {
			for range batches {
				for range 2000 {
					o.Meter(north, moment.Add(time.Duration(n)*time.Millisecond), "k1", reading(fmt.Sprint(n), "V"))
					n++
				}
				time.Sleep(2 * time.Second)
			}
		}
		put(5)
		if _, lines := o.spool.kept(); lines != int64(n) || notice.get() != "" || losing.get() != "" {
			t.Errorf("within its size: %d of %d lines kept, notice %q, loss %q", lines, n, notice.get(), losing.get())
		}
		put(45)
		_, kept := o.spool.kept()
		lost := n - int(kept)
		if lost <= 0 || !strings.Contains(notice.get(), fmt.Sprintf("%d lines did not fit", lost)) || losing.get() != notice.get() || o.spool.bytes > 200_000 {
			t.Errorf("%d lines lost, %d bytes kept, notice %q", lost, o.spool.bytes, notice.get())
		}
		db.set("")
		time.Sleep(time.Minute)
		synctest.Wait()
		if err := o.Close(t.Context()); err != nil {
			t.Error(err)
		}
		if len(db.order) != int(kept) || db.order[0] != lost || db.order[len(db.order)-1] != n-1 {
			t.Errorf("%d lines arrived from %d to %d, want %d from %d", len(db.order), db.order[0], db.order[len(db.order)-1], kept, lost)
		}
		t.Logf("200 kB of spool held %d lines of a meter", kept)
		transport.CloseIdleConnections()
		server.Close()
	})
}

// TestSpoolUnwritable: without a disk lines go on in memory, in order, and that is told.
func TestSpoolUnwritable(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		db := &database{points: map[string]string{}, answers: map[string]int{}, token: "t"}
		net := &pipes{conns: make(chan net.Conn), done: make(chan struct{})}
		server := &http.Server{Handler: db}
		go server.Serve(net)
		transport := &http.Transport{DialContext: net.dial}
		var notice said
		os.WriteFile(filepath.Join(dir, "token"), []byte("t"), 0o600)
		o, err := Open(Options{To: "http://db/write?db=bench", TokenFile: filepath.Join(dir, "token"), Gzip: true, Spool: dir, SpoolMax: 1e6,
			Log: zerolog.Nop(), Notice: notice.say, transport: transport})
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		put := func(seconds int) {
			for range seconds {
				for range 5 {
					o.Meter(north, time.Now(), "k1", reading(fmt.Sprint(n), "V"))
					n++
				}
				time.Sleep(time.Second)
			}
		}
		put(5)
		var pages int
		if err := o.spool.db.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
			t.Fatal(err)
		}
		db.set("killed")
		o.spool.db.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)) // SQLite then says what it says of a full disk
		put(400)
		if !strings.Contains(notice.get(), "spool cannot be written") {
			t.Errorf("the notice: %q", notice.get())
		}
		db.set("")
		put(60)
		o.spool.db.Exec("PRAGMA max_page_count = 100000")
		put(60)
		time.Sleep(time.Minute)
		if err := o.Close(t.Context()); err != nil {
			t.Error(err)
		}
		db.check(t, n)
		if notice.get() != "" {
			t.Errorf("the disk is back, and yet: %s", notice.get())
		}
		transport.CloseIdleConnections()
		server.Close()
	})
}

const childOf = "NIGHTSOAK_LINES_CHILD"

func TestMain(m *testing.M) {
	if to := os.Getenv(childOf); to != "" {
		child(to)
	}
	os.Exit(m.Run())
}

// child is a daemon with nothing but the outlet: it says what it has recorded,
// which it is told anew when it starts again, as from the record.
func child(to string) {
	o, err := Open(Options{To: to, Gzip: true, TokenFile: os.Getenv("TOKEN"), Spool: os.Getenv("SPOOL"), SpoolMax: 50e6, Age: 20 * time.Millisecond, Log: zerolog.Nop()})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	recorded, _ := strconv.Atoi(os.Getenv("RECORDED"))
	run := Run{Bench: "north", Ticket: "R-1187", ID: "r1", Past: true}
	give := func(n int) {
		o.Meter(run, moment.Add(time.Duration(n/3)*time.Millisecond), "k1", reading(fmt.Sprint(n), "V")) // three share a stamp
		if n%50 == 0 {
			o.Event(run, moment.Add(time.Duration(n)*time.Millisecond), &alarms.Event{Event: "act", Act: "note", Text: fmt.Sprintf("n%d", n)})
		}
	}
	if recorded == 0 {
		run.Past = false
		o.Event(run, moment, &alarms.Event{Event: alarms.EventAct, Act: "begin"})
		run.Past = true
	} else {
		o.Event(run, moment, &alarms.Event{Event: alarms.EventAct, Act: "begin"})
	}
	for n := range recorded {
		give(n)
	}
	run.Past = false
	for n := recorded; ; n++ {
		fmt.Println(n) // recorded
		give(n)
		if n%20 == 0 {
			time.Sleep(time.Millisecond)
		}
	}
}

// TestOutletKilled kills a process with SIGKILL while it feeds a database that
// itself fails, starts it again, and wants every recorded line once.
func TestOutletKilled(t *testing.T) {
	kills := 5
	if os.Getenv("NIGHTSOAK_LONG") != "" {
		kills = 60
	}
	db := &database{points: map[string]string{}, answers: map[string]int{}, token: "t"}
	server := httptest.NewServer(db)
	defer server.Close()
	dir := t.TempDir()
	token := filepath.Join(dir, "token")
	if err := os.WriteFile(token, []byte("t"), 0o600); err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	recorded := 0
	for i := range kills {
		db.set([]string{"", "5xx", "taken, then killed", "", "killed", ""}[i%6])
		c := exec.CommandContext(t.Context(), self)
		c.Env = append(os.Environ(), childOf+"="+server.URL+"/write?db=bench", "SPOOL="+dir, "TOKEN="+token, fmt.Sprintf("RECORDED=%d", recorded))
		out, err := c.StdoutPipe()
		if err == nil {
			err = c.Start()
		}
		if err != nil {
			t.Fatal(err)
		}
		r := bufio.NewScanner(out)
		for upTo := recorded + 200 + rand.IntN(3000); r.Scan(); {
			n, err := strconv.Atoi(r.Text())
			if err != nil {
				t.Fatalf("the child: %s", r.Text())
			}
			if recorded = n + 1; recorded >= upTo {
				break
			}
		}
		c.Process.Kill()
		for r.Scan() { // what it had recorded in the moment
			if n, err := strconv.Atoi(r.Text()); err == nil {
				recorded = n + 1
			}
		}
		c.Wait()
	}
	// The last life: what is recorded, judged again, and what the spool holds.
	db.set("")
	o, err := Open(Options{To: server.URL + "/write?db=bench", Gzip: true, TokenFile: token, Spool: dir, SpoolMax: 50e6, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	run := Run{Bench: "north", Ticket: "R-1187", ID: "r1", Past: true}
	o.Event(run, moment, &alarms.Event{Event: alarms.EventAct, Act: "begin"})
	for n := range recorded {
		o.Meter(run, moment.Add(time.Duration(n/3)*time.Millisecond), "k1", reading(fmt.Sprint(n), "V"))
		if n%50 == 0 {
			o.Event(run, moment.Add(time.Duration(n)*time.Millisecond), &alarms.Event{Event: "act", Act: "note", Text: fmt.Sprintf("n%d", n)})
		}
	}
	if err := o.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, n := func() (int64, int64) { s, _, _ := openSpool(dir, 1); defer s.close(); return s.kept() }(); n != 0 {
		t.Fatalf("%d lines still wait", n)
	}
	events := 0
	for k := range db.points {
		if strings.HasPrefix(k, "nightsoak_event") {
			events++
			delete(db.points, k)
		}
	}
	if want := 1 + (recorded+49)/50; events != want {
		t.Errorf("%d events, want %d", events, want)
	}
	t.Logf("%d kills", kills)
	db.check(t, recorded)
}
