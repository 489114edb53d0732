package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/export"
	"nightsoak/export/metrics"
	"nightsoak/export/panel"
	"nightsoak/export/record"
	"nightsoak/export/report"
	"nightsoak/export/report/chart"
)

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
	switch act.Act {
	case "cut":
		return d.cutNow(ctx)
	case "rearm":
		return d.rearm(ctx)
	}
	return d.ask(ctx, ask{act: act})
}

func (d *daemon) Begin(ctx context.Context, jobTOML []byte, firstPower bool) error {
	j, err := bench.ParseJob("job", jobTOML, d.bench)
	if err != nil {
		return invalid{err}
	}
	return d.ask(ctx, ask{act: alarms.Act{Act: "begin", FirstPower: firstPower}, job: j})
}

func (d *daemon) Runs(context.Context) ([]record.Info, error) { return d.store.Runs() }

func (d *daemon) Report(ctx context.Context, w io.Writer, id, against, suffix string) error {
	info, err := d.store.Find(id)
	if err != nil {
		return fmt.Errorf("%w: %w", panel.ErrNotFound, err)
	}
	d.shown.RLock()
	writer, on := d.shown.writer, d.shown.id == info.ID
	d.shown.RUnlock()
	if on { // the run now on is read back from the record like any other
		flush, cancel := context.WithTimeout(ctx, flushWait)
		defer cancel()
		if err := writer.Flush(flush); err != nil {
			return err
		}
		if info, err = d.store.Find(info.ID); err != nil {
			return err
		}
	}
	how := reporting{suffix: suffix}
	if against != "" {
		before, err := d.store.Find(against)
		if err != nil {
			return fmt.Errorf("%w: %w", panel.ErrNotFound, err)
		}
		how.against = &before
	}
	return writeReport(ctx, w, d.store, info, how, d.keep)
}

// invalid is an error in a job file that came over HTTP, in its own words.
type invalid struct{ error }

// Is makes it panel.ErrInvalid.
func (invalid) Is(target error) bool { return target == panel.ErrInvalid }

// reachable is an address that a browser on this machine can open: a panel that
// listens on every address listens on loopback too.
func reachable(addr string) string {
	host, port, err := net.SplitHostPort(addr)
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		return net.JoinHostPort("127.0.0.1", port)
	}
	return addr
}

// serve runs the whole daemon until ctx is done: meters, core and panel. ready
// is called with the panel's URL once it listens.
func (d *daemon) serve(ctx context.Context, job *bench.Job, ready func(url string)) error {
	door, err := newDoor(d.bench)
	if err != nil {
		return err
	}
	listeners, err := d.manager.listen(d.bench.Panel.Listen)
	if err != nil {
		return err
	}
	if job != nil {
		resumed, err := d.resume(job)
		if err == nil && !resumed {
			err = d.begin(job, false)
		}
		if err != nil {
			for _, l := range listeners {
				err = errors.Join(err, l.Close())
			}
			return err
		}
		d.log.Info().Str("run", d.run.info.ID).Bool("resumed", resumed).Msg("run on")
	}
	url := door.scheme + "://" + reachable(listeners[0].Addr().String()) + "/"
	d.manager.status = "panel: " + url
	d.publish() // before anybody can ask
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	door.options.Logger, door.options.Job, door.options.Metrics = d.log, d.Job, metrics.Handler(metrics.New(d.State, version()))
	handler := door.behind(panel.New(d, door.options))
	var servers []*http.Server // one a listener: what TLS needs is wrapped around each
	for range listeners {
		servers = append(servers, &http.Server{
			Handler:           handler,
			BaseContext:       func(net.Listener) context.Context { return ctx },
			ReadHeaderTimeout: 10 * time.Second,
			IdleTimeout:       2 * time.Minute,
		})
	}
	coreCtx, stopCore := context.WithCancel(context.Background())
	defer stopCore()
	errs := make(chan error, 1+len(listeners))
	go func() { errs <- d.core(coreCtx) }()
	go d.manager.run(coreCtx.Done())
	tidied := make(chan struct{})
	go func() {
		defer close(tidied)
		d.tidy(ctx)
	}()
	defer func() { cancel(); <-tidied }()
	for i, l := range listeners {
		go func() {
			if err := door.serve(l, servers[i], d.log); !errors.Is(err, http.ErrServerClosed) {
				errs <- err
			}
		}()
	}
	ready(url)
	// Meters stop first, so that the core has all they said when it stops.
	meters := make(chan struct{})
	go func() {
		defer close(meters)
		acquire.Run(ctx, d.bench, acquire.NewClock(0, d.speed), d)
	}()
	select {
	case <-ctx.Done():
		d.manager.stopping()
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
	for _, srv := range servers {
		if srv.Shutdown(shut) != nil {
			srv.Close()
		}
	}
	return err
}

// tidy looks after the record while the daemon runs: what an older version or
// an end cut short has left unsealed, and runs beyond [record]'s limits.
func (d *daemon) tidy(ctx context.Context) {
	hourly := time.NewTicker(time.Hour)
	defer hourly.Stop()
	for {
		err := d.store.Tidy(ctx, record.Retention{For: d.bench.Record.KeepFor, Under: d.bench.Record.KeepUnder})
		if err != nil && ctx.Err() == nil {
			d.log.Warn().Err(err).Msg("the record could not be tidied; it is tried again in an hour")
		}
		select {
		case <-hourly.C:
		case <-ctx.Done():
			return
		}
	}
}

// Job is the job of the run now on, if it is that one.
func (d *daemon) Job(run string) *bench.Job {
	d.shown.RLock()
	defer d.shown.RUnlock()
	if d.shown.collector == nil || d.shown.id != run {
		return nil
	}
	return d.shown.Job
}
