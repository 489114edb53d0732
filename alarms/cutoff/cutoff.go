// Package cutoff is the hand of the alarms: it drops a ready-made, enclosed,
// self-holding contactor with manual start, and watches whether HT and currents
// then fall. It is no safety device. It stands outside the engine: what it did
// is recorded as an act, and replayed as one.
//
// It drops at once, and never closes again by itself: what it was last told is
// kept in the data directory, and what cannot be read there counts as dropped.
// Ways that hold by repeating (pulses on a modem line, hold bytes) go on only
// while the core has judged a reading within Cutoff.Lease. So the mains drop at
// once when this process is killed or stopped or a cable is pulled, and at most
// Lease and one HoldEvery after the last judged reading when the core hangs or
// no meter is heard. A hold that broke off is a drop, and stays one: also that of
// a daemon that has ended.
package cutoff

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
	"nightsoak/alarms"
)

// ErrRefused is wrapped by what Rearm refuses; it is the acts' own.
var ErrRefused = alarms.ErrRefused

// ErrOnlyCut is what Try says of a way that nothing but a real cut can try.
var ErrOnlyCut = errors.New("only a real cut shows that this way works")

// Cause is why the mains are dropped, and by which reading.
type Cause struct {
	ID      string          // of the alarm; empty when it was none
	Text    string          // in words
	Meter   string          // whose reading; empty when there was none
	Reading string          // as displayed, "83.1 mV"
	ReadT   *alarms.Seconds // run time at which it came
	Person  bool            // somebody asked for it
}

// The states of State.
const (
	Absent   = "absent"   // the bench file has no [cutoff]
	Armed    = "armed"    // it will drop
	Dropping = "dropping" // it is being dropped: not yet done, or not yet on the disk
	Cut      = "cut"      // it has dropped, and stays so until a person re-arms it
	Failed   = "failed"   // it could not drop, cannot be driven, or HT and currents have not fallen
)

// The proofs of State.
const (
	Waiting   = "waiting"    // not all that must fall has fallen yet, and there is time left
	Proved    = "proved"     // HT and every known current were seen to fall by half
	NotProved = "not proved" // something that must fall is not known
	NotFallen = "not fallen" // something stands above half after ProveWithin
)

// State is the cut-off at one moment, in the form in which /api/state shows it.
type State struct {
	State   string     `json:"state"`
	By      string     `json:"by,omitempty"`    // the way
	Why     string     `json:"why,omitempty"`   // what dropped it, or what is wrong with it
	Since   *time.Time `json:"since"`           // wall clock at which it was armed or dropped
	Holding bool       `json:"holding"`         // the hold is being repeated now
	Proof   string     `json:"proof,omitempty"` // of the last drop
	Seen    string     `json:"seen,omitempty"`  // what that proof is made of, in words
	// ProvedAt is the last drop at which HT and currents were seen to fall, and
	// ProvedRun the run that was on.
	ProvedAt  *time.Time `json:"proved_at"`
	ProvedRun string     `json:"proved_run,omitempty"`
}

// Hand drives one cut-off. Its methods may be called from any goroutine, and
// but for Dropped, Rearm and Close none waits for the port or the disk.
type Hand struct {
	conf *bench.Cutoff
	way  way
	file *file
	log  zerolog.Logger

	wake    chan struct{}
	closing chan struct{}
	ended   chan struct{}

	mu       sync.Mutex
	kept     kept  // what the file says, or is to say
	saved    bool  // and does, as to State
	behind   bool  // but not as to the rest
	saveErr  error // of the last attempt
	done     bool  // a drop has been delivered
	cutAt    time.Time
	trouble  error
	changed  chan struct{} // closed when a drop gets on
	judged   time.Time     // of the last reading
	held     time.Time     // when the hold was last sent; zero: not since it was armed
	untold   []alarms.Act  // what the record does not have yet
	watching watching
}

// backOff is how long, wall time, a drop that failed waits to be tried again:
// doubled from the first to the last.
const firstBackOff, lastBackOff = 100 * time.Millisecond, 2 * time.Second

// lookEvery is how often, wall time, a port that is not being used is looked at.
const lookEvery = time.Second

// Open makes ready what c configures, with its memory in dir. What has been
// dropped is dropped again; a port that cannot be opened shows in State. The
// error is that of a secret's file or of dir.
func Open(c *bench.Cutoff, dir string, log zerolog.Logger) (*Hand, error) {
	w, err := newWay(c)
	if err != nil {
		return nil, fmt.Errorf("cutoff: %w", err)
	}
	return open(c, w, dir, log)
}

func open(c *bench.Cutoff, w way, dir string, log zerolog.Logger) (*Hand, error) {
	f, k, err := openFile(dir)
	if err != nil {
		return nil, fmt.Errorf("cutoff: %w", err)
	}
	h := &Hand{conf: c, way: w, file: f, log: log, kept: k, saved: true,
		wake: make(chan struct{}, 1), closing: make(chan struct{}), ended: make(chan struct{}), changed: make(chan struct{})}
	switch {
	case k.State == Cut: // the last daemon may have died before it was delivered
		h.cutAt, h.watching = time.Now(), watching{proof: k.Proof, text: "HT and currents had not fallen when the daemon ended"}
	case k.State == holding && c.HoldEvery > 0:
		h.Cut(Cause{Text: "the daemon ended while it held the mains, and the hold with it"})
	case k.State == holding:
		h.held = time.Now() // sent once, and not again
	}
	go h.run()
	return h, nil
}

// Judged renews the lease: the core has judged a reading that came at that moment.
func (h *Hand) Judged(at time.Time) {
	h.mu.Lock()
	first := h.judged.IsZero()
	h.judged = at
	h.mu.Unlock()
	if first {
		h.nudge()
	}
}

// Cut drops the mains. It returns at once; Dropped waits. When they have been
// dropped already only a person's is done again.
func (h *Hand) Cut(c Cause) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.kept.State == Cut && !c.Person {
		return
	}
	if h.kept.State != Cut {
		h.watching.begin()
	}
	now := time.Now().UTC().Round(time.Millisecond)
	h.kept.State, h.kept.Since, h.kept.Why, h.kept.Proof = Cut, &now, c.Text, h.watching.proof
	h.done, h.saved, h.saveErr, h.trouble, h.cutAt = false, false, nil, nil, time.Now()
	h.untold = append(h.untold, c.act())
	h.nudge()
}

// Untold is what was done since it was last asked: the acts "cut" and "rearm" that
// the record is to have.
func (h *Hand) Untold() []alarms.Act {
	h.mu.Lock()
	defer h.mu.Unlock()
	u := h.untold
	h.untold = nil
	return u
}

// Dropped waits until the last drop has been delivered and is on the disk, or
// ctx is done. Its error says what is not so.
func (h *Hand) Dropped(ctx context.Context) error {
	for {
		h.mu.Lock()
		changed, done, saved, saveErr, trouble := h.changed, h.done, h.saved, h.saveErr, h.trouble
		h.mu.Unlock()
		switch {
		case done && saved:
			return nil
		case done && saveErr != nil:
			return fmt.Errorf("the mains were dropped, but that cannot be written down (%w): a restart may not know it", saveErr)
		}
		select {
		case <-changed:
		case <-ctx.Done():
			if done {
				return errors.New("the mains were dropped, but the disk has not taken that yet: a restart may not know it")
			}
			return fmt.Errorf("not dropped yet, and being tried again: %w", errors.Join(trouble, ctx.Err()))
		}
	}
}

// Rearm lets the hold begin again, and the next drop. Only a person asks for it.
// It closes no contactor with manual start.
func (h *Hand) Rearm() error {
	h.file.mu.Lock() // nothing else is written meanwhile
	defer h.file.mu.Unlock()
	h.mu.Lock()
	was := h.kept
	h.mu.Unlock()
	if was.State != Cut {
		return fmt.Errorf("%w: rearm: the cut-off is armed already", ErrRefused)
	}
	k, now := was, time.Now().UTC().Round(time.Millisecond)
	k.State, k.Since, k.Why, k.Proof = Armed, &now, "", ""
	if err := h.file.write(k); err != nil {
		return fmt.Errorf("rearm: it stays cut, since the disk does not take it: %w", err)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.kept.Since != was.Since {
		h.saved = false
		h.nudge()
		return fmt.Errorf("%w: rearm: the mains were dropped again meanwhile", ErrRefused)
	}
	h.kept, h.saved, h.behind, h.saveErr, h.done, h.trouble = k, true, false, nil, false, nil
	h.held, h.watching = time.Time{}, watching{last: h.watching.last}
	h.untold = append(h.untold, alarms.Act{Act: "rearm"})
	h.nudge()
	return nil
}

// State is the cut-off now.
func (h *Hand) State() State {
	h.mu.Lock()
	defer h.mu.Unlock()
	s := State{State: Armed, By: h.conf.By, Why: h.kept.Why, Since: h.kept.Since, Proof: h.watching.proof, Seen: h.watching.text,
		ProvedAt: h.kept.ProvedAt, ProvedRun: h.kept.ProvedRun, Holding: h.holds()}
	switch {
	case h.kept.State != Cut:
		s.Proof, s.Seen = "", ""
	case h.done && (h.saved || h.saveErr != nil):
		s.State = Cut
	default:
		s.State = Dropping
	}
	if why := h.failure(); why != "" {
		s.State, s.Why = Failed, why
	}
	return s
}

// holds says whether the hold is being repeated.
func (h *Hand) holds() bool {
	return h.kept.State == holding && h.conf.HoldEvery > 0 && !h.held.IsZero()
}

// Failure says what is wrong, and what a person must do at once; empty when
// nothing is. It is the text of the alarm cutoff-failed.
func (h *Hand) Failure() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.failure()
}

func (h *Hand) failure() string {
	switch cut := h.kept.State == Cut; {
	case cut && !h.done && h.trouble != nil:
		return fmt.Sprintf("the mains could not be dropped, it is being tried again: %v", h.trouble)
	case h.trouble != nil:
		return fmt.Sprintf("the cut-off cannot drop the mains: %v", h.trouble)
	case cut && h.watching.proof == NotFallen:
		return "the mains were dropped, but " + h.watching.text
	case cut && h.done && !h.saved && h.saveErr == nil && time.Since(h.cutAt) > lookEvery:
		return "the mains were dropped, but the disk does not take that"
	case cut && h.done && !h.saved && h.saveErr != nil:
		return fmt.Sprintf("the mains were dropped, but that cannot be written down: %v", h.saveErr)
	}
	return ""
}

// Try says, without dropping anything, what is known to be wrong with the way.
// It is ErrOnlyCut where nothing can be known but by dropping; and of every way
// only a drop with State.ProvedAt in this run shows that the mains go off.
func (h *Hand) Try() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.kept.State == Cut:
		return fmt.Errorf("it has dropped: %s", h.kept.Why)
	case h.trouble != nil:
		return h.trouble
	case h.conf.Port == "":
		return ErrOnlyCut
	case h.conf.HoldEvery > 0 && !h.holds():
		return errors.New("nothing is held yet: no reading has been judged")
	}
	return nil
}

// Close lets the hold go and returns when the port is closed. Where that drops
// the mains, the next Open finds that they were held, and counts and tells it as
// a drop: then there is a record to tell it to.
func (h *Hand) Close() error {
	close(h.closing)
	<-h.ended
	h.file.mu.Lock() // before mu, as wherever both are held
	defer h.file.mu.Unlock()
	h.mu.Lock()
	defer h.mu.Unlock()
	var err error
	if !h.saved || h.behind {
		err = h.file.write(h.kept)
	}
	return errors.Join(err, h.file.close())
}

func (h *Hand) nudge() {
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// run is the goroutine that has the port to itself.
func (h *Hand) run() {
	defer close(h.ended)
	defer h.way.close()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	saves := make(chan struct{}, 1)
	defer close(saves)
	go h.save(saves)
	backOff := firstBackOff
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-h.closing:
			h.mu.Lock()
			holds := h.holds()
			h.mu.Unlock()
			if holds {
				h.letGo(ctx)
			}
			return
		case <-h.wake:
		case <-timer.C:
		}
		h.mu.Lock()
		cut, done, unsaved := h.kept.State == Cut, h.done, !h.saved || h.behind
		h.mu.Unlock()
		if unsaved { // beside, not before: the disk may hang
			select {
			case saves <- struct{}{}:
			default:
			}
		}
		wait := lookEvery
		switch {
		case !cut:
			wait = h.hold(ctx)
		case done:
		case h.drop(ctx):
			backOff = firstBackOff
		default:
			wait, backOff = backOff, min(2*backOff, lastBackOff)
		}
		timer.Reset(wait)
	}
}

// letGo drops once, for a daemon that is being stopped while it holds.
func (h *Hand) letGo(ctx context.Context) {
	attempt, cancel := context.WithTimeout(ctx, h.conf.Timeout)
	defer cancel()
	if err := h.way.drop(attempt); err != nil {
		h.log.Error().Err(err).Msg("cut-off: stopping, and the mains could not be dropped")
	}
}

// drop makes one attempt.
func (h *Hand) drop(ctx context.Context) bool {
	h.mu.Lock()
	since := h.kept.Since
	h.mu.Unlock()
	attempt, cancel := context.WithTimeout(ctx, h.conf.Timeout)
	err := h.way.drop(attempt)
	cancel()
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.kept.State != Cut || h.kept.Since != since {
		return true // re-armed or dropped anew meanwhile: woken again for that
	}
	h.done, h.trouble = err == nil, err
	if err != nil {
		h.log.Error().Err(err).Msg("cut-off: the mains could not be dropped; trying again")
	} else {
		h.log.Warn().Str("why", h.kept.Why).Msg("cut-off: the mains were told to drop")
	}
	h.progress()
	return err == nil
}

// progress wakes those that wait in Dropped.
func (h *Hand) progress() {
	close(h.changed)
	h.changed = make(chan struct{})
}

// save brings what is kept to the disk whenever it is asked to.
func (h *Hand) save(asked <-chan struct{}) {
	for range asked {
		h.file.mu.Lock()
		h.mu.Lock()
		k := h.kept
		h.mu.Unlock()
		err := h.file.write(k)
		h.file.mu.Unlock()
		h.mu.Lock()
		h.saveErr = err
		if h.kept.Since == k.Since && h.kept.State == k.State {
			h.saved, h.behind = h.saved || err == nil, h.kept != k || err != nil
			h.progress()
			if k.State == holding {
				h.nudge()
			}
		}
		h.mu.Unlock()
	}
}

// hold sends the hold if it is due and may be, and says when to look again.
func (h *Hand) hold(ctx context.Context) time.Duration {
	repeats := h.conf.HoldEvery > 0
	h.mu.Lock()
	now := time.Now()
	held, trouble, saveErr := h.held, h.trouble, h.saveErr
	fresh := !h.judged.IsZero() && now.Sub(h.judged) <= h.conf.Lease
	begins := held.IsZero() && fresh && (repeats || h.way.holdsOnce())
	if begins && h.kept.State == Armed {
		h.kept.State, h.saved = holding, false // on the disk before it is so
		h.nudge()
	}
	saved := h.saved
	h.mu.Unlock()
	switch gap := now.Sub(held); {
	case repeats && !held.IsZero() && gap > h.conf.Lease:
		text := fmt.Sprintf("the hold broke off for %v: this process did not run", gap.Round(time.Millisecond))
		if trouble != nil {
			text = fmt.Sprintf("the hold could not be sent for %v: %v", gap.Round(time.Millisecond), trouble)
		}
		h.Cut(Cause{Text: text})
		return 0
	case repeats && !held.IsZero() && !fresh:
		h.Cut(Cause{Text: fmt.Sprintf("no reading was judged for %v: no meter is heard, or the core hangs; the hold was let go", h.conf.Lease)})
		return 0
	case begins && !saved:
		if saveErr != nil {
			h.have(fmt.Errorf("nothing is held, since the disk does not take it: %w", saveErr))
		}
		return lookEvery // woken when it is
	case begins, repeats && !held.IsZero():
		err := h.way.hold(ctx)
		if h.have(err); err == nil {
			h.mu.Lock()
			h.held = now
			h.mu.Unlock()
		}
		if !repeats {
			return lookEvery
		}
		return max(0, h.conf.HoldEvery-time.Since(now))
	}
	h.have(h.way.ready(ctx))
	return lookEvery // woken by the first reading
}

// have keeps what is wrong with the way; nil: nothing.
func (h *Hand) have(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.kept.State == Cut {
		return // what the drop finds is what counts
	}
	if err != nil && (h.trouble == nil || h.trouble.Error() != err.Error()) {
		h.log.Error().Err(err).Msg("cut-off: cannot be driven")
	}
	h.trouble = err
}

// atPort is a line setting for a port that may have none.
func atPort(spec, line string) string {
	if !port.HasLine(spec) {
		return ""
	}
	return line
}
