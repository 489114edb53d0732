package notify

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
)

const (
	// maxQueued is how many items wait for one channel. When it is full the
	// oldest of the lowest priority goes, counted, and the next message says so.
	maxQueued = 500
	// noticeAfter and deadAfter are how long a channel fails before the panel and
	// the other channels say so.
	noticeAfter = time.Minute
	deadAfter   = 10 * time.Minute
	// gapTold is the shortest stretch without watching that people are told of.
	gapTold = time.Minute
)

// pace is how fast channels go. Tests go faster.
type pace struct {
	company time.Duration // how long an item waits for others, to go out as one message
	first   time.Duration // between the first try and the second; doubles, each drawn from its upper half
	longest time.Duration // what it doubles up to
	urgent  time.Duration // how long at most a new high alarm waits for the next try
}

var usualPace = pace{company: 2 * time.Second, first: 2 * time.Second, longest: 5 * time.Minute, urgent: 2 * time.Second}

// A sender brings one message to people: one try, bounded by ctx. An error that
// wraps errNotTaken says that this message cannot have arrived.
type sender interface {
	send(ctx context.Context, m *message) error
}

var errNotTaken = errors.New("not taken")

// channel is one [[notify]].
type channel struct {
	bench.Notify
	n       *Notifier
	build   func() (sender, error)
	sender  sender // nil until built
	disk    *disk
	wake    chan struct{}
	rand    *rand.Rand
	loadErr error

	mu       sync.Mutex
	s        state
	skipPast bool // the run being resumed is new to this channel
	dirty    bool // s differs from what is on disk
	lastErr  string
	noticed  bool
	drilled  Trial // the last drill, of this daemon's life
}

func newChannel(n *Notifier, c bench.Notify, path string, build func() (sender, error)) *channel {
	ch := &channel{Notify: c, n: n, build: build, disk: newDisk(path), wake: make(chan struct{}, 1), rand: rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64()))}
	ch.s, ch.loadErr = load(path)
	ch.resume(time.Now())
	return ch
}

// resume makes a state from disk fit for this moment: the wall clock may have
// been set since, and nothing is to wait longer for that.
func (c *channel) resume(now time.Time) {
	for i := range c.s.Queue {
		it := &c.s.Queue[i]
		longest := c.n.pace.company
		if it.Wait {
			longest = c.patience()
		}
		it.Due = earlier(it.Due, now.Add(longest))
	}
	if o := c.s.Out; o != nil {
		o.Next = earlier(o.Next, now.Add(c.n.pace.longest))
	}
	if c.s.AliveOn == "" {
		c.s.AliveOn = "never"
		if minuteOf(now) >= c.AliveAt.Minute {
			c.s.AliveOn = now.Local().Format(time.DateOnly) // tomorrow is the first
		}
	}
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// patience is how long, on the wall, an alarm may stand unacknowledged before
// this channel tells it.
func (c *channel) patience() time.Duration {
	return max(c.n.pace.company, time.Duration(float64(c.EscalateAfter)/c.n.opt.Speed))
}

// changed marks the state as not on disk and wakes the loop. The caller holds mu.
func (c *channel) changed() {
	c.dirty = true
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

func (c *channel) begin(r Run, resumed bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.skipPast = resumed && c.s.Run != r.ID
	if c.s.Run != r.ID {
		c.s.Run, c.s.Seq = r.ID, 0
		c.changed()
	}
}

// take queues what this channel is to tell of the core's events.
func (c *channel) take(run Run, events []alarms.Event, past bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	for i := range events {
		e := &events[i]
		if e.Seq <= c.s.Seq {
			continue
		}
		c.s.Seq = e.Seq
		if !past || !c.skipPast {
			c.event(run, e, run.Started.Add(time.Duration(e.T)), now)
		}
	}
}

func (c *channel) takeHost(run Run, e alarms.Event, now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.event(run, &e, now, now)
}

// event decides what an event means for this channel. The caller holds mu.
func (c *channel) event(run Run, e *alarms.Event, at, now time.Time) {
	switch e.Event {
	case alarms.EventAlarm:
		c.alarm(run, e, at, now)
	case alarms.EventGap:
		if e.From != nil && time.Duration(e.T-*e.From) >= gapTold {
			c.news(run, gap, *e, alarms.Medium, "Look whether all is well: what happened meanwhile is not known.", at, now)
		}
	case alarms.EventSoakOver:
		c.news(run, soakOver, *e, alarms.Medium, "", at, now)
	case alarms.EventPhase:
		if e.Phase == alarms.Ended { // by a person, who is there
			c.drop(func(it *item) bool { return it.Wait && it.Run == run.ID })
		}
	}
}

// news queues what is told like an alarm of priority p, but has no states.
func (c *channel) news(run Run, k kind, e alarms.Event, p alarms.Priority, advice string, at, now time.Time) {
	e.Priority, e.Advice = p, advice
	if p.Rank() >= alarms.Priority(c.AtLeast).Rank() && c.EscalateAfter == 0 {
		c.add(item{Kind: k, Run: run.ID, Ticket: run.Ticket, Seq: e.Seq, At: at, Due: now.Add(c.n.pace.company), Event: e})
	}
}

func (c *channel) alarm(run Run, e *alarms.Event, at, now time.Time) {
	waiting := slices.IndexFunc(c.s.Queue, func(it item) bool { return it.is(run.ID, e.ID) && it.Over.IsZero() })
	switch e.State {
	case alarms.Unacknowledged:
		if e.Priority.Rank() < alarms.Priority(c.AtLeast).Rank() {
			return
		}
		if waiting >= 0 {
			// It has got worse before it was told: one alarm, as bad as it is now.
			c.s.Queue[waiting].Event, c.s.Queue[waiting].At = *e, at
			c.changed()
		} else {
			it := item{Kind: raised, Run: run.ID, Ticket: run.Ticket, Seq: e.Seq, At: at, Due: now.Add(c.n.pace.company), Event: *e}
			if c.EscalateAfter > 0 {
				it.Wait, it.Due = true, now.Add(c.patience())
			}
			c.add(it)
		}
		if o := c.s.Out; o != nil && e.Priority == alarms.High && o.Next.After(now.Add(c.n.pace.urgent)) {
			o.Next = now.Add(c.n.pace.urgent)
			c.changed()
		}
	case alarms.Acknowledged, alarms.Shelved, alarms.Suppressed, alarms.OutOfService:
		c.drop(func(it *item) bool { return it.is(run.ID, e.ID) && (it.Wait || it.rank() < alarms.High.Rank()) })
	case alarms.Returned, alarms.Normal:
		// Acknowledged only after it was over: it no longer needs someone else.
		if e.State == alarms.Normal {
			c.drop(func(it *item) bool { return it.is(run.ID, e.ID) && it.Wait })
		} else {
			c.drop(func(it *item) bool {
				return it.is(run.ID, e.ID) && it.Wait && it.rank() < alarms.High.Rank()
			})
		}
		waiting = slices.IndexFunc(c.s.Queue, func(it item) bool { return it.is(run.ID, e.ID) && it.Over.IsZero() })
		if waiting >= 0 {
			c.s.Queue[waiting].Over = at
			c.changed()
			return
		}
		told := slices.Index(c.s.Told, toldAs(run.ID, e))
		switch {
		case told >= 0:
			c.s.Told = slices.Delete(c.s.Told, told, told+1)
		case c.s.Out == nil:
			return
		default:
			trying := slices.IndexFunc(c.s.Out.Items, func(it item) bool { return it.is(run.ID, e.ID) && it.Over.IsZero() && !it.Ended })
			if trying < 0 {
				return
			}
			c.s.Out.Items[trying].Ended = true
		}
		c.changed()
		if c.Resolved {
			c.add(item{Kind: over, Run: run.ID, Ticket: run.Ticket, Seq: e.Seq, At: at, Due: now.Add(c.n.pace.company), Event: *e})
		}
	}
}

// toldAs is how an alarm stands in state.Told: the daemon's own belong to no run.
func toldAs(run string, e *alarms.Event) string {
	if e.Seq == 0 {
		run = ""
	}
	return run + " " + e.ID
}

// add appends an item, making room if need be. The caller holds mu.
func (c *channel) add(it item) {
	if len(c.s.Queue) >= maxQueued {
		victim := 0
		for i := range c.s.Queue {
			if c.s.Queue[i].rank() < c.s.Queue[victim].rank() {
				victim = i
			}
		}
		c.s.Queue = slices.Delete(c.s.Queue, victim, victim+1)
		c.s.Dropped++
	}
	c.s.Queue = append(c.s.Queue, it)
	c.changed()
}

func (c *channel) drop(which func(*item) bool) {
	before := len(c.s.Queue)
	c.s.Queue = slices.DeleteFunc(c.s.Queue, func(it item) bool { return which(&it) })
	if len(c.s.Queue) < before {
		c.changed()
	}
}

func (c *channel) test(run Run, code string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	c.drop(func(it *item) bool { return it.Kind == test })
	c.s.Trial = &Trial{Channel: c.Name, Run: run.ID, Code: code, Asked: now}
	c.add(item{Kind: test, Run: run.ID, Ticket: run.Ticket, At: now, Due: now, Event: alarms.Event{Event: string(test), Priority: alarms.High,
		Text:   "This is a test of channel " + c.Name + ". The code is " + code + ".",
		Advice: "Type the code where the test was asked for, so that it is known that you were reached."}})
	if o := c.s.Out; o != nil && o.Next.After(now) {
		o.Next = now
	}
}

func (c *channel) confirm(run Run, word string) (Trial, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := c.s.Trial
	if t == nil || t.Run != run.ID || !strings.EqualFold(word, t.Code) && word != c.Name {
		return Trial{}, false
	}
	if t.Confirmed.IsZero() {
		t.Confirmed = time.Now()
		c.changed()
	}
	return *t, true
}

func (c *channel) trial(run Run) Trial {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.s.Trial == nil || c.s.Trial.Run != run.ID {
		return Trial{Channel: c.Name}
	}
	t := *c.s.Trial
	if t.Delivered.IsZero() {
		t.Err = c.lastErr
	}
	return t
}

// waiting is how many items are not told that might be.
func (c *channel) waiting() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := len(c.s.Queue)
	if c.s.Out != nil {
		n += len(c.s.Out.Items)
	}
	return n
}

// loop is the channel's goroutine.
func (c *channel) loop() {
	if c.loadErr != nil {
		c.n.opt.Log.Error().Str("notify", c.Name).Err(c.loadErr).Msg("what waited to be told is lost")
		c.n.opt.Notice("notify-disk/"+c.Name, c.Name+": what waited to be told is lost: "+c.loadErr.Error())
	}
	c.prepare()
	for {
		closing := false
		select {
		case <-c.n.closing:
			closing = true
		default:
		}
		c.mu.Lock()
		now := time.Now()
		c.signOfLife(now)
		if c.s.Out == nil {
			c.form(now, closing)
		}
		if o := c.s.Out; o != nil && (closing || !now.Before(o.Next)) {
			m := c.n.message(c, o)
			o.Tries++
			o.Maybe = true
			c.mu.Unlock()
			c.keep() // that it is being tried, before it is
			err := c.try(m)
			c.mu.Lock()
			c.tried(err, m.Again, time.Now())
			c.mu.Unlock()
			c.keep()
			c.report()
			if closing && err != nil {
				return
			}
			continue
		}
		wait := c.next(now)
		dirty := c.dirty
		c.mu.Unlock()
		if dirty {
			c.keep()
		}
		if closing {
			return
		}
		t := time.NewTimer(wait)
		select {
		case <-c.wake:
		case <-t.C:
		case <-c.n.closing:
		}
		t.Stop()
	}
}

// prepare makes the sender, so that what cannot work is said at once and not
// when it is needed.
func (c *channel) prepare() bool {
	if c.sender != nil {
		return true
	}
	s, err := c.build()
	if err != nil {
		c.mu.Lock()
		c.lastErr = err.Error()
		if c.s.FailingSince.IsZero() {
			c.s.FailingSince = time.Now()
		}
		c.mu.Unlock()
		c.report()
		return false
	}
	c.sender = s
	return true
}

func (c *channel) try(m *message) error {
	if !c.prepare() {
		return fmt.Errorf("%w: %s", errNotTaken, c.lastErr) // lastErr is written by this goroutine alone
	}
	ctx, cancel := context.WithTimeout(c.n.ctx, c.Timeout)
	defer cancel()
	return c.sender.send(ctx, m)
}

// tried notes what came of a try. The caller holds mu.
func (c *channel) tried(err error, before bool, now time.Time) {
	o := c.s.Out
	if err == nil {
		for i := range o.Items {
			it := &o.Items[i]
			it.Event.Seq = it.Seq
			if id := toldAs(it.Run, &it.Event); it.Kind == raised && it.Over.IsZero() && !it.Ended && !slices.Contains(c.s.Told, id) {
				c.s.Told = append(c.s.Told, id)
			}
			if it.Kind == drill && c.drilled.Asked.Equal(it.At) {
				c.drilled.Delivered = now
			}
			if t := c.s.Trial; it.Kind == test && t != nil && t.Asked.Equal(it.At) {
				t.Delivered = now
			}
		}
		c.s.Out, c.s.FailingSince, c.lastErr = nil, time.Time{}, ""
	} else {
		c.lastErr = err.Error()
		if errors.Is(err, errNotTaken) {
			o.Maybe = before
		}
		if c.s.FailingSince.IsZero() {
			c.s.FailingSince = now
		}
		d := c.n.pace.longest
		if o.Tries < 16 {
			d = min(d, c.n.pace.first<<(o.Tries-1))
		}
		o.Next = now.Add(d/2 + time.Duration(c.rand.Int64N(int64(d/2)+1)))
		c.n.opt.Log.Warn().Str("notify", c.Name).Str("err", c.lastErr).Int("tries", o.Tries).Msg("not told: trying again")
	}
	c.dirty = true
}

// report says in the panel and to the other channels how this one does.
func (c *channel) report() {
	c.n.moved()
	c.mu.Lock()
	since, err := c.s.FailingSince, c.lastErr
	n, urgent := len(c.s.Queue), false
	for _, it := range c.s.Queue {
		urgent = urgent || it.rank() == alarms.High.Rank()
	}
	if o := c.s.Out; o != nil {
		n += len(o.Items)
		urgent = urgent || o.Items[0].rank() == alarms.High.Rank()
	}
	failing := time.Duration(0)
	if !since.IsZero() {
		failing = time.Since(since)
	}
	told := c.s.DeadTold
	now := !since.IsZero() && (told || failing >= deadAfter || c.sender == nil)
	if now != told {
		c.s.DeadTold, c.dirty = now, true
	}
	c.mu.Unlock()

	if since.IsZero() {
		c.notice("")
	} else if failing >= noticeAfter || c.sender == nil {
		c.notice(fmt.Sprintf("has failed since %s, %d waiting: %s", since.Local().Format("02 Jan 15:04"), n, err))
	}
	if now == told {
		return
	}
	e := alarms.Event{ID: Failing + "/" + c.Name, Alarm: Failing, Subject: c.Name, Priority: alarms.Medium, State: alarms.Normal}
	if now {
		if urgent {
			e.Priority = alarms.High
		}
		e.State = alarms.Unacknowledged
		e.Text = fmt.Sprintf("channel %s has failed since %s, %d waiting: %s", c.Name, since.Local().Format("02 Jan 15:04"), n, err)
		e.Advice = "Look at the network and at this channel's server. Whoever it should have told does not know."
	}
	c.n.host(e, c)
}

// notice is said about this channel in the panel; empty takes it back.
func (c *channel) notice(text string) {
	if text == "" && !c.noticed {
		return
	}
	c.noticed = text != ""
	if text != "" {
		text = "[[notify]] " + c.Name + " " + text
	}
	c.n.opt.Notice("notify/"+c.Name, text)
}

// keep brings the state to disk. A disk that fails keeps nothing back: the queue
// in memory goes on.
func (c *channel) keep() {
	c.mu.Lock()
	s := c.s.clone()
	c.dirty = false
	c.mu.Unlock()
	b, err := s.marshal()
	if err == nil {
		err = c.disk.keep(b)
	}
	key := "notify-disk/" + c.Name
	if err != nil {
		c.mu.Lock()
		c.dirty = true
		c.mu.Unlock()
		c.n.opt.Notice(key, fmt.Sprintf("[[notify]] %s: what waits is not on disk and would be lost with the daemon: %v", c.Name, err))
	} else if c.loadErr == nil {
		c.n.opt.Notice(key, "")
	}
}

// form makes the message of what is to be told now. The caller holds mu.
func (c *channel) form(now time.Time, closing bool) {
	quiet := c.Quiet.Within(minuteOf(now))
	ready := func(it *item, at time.Time) bool {
		return !it.Due.After(at) && !it.held(quiet)
	}
	at := now
	if closing {
		at = now.Add(c.n.pace.company)
	}
	if !slices.ContainsFunc(c.s.Queue, func(it item) bool { return ready(&it, at) }) {
		return
	}
	o := &outgoing{Next: now, Dropped: c.s.Dropped}
	c.s.Dropped = 0
	// What is still waiting for company has found it.
	c.s.Queue = slices.DeleteFunc(c.s.Queue, func(it item) bool {
		if ready(&it, now.Add(c.n.pace.company)) && (!it.Wait || !it.Due.After(at)) {
			o.Items = append(o.Items, it)
			return true
		}
		return false
	})
	first := o.Items[0]
	number := strconv.Itoa(first.Seq)
	if first.Seq == 0 {
		number = string(first.Kind) + strconv.FormatInt(first.At.UnixMilli(), 10)
	}
	o.ID = first.Run + ":" + number + ":" + c.Name
	slices.SortStableFunc(o.Items, func(a, b item) int { return b.importance() - a.importance() })
	c.s.Out = o
	c.changed()
}

// importance orders the items of one message.
func (it *item) importance() int {
	n := 10 * it.rank()
	if it.Kind == raised && it.Over.IsZero() {
		n += 5
	}
	if it.Kind == drill { // never the title of a message in which something is real
		n -= 50
	}
	if it.Kind == over || it.Kind == alive {
		n -= 100
	}
	return n
}

// next is how long there is nothing to do. The caller holds mu.
func (c *channel) next(now time.Time) time.Duration {
	if o := c.s.Out; o != nil {
		return max(o.Next.Sub(now), 0)
	}
	// Quiet hours and the sign of life go by the wall clock, which may jump: it is
	// looked at every minute. So is a disk that did not take the queue.
	wait := time.Minute
	quiet := c.Quiet.Within(minuteOf(now))
	for i := range c.s.Queue {
		if it := &c.s.Queue[i]; !it.held(quiet) {
			wait = min(wait, it.Due.Sub(now))
		}
	}
	return max(wait, 0)
}

// held says whether quiet hours keep an item back.
func (it *item) held(quiet bool) bool {
	return quiet && it.rank() < alarms.High.Rank() && it.Kind != alive
}

// signOfLife queues the daily message when its time has come. The caller holds mu.
func (c *channel) signOfLife(now time.Time) {
	today := now.Local().Format(time.DateOnly)
	if !c.AliveAt.Given || c.s.AliveOn == today || minuteOf(now) < c.AliveAt.Minute {
		return
	}
	c.s.AliveOn = today
	text := "nightsoak is running and this channel works."
	if status := c.n.opt.Status(); status != "" {
		text += " " + status
	}
	run := c.n.current()
	c.add(item{Kind: alive, Run: run.ID, Ticket: run.Ticket, At: now, Due: now, Event: alarms.Event{Event: string(alive), Priority: alarms.Low, Text: text}})
}

// minuteOf is the local minute of the day.
func minuteOf(t time.Time) int {
	t = t.Local()
	return 60*t.Hour() + t.Minute()
}
