package lines

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"
)

// place is a fake far end: it keeps what it was given, or answers with err.
type place struct {
	mu      sync.Mutex
	batches []string
	tries   int
	err     error
	log     bytes.Buffer
}

// open starts an outlet to the place.
func (p *place) open() *Outlet {
	o := &Outlet{name: "place", shut: func() error { return nil }, deliver: func(_ context.Context, b []byte) error {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.tries++
		if p.err == nil {
			p.batches = append(p.batches, string(b))
		}
		return p.err
	}}
	return o.start(zerolog.New(&p.log))
}

func (p *place) answer(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.err = err
}

func (p *place) tried() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.tries
}

// lines is how many lines the place has, and in how many batches.
func (p *place) lines() (lines, batches int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Count(strings.Join(p.batches, ""), "\n"), len(p.batches)
}

// put adds n lines, numbered from first by their values.
func put(o *Outlet, first, n int) {
	for i := range n {
		o.Meter(north, moment, "k1", reading(fmt.Sprint(first+i), "V"))
	}
}

func TestBatches(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p place
		o := p.open()
		put(o, 0, 3)
		time.Sleep(maxAge - time.Millisecond)
		synctest.Wait()
		if n, _ := p.lines(); n != 0 {
			t.Errorf("%d lines left before their age", n)
		}
		time.Sleep(time.Millisecond)
		synctest.Wait()
		if n, b := p.lines(); n != 3 || b != 1 {
			t.Errorf("after a second: %d lines in %d batches", n, b)
		}
		put(o, 0, maxBatch)
		synctest.Wait()
		if n, b := p.lines(); n != 3+maxBatch || b != 2 {
			t.Errorf("a full batch waits: %d lines in %d batches", n, b)
		}
		for range 50 { // 5 s at a bench's pace
			put(o, 0, 2)
			time.Sleep(100 * time.Millisecond)
		}
		if _, b := p.lines(); b < 2+4 || b > 2+6 {
			t.Errorf("5 s of readings left in %d batches", b-2)
		}
		if err := o.Close(t.Context()); err != nil {
			t.Error(err)
		}
		if n, _ := p.lines(); n != 3+maxBatch+100 {
			t.Errorf("%d lines in all", n)
		}
	})
}

// TestOutage: the far end is gone for ten minutes. Nobody is held up, the log
// says so now and then, and what the queue could keep arrives, oldest first.
func TestOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p place
		p.err = errors.New("connection refused")
		o := p.open()
		began := time.Now()
		put(o, 0, maxQueued+250)
		if waited := time.Since(began); waited != 0 {
			t.Errorf("an outage held the caller up for %v", waited)
		}
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if n := p.tried(); n > 25 {
			t.Errorf("%d tries in 10 min: no back-off", n)
		}
		p.answer(nil)
		time.Sleep(longPause + 15*time.Second)
		synctest.Wait()
		n, _ := p.lines()
		points := read(t, strings.Join(p.batches, ""))
		if n != maxQueued || points[0].Fields["value"] != "250" || points[n-1].Fields["value"] != fmt.Sprint(maxQueued+249) {
			t.Errorf("%d lines from %s to %s", n, points[0].Fields["value"], points[n-1].Fields["value"])
		}
		if err := o.Close(t.Context()); err != nil {
			t.Error(err)
		}
		log := p.log.String()
		if !strings.Contains(log, `"dropped":250`) || !strings.Contains(log, "connection refused") || !strings.Contains(log, "taken again") {
			t.Errorf("the log: %s", log)
		}
		if lines := strings.Count(log, "\n"); lines > 14 {
			t.Errorf("%d log lines for one outage of 10 min:\n%s", lines, log)
		}
	})
}

func TestRefusedIsDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p place
		p.err = poison{error: errors.New("400 Bad Request: field type conflict")}
		o := p.open()
		put(o, 0, 2)
		time.Sleep(2 * maxAge)
		p.answer(nil)
		put(o, 7, 1)
		if err := o.Close(t.Context()); err != nil {
			t.Error(err)
		}
		if got := read(t, strings.Join(p.batches, "")); len(got) != 1 || got[0].Fields["value"] != "7" {
			t.Errorf("arrived: %v", got)
		}
		if log := p.log.String(); !strings.Contains(log, "field type conflict") || !strings.Contains(log, `"dropped":2`) {
			t.Errorf("the log: %s", log)
		}
	})
}

func TestCloseSaysWhatIsLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p place
		p.err = errors.New("connection refused")
		o := p.open()
		put(o, 0, 3)
		err := o.Close(t.Context())
		if err == nil || err.Error() != "lines to place: 3 lines were not delivered" {
			t.Error(err)
		}
		if n := p.tried(); n != 1 {
			t.Errorf("%d tries at closing, want 1", n)
		}
	})
}

// TestCloseInTime: a far end that hangs cannot hold Close longer than its context.
func TestCloseInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := &Outlet{name: "place", shut: func() error { return nil }, deliver: func(ctx context.Context, _ []byte) error {
			<-ctx.Done()
			return ctx.Err()
		}}
		o.start(zerolog.Nop())
		put(o, 0, 1)
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		defer cancel()
		began := time.Now()
		if err := o.Close(ctx); err == nil || time.Since(began) != 2*time.Second {
			t.Errorf("after %v: %v", time.Since(began), err)
		}
	})
}

func TestFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out.lp")
	if err := os.WriteFile(path, []byte("before value=1 1\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	o, err := Open(Options{To: "file:" + path, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	put(o, 1, 2)
	if err := o.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := read(t, string(b)); len(got) != 3 || got[0].Measurement != "before" || got[2].Fields["value"] != "2" {
		t.Errorf("the file: %s", b)
	}
}

func TestHTTP(t *testing.T) {
	var mu sync.Mutex
	status, words := 204, ""
	var got, query, user string
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		mu.Lock()
		defer mu.Unlock()
		got, query = string(b), r.URL.RawQuery
		user, _, _ = r.BasicAuth()
		w.WriteHeader(status)
		io.WriteString(w, words)
	}))
	defer server.Close()
	deliver := toHTTP(strings.Replace(server.URL, "://", "://someone:s3cret@", 1)+"/write?db=bench&token=s3cret", "", false, nil)
	for _, c := range []struct {
		status int
		words  string
		want   string
		kind   string // who is to blame
	}{
		{204, "", "", ""},
		{200, "", "", ""},
		{400, `{"error":"unable to parse"}` + "\n", `400 Bad Request: {"error":"unable to parse"}`, "lines"},
		{400, `{"error":"partial write: field type conflict"}`, `400 Bad Request: {"error":"partial write: field type conflict"}`, "some lines"},
		{413, "", "413 Request Entity Too Large: ", "lines"},
		{401, "no", "401 Unauthorized: no", "us"},
		{404, "database not found", "404 Not Found: database not found", "us"},
		{302, "", "302 Found: ", "us"},
		{429, "slowly", "429 Too Many Requests: slowly", "nobody"},
		{503, "later", "503 Service Unavailable: later", "nobody"},
	} {
		mu.Lock()
		status, words = c.status, c.words
		mu.Unlock()
		err := deliver(t.Context(), []byte("m v=1 1\n"))
		if c.want == "" {
			if err != nil {
				t.Errorf("%d: %v", c.status, err)
			}
			continue
		}
		kind := "nobody"
		if p, ok := errors.AsType[poison](err); ok && p.partial {
			kind = "some lines"
		} else if ok {
			kind = "lines"
		} else if r, ok := errors.AsType[refusal](err); ok && r.ours {
			kind = "us"
		}
		if err == nil || err.Error() != c.want || kind != c.kind {
			t.Errorf("%d: %v, want %q; %q is to blame, want %q", c.status, err, c.want, kind, c.kind)
		}
	}
	if got != "m v=1 1\n" || query != "db=bench&token=s3cret" || user != "someone" {
		t.Errorf("the server got %q with ?%s from %q", got, query, user)
	}
	server.Close()
	err := deliver(t.Context(), []byte("m v=1 1\n"))
	if err == nil || errors.As(err, new(poison)) || errors.As(err, new(refusal)) || strings.Contains(err.Error(), "s3cret") {
		t.Errorf("a server that is gone: %v", err)
	}
}

func TestUDP(t *testing.T) {
	server, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	o, err := Open(Options{To: "udp://" + server.LocalAddr().String(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	put(o, 0, 60)
	if err := o.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := server.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil { // bounds failure only
		t.Fatal(err)
	}
	var n, datagrams int
	buf := make([]byte, 1<<16)
	for n < 60 {
		k, _, err := server.ReadFrom(buf)
		if err != nil {
			t.Fatalf("after %d of 60 lines: %v", n, err)
		}
		if k > maxPacket {
			t.Errorf("a datagram of %d bytes", k)
		}
		n += len(read(t, string(buf[:k]))) // whole lines only
		datagrams++
	}
	if n != 60 || datagrams < 2 {
		t.Errorf("%d lines in %d datagrams", n, datagrams)
	}
}

func TestPacket(t *testing.T) {
	long := strings.Repeat("x", maxPacket+10) + "\n"
	for _, c := range []struct {
		batch string
		want  int
	}{
		{"a\nb\n", 4},
		{strings.Repeat("0123456\n", 200), maxPacket - maxPacket%8},
		{long + "b\n", len(long)},
	} {
		if got := packet([]byte(c.batch)); got != c.want {
			t.Errorf("%.20q...: %d bytes, want %d", c.batch, got, c.want)
		}
	}
}

func TestOpenErrors(t *testing.T) {
	for to, want := range map[string]string{
		"":                      `lines to "": not a place for line protocol: write file:PATH, stdout, unix:PATH, tcp://host:port, udp://host:port or for example http://host:8086/write?db=NAME`,
		"ftp://host/x":          `lines to "ftp://host/x": not a place for line protocol: write file:PATH, stdout, unix:PATH, tcp://host:port, udp://host:port or for example http://host:8086/write?db=NAME`,
		"http://host:8086":      `lines to "http://host:8086": not a place for line protocol: write file:PATH, stdout, unix:PATH, tcp://host:port, udp://host:port or for example http://host:8086/write?db=NAME`,
		"http:///write":         `lines to "http:///write": not a place for line protocol: write file:PATH, stdout, unix:PATH, tcp://host:port, udp://host:port or for example http://host:8086/write?db=NAME`,
		"udp://host":            `lines to "udp://host": not a place for line protocol: write file:PATH, stdout, unix:PATH, tcp://host:port, udp://host:port or for example http://host:8086/write?db=NAME`,
		"http://host:port/x":    `lines to "http://host:port/x": not a place for line protocol: invalid port ":port" after host`,
		"file:/nowhere/at/all/": `lines to "file:/nowhere/at/all/": open /nowhere/at/all/: no such file or directory`,
	} {
		o, err := Open(Options{To: to, Log: zerolog.Nop()})
		if err == nil {
			t.Errorf("%q opens", to)
			o.Close(t.Context())
			continue
		}
		if err.Error() != want || errors.Is(err, ErrTarget) == strings.HasPrefix(to, "file:") {
			t.Errorf("%q:\ngot  %v\nwant %s", to, err, want)
		}
	}
}
