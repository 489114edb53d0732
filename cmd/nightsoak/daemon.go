package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire"
	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export"
	"nightsoak/export/lines"
	"nightsoak/export/metrics"
	"nightsoak/export/panel"
	"nightsoak/export/record"
	"nightsoak/export/report"
	"nightsoak/export/report/chart"
)

// daemon is the wiring of one bench: meters to core, core to outlets. One
// goroutine, core, owns the run; everything else sends to it or reads what it
// published.
type daemon struct {
	bench *bench.Bench
	speed float64
	store *record.Store
	log   zerolog.Logger
	lines []*lines.Outlet

	arrivals chan arrival
	asks     chan ask

	run     *liveRun // owned by core
	rejects []drivers.Rejects
	ports   []error // per meter: what is wrong with its port, owned by core

	state   atomic.Pointer[export.State]
	notices struct {
		sync.Mutex
		m map[string]string
	}
	shown struct { // of the run now on, for readers beside core
		sync.RWMutex
		*collector // nil before the first run
		id         string
		writer     *record.Writer
	}
}

// liveRun is the run now on, or the idling between runs.
type liveRun struct {
	info   record.Info
	job    *bench.Job
	clock  *acquire.Clock
	engine *alarms.Engine
	writer *record.Writer // nil between runs
	past   bool           // what the engine is told was told and recorded before
	ended  bool
}

// arrival is something from a meter, with the moment it came.
type arrival struct {
	at      time.Time
	meter   int
	reading drivers.Reading
	port    bool // a port change: err says how
	err     error
	why     drivers.Reason // a rejection, when n > 0
	n       uint64
}

// ask is an act, or the wish to begin a run, and where to answer.
type ask struct {
	act    alarms.Act
	job    *bench.Job // begin
	answer chan error
}

// arrivalsHeld is how many arrivals may wait for the core: several seconds of
// the most talkative bench.
const arrivalsHeld = 8192

func newDaemon(b *bench.Bench, speed float64, log zerolog.Logger) (*daemon, error) {
	store, err := record.Open(b.DataDir)
	if err != nil {
		return nil, err
	}
	d := &daemon{bench: b, speed: speed, store: store, log: log,
		arrivals: make(chan arrival, arrivalsHeld), asks: make(chan ask),
		rejects: make([]drivers.Rejects, len(b.Meters)), ports: make([]error, len(b.Meters))}
	d.notices.m = map[string]string{}
	if b.Cutoff != nil {
		d.notice("cutoff", "[cutoff] is configured, but this version does not drive it: nothing will drop the mains")
	}
	if len(b.Notify) > 0 {
		d.notice("notify", "[[notify]] is configured, but this version sends nothing: alarms show here only")
	}
	for _, l := range b.Lines {
		o, err := lines.Open(l.To, log)
		if err != nil {
			return nil, errors.Join(err, d.close())
		}
		d.lines = append(d.lines, o)
	}
	d.idle()
	return d, nil
}

// close flushes and closes what newDaemon opened.
func (d *daemon) close() error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	var errs []error
	for _, o := range d.lines {
		errs = append(errs, o.Close(ctx))
	}
	return errors.Join(append(errs, d.store.Close())...)
}

// notice says something about the daemon itself to everyone who looks; an
// empty text takes it back.
func (d *daemon) notice(key, text string) {
	d.notices.Lock()
	defer d.notices.Unlock()
	if text == "" {
		delete(d.notices.m, key)
		return
	}
	if d.notices.m[key] != text {
		d.log.Warn().Msg(text)
	}
	d.notices.m[key] = text
}

// Reading, Port and Rejected make the daemon the meters' sink.
func (d *daemon) Reading(meter int, r drivers.Reading) {
	d.arrivals <- arrival{at: time.Now(), meter: meter, reading: r}
}

func (d *daemon) Port(meter int, err error) {
	d.arrivals <- arrival{at: time.Now(), meter: meter, port: true, err: err}
}

func (d *daemon) Rejected(meter int, why drivers.Reason, n uint64) {
	d.arrivals <- arrival{at: time.Now(), meter: meter, why: why, n: n}
}

// idle follows the meters without a run.
func (d *daemon) idle() {
	d.run = &liveRun{job: &bench.Job{Limits: bench.DefaultLimits()}, clock: acquire.NewClock(0, d.speed)}
	d.run.info.Anchor = time.Now()
	d.run.engine = alarms.New(d.bench, d.run.job)
}

// tick is how often, at the least, time moves on and the state is published.
const tick = 100 * time.Millisecond

// core runs until ctx is done; then it marks the run and flushes.
func (d *daemon) core(ctx context.Context) error {
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	for {
		select {
		case a := <-d.arrivals:
			d.take(a)
		case q := <-d.asks:
			q.answer <- d.do(q)
			d.publish()
		case <-ticker.C:
			// What has come already is judged before time moves past it.
			for range len(d.arrivals) {
				d.take(<-d.arrivals)
			}
			r := d.run
			t := max(r.clock.Now(), r.engine.Now())
			d.done(record.Step{Events: r.engine.Advance(t), T: t})
			d.publish()
		case <-ctx.Done():
			return d.stop()
		}
	}
}

func (d *daemon) take(a arrival) {
	t := max(d.run.clock.At(a.at), d.run.engine.Now())
	switch {
	case a.n > 0:
		d.rejects[a.meter][a.why] += a.n
	case a.port:
		d.ports[a.meter] = a.err
		name := d.bench.Meters[a.meter].Name
		p := &alarms.PortChange{Meter: name, Open: a.err == nil}
		if a.err != nil {
			p.Text = strings.ToValidUTF8(a.err.Error(), "?") // what JSON would change must not differ when replayed
		}
		d.feed(alarms.Input{T: t, Port: p})
	default:
		d.feed(alarms.Input{T: t, Meter: a.meter, Reading: a.reading})
		if a.reading.HasValue() {
			for _, o := range d.lines {
				o.Meter(d.tags(), d.at(t), d.bench.Meters[a.meter].Name, a.reading)
			}
		}
	}
}

// at is the wall-clock stamp of a run time.
func (d *daemon) at(t time.Duration) time.Time { return d.run.info.Anchor.Add(t) }

// tags are what every line of the line outlets carries.
func (d *daemon) tags() lines.Run { return lines.Run{Bench: d.bench.Name, Ticket: d.run.info.Ticket} }

// feed judges one input and passes on what came of it.
func (d *daemon) feed(in alarms.Input) {
	d.done(record.Step{Inputs: []alarms.Input{in}, Events: d.run.engine.Feed(in), T: d.run.engine.Now()})
}

// done passes a step on to the outlets, none of which can hold the core up.
func (d *daemon) done(s record.Step) {
	r := d.run
	if r.writer == nil || r.ended {
		return
	}
	s.Events = slices.Clone(s.Events) // the engine uses its slice again
	r.writer.Put(s)
	if len(s.Events) == 0 {
		return
	}
	d.shown.Lock()
	d.shown.Events = append(d.shown.Events, s.Events...)
	d.shown.Unlock()
	if r.past {
		return
	}
	for i := range s.Events {
		e := &s.Events[i]
		for _, o := range d.lines {
			o.Event(d.tags(), d.at(time.Duration(e.T)), e)
		}
		d.logEvent(e)
	}
}

// logEvent is one line an event.
func (d *daemon) logEvent(e *alarms.Event) {
	l := d.log.Info()
	if e.Event == alarms.EventAlarm && e.State == alarms.Unacknowledged && e.Priority.Rank() > 1 {
		l = d.log.Warn()
	}
	l = l.Str("event", e.Event).Float64("t", float64(time.Duration(e.T).Milliseconds())/1000)
	for _, f := range [...]struct{ key, text string }{{"phase", string(e.Phase)}, {"act", e.Act}, {"socket", e.Socket}, {"id", e.ID},
		{"priority", string(e.Priority)}, {"state", string(e.State)}, {"meter", e.Meter}} {
		if f.text != "" {
			l = l.Str(f.key, f.text)
		}
	}
	if e.Open != nil {
		l = l.Bool("open", *e.Open)
	}
	if v := e.DissipationRatio; v != nil && v.Known {
		l = l.Float64("dissipation_ratio", socket.Round(v.X))
	}
	l.Msg(e.Text)
}

// publish makes the state of this moment known to whoever looks.
func (d *daemon) publish() {
	r := d.run
	s := &export.State{Bench: d.bench.Name, Anchor: r.info.Anchor, Snapshot: r.engine.Snapshot(), Rejects: slices.Clone(d.rejects)}
	if r.writer != nil || r.ended {
		s.RunID, s.Ticket, s.Amplifier = r.info.ID, r.info.Ticket, r.info.Amplifier
	}
	d.notices.Lock()
	for _, k := range slices.Sorted(maps.Keys(d.notices.m)) {
		s.Notices = append(s.Notices, d.notices.m[k])
		if k == recordFailing {
			// The host's own alarm: beside the core's, since it is not replayed.
			s.Snapshot.Alarms = slices.Insert(s.Snapshot.Alarms, 0, alarms.AlarmState{ID: recordFailing + "/" + d.bench.Name, Alarm: recordFailing,
				Subject: d.bench.Name, Priority: alarms.High, State: alarms.Unacknowledged, Active: true, Since: s.Snapshot.T, Text: d.notices.m[k],
				Advice: "Look at the disk of this computer: space, mount, cable. The run goes on being watched, but not written down."})
		}
	}
	d.notices.Unlock()
	d.state.Store(s)
}

// do does what an operator asked for.
func (d *daemon) do(q ask) error {
	r := d.run
	if q.act.Act == "begin" {
		if r.writer != nil && !r.ended {
			return fmt.Errorf("%w: run %s is on; end it first", alarms.ErrRefused, r.info.ID)
		}
		return d.begin(q.job, q.act.FirstPower)
	}
	if err := r.engine.Check(q.act); err != nil {
		return err
	}
	d.feed(alarms.Input{T: max(r.clock.Now(), r.engine.Now()), Act: &q.act})
	if r.engine.Phase() == alarms.Ended && !r.ended {
		return d.end()
	}
	return nil
}

const recordFailing = "record-failing"

// flushWait bounds the wait for the record at the end of a run.
const flushWait = 10 * time.Second

func (d *daemon) attach(r *liveRun) error {
	w, err := d.store.Writer(r.info.ID, record.Options{
		OnFailing:   func(err error) { d.notice(recordFailing, "the record is failing: "+err.Error()) },
		OnRecovered: func() { d.notice(recordFailing, "") },
	})
	if err != nil {
		return err
	}
	r.writer = w
	d.run = r
	d.shown.Lock()
	d.shown.collector, d.shown.id, d.shown.writer = newCollector(d.bench, r.job), r.info.ID, w
	d.shown.Unlock()
	r.engine.OnFigures = d.figures
	return nil
}

// figures passes a socket's figures on to trace and line outlets.
func (d *daemon) figures(i int, t time.Duration, f socket.Figures) {
	r := d.run
	d.shown.Lock()
	d.shown.figures(i, t, f)
	d.shown.Unlock()
	if r.past {
		return
	}
	s := alarms.SocketState{Name: r.job.Sockets[i].Name, Tube: r.job.Sockets[i].Tube.Name, Figures: f}
	for _, o := range d.lines {
		o.Socket(d.tags(), d.at(t), &s)
	}
}

// begin begins a run with a validated job.
func (d *daemon) begin(j *bench.Job, firstPower bool) error {
	r := &liveRun{job: j, clock: acquire.NewClock(0, d.speed), engine: alarms.New(d.bench, j)}
	var err error
	r.info, err = d.store.Begin(record.Info{Ticket: j.Ticket, Amplifier: j.Amplifier, Bench: d.bench.Name, Anchor: time.Now(),
		Meters: meterNames(d.bench), BenchText: d.bench.Text, JobText: j.Text, Core: alarms.Core, Software: version()})
	if err != nil {
		return err
	}
	if err := d.attach(r); err != nil {
		return err
	}
	d.feed(alarms.Input{Act: &alarms.Act{Act: "begin", FirstPower: firstPower}})
	for i, err := range d.ports {
		if err != nil {
			d.feed(alarms.Input{T: r.engine.Now(), Port: &alarms.PortChange{Meter: d.bench.Meters[i].Name, Text: err.Error()}})
		}
	}
	return nil
}

// resume goes on with an unfinished run of the job's ticket, if there is one
// that this bench and this core can go on with. What cannot be gone on with is
// ended where it stood.
func (d *daemon) resume(j *bench.Job) (resumed bool, err error) {
	info, ok, err := d.store.Unfinished(j.Ticket)
	if err != nil || !ok {
		return false, err
	}
	why := ""
	switch {
	case info.Core != alarms.Core:
		why = fmt.Sprintf("it was judged by core %s, this is core %s", info.Core, alarms.Core)
	case !slices.Equal(info.Meters, meterNames(d.bench)):
		why = "the bench file names other meters now"
	case string(info.JobText) != string(j.Text):
		why = "the job file was changed"
	}
	if why != "" {
		d.log.Warn().Str("run", info.ID).Msg("the unfinished run is ended where it stood: " + why)
		return false, d.endOld(info)
	}
	b, err := bench.Parse("bench file of run "+info.ID, info.BenchText)
	if err != nil {
		return false, err
	}
	r := &liveRun{info: info, job: j, engine: alarms.New(b, j), past: true}
	if err := d.attach(r); err != nil {
		return false, err
	}
	for in, err := range d.store.Inputs(info.ID) {
		if err != nil {
			return false, err
		}
		// The inputs are recorded; the events too, but for those of a delay
		// that ended after the last commit.
		d.done(record.Step{Events: r.engine.Feed(in), T: r.engine.Now()})
	}
	d.done(record.Step{Events: r.engine.Advance(info.Advanced), T: info.Advanced})
	r.past = false
	now := max(time.Since(info.Anchor).Round(time.Millisecond), info.Advanced)
	r.clock = acquire.NewClock(now, d.speed)
	text := "the daemon died; up to a second of readings before it is lost"
	if info.Clean {
		text = "the daemon was stopped"
	}
	text = fmt.Sprintf("%s: nothing was watched for %s", text, (now - info.Advanced).Round(time.Second))
	d.feed(alarms.Input{T: now, Gap: &alarms.Gap{From: alarms.Seconds(info.Advanced), Text: text}})
	return true, nil
}

// endOld marks an unfinished run as ended where it stood.
func (d *daemon) endOld(info record.Info) error {
	w, err := d.store.Writer(info.ID, record.Options{})
	if err != nil {
		return err
	}
	w.Host(time.Now(), "ended by the daemon: it could not go on with this run")
	w.End(info.Advanced, time.Now())
	ctx, cancel := context.WithTimeout(context.Background(), flushWait)
	defer cancel()
	return w.Close(ctx)
}

// end closes the record of the run that has just ended.
func (d *daemon) end() error {
	r := d.run
	r.ended = true
	r.writer.End(r.engine.Now(), d.at(r.engine.Now()))
	ctx, cancel := context.WithTimeout(context.Background(), flushWait)
	defer cancel()
	return r.writer.Close(ctx)
}

// stop marks an unfinished run, so that the next start knows it was stopped
// and did not die.
func (d *daemon) stop() error {
	for range len(d.arrivals) {
		d.take(<-d.arrivals)
	}
	r := d.run
	if r.writer == nil || r.ended {
		return nil
	}
	t := max(r.clock.Now(), r.engine.Now())
	d.done(record.Step{Events: r.engine.Advance(t), T: t})
	r.writer.Stop(t)
	ctx, cancel := context.WithTimeout(context.Background(), flushWait)
	defer cancel()
	return r.writer.Close(ctx)
}

func meterNames(b *bench.Bench) []string {
	var names []string
	for i := range b.Meters {
		names = append(names, b.Meters[i].Name)
	}
	return names
}

// ask sends an act to the core and waits for its answer.
func (d *daemon) ask(ctx context.Context, q ask) error {
	q.answer = make(chan error, 1)
	select {
	case d.asks <- q:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-q.answer:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// State, Events, Trace, Act, Begin, Runs and Report make the daemon the
// panel's source.
func (d *daemon) State() export.State { return *d.state.Load() }

func (d *daemon) Events(after int) []alarms.Event {
	d.shown.RLock()
	defer d.shown.RUnlock()
	if d.shown.collector == nil {
		return nil
	}
	ev := d.shown.Events
	i, _ := slices.BinarySearchFunc(ev, after, func(e alarms.Event, seq int) int { return e.Seq - seq - 1 })
	return ev[i:len(ev):len(ev)]
}

func (d *daemon) Trace(width, height int) (*chart.Trace, bool) {
	s := d.State()
	d.shown.RLock()
	defer d.shown.RUnlock()
	if d.shown.collector == nil {
		return nil, false
	}
	return report.Trace(d.shown.at(s.Snapshot), width, height), true
}

func (d *daemon) Act(ctx context.Context, act alarms.Act) error {
	return d.ask(ctx, ask{act: act})
}

func (d *daemon) Begin(ctx context.Context, jobTOML []byte, firstPower bool) error {
	j, err := bench.ParseJob("job", jobTOML, d.bench)
	if err != nil {
		return fmt.Errorf("%w: %w", panel.ErrInvalid, err)
	}
	return d.ask(ctx, ask{act: alarms.Act{Act: "begin", FirstPower: firstPower}, job: j})
}

func (d *daemon) Runs(context.Context) (any, error) { return d.store.Runs() }

func (d *daemon) Report(ctx context.Context, w io.Writer, id, suffix string) error {
	info, err := d.store.Find(id)
	if err != nil {
		return fmt.Errorf("%w: %w", panel.ErrNotFound, err)
	}
	d.shown.RLock()
	writer, on := d.shown.writer, d.shown.id == info.ID
	d.shown.RUnlock()
	if on { // the run now on is read back from the record like any other
		ctx, cancel := context.WithTimeout(ctx, flushWait)
		defer cancel()
		if err := writer.Flush(ctx); err != nil {
			return err
		}
		if info, err = d.store.Find(info.ID); err != nil {
			return err
		}
	}
	return writeReport(w, suffix, d.store, info, d.State().Rejects)
}

// serve runs the whole daemon until ctx is done: meters, core and panel. ready
// is called with the panel's URL once it listens.
func (d *daemon) serve(ctx context.Context, job *bench.Job, ready func(url string)) error {
	token := ""
	if f := d.bench.Panel.TokenFile; f != "" {
		b, err := os.ReadFile(f)
		if err != nil {
			return usage(fmt.Errorf("token_file: %w", err))
		}
		token = strings.TrimSpace(string(b))
	}
	l, err := net.Listen("tcp", d.bench.Panel.Listen)
	if err != nil {
		return fmt.Errorf("panel: %w; give [panel] another listen address", err)
	}
	if job != nil {
		resumed, err := d.resume(job)
		if err == nil && !resumed {
			err = d.begin(job, false)
		}
		if err != nil {
			return errors.Join(err, l.Close())
		}
		d.log.Info().Str("run", d.run.info.ID).Bool("resumed", resumed).Msg("run on")
	}
	d.publish() // before anybody can ask
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	srv := &http.Server{
		Handler:           panel.New(d, panel.Options{Token: token, Logger: d.log, Metrics: metrics.Handler(metrics.New(d.State, version()))}),
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: 10 * time.Second,
	}
	coreCtx, stopCore := context.WithCancel(context.Background())
	defer stopCore()
	errs := make(chan error, 2)
	go func() { errs <- d.core(coreCtx) }()
	go func() {
		if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			errs <- err
		}
	}()
	ready("http://" + l.Addr().String() + "/")
	// Meters stop first, so that the core has all they said when it stops.
	meters := make(chan struct{})
	go func() {
		defer close(meters)
		acquire.Run(ctx, d.bench, acquire.NewClock(0, d.speed), d)
	}()
	select {
	case <-ctx.Done():
		<-meters
		stopCore()
		err = <-errs
	case err = <-errs: // core or panel has failed: the other stops too
		cancel()
		for stopped := false; !stopped; {
			select {
			case <-meters:
				stopped = true
			case <-d.arrivals: // nobody is left to judge it
			}
		}
		stopCore()
	}
	shut, cancelShut := context.WithTimeout(context.Background(), time.Second)
	defer cancelShut()
	if srv.Shutdown(shut) != nil {
		srv.Close()
	}
	return err
}
