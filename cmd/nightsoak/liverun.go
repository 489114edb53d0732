package main

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/notify"
	"nightsoak/export/record"
)

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

// idle follows the meters without a run.
func (d *daemon) idle() {
	d.run = &liveRun{job: &bench.Job{Limits: bench.DefaultLimits()}, clock: acquire.NewClock(0, d.speed)}
	d.run.info.Started = hostTime.wall(time.Now())
	d.run.engine = alarms.New(d.bench, d.run.job)
}

const recordFailing = "record-failing"

// flushWait bounds the wait for the record at the end of a run.
const flushWait = 10 * time.Second

// attach makes r the run now on and opens its record.
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
	d.tell.Run(notify.Run{ID: r.info.ID, Ticket: r.info.Ticket, Started: r.info.Started}, r.past)
	d.notice("job", "")
	d.notice("weakened", "")
	d.shown.Lock()
	d.shown.collector, d.shown.id, d.shown.writer = newCollector(d.bench, r.job), r.info.ID, w
	d.shown.traces = newTraces(d.bench, r.job)
	d.shown.Unlock()
	r.engine.OnFigures = d.figures
	return nil
}

// figures passes a socket's figures on to trace and line outlets.
func (d *daemon) figures(i int, t time.Duration, f socket.Figures) {
	r := d.run
	d.shown.Lock()
	d.shown.figures(i, t, f)
	d.shown.traces.take(i, t, f.CathodeCurrent, f.PlateCurrent, f.PlateVolts, f.DissipationRatio)
	d.shown.Unlock()
	s := alarms.SocketState{Name: r.job.Sockets[i].Name, Tube: r.job.Sockets[i].Tube.Name, Figures: f}
	for _, o := range d.lines {
		o.Socket(d.tags(), d.at(t), &s)
	}
}

// begin begins a run with a validated job.
func (d *daemon) begin(j *bench.Job, firstPower bool) error {
	r := &liveRun{job: j, clock: acquire.NewClock(0, d.speed), engine: alarms.New(d.bench, j)}
	var err error
	r.info, err = d.store.Begin(record.Info{Ticket: j.Ticket, Amplifier: j.Amplifier, Bench: d.bench.Name, Started: hostTime.wall(time.Now()),
		Meters: meterNames(d.bench), BenchText: d.bench.Text, JobText: j.Text, Core: alarms.Core, Software: version(), GOARCH: runtime.GOARCH})
	if err != nil {
		return err
	}
	if err := d.attach(r); err != nil {
		return err
	}
	d.feed(alarms.Input{Act: &alarms.Act{Act: "begin", FirstPower: firstPower}})
	for i, err := range d.ports {
		if err != nil {
			d.feed(alarms.Input{T: r.engine.Now(), Port: d.portChange(i)})
		}
	}
	return nil
}

// longestGap is what nothing can have been watched for at most: a computer without a
// battery clock begins a run decades before it ends it (estimate).
const longestGap = 366 * 24 * time.Hour

// resume goes on with an unfinished run of the job's ticket, if there is one,
// by the files that it began with: a run is judged by one pair of files from
// first to last. What this bench or this core cannot go on with is ended where
// it stood.
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
	}
	if why != "" {
		d.log.Warn().Str("run", info.ID).Msg("the unfinished run is ended where it stood: " + why)
		return false, d.endOld(info, why)
	}
	if string(info.JobText) != string(j.Text) {
		d.notice("job", "the job file was changed since this run began; the run goes on with the file it began with: end it and begin again to use the new one")
	}
	b, j, err := filesOf(info)
	if err != nil {
		return false, err
	}
	r := &liveRun{info: info, job: j, engine: alarms.New(b, j), past: true}
	if err := d.attach(r); err != nil {
		return false, err
	}
	for in, err := range d.store.Inputs(info.ID) {
		if errors.Is(err, record.ErrDamaged) { // a night is not lost for what happened to it before
			d.idle()
			d.log.Error().Err(err).Str("run", info.ID).Msg("the unfinished run is ended where it stood")
			ctx, cancel := context.WithTimeout(context.Background(), flushWait)
			defer cancel()
			return false, errors.Join(r.writer.Close(ctx), d.endOld(info, err.Error()))
		}
		if err != nil {
			return false, err
		}
		// The inputs are recorded; the events too, but for those of a delay
		// that ended after the last commit.
		d.done(record.Step{Events: r.engine.Feed(in), T: info.Advanced})
		if in.Act == nil && in.Port == nil && in.Gap == nil {
			d.readingLine(in.T, in.Meter, in.Reading)
		}
	}
	d.done(record.Step{Events: r.engine.Advance(info.Advanced), T: info.Advanced})
	r.past = false
	if r.engine.Phase() == alarms.Ended { // all was recorded but the mark
		return false, d.end()
	}
	since := hostTime.wall(time.Now()).Sub(info.Started).Round(time.Millisecond)
	now := since
	doubt := ""
	switch {
	case since < info.Advanced:
		now, doubt = info.Advanced, "the wall clock is earlier than what is recorded"
	case since-info.Advanced > longestGap:
		now, doubt = info.Advanced, "the wall clock is years later than what is recorded, so it was wrong then or is now"
	}
	r.clock = acquire.NewClock(now, d.speed)
	text := "the daemon died; up to a second of readings before it is lost"
	if info.Clean {
		text = "the daemon was stopped"
	}
	long := "less than a second"
	if d := (now - info.Advanced).Round(time.Second); d >= time.Second {
		long = d.String()
	}
	if doubt != "" {
		long = "a time that is not known: " + doubt
	}
	text += ": nothing was watched for " + long
	d.feed(alarms.Input{T: now, Gap: &alarms.Gap{From: alarms.Seconds(info.Advanced), Text: text}})
	return true, nil
}

// endOld marks an unfinished run as ended where it stood.
func (d *daemon) endOld(info record.Info, why string) error {
	w, err := d.store.Writer(info.ID, record.Options{})
	if err != nil {
		return err
	}
	w.Host(time.Now(), "ended by the daemon, which could not go on with this run: "+why)
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
	if err := r.writer.Close(ctx); err != nil {
		return err
	}
	d.keepReport(r.info.ID)
	return nil
}

// keepReport judges an ended run again, beside everything else, so that its
// reports come at once. Whoever asks before that waits for it.
func (d *daemon) keepReport(id string) {
	if d.keep.dir == "" {
		return
	}
	d.background.Go(func() {
		info, err := d.store.Find(id)
		if err == nil {
			_, err = collect(d.halted, d.store, info, d.keep)
		}
		if err != nil && d.halted.Err() == nil {
			d.log.Warn().Err(err).Str("run", id).Msg("the report was not prepared")
		}
	})
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
