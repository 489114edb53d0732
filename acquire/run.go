package acquire

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

const (
	firstDelay  = 100 * time.Millisecond // wall, before a lost port is opened again
	maxDelay    = 5 * time.Second        // wall; doubled up to here
	minEvery    = time.Millisecond       // wall, between questions, whatever the clock's speed
	leaveWithin = 500 * time.Millisecond // wall, for an exchange under way when the program ends, and to leave the meters
	renewAfter  = 5                      // questions in a row without an answer
	readBufSize = 1024
)

// Run reads the meters of b, which [bench.Parse] has validated, into sink until
// ctx is done; then it closes the ports and returns. Each port has a goroutine
// of its own. Meters may share a port: those that are asked are asked in turn,
// each every Meter.Every of run time; of those that talk by themselves each is
// decoded from all that comes, by its own settings.
//
// A port that cannot be opened or that fails is reported once and tried again
// after 100 ms, then at doubled intervals up to 5 s of wall time. An answer
// that is missing or wrong is counted as rejected and is no reason to close the
// port; after five missing in a row the meter is set up anew, since one that
// was switched off has forgotten its function and range.
//
// Of a meter that talks by itself [bench.MostReadings] a second of run time are
// used, beside 10 s of them at once, which is what a gateway may have held back.
func Run(ctx context.Context, b *bench.Bench, clock *Clock, sink Sink) {
	var wg sync.WaitGroup
	for _, s := range stations(b, clock, sink) {
		wg.Go(func() { s.run(ctx) })
	}
	wg.Wait()
}

// station is a port and the meters on it.
type station struct {
	spec, line string
	taps       []*tap
	sink       Sink
	// progress, where set, hears of bytes that came, or of an answer that was
	// wrong or missing; its error ends the session.
	progress func(n int, reply error) error

	alive bool  // something came since the port was opened
	open  bool  // as last told to the sink
	told  error // as last told to the sink
}

// tap is one meter on a port.
type tap struct {
	meter    int
	format   drivers.Format
	settings drivers.Settings
	scale    scaling
	every    time.Duration // wall

	decoder drivers.Decoder // of a meter that talks by itself
	pace    *pace           // what of it is used; nil: all
	emit    func(drivers.Reading)
	seen    drivers.Rejects // of decoder, as last told to the sink

	asker  drivers.Asker // nil when it is to be made anew
	due    time.Time     // of the next question
	silent int           // questions in a row without an answer
}

// stations groups the meters by port, in the order of the bench file.
func stations(b *bench.Bench, clock *Clock, sink Sink) []*station {
	var all []*station
	for i := range b.Meters {
		m := &b.Meters[i]
		t := &tap{meter: i, format: m.Format, settings: m.Settings, scale: newScaling(m.Scale),
			every: max(clock.Wall(m.Every), minEvery), pace: &pace{clock: clock}}
		at := slices.IndexFunc(all, func(s *station) bool { return s.spec == m.Port })
		if at < 0 {
			at = len(all)
			all = append(all, &station{spec: m.Port, line: m.Line, sink: sink})
		}
		all[at].taps = append(all[at].taps, t)
	}
	return all
}

// run opens the port, reads it until it is lost, and again, until ctx is done.
func (s *station) run(ctx context.Context) {
	for delay := firstDelay; ; delay = min(2*delay, maxDelay) {
		c, err := port.Open(ctx, s.spec, s.line)
		if err == nil {
			s.tell(nil)
			opened := time.Now()
			err = s.session(ctx, c)
			// A port that opens and dies at once must not be tried at full pace.
			if s.alive && time.Since(opened) > delay {
				delay = firstDelay
			}
		}
		if ctx.Err() != nil {
			return
		}
		s.tell(err)
		// Ports lost together, with a hub, come back spread out a little.
		if !sleep(ctx, delay-rand.N(delay/4)) {
			return
		}
	}
}

// tell passes on that the port was opened or why it is not, on changes only.
// That a lost device is also missing is no news.
func (s *station) tell(err error) {
	switch {
	case err == nil && s.open:
		return
	case err != nil && !s.open && s.told != nil && (errors.Is(err, fs.ErrNotExist) || err.Error() == s.told.Error()):
		return
	}
	s.open, s.told = err == nil, err
	for _, t := range s.taps {
		s.sink.Port(t.meter, err)
	}
}

// session reads an open port until it fails or ctx is done, and closes it.
func (s *station) session(ctx context.Context, c port.Conn) error {
	asks := s.taps[0].format.NewAsker != nil
	stop := context.AfterFunc(ctx, func() {
		if asks { // an answer under way is waited for, so that the meter can be left in order
			time.AfterFunc(leaveWithin, func() { c.Close() })
		} else {
			c.Close()
		}
	})
	defer c.Close()
	defer stop()
	s.alive = false
	if asks {
		return s.ask(ctx, c)
	}
	return s.listen(c)
}

// listen feeds what comes to the decoder of each meter on the port.
func (s *station) listen(c port.Conn) error {
	for _, t := range s.taps {
		var err error
		if t.decoder, err = t.format.NewDecoder(t.settings); err != nil {
			return err
		}
		t.seen = drivers.Rejects{}
		t.emit = func(r drivers.Reading) {
			if t.pace == nil || t.pace.allows() {
				s.sink.Reading(t.meter, t.scale.apply(r))
			}
		}
	}
	buf := make([]byte, readBufSize)
	for {
		n, err := c.Read(buf)
		if n > 0 {
			s.alive = true
			for _, t := range s.taps {
				t.feed(buf[:n], s.sink)
			}
		}
		if err == nil && s.progress != nil {
			err = s.progress(n, nil)
		}
		if err != nil {
			return err
		}
	}
}

// feed passes on what a meter sent, and what of it was rejected.
func (t *tap) feed(p []byte, sink Sink) {
	t.decoder.Feed(p, t.emit)
	now := t.decoder.Rejects()
	for why := range now {
		if d := now[why] - t.seen[why]; d > 0 {
			sink.Rejected(t.meter, drivers.Reason(why), d)
		}
	}
	t.seen = now
	if t.pace != nil && t.pace.left > 0 {
		sink.Rejected(t.meter, drivers.TooMany, t.pace.left)
		t.pace.left = 0
	}
}

// ask puts questions to the meters on the port, whichever is due first. What
// is late is asked at once, what was missed is not made up for.
func (s *station) ask(ctx context.Context, c port.Conn) error {
	for _, t := range s.taps {
		t.asker, t.due, t.silent = nil, time.Now(), 0
	}
	asked := c
	if !strings.HasPrefix(s.spec, "usbtmc:") { // its Close gives the meter back
		asked = &interruptible{Conn: c, ctx: ctx, timeout: -1}
	}
	for {
		t := slices.MinFunc(s.taps, func(a, b *tap) int { return a.due.Compare(b.due) })
		if !sleep(ctx, time.Until(t.due)) {
			return errors.Join(ctx.Err(), s.leave(c))
		}
		if err := s.exchange(t, asked); err != nil || ctx.Err() != nil {
			return cmp.Or(err, s.leave(c)) // which fails too where the port did
		}
		pause := t.every
		if len(s.taps) > 1 { // one that is dead must not take the others' time
			pause = max(t.every, min(t.every<<min(t.silent, 10), maxDelay))
		}
		t.due = t.due.Add(pause)
		if now := time.Now(); now.After(t.due) {
			t.due = now
		}
	}
}

// interruptible is a port on which a Read fails soon after ctx is done, and which
// then still works, so that a meter can be left that takes longer to answer.
type interruptible struct {
	port.Conn
	ctx     context.Context
	timeout time.Duration
}

func (c *interruptible) SetReadTimeout(d time.Duration) error {
	c.timeout = d
	return nil
}

func (c *interruptible) Read(p []byte) (int, error) {
	const turn = leaveWithin / 2
	for begun := time.Now(); ; {
		wait := turn
		if c.timeout >= 0 {
			wait = min(turn, max(c.timeout-time.Since(begun), 0))
		}
		err := c.Conn.SetReadTimeout(wait)
		n := 0
		if err == nil {
			n, err = c.Conn.Read(p)
		}
		if n > 0 || err != nil || wait < turn {
			return n, err
		}
		if err := c.ctx.Err(); err != nil {
			return 0, err
		}
	}
}

// leave lets every meter on the port be left as it was found, but for one that
// has been silent.
func (s *station) leave(c port.Conn) error {
	var errs []error
	for _, t := range s.taps {
		if l, ok := t.asker.(drivers.Leaver); ok {
			errs = append(errs, l.Leave(c))
		}
	}
	return errors.Join(errs...)
}

// exchange is one question to one meter. Its error is the port's.
func (s *station) exchange(t *tap, c port.Conn) error {
	var err error
	if t.asker == nil {
		if t.asker, err = t.format.NewAsker(t.settings); err != nil {
			return err
		}
		if a, ok := t.asker.(drivers.Sharer); ok && len(s.taps) > 1 {
			a.Shared()
		}
	}
	r, err := t.asker.Ask(c)
	reply, isReply := errors.AsType[*drivers.Reply](err)
	switch {
	case err != nil && !isReply:
		return err
	case isReply:
		s.sink.Rejected(t.meter, reply.Reason, 1)
	default:
		s.sink.Reading(t.meter, t.scale.apply(r))
	}
	if isReply && reply.Reason == drivers.NoReply {
		if t.silent++; t.silent%renewAfter == 0 {
			t.asker = nil
		}
	} else {
		s.alive, t.silent = true, 0
	}
	if s.progress != nil {
		return s.progress(0, err)
	}
	return nil
}
