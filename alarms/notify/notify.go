// Package notify tells people: by mail, push, chat, webhook or a command of
// their own, each channel with its own goroutine, its own queue on disk, and its
// own patience. Nothing in it can hold the core up: what the core calls only
// appends to a bounded queue in memory.
//
// What is told is told at least once. A message that may have come before says
// so, and carries the same id again.
package notify

import (
	"context"
	"crypto/rand"
	"fmt"
	"math/big"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
)

// Failing is the alarm that a channel has been dead for long: its subject is
// the channel, and the other channels tell it. It is the daemon's own, not the core's.
const Failing = "notify-failing"

// Options are what a Notifier needs of the daemon around it.
type Options struct {
	Dir    string                 // where the queues are kept; made when it is not there
	Notice func(key, text string) // says something about a channel on the panel; an empty text takes it back
	Status func() string          // one line for the sign of life: run, phase, alarms
	Speed  float64                // run seconds per wall second; 1 is real time
	Log    zerolog.Logger
}

// Run is the run that events belong to.
type Run struct {
	ID      string
	Ticket  string
	Started time.Time // of run time 0
}

// Notifier is all the channels of a bench. Its methods may be called from any
// goroutine and never wait for a channel, but for Test and Close.
type Notifier struct {
	bench    string
	link     string
	opt      Options
	pace     pace
	channels []*channel

	ctx     context.Context // of tries; cancelled when Close runs out of time
	cancel  context.CancelFunc
	closing chan struct{}
	wg      sync.WaitGroup

	mu   sync.Mutex
	run  Run
	told chan struct{} // closed and made anew whenever a trial has moved on
}

// Open starts the channels of b and goes on with what their queues still hold.
// A channel that cannot work is no error here: watching goes on without it, and
// it is told in a notice and by the other channels.
func Open(b *bench.Bench, opt Options) *Notifier {
	n := newNotifier(b, opt)
	for _, c := range b.Notify {
		n.add(c, func() (sender, error) { return newSender(c) })
	}
	n.start()
	return n
}

func newNotifier(b *bench.Bench, opt Options) *Notifier {
	n := &Notifier{bench: b.Name, link: b.Panel.Link, opt: opt, pace: usualPace, closing: make(chan struct{}), told: make(chan struct{})}
	n.ctx, n.cancel = context.WithCancel(context.Background())
	return n
}

// add makes a channel that has build make its sender before the first try.
func (n *Notifier) add(c bench.Notify, build func() (sender, error)) *channel {
	ch := newChannel(n, c, filepath.Join(n.opt.Dir, c.Name+".json"), build)
	n.channels = append(n.channels, ch)
	return ch
}

func (n *Notifier) start() {
	for _, c := range n.channels {
		n.wg.Go(c.loop)
	}
}

// Run says which run the events from now on belong to. resumed is true for one
// that this or an earlier daemon had begun: its past events may then come again,
// and only those that a channel has not seen are told.
func (n *Notifier) Run(r Run, resumed bool) {
	n.mu.Lock()
	n.run = r
	n.mu.Unlock()
	for _, c := range n.channels {
		c.begin(r, resumed)
	}
}

// Events takes what the core said; past are those of a run that is being resumed.
func (n *Notifier) Events(events []alarms.Event, past bool) {
	if len(n.channels) == 0 {
		return
	}
	run := n.current()
	for _, c := range n.channels {
		c.take(run, events, past)
	}
}

func (n *Notifier) current() Run {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.run
}

// Host takes an alarm that the daemon raises about itself: State Unacknowledged
// to raise it, Acknowledged or Normal when it is. ID, Alarm, Subject, Priority
// and, to raise it, Text and Advice are given; its time is now.
func (n *Notifier) Host(e alarms.Event) { n.host(e, nil) }

func (n *Notifier) host(e alarms.Event, but *channel) {
	run, now := n.current(), time.Now()
	e.Event, e.Seq = alarms.EventAlarm, 0
	if !run.Started.IsZero() {
		e.T = alarms.Seconds((time.Duration(float64(now.Sub(run.Started)) * n.opt.Speed)).Round(time.Millisecond))
	}
	for _, c := range n.channels {
		if c != but {
			c.takeHost(run, e, now)
		}
	}
}

// Trial is a channel tried by a test message in the run that is on.
type Trial struct {
	Channel   string    `json:"channel"`
	Run       string    `json:"run,omitempty"` // empty between runs
	Code      string    `json:"code"`          // what the message asks to be typed back
	Asked     time.Time `json:"asked"`
	Delivered time.Time `json:"delivered,omitzero"` // zero: not (yet) taken by server or command
	Confirmed time.Time `json:"confirmed,omitzero"` // zero: nobody said that it arrived
	Err       string    `json:"err,omitempty"`      // of the last try, when not delivered
}

// codeSigns are told apart by eye and ear: no 0 and O, 1 and I.
const codeSigns = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"

// Test sends every channel a test message with a code of its own, whatever the
// channel's priority, quiet hours and escalation, and waits until each has been
// taken or ctx is done. What was taken is not yet read: see Confirm.
func (n *Notifier) Test(ctx context.Context) []Trial {
	run := n.current()
	for _, c := range n.channels {
		code := make([]byte, 4)
		for i := range code {
			r, err := rand.Int(rand.Reader, big.NewInt(int64(len(codeSigns))))
			if err != nil {
				panic(err) // crypto/rand: never returns an error
			}
			code[i] = codeSigns[r.Int64()]
		}
		c.test(run, string(code))
	}
	for {
		n.mu.Lock()
		told := n.told
		n.mu.Unlock()
		all := n.Trials()
		missing := false
		for _, t := range all {
			missing = missing || t.Delivered.IsZero()
		}
		if !missing {
			return all
		}
		select {
		case <-told:
		case <-ctx.Done():
			return all
		case <-n.closing:
			return all
		}
	}
}

// Confirm says that a test message has reached a person: word is the code that
// it carried, or the channel's name where the message is a sound. It gives the
// channel's trial, or an error when no test of this run goes by that word.
func (n *Notifier) Confirm(word string) (Trial, error) {
	word = strings.TrimSpace(word)
	run := n.current()
	for _, c := range n.channels {
		if t, ok := c.confirm(run, word); ok {
			return t, nil
		}
	}
	return Trial{}, fmt.Errorf("no test message of this run has the code %q: send one and type its four signs, or the channel's name", word)
}

// Trials is the last test of each channel in the run that is on; a channel that
// was not tried in it has a Trial without Asked.
func (n *Notifier) Trials() []Trial {
	run := n.current()
	trials := make([]Trial, len(n.channels))
	for i, c := range n.channels {
		trials[i] = c.trial(run)
	}
	return trials
}

// moved wakes who waits for a trial.
func (n *Notifier) moved() {
	n.mu.Lock()
	close(n.told)
	n.told = make(chan struct{})
	n.mu.Unlock()
}

// Close tries what waits once more and stops; what is left stays on disk for
// the next daemon. ctx bounds it. It is called once.
func (n *Notifier) Close(ctx context.Context) error {
	close(n.closing)
	stop := context.AfterFunc(ctx, n.cancel)
	n.wg.Wait()
	stop()
	n.cancel()
	left := 0
	for _, c := range n.channels {
		left += c.waiting()
		c.disk.close()
	}
	if left > 0 {
		return fmt.Errorf("%d messages to people wait for the next start", left)
	}
	return nil
}
