package panel

import (
	"bytes"
	"context"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/alarms"
)

// client takes a stream as it comes, with the moment at which each piece came.
type client struct {
	mu     sync.Mutex
	header http.Header
	got    bytes.Buffer
	block  chan struct{} // when set, Write waits for it: a client that takes nothing
}

func (c *client) Header() http.Header { return c.header }
func (c *client) WriteHeader(int)     {}
func (c *client) Flush()              {}
func (c *client) Write(b []byte) (int, error) {
	if c.block != nil {
		<-c.block
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.got.Write(b)
}

// take is what came since the last take: the names of its events, and its text.
func (c *client) take() (names []string, text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	text = c.got.String()
	c.got.Reset()
	for line := range strings.Lines(text) {
		if name, ok := strings.CutPrefix(line, "event: "); ok {
			names = append(names, strings.TrimSpace(name))
		}
	}
	return names, text
}

// follow opens a stream on src; ctx ends it.
func follow(ctx context.Context, src Source, target, lastID string) *client {
	c := &client{header: http.Header{}}
	r := httptest.NewRequestWithContext(ctx, "GET", "http://127.0.0.1:8417"+target, nil)
	if lastID != "" {
		r.Header.Set("Last-Event-ID", lastID)
	}
	go New(src, Options{}).ServeHTTP(c, r)
	return c
}

func count(names []string, name string) (n int) {
	for _, got := range names {
		if got == name {
			n++
		}
	}
	return n
}

// run moves the fake's run time every tenth of a second, for d.
func (f *fake) run(d time.Duration) {
	for range int(d / (100 * time.Millisecond)) {
		f.mu.Lock()
		f.state.Snapshot.T += 100 * time.Millisecond
		f.mu.Unlock()
		time.Sleep(100 * time.Millisecond)
	}
}

func TestStreamStates(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		src := scene("well")
		c := follow(ctx, src, "/api/events", "")
		synctest.Wait()
		names, text := c.take()
		if names[0] != "build" || count(names, "event") != len(src.events) || count(names, "state") != 1 {
			t.Fatalf("a stream began with %v", names)
		}
		if !strings.Contains(text, "id: 4\nevent: event\ndata: {\"t\":1302.000,\"event\":\"settled\",\"socket\":\"V5\"") {
			t.Errorf("no numbered event in\n%s", text)
		}
		src.run(10 * time.Second)
		names, _ = c.take()
		if n := count(names, "state"); n > 20 || n < 18 || len(names) != n {
			t.Errorf("in 10 s of change: %v", names)
		}
		// The run's time stands still: the core has stopped, and nothing may look live.
		time.Sleep(30 * time.Second)
		if names, _ = c.take(); len(names) > 1 { // one is what the last move brought
			t.Errorf("in 30 s of a stopped core: %v", names)
		}
	})
}

func TestStreamHeartbeat(t *testing.T) {
	for target, name := range map[string]string{"/api/events": "state", "/api/events?view=wall": "beat"} {
		synctest.Test(t, func(t *testing.T) {
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			c := follow(ctx, scene("none"), target, "")
			synctest.Wait()
			c.take()
			for range 5 {
				time.Sleep(5 * time.Second)
				synctest.Wait()
				names, text := c.take()
				if n := count(names, name); n < 1 || n > 3 || n != len(names) || !strings.Contains(text, "data: ") {
					t.Errorf("%s: in 5 s without a change: %v", target, names)
				}
			}
		})
	}
}

func TestStreamResumes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		src := scene("well")
		for _, c := range []struct {
			target, lastID string
			want           int
		}{{"/api/events", "4", 2}, {"/api/events?after=5", "", 1}, {"/api/events?after=1", "6", 0}, {"/api/events", "7", 6}} {
			stream := follow(ctx, src, c.target, c.lastID)
			synctest.Wait()
			if names, _ := stream.take(); count(names, "event") != c.want {
				t.Errorf("%s after %q: %v, want %d events", c.target, c.lastID, names, c.want)
			}
		}
		late := follow(ctx, src, "/api/events", "6")
		synctest.Wait()
		late.take()
		src.mu.Lock()
		src.events = append(src.events, alarms.Event{Seq: 7, Event: "act", Act: "note"})
		src.mu.Unlock()
		time.Sleep(beat)
		synctest.Wait()
		if names, text := late.take(); !slices.Contains(names, "event") || !strings.Contains(text, "id: 7\n") {
			t.Errorf("a new event within %v: %s", beat, text)
		}
		// A new run numbers its events from 1.
		src.mu.Lock()
		src.state.RunID, src.events = "another", []alarms.Event{{Seq: 1, Event: "act", Act: "begin"}}
		src.mu.Unlock()
		time.Sleep(beat)
		synctest.Wait()
		if _, text := late.take(); !strings.Contains(text, "id: 1\n") {
			t.Errorf("a new run's first event is missing: %s", text)
		}
	})
}

// TestSlowClient: one that takes nothing holds up nobody, and on coming back
// gets every event and the newest state.
func TestSlowClient(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		src := scene("well")
		slow := &client{header: http.Header{}, block: make(chan struct{})}
		go New(src, Options{}).ServeHTTP(slow, httptest.NewRequestWithContext(ctx, "GET", "http://127.0.0.1:8417/api/events", nil))
		quick := follow(ctx, src, "/api/events", "")
		src.run(10 * time.Second)
		if names, _ := quick.take(); count(names, "state") < 18 {
			t.Errorf("the quick client got %v", names)
		}
		src.mu.Lock()
		src.events = append(src.events, alarms.Event{Seq: 7, Event: "act", Act: "note"})
		src.mu.Unlock()
		close(slow.block)
		time.Sleep(time.Second)
		synctest.Wait()
		names, _ := slow.take()
		if count(names, "event") != 7 || count(names, "state") > 3 {
			t.Errorf("the slow client got %v: every event, and few states", names)
		}
	})
}

// TestViewSendsWhatChanged: only the sections that differ, as whole elements.
func TestViewSendsWhatChanged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		src := scene("well")
		c := follow(ctx, src, "/api/events?view=wall", "")
		synctest.Wait()
		if _, text := c.take(); !strings.Contains(text, `id="head"`) || !strings.Contains(text, `id="sockets"`) || !strings.Contains(text, `id="trace"`) {
			t.Fatalf("the first view is not the whole page: %.300s", text)
		}
		src.mu.Lock()
		src.state.Snapshot.T += time.Second
		src.state.Snapshot.Sockets[0].Figures = figures(44, 462)
		src.mu.Unlock()
		time.Sleep(perState)
		synctest.Wait()
		_, text := c.take()
		if !strings.Contains(text, "44.0 mA") || strings.Contains(text, `id="head"`) || strings.Contains(text, `id="trace"`) {
			t.Errorf("after one socket changed: %.300s", text)
		}
		for line := range strings.Lines(text) {
			if line != "\n" && !strings.HasPrefix(line, "data: ") && !strings.HasPrefix(line, "event: ") {
				t.Errorf("a line outside the stream's grammar: %q", line)
			}
		}
	})
}
