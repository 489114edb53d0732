package lines

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

const (
	maxQueued  = 50_000           // lines kept in memory while neither disk nor place takes them: about 15 min of a large bench, under 10 MB
	maxBatch   = 5_000            // lines in one delivery, unless told otherwise
	maxAge     = time.Second      // how long a line waits for company, unless told otherwise
	patience   = 10 * time.Second // for one delivery
	firstPause = time.Second      // before the first retry; doubles up to
	longPause  = 30 * time.Second
	quiet      = time.Minute // between two log lines about the same trouble
	mostAside  = 64          // parts of one batch that are set aside one by one; then the rest goes as a whole
)

// ErrTarget is wrapped by every error of Open that the bench file is to blame for.
var ErrTarget = errors.New("not a place for line protocol")

// Options are what Open needs to know. To is needed, all else may be left out.
type Options struct {
	// To is "http://" or "https://" with the path and query of a write end
	// point ("/write?db=NAME", "/api/v2/write?org=O&bucket=B"),
	// "udp://host:port", "tcp://host:port", "unix:PATH", "file:PATH" (appended
	// to) or "stdout".
	To string
	// TokenFile holds the token for HTTP; it is read before each delivery, so
	// that a new one needs no restart. A name without a slash is a systemd
	// credential. A token with a space in it is the whole
	// Authorization header ("Bearer ..."); one without is sent as "Token ...".
	TokenFile string
	Gzip      bool          // of HTTP
	Precision string        // of the stamps: ns (also when empty), us, ms, s
	Every     time.Duration // 0: each reading is a line; else mean, min and max over windows of this length
	Batch     int           // lines in one delivery; 0: 5000
	Age       time.Duration // how long a line waits for company; 0: 1 s
	Spool     string        // directory of the spool; empty: lines wait in memory only
	SpoolMax  int64         // bytes of compressed batches that may wait there; beyond it the oldest go
	Rotate    int64         // bytes after which a file becomes PATH.1; 0: never
	Keep      int           // how many rotated files stay

	// Strict is for back-filling: adding a line waits while the queue is full,
	// and the first refusal ends the outlet (Err).
	Strict bool

	Log zerolog.Logger
	// transport carries HTTP; nil for the usual one.
	transport http.RoundTripper
	// Notice is told in words what is wrong with the place now, and "" when
	// nothing is. May be nil.
	Notice func(text string)
	// Lost is told in words when lines have been lost, or set aside, that were not
	// before. May be nil.
	Lost func(text string)
}

// Outlet sends lines to one place. Its methods may be called from any
// goroutine and, unless it is strict, never wait for that place or for a disk.
type Outlet struct {
	name    string // for the log: no user, password or query
	opts    Options
	log     zerolog.Logger
	deliver func(ctx context.Context, batch []byte) error
	shut    func() error
	spool   *spool // nil: memory only

	mu        sync.Mutex
	stream    *stream
	behind    cursor   // what the spool had seen of a run when it was opened
	queue     []queued // oldest first
	first     uint64   // number of queue[0], counted from the start
	direct    bool     // the sender has lines of the queue in hand: they do not move to the disk
	unwritten bool     // the disk takes nothing: the sender may take from the queue
	dropped   uint64   // since the log last said so
	lostAll   int64    // lines lost since Open
	lostTold  int64    // of them and of those set aside
	aside     int64    // lines set aside since Open
	untold    int      // lines set aside since the log last said so, at toldAside
	toldAside time.Time
	words     string // of the last refusal that set lines aside
	refusal   string // what the place says while it refuses everything
	failed    error  // of a strict outlet
	room      *sync.Cond

	telling sync.Mutex // taken before mu

	wake   chan struct{}   // there is something to send
	full   chan struct{}   // a batch is full, or should not wait
	filled chan struct{}   // the queue is no longer empty, for the spooler
	ctx    context.Context // of deliveries; cancelled when Close runs out of time
	cancel context.CancelFunc
	closed chan struct{} // closed by Close: no more pauses
	stored chan struct{} // the spooler has returned
	done   chan struct{} // the sender has returned
}

// queued is a line, and how far its run has come with it.
type queued struct {
	line []byte
	at   cursor
}

// poison is an error that trying the same lines again cannot mend: the lines
// are to blame. partial: the place has taken the others among them.
type poison struct {
	error
	partial bool
}

func (p poison) Unwrap() error { return p.error }

// refusal is an error that trying again cannot mend, nor other lines: the
// token, the database, the address. after says when to ask again at the
// earliest, as the server wishes; 0 for no wish.
type refusal struct {
	error
	after time.Duration
	ours  bool // somebody must mend it
}

func (r refusal) Unwrap() error { return r.error }

// Open starts an outlet. Nothing is contacted yet, but a file and the spool are
// opened. Errors about Options.To itself wrap ErrTarget.
func Open(opts Options) (*Outlet, error) {
	o := &Outlet{opts: opts}
	if err := o.target(); err != nil {
		return nil, fmt.Errorf("lines to %q: %w", redact(opts.To), err)
	}
	if opts.Spool != "" {
		s, behind, err := openSpool(opts.Spool, opts.SpoolMax)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("lines to %s: %w", o.name, err), o.shut())
		}
		o.spool, o.behind = s, behind
	}
	return o.start(opts.Log), nil
}

func (o *Outlet) start(log zerolog.Logger) *Outlet {
	o.log = log.With().Str("lines", o.name).Logger()
	if o.opts.Batch == 0 {
		o.opts.Batch = maxBatch
	}
	if o.opts.Age == 0 {
		o.opts.Age = maxAge
	}
	if o.opts.Notice == nil {
		o.opts.Notice = func(string) {}
	}
	p, _ := precision(o.opts.Precision) // checked by target
	o.stream = newStream(p, o.opts.Every, o.add)
	o.room = sync.NewCond(&o.mu)
	o.wake, o.full, o.filled = make(chan struct{}, 1), make(chan struct{}, 1), make(chan struct{}, 1)
	o.closed, o.done, o.stored = make(chan struct{}), make(chan struct{}), make(chan struct{})
	o.ctx, o.cancel = context.WithCancel(context.Background())
	if o.spool != nil {
		if n, _ := o.spool.kept(); n > 0 {
			signal(o.wake)
		}
		go o.store()
	} else {
		close(o.stored)
	}
	go o.send()
	return o
}

// Socket queues what is known of one socket at the wall-clock moment at.
func (o *Outlet) Socket(run Run, at time.Time, s *alarms.SocketState) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.stream.socket(run, at, s)
}

// Meter queues one reading of a meter at the wall-clock moment at.
func (o *Outlet) Meter(run Run, at time.Time, meter string, r drivers.Reading) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.stream.meter(run, at, meter, r)
}

// Event queues an event at the wall-clock moment at.
func (o *Outlet) Event(run Run, at time.Time, e *alarms.Event) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.stream.event(run, at, e)
	if e.Event == alarms.EventAct && e.Act == "begin" || e.Event == alarms.EventPhase && e.Phase == alarms.Ended {
		signal(o.full) // the two ends of a run do not wait: a crash there is not made good by a resumed run
	}
}

// add queues a line of the stream, unless it is of the past and the spool has
// seen it, or has not seen the run at all. mu is held.
func (o *Outlet) add(line []byte, at cursor, event bool) {
	if o.stream.run.Past {
		n, seen := at.samples, o.behind.samples
		if event {
			n, seen = at.events, o.behind.events
		}
		if o.behind.run != at.run || n <= seen {
			return
		}
	}
	if line == nil {
		o.dropped++
		return
	}
	for o.opts.Strict && len(o.queue) >= maxQueued && o.failed == nil {
		o.room.Wait()
	}
	if len(o.queue) == 0 {
		signal(o.filled)
		if o.spool == nil {
			signal(o.wake)
		}
	}
	if len(o.queue) == maxQueued {
		o.queue[0] = queued{}
		o.queue, o.first = o.queue[1:], o.first+1
		o.dropped++
	}
	o.queue = append(o.queue, queued{line, at})
	if len(o.queue) == o.opts.Batch {
		signal(o.full)
	}
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// held is the oldest lines of the queue, at most a delivery's worth, the number
// of the line after them, and how far the run has come with them. They stay
// queued until taken.
func (o *Outlet) held() (b []byte, n int, next uint64, at cursor) {
	n = min(len(o.queue), o.opts.Batch)
	var size int
	for _, q := range o.queue[:n] {
		size += len(q.line)
	}
	b = make([]byte, 0, size)
	for _, q := range o.queue[:n] {
		b = append(b, q.line...)
		at = q.at
	}
	return b, n, o.first + uint64(n), at
}

// taken forgets the lines of the queue before number next.
func (o *Outlet) taken(next uint64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if next > o.first { // fewer are left when the queue overflowed meanwhile
		n := next - o.first
		clear(o.queue[:n])
		o.queue, o.first = o.queue[n:], next
	}
	o.room.Broadcast()
}

// waiting is how many lines are queued.
func (o *Outlet) waiting() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.queue)
}

// store is the spooler's goroutine: it moves what is queued to the disk, so
// that neither a dead place nor a dead daemon loses it.
func (o *Outlet) store() {
	defer close(o.stored)
	behind := o.behind
	for {
		if o.waiting() == 0 {
			select {
			case <-o.filled:
			case <-o.closed:
				if o.waiting() == 0 {
					return
				}
			}
		}
		if o.waiting() < o.opts.Batch {
			o.wait(o.opts.Age, o.full)
		}
		o.mu.Lock()
		b, n, next, at := o.held()
		direct := o.direct
		o.mu.Unlock()
		if n == 0 {
			continue
		}
		if direct {
			if !o.wait(o.opts.Age, nil) {
				return // the sender has them in hand, and says what is left
			}
			continue
		}
		if at.run == behind.run { // in a run judged again the kinds come in another order
			at.samples, at.events = max(at.samples, behind.samples), max(at.events, behind.events)
		}
		lost, err := o.spool.push(b, n, at)
		o.mu.Lock()
		was := o.unwritten
		o.unwritten = err != nil
		o.lostAll += lost
		o.mu.Unlock()
		if err != nil {
			if !was {
				o.log.Error().Err(err).Msg("the spool cannot be written: lines wait in memory")
			}
			o.tell()
			signal(o.wake)
			if !o.wait(o.opts.Age, nil) {
				return
			}
			continue
		}
		behind = at
		o.taken(next)
		if was {
			o.log.Info().Msg("the spool can be written again")
		}
		if lost > 0 || was {
			o.tell()
		}
		if lost > 0 {
			o.log.Warn().Int64("dropped", lost).Msg("the spool was full: the oldest lines are dropped")
		}
		signal(o.wake)
	}
}

// batch is what to deliver next, oldest first: of the disk, or of the queue
// where there is no spool or it is empty and cannot be written. n is 0 when
// there is nothing.
func (o *Outlet) batch() (b []byte, n int, id uint64, ofDisk bool) {
	if o.spool != nil {
		id, b, n, err := o.spool.first()
		if bad, ok := errors.AsType[*damaged](err); ok {
			err = o.spool.remove(bad.id)
			o.mu.Lock()
			o.lostAll += int64(bad.lines)
			o.mu.Unlock()
			o.log.Error().Err(bad).Int("dropped", bad.lines).Msg("lines are lost")
			o.tell()
		}
		if err != nil {
			o.log.Error().Err(err).Msg("the spool cannot be read")
			return nil, 0, 0, false
		}
		if n > 0 {
			return b, n, id, true
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.spool != nil && !o.unwritten {
		return nil, 0, 0, false
	}
	b, n, id, _ = o.held()
	o.direct = n > 0
	return b, n, id, false
}

// send is the sender's goroutine: it delivers batch after batch, keeping one
// that cannot be delivered until it can. It alone speaks of deliveries in the
// log, which may be slow too.
func (o *Outlet) send() {
	defer close(o.done)
	var failing bool
	var told, toldDrops time.Time
	pause := firstPause
	last := false // nothing can come any more
	for {
		if o.spool == nil {
			n := o.waiting()
			if n == 0 {
				select {
				case <-o.wake:
				case <-o.closed:
					if o.waiting() == 0 {
						return
					}
				}
			}
			if n < o.opts.Batch {
				o.wait(o.opts.Age, o.full)
			}
		} else {
			select {
			case <-o.closed:
				<-o.stored // all that can be is on the disk
				last = true
			default:
			}
		}
		b, n, id, ofDisk := o.batch()
		if n == 0 {
			if o.spool == nil {
				continue
			}
			if last {
				return
			}
			select {
			case <-o.wake:
			case <-o.closed:
			}
			continue
		}
		err := o.offer(b)
		o.tellAside()
		now := time.Now()
		if err == nil {
			if ofDisk {
				if err := o.spool.remove(id); err != nil { // it goes out again, which a database that goes by series and stamp does not count twice
					o.log.Error().Err(err).Msg("the spool cannot be written")
					if !o.wait(pause, nil) {
						return
					}
				}
			} else {
				o.taken(id)
			}
		}
		o.mu.Lock()
		o.direct = false
		failed := o.failed
		o.mu.Unlock()
		if failed != nil {
			return
		}
		switch {
		case err == nil:
			if failing {
				o.log.Info().Msg("lines are taken again")
			}
			if o.refuse("") || failing {
				o.tell()
			}
			failing, pause = false, firstPause
		default:
			r, refused := errors.AsType[refusal](err)
			mend := refused && r.ours
			if mend && o.refuse(err.Error()) {
				o.tell()
			}
			if !failing || now.Sub(told) >= quiet {
				if mend {
					o.log.Error().Err(err).Msg("lines refused: mend it, they wait; trying again")
				} else {
					o.log.Warn().Err(err).Msg("lines not taken: trying again")
				}
				told = now
			}
			failing = true
			if o.opts.Strict && mend {
				o.fail(err)
				return
			}
			if mend {
				pause = longPause
			}
			if !o.wait(max(pause+rand.N(pause/4), min(r.after, 10*time.Minute)), nil) {
				return
			}
			pause = min(2*pause, longPause)
		}
		if now.Sub(toldDrops) >= quiet {
			o.mu.Lock()
			dropped := o.dropped
			o.dropped = 0
			o.lostAll += int64(dropped)
			o.mu.Unlock()
			if dropped > 0 {
				o.log.Warn().Uint64("dropped", dropped).Msg("the queue was full: the oldest lines are dropped")
				o.tell()
				toldDrops = now
			}
		}
	}
}

// offer delivers a batch. Where the place will not have it because of its
// lines, it is halved until the bad ones stand alone; they are set aside.
func (o *Outlet) offer(b []byte) error {
	aside := 0
	todo := [][]byte{b}
	for len(todo) > 0 {
		part := todo[len(todo)-1]
		ctx, cancel := context.WithTimeout(o.ctx, patience)
		err := o.deliver(ctx, part)
		cancel()
		bad, isBad := errors.AsType[poison](err)
		if err != nil && !isBad {
			return err
		}
		todo = todo[:len(todo)-1]
		if err == nil {
			continue
		}
		if o.opts.Strict {
			o.fail(err)
			return err
		}
		if cut := middle(part); cut < len(part) && !bad.partial && aside < mostAside {
			todo = append(todo, part[cut:], part[:cut])
			continue
		}
		aside++
		o.setAside(err, part)
	}
	return nil
}

// middle is the end of the line about in the middle of b; len(b) when b is one line.
func middle(b []byte) int {
	if n := bytes.LastIndexByte(b[:len(b)/2], '\n') + 1; n > 0 {
		return n
	}
	return bytes.IndexByte(b, '\n') + 1
}

// setAside puts away lines that the place will never take.
func (o *Outlet) setAside(why error, lines []byte) {
	n := bytes.Count(lines, []byte("\n"))
	o.mu.Lock()
	o.aside += int64(n)
	o.untold += n
	o.words = why.Error()
	o.mu.Unlock()
	if o.spool == nil {
		return
	}
	if err := o.spool.setAside(why.Error(), lines); err != nil {
		o.log.Error().Err(err).Msg("refused lines could not be set aside")
	}
}

// tellAside logs what was set aside, now and then.
func (o *Outlet) tellAside() {
	o.mu.Lock()
	n, words := o.untold, o.words
	due := n > 0 && time.Since(o.toldAside) >= quiet
	if due {
		o.untold, o.toldAside = 0, time.Now()
	}
	o.mu.Unlock()
	if !due {
		return
	}
	l := o.log.Error().Str("error", words)
	if o.spool == nil {
		l.Int("dropped", n).Msg("lines refused")
	} else {
		l.Int("aside", n).Str("in", o.spool.dir).Msg("lines refused and set aside")
	}
	o.tell()
}

// refuse keeps what the place says while it refuses everything, and says
// whether that is new.
func (o *Outlet) refuse(words string) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	changed := o.refusal != words
	o.refusal = words
	return changed
}

// fail ends a strict outlet.
func (o *Outlet) fail(err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.failed == nil {
		o.failed = fmt.Errorf("lines to %s: %w", o.name, err)
	}
	o.room.Broadcast()
}

// Abort ends a strict outlet for a reason of the caller's, from any goroutine.
func (o *Outlet) Abort(why error) { o.fail(why) }

// Err is why a strict outlet has ended; nil while it has not.
func (o *Outlet) Err() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.failed
}

// tell says in words what is wrong now.
func (o *Outlet) tell() {
	o.telling.Lock() // what is said last is what is so
	defer o.telling.Unlock()
	o.mu.Lock()
	var w []string
	if o.refusal != "" {
		w = append(w, "refused with "+o.refusal+"; they wait until it is mended")
	}
	if o.unwritten {
		w = append(w, "the spool cannot be written, so lines wait in memory only: look at the disk")
	}
	if o.lostAll > 0 {
		w = append(w, fmt.Sprintf("%d lines did not fit where they wait and are lost there; the record has them, and `nightsoak export` sends them again", o.lostAll))
	}
	if o.aside > 0 {
		w = append(w, fmt.Sprintf("%d lines were refused for good (%s)", o.aside, o.words))
		if o.spool != nil {
			w[len(w)-1] += " and lie in " + filepath.Join(o.spool.dir, "refused-*")
		}
	}
	losing := o.lostAll+o.aside > o.lostTold
	o.lostTold = o.lostAll + o.aside
	text := ""
	if len(w) > 0 {
		text = "lines to " + o.name + ": " + strings.Join(w, "; ")
	}
	o.mu.Unlock()
	o.opts.Notice(text)
	if losing && o.opts.Lost != nil {
		o.opts.Lost(text)
	}
}

// wait pauses for d, or until early or Close; it says whether Close has not come.
func (o *Outlet) wait(d time.Duration, early <-chan struct{}) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-early:
	case <-o.closed:
		return false
	}
	return true
}

// Close delivers what is queued, trying each batch once, and ends the outlet;
// ctx bounds how long that may take. What is left stays in the spool for the
// next Open; without one it is an error that says how many lines. Lines added
// after Close are lost. It is called once.
func (o *Outlet) Close(ctx context.Context) error {
	if o.opts.Strict { // no run goes on elsewhere: what is open ends here
		o.mu.Lock()
		o.stream.flush()
		o.mu.Unlock()
	}
	close(o.closed)
	stop := context.AfterFunc(ctx, o.cancel)
	both := make(chan struct{})
	go func() {
		<-o.stored
		<-o.done
		close(both)
	}()
	select {
	case <-both:
	case <-ctx.Done():
		select {
		case <-both:
		case <-time.After(time.Second): // deliveries end with ctx, so it is the disk: nothing else may wait for it
			return errors.Join(o.Err(), fmt.Errorf("lines to %s: the disk of the spool does not answer; %d lines wait in memory only", o.name, o.waiting()))
		}
	}
	stop()
	o.cancel()
	err := errors.Join(o.Err(), o.shut())
	if o.spool != nil {
		if _, n := o.spool.kept(); n > 0 {
			o.log.Info().Int64("kept", n).Msg("lines wait in the spool for the next start")
		}
		err = errors.Join(err, o.spool.close())
	}
	if n := o.waiting(); n > 0 {
		err = errors.Join(err, fmt.Errorf("lines to %s: %d lines were not delivered", o.name, n))
	}
	return err
}
