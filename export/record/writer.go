package record

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"nightsoak/alarms"
)

// Options of a Writer. The two functions are called one at a time, from
// goroutines of the Writer, and must not wait for it; nil is nobody to tell.
type Options struct {
	OnFailing   func(error) // once each: the disk has not taken the record for 2 s; an event wraps ErrDiffers
	OnRecovered func()      // the disk takes it again; never once an event differed

	// Tests choose these; 0 stands for the default. Durations are wall time.
	flushEvery time.Duration // from commit to commit; this and a commit's own time are what a SIGKILL can cost; 250 ms
	maxBatch   int           // inputs and events that make a commit due at once; 4096
	keep       int           // inputs and events held in memory while the disk does not take them; 50,000
	failAfter  time.Duration // how long a commit may fail, or not return, before OnFailing; 2 s
	sealAt     int           // readings that make a stretch worth sealing; 65,536
}

// Step is what the core did at one go. Events without inputs come from
// advancing time, or from replaying a resumed run.
type Step struct {
	Inputs []alarms.Input // what it was told
	Events []alarms.Event // what followed
	T      time.Duration  // run time up to which the run has then been judged
}

// errAborted is why a Writer that gave up did not write the rest.
var errAborted = errors.New("the writer was closed before the disk took it")

// Writer records one run. Steps are kept in memory, in order, and committed in
// batches by a goroutine of its own; a step is never torn between two commits,
// so the record can be behind but never holds an event without its cause.
type Writer struct {
	s    *Store
	n    int64 // runs.n
	id   string
	opts Options

	mu     sync.Mutex
	queue  []item
	queued int   // size of queue
	held   int   // the same, with the batch being committed
	urgent int   // items of queue that somebody waits for
	next   int64 // seq of the next input
	lost   lost
	closed bool

	wake    chan struct{} // there is something in queue
	hurry   chan struct{} // and it is due at once
	abort   chan struct{} // closed: give up
	dirty   chan struct{} // something was committed and is not on the disk itself yet
	synced  chan struct{} // closed: all of it is
	stopped chan struct{} // closed: the goroutines have returned

	health, syncHealth health

	// Of the goroutine that commits.
	sealing bool          // a stretch is being sealed beside the commits
	sealed  int64         // number up to which all is sealed
	loose   int           // readings that are not sealed
	trim    bool          // there may be rows that are sealed and not deleted yet
	ended   bool          // End is recorded
	stretch chan int64    // the number after which to seal
	sealer  chan struct{} // closed: the sealing goroutine has returned
}

// item is a Step, or a mark between steps.
type item struct {
	Step
	seq   int64 // of the first input
	stop  bool
	ended *time.Time
	host  *HostEvent
	bad   map[int]uint64 // by meter, frames that were no readings
	seal  *seal
	done  chan struct{} // closed when everything up to here is committed
}

// size is what the item counts for in memory.
func (i *item) size() int { return max(len(i.Inputs)+len(i.Events), 1) }

// step says that the item is a Step, not a mark.
func (i *item) step() bool {
	return !i.stop && i.host == nil && i.bad == nil && i.seal == nil && i.done == nil
}

// lost is what was dropped since the last step that was kept.
type lost struct {
	inputs, events int
	from, to       time.Duration
}

// Writer begins, or goes on, recording the run with that ID. It fails with
// ErrEnded when the run has ended. A run has one Writer at a time.
//
// Going on with a run, the core replays it: the events it then makes again may
// be Put, without the inputs, and are compared with those recorded.
func (s *Store) Writer(id string, opts Options) (*Writer, error) {
	in, err := s.Find(id)
	if err != nil {
		return nil, err
	}
	if in.Ended != nil {
		return nil, fmt.Errorf("%s: %w at %s: begin a new one", in.ID, ErrEnded, stamp(*in.Ended))
	}
	opts.flushEvery = cmp.Or(opts.flushEvery, 250*time.Millisecond)
	opts.maxBatch = cmp.Or(opts.maxBatch, 4096)
	opts.keep = cmp.Or(opts.keep, 50_000)
	opts.failAfter = cmp.Or(opts.failAfter, 2*time.Second)
	opts.sealAt = cmp.Or(opts.sealAt, sealAt)
	w := &Writer{
		s: s, n: in.n, id: in.ID, opts: opts,
		wake: make(chan struct{}, 1), hurry: make(chan struct{}, 1),
		abort: make(chan struct{}), stopped: make(chan struct{}),
		dirty: make(chan struct{}, 1), synced: make(chan struct{}),
		stretch: make(chan int64, 1), sealer: make(chan struct{}),
		health:     health{failing: opts.OnFailing, recovered: opts.OnRecovered},
		syncHealth: health{failing: opts.OnFailing, recovered: opts.OnRecovered},
	}
	var last int64
	if w.sealed, err = s.sealedTo(s.db, w.n); err == nil {
		err = s.db.QueryRow(`SELECT max(?3, (SELECT coalesce(max(key), ?1) FROM readings WHERE key BETWEEN ?1 AND ?2),
			(SELECT coalesce(max(key), ?1) FROM acts WHERE key BETWEEN ?1 AND ?2)),
			(SELECT count(*) FROM readings WHERE key BETWEEN ?3 + 1 AND ?2)`,
			key(w.n, 0), key(w.n+1, 0)-1, key(w.n, w.sealed)).Scan(&last, &w.loose)
	}
	if err != nil {
		return nil, s.wrap(err)
	}
	w.next = seqOf(last) + 1
	w.trim = w.sealed > 0
	go w.run()
	go w.sync()
	go w.seal()
	return w, nil
}

// Put records a step. It never waits for the disk; while the disk takes
// nothing and 50,000 inputs and events wait, the step is counted instead of kept. The
// slices stay the caller's. Put after Close does nothing.
func (w *Writer) Put(s Step) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return
	}
	i := item{Step: s, seq: w.next}
	w.next += int64(len(s.Inputs)) // what is dropped leaves a hole
	if w.held+i.size() > w.opts.keep {
		w.lost.add(s)
		return
	}
	w.settleLost()
	if n := len(w.queue); n > 0 && len(s.Inputs)+len(s.Events) == 0 && w.queue[n-1].step() {
		w.queue[n-1].T = s.T // time moved on, nothing else
		return
	}
	i.Inputs, i.Events = slices.Clone(s.Inputs), slices.Clone(s.Events)
	w.add(i)
}

func (l *lost) add(s Step) {
	if len(s.Inputs)+len(s.Events) == 0 {
		return
	}
	if l.inputs+l.events == 0 {
		l.from = s.T
	}
	l.inputs += len(s.Inputs)
	l.events += len(s.Events)
	l.to = s.T
}

// gapWords begin the host event that states what was not recorded.
const gapWords = "gap in the record"

// settleLost queues the host event that states what was dropped before here.
func (w *Writer) settleLost() {
	if l := w.lost; l.inputs+l.events > 0 {
		w.lost = lost{}
		w.add(hostItem(time.Now(), fmt.Sprintf(gapWords+": the disk took nothing for too long; from t = %.3f s to %.3f s, %d inputs (readings, acts) and %d events were not recorded",
			l.from.Seconds(), l.to.Seconds(), l.inputs, l.events)))
	}
}

func hostItem(wall time.Time, text string) item {
	return item{host: &HostEvent{Wall: wall, Text: text}}
}

// add queues an item; w.mu is held.
func (w *Writer) add(i item) {
	w.queue = append(w.queue, i)
	w.queued += i.size()
	w.held += i.size()
	if i.done != nil {
		w.urgent++
	}
	w.nudge()
}

// nudge tells the goroutine what there is to do; w.mu is held.
func (w *Writer) nudge() {
	if len(w.queue) > 0 {
		signal(w.wake)
	}
	if w.urgent > 0 || w.queued >= w.opts.maxBatch {
		signal(w.hurry)
	}
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// mark queues an item that is no step.
func (w *Writer) mark(i item) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.closed {
		w.add(i)
	}
}

// Host records what the host has to say beside the run, as of a wall-clock moment.
func (w *Writer) Host(wall time.Time, text string) { w.mark(hostItem(wall, text)) }

// Rejected counts n more frames of a meter that were not taken for readings. What
// comes in a row is one item, so that a flood takes no room while the disk stalls.
func (w *Writer) Rejected(meter int, n uint64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if last := len(w.queue) - 1; last >= 0 && w.queue[last].bad != nil {
		w.queue[last].bad[meter] += n
		return
	}
	if !w.closed {
		w.add(item{bad: map[int]uint64{meter: n}})
	}
}

// Stop marks that the daemon stops in good order at run time t, the run going
// on later. A later step takes the mark away.
func (w *Writer) Stop(t time.Duration) { w.mark(item{Step: Step{T: t}, stop: true}) }

// End marks the run as ended at run time t, at a wall-clock moment.
func (w *Writer) End(t time.Duration, wall time.Time) {
	w.mark(item{Step: Step{T: t}, stop: true, ended: &wall})
}

// Flush waits until all that was Put before is on disk, or ctx is done.
func (w *Writer) Flush(ctx context.Context) error {
	done := make(chan struct{})
	w.mark(item{done: done})
	return w.await(ctx, done)
}

// await waits for done; short of that it says what is not on disk.
func (w *Writer) await(ctx context.Context, done <-chan struct{}) error {
	why := errAborted
	select {
	case <-done:
		if done != w.stopped {
			return nil
		}
	case <-w.stopped:
	case <-ctx.Done():
		why = ctx.Err()
		if err := w.health.last(); err != nil {
			why = fmt.Errorf("%w (%w)", why, err)
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.held == 0 {
		return nil // all is on disk; what may be left is sealing, and Tidy does that
	}
	return fmt.Errorf("%s: run %s: %d inputs, events and marks are not on disk: %w", w.s.path, w.id, w.held, why)
}

// Close writes all that was Put, seals a run that has ended, and ends the
// Writer. If ctx is done first, it gives up, and its error says how much is not
// on disk; what is not sealed is no error.
func (w *Writer) Close(ctx context.Context) error {
	w.mu.Lock()
	if !w.closed {
		w.settleLost()
		w.closed = true
		w.urgent++
		w.nudge()
		signal(w.wake)
	}
	w.mu.Unlock()
	err := w.await(ctx, w.stopped)
	w.mu.Lock()
	select {
	case <-w.abort:
	default:
		close(w.abort)
	}
	w.mu.Unlock()
	if err == nil {
		<-w.stopped // it gives up sealing where it is
	}
	return err
}

// sync brings what was committed to the disk itself, for a power cut to cost
// little. It works beside the commits: a disk that takes a second for it must
// not cost a killed daemon that second.
func (w *Writer) sync() {
	defer close(w.synced)
	for range w.dirty {
		watch := time.AfterFunc(w.opts.failAfter, w.syncHealth.begin())
		err := w.s.syncLog()
		watch.Stop()
		if err != nil {
			w.syncHealth.refused(w.s.wrap(err))
		} else {
			w.syncHealth.end(nil)
		}
	}
}

// seal reads the stretches that are long enough back, and compresses them,
// beside the commits; the seal itself is committed like everything else.
func (w *Writer) seal() {
	defer close(w.sealer)
	for after := range w.stretch {
		readings, err := readSpan(w.s.db, w.n, after, w.opts.sealAt)
		if err != nil {
			w.Host(time.Now(), fmt.Sprintf("the readings after input %d stay as they are, unsealed: %v", after, w.s.wrap(err)))
			continue
		}
		if len(readings) == 0 {
			continue // the run has ended meanwhile, and finish has sealed them
		}
		w.mark(item{seal: sealed(w.n, after+1, readings)})
	}
}

// tidy goes on with sealing after a commit. What fails here can wait.
func (w *Writer) tidy(batch []item) {
	for i := range batch {
		b := &batch[i]
		for k := range b.Inputs {
			if in := &b.Inputs[k]; in.Act == nil && in.Port == nil && in.Gap == nil {
				w.loose++
			}
		}
		w.ended = w.ended || b.ended != nil
		if b.seal != nil {
			w.sealing, w.trim = false, true
			w.sealed = b.seal.last
			w.loose -= b.seal.readings
		}
	}
	if w.trim {
		more, err := w.s.trim(w.n, w.sealed)
		w.trim = more || err != nil
	}
	if !w.sealing && w.loose >= w.opts.sealAt {
		w.sealing = true
		w.stretch <- w.sealed
	}
}

// run commits what is queued until Close.
func (w *Writer) run() {
	defer func() {
		close(w.stretch)
		<-w.sealer
		close(w.dirty)
		<-w.synced
		close(w.stopped)
	}()
	var begun time.Time // when the last commit began: a slow one uses up the pause
	for {
		select {
		case <-w.wake:
		case <-w.abort:
			return
		}
		select {
		case <-time.After(w.opts.flushEvery - time.Since(begun)):
		case <-w.hurry:
		case <-w.abort:
			return
		}
		batch, closing := w.take()
		if len(batch) == 0 {
			if closing {
				w.finish()
				return
			}
			continue
		}
		begun = time.Now()
		if !w.commit(batch) {
			return
		}
		signal(w.dirty)
		w.release(batch)
		w.tidy(batch)
	}
}

// finish seals the rest of a run that has ended, unless the Writer must give
// up; then Tidy will.
func (w *Writer) finish() {
	if !w.ended {
		return
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		select {
		case <-w.abort:
			cancel()
		case <-ctx.Done():
		}
	}()
	if err := w.s.sealRun(ctx, w.n); err != nil {
		return
	}
	signal(w.dirty)
}

// take removes the next batch from the queue.
func (w *Writer) take() (batch []item, closing bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	n, size := 0, 0
	for n < len(w.queue) && size < w.opts.maxBatch {
		size += w.queue[n].size()
		if w.queue[n].done != nil {
			w.urgent--
		}
		n++
	}
	batch, w.queue = w.queue[:n:n], w.queue[n:]
	if len(w.queue) == 0 {
		w.queue = nil // lets go of what a long stall had gathered
	}
	w.queued -= size
	return batch, w.closed
}

// release forgets a batch that is on disk.
func (w *Writer) release(batch []item) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, i := range batch {
		w.held -= i.size()
		if i.done != nil {
			close(i.done)
		}
	}
	w.nudge()
	if w.closed {
		signal(w.wake)
	}
}

// commit writes a batch, again and again until it is on disk; it says whether it is.
func (w *Writer) commit(batch []item) bool {
	watch := time.AfterFunc(w.opts.failAfter, w.health.begin())
	defer watch.Stop()
	for wait := 50 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
		differs, err := w.write(batch)
		if err == nil {
			w.health.end(differs)
			return true
		}
		w.health.attempt(w.s.wrap(err))
		select {
		case <-time.After(wait):
		case <-w.abort:
			return false
		}
	}
}

// write commits a batch in one transaction. differs, wrapping ErrDiffers, says
// that an event could not be recorded as it is; a host event then keeps it.
func (w *Writer) write(batch []item) (differs, err error) {
	tx, err := w.s.db.Begin()
	if err != nil {
		return nil, err
	}
	defer tx.Rollback()
	p := put{tx: tx, n: w.n}
	for _, i := range batch {
		p.item(&i)
	}
	if p.err != nil {
		return nil, p.err
	}
	if p.touched {
		res, err := tx.Exec(`UPDATE runs SET advanced_ms = max(advanced_ms, ?), clean = ?, readings = readings + ?, events = events + ?,
			ended_ms = coalesce(?, ended_ms), ended = coalesce(?, ended) WHERE n = ?`,
			p.advanced.Milliseconds(), p.clean, p.readings, p.events, p.endedMs, p.ended, w.n)
		if err != nil {
			return nil, err
		}
		if n, err := res.RowsAffected(); err != nil || n != 1 {
			return nil, errors.Join(fmt.Errorf("%w: %s: its row is gone", ErrUnknownRun, w.id), err)
		}
	}
	return p.differs, tx.Commit()
}

// put writes items within a transaction; the first error stays in err.
type put struct {
	tx *sql.Tx
	n  int64

	reading, act, event, hosted, rejected *sql.Stmt

	touched, clean   bool
	advanced         time.Duration
	readings, events int64
	endedMs          sql.NullInt64
	ended            sql.NullString
	differs, err     error
}

// exec runs a statement, prepared at its first use; it says whether a row was written.
func (p *put) exec(stmt **sql.Stmt, query string, args ...any) bool {
	if p.err == nil && *stmt == nil {
		*stmt, p.err = p.tx.Prepare(query) // closed with the transaction
	}
	if p.err != nil {
		return false
	}
	var res sql.Result
	if res, p.err = (*stmt).Exec(args...); p.err != nil {
		return false
	}
	var n int64
	n, p.err = res.RowsAffected()
	return n > 0
}

func (p *put) item(i *item) {
	if i.host != nil {
		p.host(i.host.Wall, i.host.Text)
		return
	}
	if i.bad != nil {
		for meter, n := range i.bad {
			p.exec(&p.rejected, "UPDATE meters SET rejected = rejected + ? WHERE run = ? AND idx = ?", n, p.n, meter)
		}
		return
	}
	if i.done != nil {
		return
	}
	if i.seal != nil {
		if p.err == nil {
			p.err = i.seal.insert(p.tx)
		}
		return
	}
	p.touched, p.clean = true, i.stop
	p.advanced = max(p.advanced, i.T)
	if i.ended != nil {
		p.endedMs = sql.NullInt64{Int64: i.T.Milliseconds(), Valid: true}
		p.ended = sql.NullString{String: stamp(*i.ended), Valid: true}
	}
	for k := range i.Inputs {
		p.input(i.seq+int64(k), &i.Inputs[k])
	}
	for k := range i.Events {
		p.recordEvent(&i.Events[k])
	}
}

func (p *put) input(seq int64, in *alarms.Input) {
	kind, body, err := encodeAct(in)
	switch {
	case err != nil:
		p.err = errors.Join(p.err, err)
	case kind != "":
		p.exec(&p.act, "INSERT INTO acts (key, t_ms, kind, body) VALUES (?, ?, ?, ?)",
			key(p.n, seq), in.T.Milliseconds(), kind, string(body))
	default:
		r := &in.Reading
		p.exec(&p.reading, "INSERT INTO readings (key, t_ms, meter, digits, exp, prefix, unit, flags) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
			key(p.n, seq), in.T.Milliseconds(), in.Meter, r.Digits, r.Exp, r.Prefix, r.Quantity.SIUnit(), r.Flags)
		p.readings++
	}
}

// recordEvent writes an event, unless the same one stands already.
func (p *put) recordEvent(e *alarms.Event) {
	k, t := key(p.n, int64(e.Seq)), time.Duration(e.T).Seconds()
	b, err := json.Marshal(e)
	if err != nil {
		p.differ(fmt.Errorf("event %d at t = %.3f s cannot be written: %w", e.Seq, t, err))
		return
	}
	if p.exec(&p.event, "INSERT INTO events (key, t_ms, json) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
		k, time.Duration(e.T).Milliseconds(), string(b)) {
		p.events++
		return
	}
	if p.err != nil {
		return
	}
	var was string
	if p.err = p.tx.QueryRow("SELECT json FROM events WHERE key = ?", k).Scan(&was); p.err == nil && was != string(b) {
		p.differ(fmt.Errorf("event %d at t = %.3f s: recorded is %s, judged now is %s", e.Seq, t, was, b))
	}
}

// differ keeps an inconsistency where it can be read, and the first of them for OnFailing.
func (p *put) differ(err error) {
	err = fmt.Errorf("%w: %w", ErrDiffers, err)
	p.differs = cmp.Or(p.differs, err)
	p.host(time.Now(), err.Error())
}

func (p *put) host(wall time.Time, text string) {
	p.exec(&p.hosted, "INSERT INTO host_events (run, wall, text) VALUES (?, ?, ?)", p.n, stamp(wall), text)
}

// health tells the daemon, once each, that the record fails and that it works again.
type health struct {
	failing   func(error)
	recovered func()

	mu      sync.Mutex
	batch   int   // number of the batch being committed
	err     error // why it is not committed yet
	said    bool  // failing was called
	differs bool  // for good
}

// begin starts a batch; what it returns is called when that batch takes too long.
func (h *health) begin() func() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.batch++
	batch := h.batch
	return func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		if h.batch == batch {
			h.fail(cmp.Or(h.err, errors.New("the disk does not answer")))
		}
	}
}

func (h *health) attempt(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.err = err
}

// refused says at once that the disk refuses.
func (h *health) refused(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.err = err
	h.fail(err)
}

// end closes the batch: it is on disk.
func (h *health) end(differs error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.batch++
	h.err = nil
	if differs != nil && !h.differs {
		h.said, h.differs = false, true
		h.fail(differs)
	} else if h.said && !h.differs {
		h.said = false
		if h.recovered != nil {
			h.recovered()
		}
	}
}

// fail says so once; h.mu is held.
func (h *health) fail(err error) {
	if !h.said && h.failing != nil {
		h.failing(err)
	}
	h.said = true
}

func (h *health) last() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.err
}
