package notify

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
)

// dying is a real sender whose daemon may die right after a delivery: it then
// never comes back with the good news.
type dying struct {
	sender
	mu      sync.Mutex
	die     bool
	hurry   time.Duration // how long a try may take while something is broken; 0 for the channel's timeout
	dead    chan struct{} // closed at death
	release chan struct{} // closed when the test has seen enough of the dead
}

func (d *dying) send(ctx context.Context, m *message) error {
	d.mu.Lock()
	hurry := d.hurry
	d.mu.Unlock()
	try := ctx
	if hurry > 0 {
		var cancel context.CancelFunc
		try, cancel = context.WithTimeout(ctx, hurry)
		defer cancel()
	}
	err := d.sender.send(try, m)
	d.mu.Lock()
	die := d.die && err == nil
	d.die = d.die && !die
	dead, release := d.dead, d.release
	d.mu.Unlock()
	if die {
		close(dead)
		<-release
	}
	return err
}

// outageRig is one channel, its real receiver, and the daemon around it.
type outageRig struct {
	t      *testing.T
	rng    *rand.Rand
	c      bench.Notify
	dir    string
	n      *Notifier
	d      *dying
	run    Run
	events []alarms.Event
	set    func(fault)
	heard  func() []got
}

func (r *outageRig) open(past bool) {
	b := &bench.Bench{Name: "north", Notify: []bench.Notify{r.c}}
	r.n = newNotifier(b, Options{Dir: r.dir, Speed: 1, Log: zerolog.Nop(), Notice: func(string, string) {}, Status: func() string { return "" }})
	r.n.pace = pace{company: 20 * time.Millisecond, first: 10 * time.Millisecond, longest: 80 * time.Millisecond, urgent: 10 * time.Millisecond}
	r.d = &dying{dead: make(chan struct{}), release: make(chan struct{})}
	r.n.add(r.c, func() (sender, error) {
		s, err := newSender(r.c)
		r.d.sender = s
		return r.d, err
	})
	r.n.start()
	r.n.Run(r.run, past)
	r.n.Events(r.events, past)
}

func (r *outageRig) close() {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := r.n.Close(ctx); err != nil {
		r.t.Error(err)
	}
}

// kill is the daemon's death and the next one's start: the next sees the disk as
// it was at the moment of death.
func (r *outageRig) kill() {
	select {
	case <-r.d.dead:
	case <-time.After(2 * time.Minute):
		r.t.Fatal("nothing was delivered to die over")
	}
	dir := r.t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(r.dir)); err != nil {
		r.t.Fatal(err)
	}
	old := r.n
	close(r.d.release)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	old.Close(ctx)
	r.dir = dir
	r.open(true)
}

func (r *outageRig) raise() {
	seq := len(r.events) + 1
	subject := fmt.Sprintf("V%d", seq)
	e := alarms.Event{Seq: seq, T: alarms.Seconds(time.Duration(seq) * time.Second), Event: alarms.EventAlarm, ID: "over-dissipation/" + subject, Alarm: "over-dissipation",
		Subject: subject, Priority: alarms.High, State: alarms.Unacknowledged, Text: subject + " has over-dissipation", Advice: "Switch the amplifier off now."}
	r.events = append(r.events, e)
	r.n.Events([]alarms.Event{e}, false)
}

// settled waits until everything raised has been told and noted.
func (r *outageRig) settled() {
	end := time.Now().Add(2 * time.Minute)
	for r.n.channels[0].waiting() > 0 {
		if time.Now().After(end) {
			r.t.Fatalf("still waiting: %s", r.n.channels[0].trialState())
		}
		time.Sleep(2 * time.Millisecond) // polled: what is waited for is real I/O
	}
}

func (c *channel) trialState() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return fmt.Sprintf("%d queued, out %+v, last error %q", len(c.s.Queue), c.s.Out, c.lastErr)
}

// hurries lets tries give up early, so that a hanging receiver costs little; once
// all is well a try has the time that a busy machine may need.
func (r *outageRig) hurries(d time.Duration) {
	r.d.mu.Lock()
	defer r.d.mu.Unlock()
	r.d.hurry = d
}

// outage lets one to three alarms come while f lasts, then mends it.
func (r *outageRig) outage(f fault) {
	if f == killed {
		r.d.mu.Lock()
		r.d.die = true
		r.d.mu.Unlock()
	} else {
		r.hurries(300 * time.Millisecond)
		r.set(f)
	}
	for range 1 + r.rng.IntN(3) {
		r.raise()
		time.Sleep(time.Duration(r.rng.IntN(50)) * time.Millisecond)
	}
	if f == killed {
		r.kill()
	} else {
		time.Sleep(time.Duration(30+r.rng.IntN(60)) * time.Millisecond)
		if f == hangs || f == mute {
			time.Sleep(time.Duration(r.rng.IntN(250)) * time.Millisecond)
		}
	}
	r.set(well)
	r.hurries(0)
	r.settled()
}

// TestOutages breaks each way of telling 500 times, with a seed, and holds what
// the receivers saw against the promise: every alarm at least once, in order,
// and nothing twice without a mark. The receivers are a real SMTP server
// (emersion/go-smtp), a real HTTP server and a real process; the faults of the
// network are made by a proxy between. A kill is the disk as it was between
// delivery and noting it, given to a new Notifier.
func TestOutages(t *testing.T) {
	const rigs, each = 10, 50
	var mu sync.Mutex
	type figures struct{ outages, alarms, messages, duplicates, markedFirst int }
	sum := map[string]*figures{}
	byFault := map[fault]int{}
	t.Run("all", func(t *testing.T) {
		for i := range rigs {
			way := [...]string{"mail", "webhook", "mail", "webhook", "command"}[i%5]
			t.Run(fmt.Sprintf("%s-%d", way, i), func(t *testing.T) {
				t.Parallel()
				rng := rand.New(rand.NewPCG(1187, uint64(i)))
				r := &outageRig{t: t, rng: rng, dir: t.TempDir(), run: Run{ID: "R-1187-1", Ticket: "R-1187", Started: time.Now()}}
				r.c = bench.Notify{Name: way, AtLeast: "medium", Timeout: 30 * time.Second}
				network := func(addr string, b *inbox) {
					p := newProxy(t, addr)
					r.set = func(f fault) {
						b.refuse(f)
						p.set(t, f, 1+rng.IntN(700))
					}
					r.heard = func() []got { return slices.Clone(b.all) }
					if way == "mail" {
						r.c.URL = mailURL(p.addr)
					} else {
						r.c.URL = "http://" + p.addr + "/hook"
					}
				}
				switch way {
				case "mail":
					s, addr := startMail(t)
					network(addr, &s.inbox)
				case "webhook":
					b, addr := startHook(t)
					network(addr, b)
				case "command":
					b, argv := startBell(t)
					r.c.Command, r.set, r.heard = argv, b.set, b.heard
				}
				r.open(false)
				count := map[fault]int{}
				for range each {
					f := 1 + fault(rng.IntN(int(faults)-1))
					if way == "command" && f == refused {
						f = says4xx // a command that cannot be reached is one that says no
					}
					count[f]++
					r.outage(f)
				}
				r.close()
				all := r.heard()
				fig := judge(t, all, len(r.events))
				mu.Lock()
				defer mu.Unlock()
				if sum[way] == nil {
					sum[way] = &figures{}
				}
				s := sum[way]
				s.outages += each
				s.alarms += len(r.events)
				s.messages += len(all)
				s.duplicates += fig[0]
				s.markedFirst += fig[1]
				for f, n := range count {
					byFault[f] += n
				}
			})
		}
	})
	total := 0
	for _, way := range []string{"mail", "webhook", "command"} {
		s := sum[way]
		if s == nil {
			t.Fatalf("no figures of %s", way)
		}
		total += s.outages
		t.Logf("%-8s %d outages: %d high alarms, all told; %d messages, of them %d duplicates, all marked; %d first copies marked in vain",
			way, s.outages, s.alarms, s.messages, s.duplicates, s.markedFirst)
		if s.duplicates == 0 {
			t.Errorf("%s: not one duplicate: the faults that make them do not", way)
		}
	}
	t.Logf("%d outages by kind: %v", total, byFault)
	if total != rigs*each {
		t.Errorf("%d outages", total)
	}
}

// judge holds what arrived against the promise, and counts duplicates and first
// copies with a mark.
func judge(t *testing.T, all []got, raised int) (fig [2]int) {
	seen := map[string]bool{}
	var order []string
	for _, g := range all {
		if seen[g.id] {
			fig[0]++
			if !g.again {
				t.Errorf("%s came twice without a mark", g.id)
			}
			continue
		}
		seen[g.id] = true
		if g.again {
			fig[1]++
		}
		order = append(order, g.alarms...)
	}
	var want []string
	for i := range raised {
		want = append(want, fmt.Sprintf("V%d", i+1))
	}
	if !slices.Equal(order, want) {
		t.Errorf("told in the order\n%s\nwant each of %d, in order", strings.Join(order, " "), raised)
	}
	return fig
}
