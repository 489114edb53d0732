package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/notify"
	"nightsoak/drivers"
	"nightsoak/export"
	"nightsoak/export/lines"
	"nightsoak/export/record"
)

// The daemon is in three files: this one is the way of a reading from meter to
// outlets, liverun.go how a run begins, goes on and ends, serving.go what the
// panel asks and how it all starts and stops.

// daemon is the wiring of one bench: meters to core, core to outlets. One
// goroutine, core, owns the run; everything else sends to it or reads what it
// published.
type daemon struct {
	bench *bench.Bench
	speed float64
	store *record.Store
	log   zerolog.Logger
	lines []*lines.Outlet
	tell  *notify.Notifier
	keep  *keeper

	drilling sync.Mutex // held while a drill is on

	background sync.WaitGroup // what goes on beside: reports of ended runs being kept
	halt       context.CancelFunc
	halted     context.Context

	arrivals chan arrival
	asks     chan ask

	cut     cutting
	clocks  clockWatch
	manager *manager
	run     *liveRun // owned by core
	rejects []drivers.Rejects
	ports   []error // per meter: what is wrong with its port, owned by core

	events  *eventLog // nil: none are wanted
	state   atomic.Pointer[export.State]
	looks   looks
	notices struct {
		sync.Mutex
		m     map[string]string
		since map[string]time.Time
		acked map[string]bool
	}
	shown struct { // of the run now on, for readers beside core
		sync.RWMutex
		*collector // nil before the first run
		traces     *traces
		id         string
		writer     *record.Writer
	}
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
	d := &daemon{bench: b, speed: speed, store: store, log: log, keep: keeperFor(b.DataDir), manager: newManager(log),
		arrivals: make(chan arrival, arrivalsHeld), asks: make(chan ask),
		rejects: make([]drivers.Rejects, len(b.Meters)), ports: make([]error, len(b.Meters))}
	d.halted, d.halt = context.WithCancel(context.Background())
	d.notices.m, d.notices.since, d.notices.acked = map[string]string{}, map[string]time.Time{}, map[string]bool{}
	if err := d.openCutoff(); err != nil {
		return nil, errors.Join(err, store.Close())
	}
	d.tell = d.startTelling()
	for i, l := range b.Lines {
		opts := linesOptions(l, b.DataDir, log)
		opts.Notice = func(text string) { d.notice(fmt.Sprintf("lines %d", i), text) }
		opts.Lost = func(text string) { d.notice(outletLosing, text) }
		o, err := lines.Open(opts)
		if err != nil {
			return nil, errors.Join(err, d.close())
		}
		d.lines = append(d.lines, o)
	}
	d.idle()
	return d, nil
}

// linesOptions is how an outlet of the bench file is opened. Its spool is known
// by where the lines go, so that it is found again whatever else is changed.
func linesOptions(l bench.Lines, dataDir string, log zerolog.Logger) lines.Options {
	o := lines.Options{To: l.To, TokenFile: l.TokenFile, Gzip: l.Gzip, Precision: l.Precision, Every: l.Every, Batch: l.Batch, Age: l.Age,
		Rotate: l.Rotate, Keep: l.Keep, Log: log}
	if l.Spool > 0 {
		sum := sha256.Sum256([]byte(l.To))
		o.Spool, o.SpoolMax = filepath.Join(dataDir, "lines", hex.EncodeToString(sum[:8])), l.Spool
	}
	return o
}

// close flushes and closes what newDaemon opened.
func (d *daemon) close() error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	for _, o := range d.lines {
		if err := o.Close(ctx); err != nil {
			d.log.Warn().Err(err).Msg("lines not delivered") // a dead database is no failure of ours
		}
	}
	d.halt()
	d.background.Wait()
	d.stopTelling()
	d.events.close()
	return errors.Join(d.closeCutoff(), d.store.Close())
}

// notice says something about the daemon itself to everyone who looks; an
// empty text takes it back.
func (d *daemon) notice(key, text string) {
	d.notices.Lock()
	defer d.notices.Unlock()
	if host := slices.Contains(hostAlarmNames, key); host && text == "" && d.notices.m[key] != "" {
		d.tellHost(key, alarms.Normal, "")
	} else if host && text != "" && d.notices.m[key] == "" {
		d.tellHost(key, alarms.Unacknowledged, text)
	}
	if text == "" {
		delete(d.notices.m, key)
		return
	}
	if d.notices.m[key] == "" {
		d.notices.since[key], d.notices.acked[key] = time.Now(), false
	}
	if d.notices.m[key] != text {
		d.log.Warn().Msg(text)
	}
	d.notices.m[key] = text
}

// outletLosing is that a line outlet has lost lines, or had them refused for good.
const outletLosing = "outlet-losing"

// hostAlarmNames are the notices that are alarms.
var hostAlarmNames = []string{cutoffFailed, recordFailing, outletLosing, clockJumped}

// hostAlarms are the alarms that the daemon raises about itself: beside the
// core's, since they are not replayed.
func (d *daemon) hostAlarms() (standing []alarms.AlarmState) {
	d.notices.Lock()
	defer d.notices.Unlock()
	for _, name := range hostAlarmNames {
		text := d.notices.m[name]
		if text == "" {
			continue
		}
		about, _ := alarms.About(name)
		a := alarms.AlarmState{ID: name + "/" + d.bench.Name, Alarm: name, Subject: d.bench.Name, Priority: about.Priority,
			State: alarms.Unacknowledged, Active: true, Since: max(0, d.run.clock.At(d.notices.since[name])), Text: text,
			Advice: about.Advice, Cause: about.Cause, Consequence: about.Consequence, Within: about.Within}
		if d.notices.acked[name] {
			a.State = alarms.Acknowledged
		}
		standing = append(standing, a)
	}
	return standing
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

// tick is how often, at the least, time moves on and the state is published.
const tick = 100 * time.Millisecond

// core runs until ctx is done; then it marks the run and flushes.
func (d *daemon) core(ctx context.Context) error {
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	due := time.NewTimer(tick)
	defer due.Stop()
	for {
		due.Reset(d.untilDue())
		select {
		case a := <-d.arrivals:
			d.take(a)
		case q := <-d.asks:
			q.answer <- d.do(q)
			d.publish()
		case <-due.C:
			d.advance()
		case <-ticker.C:
			d.advance()
			d.watchClock(time.Now())
			d.publish()
			d.manager.judged(time.Now())
		case <-ctx.Done():
			return d.stop()
		}
	}
}

// untilDue is how long, wall time, until a delay may end; never more than tick.
func (d *daemon) untilDue() time.Duration {
	at, ok := d.run.engine.Due()
	if !ok {
		return tick
	}
	return min(tick, max(0, d.run.clock.Wall(at-d.run.clock.Now())))
}

// advance moves time on to now.
func (d *daemon) advance() {
	// What has come already is judged before time moves past it.
	for range len(d.arrivals) {
		d.take(<-d.arrivals)
	}
	r := d.run
	t := max(r.clock.Now(), r.engine.Now())
	d.done(record.Step{Events: r.engine.Advance(t), T: t})
}

func (d *daemon) take(a arrival) {
	t := max(d.run.clock.At(a.at), d.run.engine.Now())
	switch {
	case a.n > 0:
		d.rejects[a.meter][a.why] += a.n
		if r := d.run; r.writer != nil && !r.ended {
			r.writer.Rejected(a.meter, a.n)
		}
	case a.port:
		d.ports[a.meter] = a.err
		d.feed(alarms.Input{T: t, Port: d.portChange(a.meter)})
	default:
		d.feed(alarms.Input{T: t, Meter: a.meter, Reading: a.reading})
		d.judged(a.at)
		d.readingLine(t, a.meter, a.reading)
	}
}

// readingLine passes a reading on to the line outlets.
func (d *daemon) readingLine(t time.Duration, meter int, r drivers.Reading) {
	if r.HasValue() {
		for _, o := range d.lines {
			o.Meter(d.tags(), d.at(t), d.bench.Meters[meter].Name, r)
		}
	}
}

// portChange is how a meter's port stands now.
func (d *daemon) portChange(meter int) *alarms.PortChange {
	p := &alarms.PortChange{Meter: d.bench.Meters[meter].Name, Open: d.ports[meter] == nil}
	if err := d.ports[meter]; err != nil {
		p.Text = strings.ToValidUTF8(err.Error(), "?") // what JSON would change must not differ when replayed
	}
	return p
}

// at is the wall-clock stamp of a run time.
func (d *daemon) at(t time.Duration) time.Time { return d.run.info.Started.Add(t) }

// tags are what every line of the line outlets carries. What comes once a run
// has ended is none of its record, so it is not tagged as if it were.
func (d *daemon) tags() lines.Run {
	if d.run.ended {
		return lines.Run{Bench: d.bench.Name}
	}
	return lines.Run{Bench: d.bench.Name, Ticket: d.run.info.Ticket, ID: d.run.info.ID, Past: d.run.past}
}

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
	if len(s.Events) == 0 {
		if !r.past {
			r.writer.Put(s)
		}
		return
	}
	s.Events = slices.Clone(s.Events) // the engine uses its slice again
	d.tellWeakened(s.Events)
	d.cutOn(s.Events)
	defer d.recordCuts()
	r.writer.Put(s)
	d.shown.Lock()
	for _, ev := range s.Events {
		d.shown.event(ev)
	}
	d.shown.Unlock()
	d.tell.Events(s.Events, r.past)
	for i := range s.Events {
		e := &s.Events[i]
		for _, o := range d.lines {
			o.Event(d.tags(), d.at(time.Duration(e.T)), e)
		}
		if r.past {
			continue
		}
		d.events.event(r.info.ID, d.bench.Name, e)
		if !d.events.journals() {
			d.logEvent(e)
		}
	}
}

// logEvent is one line an event.
func (d *daemon) logEvent(e *alarms.Event) {
	l := d.log.Info()
	if e.Event == alarms.EventAlarm && e.State == alarms.Unacknowledged && e.Priority.Rank() > 1 || e.Weakened {
		l = d.log.Warn()
	}
	l = l.Str("event", e.Event).Float64("t", float64(time.Duration(e.T).Milliseconds())/1000)
	for _, f := range [...]struct{ key, text string }{{"phase", string(e.Phase)}, {"act", e.Act}, {"socket", e.Socket}, {"id", e.ID},
		{"by", e.By}, {"alarm", setAlarm(e)},
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

// setAlarm is the alarm that a setting is of; others are known by their ids.
func setAlarm(e *alarms.Event) string {
	if e.Event == alarms.EventSetting {
		return e.Alarm
	}
	return ""
}

// tellWeakened says to everyone who looks that the files weaken high alarms.
func (d *daemon) tellWeakened(events []alarms.Event) {
	var w []string
	for i := range events {
		if e := &events[i]; e.Weakened {
			w = append(w, e.Alarm+" ("+e.Text+")")
		}
	}
	if len(w) > 0 {
		d.notice("weakened", "the bench or job file weakens alarms that are high: "+strings.Join(w, ", "))
	}
}

// publish makes the state of this moment known to whoever looks.
func (d *daemon) publish() {
	d.recordCuts()
	r := d.run
	s := &export.State{Bench: d.bench.Name, Started: r.info.Started, Snapshot: r.engine.Snapshot(), Rejects: slices.Clone(d.rejects)}
	if r.writer != nil || r.ended {
		s.RunID, s.Ticket, s.Amplifier = r.info.ID, r.info.Ticket, r.info.Amplifier
	}
	d.showCutoff(s)
	s.Snapshot.Alarms = slices.Insert(s.Snapshot.Alarms, 0, d.hostAlarms()...)
	d.notices.Lock()
	for _, k := range slices.Sorted(maps.Keys(d.notices.m)) {
		s.Notices = append(s.Notices, d.notices.m[k])
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
	for _, a := range d.hostAlarms() {
		if a.ID != q.act.ID {
			continue
		}
		if q.act.Act != "acknowledge" {
			return fmt.Errorf("%w: %s: %s can only be acknowledged", alarms.ErrRefused, q.act.Act, a.ID)
		}
		d.notices.Lock()
		d.notices.acked[a.Alarm] = true
		d.notices.Unlock()
		d.tellHost(a.Alarm, alarms.Acknowledged, "")
		if a.Alarm == clockJumped || a.Alarm == outletLosing { // it was over as it came; it stood until somebody knew
			d.notice(a.Alarm, "")
		}
		return nil
	}
	if q.act.Act == "rearm" {
		return d.mayRearm()
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
