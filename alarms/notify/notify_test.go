package notify

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
)

// fake is a sender in memory: the one mock, for time in a bubble stands still
// while a real connection is waited for. What it stands for is tried for real in
// outages_test.go.
type fake struct {
	mu   sync.Mutex
	got  []message
	at   []time.Time
	err  error         // of the next tries
	hang chan struct{} // when not nil, a try waits for it or for its context
	try  int
}

func (f *fake) send(ctx context.Context, m *message) error {
	f.mu.Lock()
	f.try++
	f.at = append(f.at, time.Now())
	err, hang := f.err, f.hang
	f.mu.Unlock()
	if hang != nil {
		select {
		case <-hang:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if err == nil {
		f.mu.Lock()
		f.got = append(f.got, *m)
		f.mu.Unlock()
	}
	return err
}

func (f *fake) set(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.err = err
}

// titles of what has arrived, in order.
func (f *fake) titles() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []string
	for i := range f.got {
		out = append(out, f.got[i].title())
	}
	return out
}

// house is a Notifier over fakes, and the core beside it.
type house struct {
	*Notifier
	t       testing.TB
	dir     string
	senders map[string]*fake
	notices map[string]string
	mu      sync.Mutex
	run     Run
	seq     int
	past    []alarms.Event
}

func newHouse(t testing.TB, dir string, channels ...bench.Notify) *house {
	h := &house{t: t, dir: dir, senders: map[string]*fake{}, notices: map[string]string{}}
	h.run = Run{ID: "R-1187-1", Ticket: "R-1187", Started: time.Now()}
	h.open(channels...)
	h.Run(h.run, false)
	return h
}

func (h *house) open(channels ...bench.Notify) {
	b := &bench.Bench{Name: "north", Notify: channels, Panel: bench.Panel{Link: "http://192.0.2.5:8417/"}}
	h.Notifier = newNotifier(b, Options{Dir: h.dir, Speed: 1, Log: zerolog.Nop(), Status: func() string { return "All is quiet." },
		Notice: func(key, text string) {
			h.mu.Lock()
			defer h.mu.Unlock()
			if text == "" {
				delete(h.notices, key)
			} else {
				h.notices[key] = text
			}
		}})
	for _, c := range channels {
		f := h.senders[c.Name]
		if f == nil {
			f = &fake{}
			h.senders[c.Name] = f
		}
		h.add(c, func() (sender, error) { return f, nil })
	}
	h.start()
}

func (h *house) notice(key string) string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.notices[key]
}

// close ends a house in a bubble; a test that wants a crash leaves the file and
// ends the goroutines anyway.
func (h *house) close() {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	h.Close(ctx)
}

func (h *house) alarm(id string, p alarms.Priority, s alarms.State) {
	h.t.Helper()
	h.seq++
	name, subject, _ := strings.Cut(id, "/")
	e := alarms.Event{Seq: h.seq, T: alarms.Seconds(time.Since(h.run.Started).Round(time.Millisecond)), Event: alarms.EventAlarm, ID: id, Alarm: name, Subject: subject,
		Priority: p, State: s}
	if s == alarms.Unacknowledged {
		e.Text, e.Advice = subject+" has "+name, "See to "+subject+"."
	}
	h.past = append(h.past, e)
	h.Events([]alarms.Event{e}, false)
}

func (h *house) want(name string, titles ...string) {
	h.t.Helper()
	synctest.Wait()
	if got := h.senders[name].titles(); !slices.Equal(got, titles) {
		h.t.Errorf("%s got\n\t%s\nwant\n\t%s", name, strings.Join(got, "\n\t"), strings.Join(titles, "\n\t"))
	}
}

func channelNamed(name string, more ...func(*bench.Notify)) bench.Notify {
	c := bench.Notify{Name: name, AtLeast: "medium", Timeout: 30 * time.Second}
	for _, f := range more {
		f(&c)
	}
	return c
}

const un, acked, returned, normal = alarms.Unacknowledged, alarms.Acknowledged, alarms.Returned, alarms.Normal

// The rules of who is told what and when, each a short story. A bubble begins at
// midnight UTC, which is taken for local time.
func TestRules(t *testing.T) {
	time.Local = time.UTC
	at := func(d string) {
		x, err := time.ParseDuration(d)
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(x)
	}
	quiet := func(c *bench.Notify) { c.Quiet = bench.Hours{Given: true, From: 22 * 60, To: 7 * 60} }
	resolved := func(c *bench.Notify) { c.Resolved = true }
	escalates := func(c *bench.Notify) { c.EscalateAfter = 10 * time.Minute }
	low := func(c *bench.Notify) { c.AtLeast = "low" }
	for _, c := range []struct {
		name    string
		channel bench.Notify
		story   func(h *house)
		want    []string
	}{
		{"what comes within seconds is one message, most important first", channelNamed("a", low), func(h *house) {
			h.alarm("imbalance/north", alarms.Low, un)
			at("1s")
			h.alarm("over-dissipation/V7", alarms.High, un)
			h.alarm("drift/V6", alarms.Medium, un)
			at("1m")
			h.alarm("step/V5", alarms.Medium, un)
		}, []string{"HIGH: over-dissipation V7 and 2 more, bench north, R-1187", "MEDIUM: step V5, bench north, R-1187"}},
		{"at_least", channelNamed("a"), func(h *house) {
			h.alarm("imbalance/north", alarms.Low, un)
			at("1m")
			h.alarm("drift/V6", alarms.Medium, un)
		}, []string{"MEDIUM: drift V6, bench north, R-1187"}},
		{"a low alarm that becomes high is told when it passes at_least", channelNamed("a"), func(h *house) {
			h.alarm("runaway/V7", alarms.Low, un)
			at("1m")
			h.alarm("runaway/V7", alarms.Medium, un)
			at("1m")
			h.alarm("runaway/V7", alarms.High, un)
		}, []string{"MEDIUM: runaway V7, bench north, R-1187", "HIGH: runaway V7, bench north, R-1187"}},
		{"quiet hours hold medium until their end, never high", channelNamed("a", quiet), func(h *house) {
			h.alarm("drift/V6", alarms.Medium, un)
			at("1h")
			h.alarm("over-dissipation/V7", alarms.High, un)
			at("1m")
			if n := len(h.senders["a"].titles()); n != 1 {
				t.Errorf("%d messages in quiet hours, want the high one", n)
			}
			at("7h")
		}, []string{"HIGH: over-dissipation V7, bench north, R-1187", "MEDIUM: drift V6, bench north, R-1187"}},
		{"what was over before it was told says so", channelNamed("a", quiet, resolved), func(h *house) {
			h.alarm("drift/V6", alarms.Medium, un)
			at("1h")
			h.alarm("drift/V6", alarms.Medium, returned)
			at("8h")
		}, []string{"MEDIUM: drift V6, over, bench north, R-1187"}},
		{"what somebody acknowledged meanwhile is not told in the morning, unless it is high", channelNamed("a", quiet), func(h *house) {
			h.alarm("drift/V6", alarms.Medium, un)
			h.alarm("sense-open/V5", alarms.High, un)
			h.alarm("drift/V6", alarms.Medium, acked)
			h.alarm("sense-open/V5", alarms.High, acked)
			at("8h")
		}, []string{"HIGH: sense-open V5, bench north, R-1187"}},
		{"resolved", channelNamed("a", resolved), func(h *house) {
			h.alarm("drift/V6", alarms.Medium, un)
			at("1m")
			h.alarm("drift/V6", alarms.Medium, returned)
			at("1m")
			h.alarm("drift/V6", alarms.Medium, normal) // acknowledged later: not over twice
			h.alarm("imbalance/north", alarms.Low, un)
			h.alarm("imbalance/north", alarms.Low, normal) // never told, so not told to be over
			at("1m")
		}, []string{"MEDIUM: drift V6, bench north, R-1187", "over: drift V6, bench north, R-1187"}},
		{"not resolved unless wanted", channelNamed("a"), func(h *house) {
			h.alarm("drift/V6", alarms.Medium, un)
			at("1m")
			h.alarm("drift/V6", alarms.Medium, returned)
			at("1m")
		}, []string{"MEDIUM: drift V6, bench north, R-1187"}},
		{"escalates what nobody acknowledges", channelNamed("a", escalates), func(h *house) {
			h.alarm("drift/V6", alarms.Medium, un)
			h.alarm("runaway/V7", alarms.High, un)
			at("5m")
			h.alarm("drift/V6", alarms.Medium, acked)
			if n := len(h.senders["a"].titles()); n != 0 {
				t.Errorf("%d messages after 5 min", n)
			}
			at("6m")
		}, []string{"HIGH: runaway V7, bench north, R-1187"}},
		{"what is over is not escalated, unless it was high and nobody saw it", channelNamed("a", escalates), func(h *house) {
			h.alarm("drift/V6", alarms.Medium, un)
			h.alarm("over-dissipation/V7", alarms.High, un)
			h.alarm("over-dissipation/V8", alarms.High, un)
			at("1m")
			h.alarm("drift/V6", alarms.Medium, returned)
			h.alarm("over-dissipation/V7", alarms.High, returned)
			h.alarm("over-dissipation/V8", alarms.High, returned)
			h.alarm("over-dissipation/V8", alarms.High, normal) // acknowledged
			at("10m")
		}, []string{"HIGH: over-dissipation V7, over, bench north, R-1187"}},
		{"the end of the run ends escalation", channelNamed("a", escalates), func(h *house) {
			h.alarm("runaway/V7", alarms.High, un)
			h.seq++
			h.Events([]alarms.Event{{Seq: h.seq, Event: alarms.EventPhase, Phase: alarms.Ended}}, false)
			at("1h")
		}, nil},
		{"a sign of life every day", channelNamed("a", func(c *bench.Notify) { c.AliveAt = bench.Clock{Given: true, Minute: 8 * 60} }), func(h *house) {
			at("56h")
		}, []string{"sign of life, bench north, R-1187", "sign of life, bench north, R-1187", "sign of life, bench north, R-1187"}},
		{"a gap of a minute, and the soak's end", channelNamed("a"), func(h *house) {
			from := alarms.Seconds(0)
			h.Events([]alarms.Event{{Seq: 1, T: alarms.Seconds(59 * time.Second), Event: alarms.EventGap, From: &from, Text: "short"}}, false)
			at("1m")
			h.Events([]alarms.Event{{Seq: 2, T: alarms.Seconds(time.Hour), Event: alarms.EventGap, From: &from, Text: "nothing was watched for 1h"}}, false)
			at("1m")
			h.Events([]alarms.Event{{Seq: 3, T: alarms.Seconds(2 * time.Hour), Event: alarms.EventSoakOver, Text: "10 h are over"}}, false)
			at("1m")
		}, []string{"not watched for a while, bench north, R-1187", "the soak is over, bench north, R-1187"}},
		{"the daemon's own alarm", channelNamed("a", resolved), func(h *house) {
			e := alarms.Event{ID: "record-failing/north", Alarm: "record-failing", Subject: "north", Priority: alarms.High, State: un, Text: "the record is failing"}
			h.Host(e)
			at("1m")
			h.Run(Run{ID: "R-1188-1", Ticket: "R-1188", Started: time.Now()}, false)
			e.State = normal
			h.Host(e)
			at("1m")
		}, []string{"HIGH: record-failing north, bench north, R-1187", "over: record-failing north, bench north, R-1188"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				h := newHouse(t, dir, c.channel)
				c.story(h)
				time.Sleep(3 * time.Second)
				h.want("a", c.want...)
				h.close()
			})
		})
	}
}

// The text says what, where, how bad, what to do, since when, and where to look.
func TestText(t *testing.T) {
	time.Local = time.UTC
	started := time.Date(2026, 3, 4, 21, 0, 0, 0, time.UTC)
	n := &Notifier{bench: "north", link: "http://192.0.2.5:8417/"}
	o := &outgoing{ID: "R-1187-1:7:phone", Maybe: true, Dropped: 2, Items: []item{
		{Kind: raised, Run: "R-1187-1", Ticket: "R-1187", Seq: 7, At: started.Add(2*time.Hour + 3*time.Second), Event: alarms.Event{T: alarms.Seconds(2*time.Hour + 3*time.Second),
			Alarm: "over-dissipation", Subject: "V7", Priority: alarms.High, Text: "V7 at 104 % of its 30 W", Advice: "Switch the amplifier off now."}},
		{Kind: over, Run: "R-1187-1", Ticket: "R-1187", Seq: 9, At: started.Add(2*time.Hour + 4*time.Second), Event: alarms.Event{T: alarms.Seconds(2*time.Hour + 4*time.Second),
			Alarm: "drift", Subject: "V6", Priority: alarms.Medium}},
	}}
	m := n.message(&channel{}, o)
	want := `Again: HIGH: over-dissipation V7 and 1 more, bench north, R-1187
This may have reached you before, with the same id.

HIGH: V7 at 104 % of its 30 W
What to do: Switch the amplifier off now.
Since 4 Mar 23:00:03, 2h0m3s into the run.

Over: drift V6, priority medium.
At 4 Mar 23:00:04, 2h0m4s into the run.

2 older ones found no room while nothing got through; the record has them.
Run R-1187-1
Panel: http://192.0.2.5:8417/
Id: R-1187-1:7:phone
`
	if got := m.text(0); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	for limit := 330; limit < len(want)+60; limit++ {
		got := m.text(limit)
		if len(got) > limit || !strings.Contains(got, "HIGH: V7") || !strings.HasSuffix(got, "Id: R-1187-1:7:phone\n") {
			t.Fatalf("of %d bytes:\n%s", limit, got)
		}
		if !strings.Contains(got, "drift V6") && !strings.Contains(got, "and 1 more: see the panel") {
			t.Fatalf("of %d bytes, one is lost without a word:\n%s", limit, got)
		}
	}
}

// A try that fails is repeated ever more slowly, up to the cap, and a restart
// does not begin again from the short pauses.
func TestBackOff(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, dir, channelNamed("a"))
		f := h.senders["a"]
		f.set(errors.New("down"))
		h.alarm("drift/V6", alarms.Medium, un)
		time.Sleep(40 * time.Minute)
		synctest.Wait()
		var last time.Duration
		for i := 1; i < len(f.at); i++ {
			d := f.at[i].Sub(f.at[i-1])
			full := min(2*time.Second<<(i-1), 5*time.Minute)
			if d < full/2 || d > full {
				t.Errorf("pause %d is %v, want from %v to %v", i, d, full/2, full)
			}
			last = d
		}
		if last < 150*time.Second {
			t.Errorf("after 40 min the pause is %v", last)
		}
		h.close()
		n := len(f.at)
		h.open(channelNamed("a"))
		time.Sleep(time.Minute)
		synctest.Wait()
		if tries := len(f.at) - n; tries > 1 {
			t.Errorf("%d tries in the minute after a restart", tries)
		}
		// A new high alarm does not wait for the end of the pause.
		n = len(f.at)
		h.Run(h.run, true)
		h.alarm("runaway/V7", alarms.High, un)
		time.Sleep(3 * time.Second)
		synctest.Wait()
		if len(f.at) == n {
			t.Error("a high alarm waited for the pause")
		}
		f.set(nil)
		time.Sleep(10 * time.Minute)
		h.want("a", "Again: MEDIUM: drift V6, bench north, R-1187", "HIGH: runaway V7, bench north, R-1187")
		h.close()
	})
}

// The core is never held up, and one channel that hangs does not hold another.
func TestHanging(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, dir, channelNamed("a"), channelNamed("b"))
		h.senders["a"].hang = make(chan struct{})
		began := time.Now()
		for i := range 2000 {
			h.alarm(fmt.Sprintf("step/V%d", i), alarms.Medium, un)
		}
		h.alarm("runaway/V1", alarms.High, un)
		if d := time.Since(began); d != 0 {
			t.Errorf("the core waited for %v", d)
		}
		time.Sleep(3 * time.Second)
		synctest.Wait()
		if got := h.senders["b"].titles(); len(got) != 1 || !strings.HasPrefix(got[0], "HIGH: runaway V1 and 499 more") {
			t.Errorf("b got %q", got)
		}
		if m := h.senders["b"].got[0]; m.Dropped != 1501 {
			t.Errorf("%d dropped, of 2001 with room for 500", m.Dropped)
		}
		close(h.senders["a"].hang)
		h.close()
	})
}

// A channel that is dead for long is told by the others and on the panel, and
// taken back when it works again; what waited then comes in order.
func TestDeadChannel(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		resolved := func(c *bench.Notify) { c.Resolved = true }
		h := newHouse(t, dir, channelNamed("a"), channelNamed("b", resolved))
		h.senders["a"].set(errors.New("no route"))
		h.alarm("runaway/V7", alarms.High, un)
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		if n := h.notice("notify/a"); !strings.Contains(n, "1 waiting: no route") {
			t.Errorf("notice %q", n)
		}
		time.Sleep(15 * time.Minute)
		h.want("b", "HIGH: runaway V7, bench north, R-1187", "HIGH: notify-failing a, bench north, R-1187")
		h.alarm("drift/V6", alarms.Medium, un)
		h.senders["a"].set(nil)
		time.Sleep(10 * time.Minute)
		h.want("a", "Again: HIGH: runaway V7, bench north, R-1187", "MEDIUM: drift V6, bench north, R-1187")
		h.want("b", "HIGH: runaway V7, bench north, R-1187", "HIGH: notify-failing a, bench north, R-1187", "MEDIUM: drift V6, bench north, R-1187",
			"over: notify-failing a, bench north, R-1187")
		if n := h.notice("notify/a"); n != "" {
			t.Errorf("notice %q", n)
		}
		h.close()
	})
}

// A channel that cannot be made is told at once, not when it is needed.
func TestCannotWork(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h := &house{t: t, dir: dir, senders: map[string]*fake{"b": {}}, notices: map[string]string{}, run: Run{ID: "r", Started: time.Now()}}
		h.Notifier = newNotifier(&bench.Bench{Name: "north"}, Options{Dir: dir, Speed: 1, Log: zerolog.Nop(), Notice: func(k, s string) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.notices[k] = s
		}})
		h.add(channelNamed("a"), func() (sender, error) { return nil, errors.New("url_file: gone") })
		h.add(channelNamed("b"), func() (sender, error) { return h.senders["b"], nil })
		h.start()
		time.Sleep(5 * time.Second)
		h.want("b", "MEDIUM: notify-failing a, bench north")
		if n := h.notice("notify/a"); !strings.Contains(n, "url_file: gone") {
			t.Errorf("notice %q", n)
		}
		h.close()
	})
}

// What the daemon died over is told by the next one, once; what is long told is not.
func TestResume(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, dir, channelNamed("a"))
		h.alarm("drift/V6", alarms.Medium, un)
		time.Sleep(time.Minute)
		h.close()
		// Recorded, but no queue had it when the daemon died.
		h.seq++
		h.past = append(h.past, alarms.Event{Seq: h.seq, Event: alarms.EventAlarm, ID: "runaway/V7", Alarm: "runaway", Subject: "V7", Priority: alarms.High, State: un})
		// A channel that is new in the bench file is not told the whole night.
		h.open(channelNamed("a"), channelNamed("new"))
		h.Run(h.run, true)
		h.Events(h.past, true)
		h.alarm("step/V5", alarms.Medium, un)
		time.Sleep(time.Minute)
		h.want("a", "MEDIUM: drift V6, bench north, R-1187", "HIGH: runaway V7 and 1 more, bench north, R-1187")
		h.want("new", "MEDIUM: step V5, bench north, R-1187")
		h.close()
	})
}

// A disk that fails keeps nothing back, and is said.
func TestDiskFails(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "file", "below")
	if err := writeAside(filepath.Dir(dir), []byte("not a directory")); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		h := &house{t: t, dir: dir, senders: map[string]*fake{}, notices: map[string]string{}, run: Run{ID: "r", Ticket: "R-1187", Started: time.Now()}}
		h.open(channelNamed("a"))
		h.Run(h.run, false)
		h.alarm("runaway/V7", alarms.High, un)
		time.Sleep(5 * time.Second)
		h.want("a", "HIGH: runaway V7, bench north, R-1187")
		if n := h.notice("notify-disk/a"); !strings.Contains(n, "not on disk") {
			t.Errorf("notice %q", n)
		}
		h.close()
	})
}

// A test goes to every channel, past quiet hours and escalation, and counts only
// for the run that is on and once a person has confirmed it.
func TestTest(t *testing.T) {
	time.Local = time.UTC
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, dir, channelNamed("a", func(c *bench.Notify) {
			c.AtLeast, c.Quiet, c.EscalateAfter = "high", bench.Hours{Given: true, From: 0, To: 60}, time.Hour
		}), channelNamed("b"))
		h.senders["b"].set(errors.New("no route"))
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		trials := h.Test(ctx)
		if len(trials) != 2 || trials[0].Delivered.IsZero() || trials[0].Err != "" || !trials[1].Delivered.IsZero() || trials[1].Err != "no route" {
			t.Fatalf("%+v", trials)
		}
		code := trials[0].Code
		if len(code) != 4 || !strings.Contains(h.senders["a"].got[0].text(0), code) {
			t.Errorf("code %q in\n%s", code, h.senders["a"].got[0].text(0))
		}
		if _, err := h.Confirm("0000"); err == nil {
			t.Error("any word confirms")
		}
		if tr, err := h.Confirm(" " + strings.ToLower(code)); err != nil || tr.Channel != "a" || tr.Confirmed.IsZero() {
			t.Errorf("%+v, %v", tr, err)
		}
		h.close()
		h.open(channelNamed("a"), channelNamed("b"))
		h.Run(h.run, true)
		if tr := h.Trials(); tr[0].Confirmed.IsZero() || !tr[1].Confirmed.IsZero() {
			t.Errorf("after a restart in the run: %+v", tr)
		}
		h.Run(Run{ID: "R-1188-1", Started: time.Now()}, false)
		if tr := h.Trials(); !tr[0].Asked.IsZero() {
			t.Errorf("in another run: %+v", tr)
		}
		h.close()
	})
}
