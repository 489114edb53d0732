//go:build linux

package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// tty is a pseudo terminal that passes every byte as it is. The slave is held
// open, so that daemons may come and go.
type tty struct{ master, slave *os.File }

func newTTY(t testing.TB) *tty {
	t.Helper()
	m, s, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	term, err := unix.IoctlGetTermios(int(s.Fd()), unix.TCGETS)
	if err == nil {
		term.Iflag, term.Oflag, term.Lflag = 0, 0, 0
		err = unix.IoctlSetTermios(int(s.Fd()), unix.TCSETS, term)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close(); m.Close() })
	return &tty{m, s}
}

// heard is bytes and when they came.
type heard struct {
	at   time.Time
	text string
}

// listen passes on what is written to the slave.
func (y *tty) listen() <-chan heard {
	c := make(chan heard, 4096)
	go func() {
		buf := make([]byte, 256)
		for {
			n, err := y.master.Read(buf)
			if err != nil {
				return
			}
			c <- heard{time.Now(), string(buf[:n])}
		}
	}()
	return c
}

// textBench is so many meters that print a line ten times a second: k1 and on,
// a sense meter a socket, and ht last. What each shows can be changed.
type textBench struct {
	meters []*tty
	shows  []atomic.Int64 // tenths of mV, of ht tenths of V
	dir    string
	files  []string
	job    string
}

const idles, tooMuch, htUp = 410, 750, 4620 // 63 %, 115 % of a 6L6GC's 30 W at 462 V

// newTextBench starts them, with a cut-off and more of the bench file as given.
func newTextBench(t *testing.T, n int, more string) *textBench {
	t.Helper()
	b := &textBench{dir: t.TempDir(), meters: make([]*tty, n), shows: make([]atomic.Int64, n)}
	file := fmt.Sprintf("name = \"north\"\ndata_dir = %q\n[panel]\nlisten = \"127.0.0.1:0\"\n", b.dir)
	b.job = "ticket = \"R-1187\"\n[limits]\ndissipation_for = \"1ms\"\n"
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for i := range n {
		y := newTTY(t)
		b.meters[i] = y
		name, unit := fmt.Sprint("k", i+1), "mV"
		b.shows[i].Store(idles)
		if i == n-1 {
			name, unit = "ht", "V"
			b.shows[i].Store(htUp)
		} else {
			b.job += fmt.Sprintf("[[socket]]\nname = \"V%d\"\ntube = \"6L6GC\"\nsense = { meter = %q, ohms = 1.0 }\nplate = { meter = \"ht\" }\n", i+1, name)
		}
		file += fmt.Sprintf("[[meter]]\nname = %q\nport = %q\nformat = \"textline\"\npattern = '(?P<value>\\d+\\.\\d)'\nsample = '38.2'\nunit = %q\n", name, y.slave.Name(), unit)
		wg.Go(func() {
			pace := time.NewTimer(rand.N(100 * time.Millisecond))
			for {
				select {
				case <-stop:
					return
				case <-pace.C:
					pace.Reset(100 * time.Millisecond)
					b.show(i)
				}
			}
		})
	}
	t.Cleanup(func() { close(stop); wg.Wait() })
	paths := []string{filepath.Join(b.dir, "bench.toml"), filepath.Join(b.dir, "job.toml")}
	for i, text := range []string{file + more, b.job} {
		if err := os.WriteFile(paths[i], []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	b.files = []string{"serve", "--bench", paths[0], "--job", paths[1]}
	return b
}

// show has a meter print what it shows, the last digit restless, and is when it had.
func (b *textBench) show(i int) time.Time {
	v := b.shows[i].Load()
	if v < 0 {
		return time.Time{} // switched off
	}
	v += rand.Int64N(3)
	fmt.Fprintf(b.meters[i].master, "%d.%d\r\n", v/10, v%10)
	return time.Now()
}

// all sets what every meter shows from now on.
func (b *textBench) all(current, ht int64) {
	for i := range b.shows {
		b.shows[i].Store(current)
	}
	b.shows[len(b.shows)-1].Store(ht)
}

// cutState is what is asked of /api/state here.
type cutState struct {
	Run    *struct{ ID, Phase string }
	Cutoff struct {
		State, Why, Proof, Seen string
		Holding                 bool
		ProvedRun               string `json:"proved_run"`
	}
	Alarms []struct{ ID, State, Text string }
}

// cutUntil waits for a state; the deadline bounds failure only.
func (s *server) cutUntil(t *testing.T, what string, within time.Duration, so func(cutState) bool) cutState {
	t.Helper()
	var st cutState
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		b, err := s.get("/api/state")
		if err == nil {
			st = cutState{}
			err = json.Unmarshal(b, &st)
		}
		if err != nil {
			t.Fatalf("%v\n%s", err, s.logged())
		}
		if so(st) {
			return st
		}
	}
	t.Fatalf("not within %v: %s: %+v\n%s", within, what, st, s.logged())
	return st
}

// post does an act and is its answer: status and error in words.
func (s *server) post(t *testing.T, act string, body any) (int, string) {
	t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.Post(s.url+"api/"+act, "application/json", bytes.NewReader(b))
	if err != nil {
		t.Fatalf("%v\n%s", err, s.logged())
	}
	defer resp.Body.Close()
	var answer struct{ Error string }
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, answer.Error
}

func (s *server) mustPost(t *testing.T, act string, body any) {
	t.Helper()
	if code, why := s.post(t, act, body); code != http.StatusOK {
		t.Fatalf("%s: %d %s\n%s", act, code, why, s.logged())
	}
}

var nothing = map[string]string{}

func armedAndUp(st cutState) bool {
	return st.Cutoff.State == "armed" && st.Run != nil && st.Run.Phase == "warm-up"
}

// trials are how many cuts TestCutLatency times, and among how many meters.
func trials(t *testing.T) (n, meters int) {
	n, err := strconv.Atoi(os.Getenv("NIGHTSOAK_CUTS"))
	if err != nil {
		return 50, 16
	}
	return n, 64
}

// overAndBack has one plate go over its limit and is how long it took, from the last
// byte of the reading to the relay board's; then it is a new run, armed anew.
func (b *textBench) overAndBack(t *testing.T, s *server, dropped <-chan heard) (took time.Duration) {
	t.Helper()
	guilty := rand.IntN(len(b.meters) - 1)
	b.shows[guilty].Store(tooMuch)
	wrote := b.show(guilty)
	select {
	case h := <-dropped:
		if h.text != "\xa0\x01\x00\xa1" {
			t.Fatalf("the relay board got % x", h.text)
		}
		took = h.at.Sub(wrote)
	case <-time.After(10 * time.Second):
		t.Fatalf("nothing dropped\n%s", s.logged())
	}
	b.shows[guilty].Store(idles)
	st := s.cutUntil(t, "said to be cut", 5*time.Second, func(st cutState) bool { return st.Cutoff.State == "cut" })
	if !strings.HasPrefix(st.Cutoff.Why, fmt.Sprintf("V%d at 11", guilty+1)) {
		t.Fatalf("cut by V%d, says %q", guilty+1, st.Cutoff.Why)
	}
	if code, why := s.post(t, "rearm", nothing); code != http.StatusConflict || !strings.Contains(why, fmt.Sprintf("over-dissipation/V%d stands", guilty+1)) {
		t.Fatalf("rearm with the alarm standing: %d %s", code, why)
	}
	s.mustPost(t, "end", nothing)
	s.mustPost(t, "rearm", nothing)
	s.mustPost(t, "begin", map[string]any{"job": b.job})
	return took
}

// From the last byte of the guilty frame, written to a meter's terminal, to the
// relay board's bytes read on its own: every cut comes, once, and is in the
// record with its reading. The figures are printed beside those of a bare
// terminal in the same run, and decide nothing. NIGHTSOAK_CUTS=1000 takes 64
// meters. What is timed includes dissipation_for, 1 ms here.
func TestCutLatency(t *testing.T) {
	n, meters := trials(t)
	relay := newTTY(t)
	b := newTextBench(t, meters, fmt.Sprintf("[cutoff]\nby = \"bytes\"\nport = %q\ndrop = 'hex: A0 01 00 A1'\nwhen = [\"over-dissipation\"]\n", relay.slave.Name()))
	s := start(t, b.files...)
	dropped := relay.listen()
	bare := newTTY(t)
	bareHeard := make(chan time.Time, 1)
	go func() {
		buf := make([]byte, 256)
		for {
			if _, err := bare.slave.Read(buf); err != nil {
				return
			}
			bareHeard <- time.Now()
		}
	}()
	var took, floor []time.Duration
	for range n {
		s.cutUntil(t, "HT up and armed", 10*time.Second, armedAndUp)
		began := time.Now()
		io.WriteString(bare.master, "38.2\r\n")
		floor = append(floor, max(0, (<-bareHeard).Sub(began)))

		took = append(took, b.overAndBack(t, s, dropped))
	}
	for len(dropped) > 0 {
		t.Errorf("dropped once more: % x", (<-dropped).text)
	}
	s.stop(t)
	acts := 0
	for _, l := range strings.Split(recorded(t, b.dir, ""), "\n") {
		if !strings.Contains(l, `"act":"cut"`) {
			continue
		}
		acts++
		var e struct {
			T, ReadT           float64
			ID, Meter, Reading string
		}
		if err := json.Unmarshal([]byte(strings.Replace(l, "reading_t", "ReadT", 1)), &e); err != nil {
			t.Fatal(err)
		}
		if socket, ok := strings.CutPrefix(e.ID, "over-dissipation/V"); !ok || e.Meter != "k"+socket || !strings.HasPrefix(e.Reading, "75.") || e.T-e.ReadT < 0 || e.T-e.ReadT > 1 {
			t.Errorf("recorded as %s", l)
		}
	}
	if acts != n {
		t.Errorf("%d cuts, %d in the record", n, acts)
	}
	report := func(what string, d []time.Duration) time.Duration {
		slices.Sort(d)
		p := func(q float64) time.Duration { return d[min(len(d)-1, int(q*float64(len(d))))].Round(time.Microsecond) }
		t.Logf("%s, %d trials, %d meters live: p50 %v, p99 %v, max %v", what, len(d), meters, p(.5), p(.99), d[len(d)-1].Round(time.Microsecond))
		return p(.99)
	}
	t.Logf("p99 above the floor: %v", report("guilty frame to relay bytes", took)-report("bare terminal", floor))
}

// lineServer is a serial server that speaks RFC 2217 and notes the edges of its
// port's DTR. A terminal has no modem lines, and ser2net in front of one does
// not confirm them: so it is ours, on loopback.
type lineServer struct {
	addr string
	mute atomic.Bool // confirms nothing more

	mu    sync.Mutex
	up    bool
	edges []time.Time
}

func newLineServer(t *testing.T) *lineServer {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	s := &lineServer{addr: l.Addr().String()}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go s.serve(c)
		}
	}()
	return s
}

// serve talks to one client: agrees to every option, confirms every setting.
func (s *lineServer) serve(c net.Conn) {
	defer c.Close()
	const iac, sb, se, will, do, comPort = 255, 250, 240, 251, 253, 44
	var got []byte
	buf := make([]byte, 256)
	for {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		got = append(got, buf[:n]...)
		for len(got) >= 3 {
			length := 3
			switch {
			case got[0] != iac:
				length = 1
			case got[1] == will:
				c.Write([]byte{iac, do, got[2]})
			case got[1] == do:
				c.Write([]byte{iac, will, got[2]})
			case got[1] == sb:
				length = bytes.Index(got, []byte{iac, se}) + 2
			}
			if got[0] == iac && length < 3 {
				break // the end of it is still to come
			}
			if got[0] == iac && got[1] == sb && got[2] == comPort {
				value := got[4 : length-2]
				s.set(got[3], value)
				if !s.mute.Load() {
					c.Write(slices.Concat([]byte{iac, sb, comPort, got[3] + 100}, value, []byte{iac, se}))
				}
			}
			got = got[length:]
		}
	}
}

func (s *lineServer) set(command byte, value []byte) {
	if command != 5 || len(value) != 1 || value[0] != 8 && value[0] != 9 {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if up := value[0] == 8; up != s.up {
		s.up = up
		s.edges = append(s.edges, time.Now())
	}
}

// last is the moment of the last edge and how many there were.
func (s *lineServer) last() (time.Time, int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.edges) == 0 {
		return time.Time{}, 0
	}
	return s.edges[len(s.edges)-1], len(s.edges)
}

// pulsing waits until edges come.
func (s *lineServer) pulsing(t *testing.T, d *server) {
	t.Helper()
	_, before := s.last()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if _, n := s.last(); n > before+4 {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("no pulses come\n%s", d.logged())
		}
	}
}

// still waits for so long without an edge, and is when the last one was.
func (s *lineServer) still(t *testing.T, quiet time.Duration) time.Time {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if at, _ := s.last(); time.Since(at) > quiet {
			return at
		}
	}
	t.Fatal("the pulses go on")
	return time.Time{}
}

// The modem line: from the guilty frame to the last edge.
func TestCutLatencyLine(t *testing.T) {
	n, meters := trials(t)
	n = cmp.Or(n/5, 1)
	l := newLineServer(t)
	b := newTextBench(t, meters, fmt.Sprintf("[cutoff]\nby = \"line\"\nport = \"rfc2217://%s\"\nwhen = [\"over-dissipation\"]\n", l.addr))
	s := start(t, b.files...)
	var took []time.Duration
	for i := range n {
		s.cutUntil(t, "HT up, armed and holding", 10*time.Second, func(st cutState) bool { return armedAndUp(st) && st.Cutoff.Holding })
		l.pulsing(t, s)
		guilty := rand.IntN(meters - 1)
		b.shows[guilty].Store(tooMuch)
		wrote := b.show(guilty)
		s.cutUntil(t, "said to be cut", 5*time.Second, func(st cutState) bool { return st.Cutoff.State == "cut" })
		last := l.still(t, 200*time.Millisecond) // four times the pace of the edges
		took = append(took, max(0, last.Sub(wrote)))
		if last.Sub(wrote) > 2*time.Second {
			t.Fatalf("trial %d: edges for %v after the guilty frame", i, last.Sub(wrote))
		}
		b.shows[guilty].Store(idles)
		s.mustPost(t, "end", nothing)
		s.mustPost(t, "rearm", nothing)
		s.mustPost(t, "begin", map[string]any{"job": b.job})
	}
	s.stop(t)
	slices.Sort(took)
	t.Logf("guilty frame to the last edge, %d trials, %d meters live: p50 %v, p99 %v, max %v", n, meters, took[n/2], took[min(n-1, n*99/100)], took[n-1])
}
