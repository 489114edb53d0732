package main

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export/panel"
	"nightsoak/export/record"
	"nightsoak/export/report"
	"nightsoak/export/report/chart"
)

// shownFigures are the figures that a trace can show, as traces keeps them.
var shownFigures = [...]report.Shown{report.Share, report.Current, report.Volts}

// traces are a run's figures over time, per figure and socket, fine enough that
// what they do not show is soon read from the record.
type traces struct {
	bench  *bench.Bench
	job    *bench.Job
	series [len(shownFigures)][]*chart.Series
}

// traceRoom is how many stretches all series of a run may have together, 24 MB
// of them: two seconds each of a night of 12 h with eight sockets.
const traceRoom = 600_000

func newTraces(b *bench.Bench, j *bench.Job) *traces {
	x := &traces{bench: b, job: j}
	room := min(max(traceRoom/(3*len(j.Sockets)+1), tracePoints), 1<<15)
	for n := range x.series {
		for range j.Sockets {
			x.series[n] = append(x.series[n], chart.NewSeries(room))
		}
	}
	return x
}

// take takes the figures of a socket at a run time.
func (x *traces) take(i int, t time.Duration, cathode, plate, volts, ratio socket.Value) {
	if !cathode.Known {
		cathode = plate // all that a transformer's drop tells
	}
	for n, v := range [...]socket.Value{ratio, cathode, volts} {
		add(x.series[n][i], t, v)
	}
}

func (x *traces) estimates(i int, t time.Duration, f socket.Estimates) {
	x.take(i, t, f.CathodeCurrent, f.PlateCurrent, f.PlateVolts, f.DissipationRatio)
}

// of are the series of one figure.
func (x *traces) of(show report.Shown) []*chart.Series {
	return x.series[max(slices.Index(shownFigures[:], show), 0)]
}

// cut are those series that a look shows, in no more detail than its drawing
// can have; fine is false where their stretches are wider than three of its pixels.
func (x *traces) cut(l *report.Look) (series []*chart.Series, fine bool) {
	fine = true
	for _, i := range l.Lines(x.job) {
		s := x.of(l.Show)[i]
		fine = fine && s.Width() <= 3*(l.To-l.From)/time.Duration(max(l.Width, 1))
		series = append(series, s.Cut(l.From, l.To, 2*l.Width))
	}
	return series, fine
}

// looked is a recorded run that somebody looks at.
type looked struct {
	info   record.Info
	data   *report.Data
	traces *traces
}

// looks are the runs looked at last, newest first: reading a night takes a
// second, and who zooms asks many times.
type looks struct {
	mu   sync.Mutex
	runs []*looked
}

// mostLooked is how many runs are kept in memory so.
const mostLooked = 2

// get is a recorded run, read where it is not at hand.
func (x *looks) get(ctx context.Context, s *record.Store, keep *keeper, id string) (*looked, error) {
	info, err := s.Find(id)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", panel.ErrNotFound, err)
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if i := slices.IndexFunc(x.runs, func(r *looked) bool { return same(r.info, info) && (r.info.Ended == nil) == (info.Ended == nil) }); i >= 0 {
		r := x.runs[i]
		x.runs = slices.Insert(slices.Delete(x.runs, i, i+1), 0, r)
		return r, nil
	}
	r := &looked{info: info}
	if r.data, err = collect(ctx, s, info, keep); err != nil {
		return nil, err
	}
	r.traces = newTraces(r.data.Bench, r.data.Job)
	f := alarms.NewFollower(r.data.Bench, r.data.Job, r.data.Final.HT.Settled.X, all(r.data.Job), r.traces.estimates)
	n := 0
	for in, err := range s.Inputs(info.ID) {
		if n++; n%4096 == 0 && err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return nil, err
		}
		f.Feed(in)
	}
	x.runs = slices.Insert(x.runs, 0, r)
	x.runs = x.runs[:min(len(x.runs), mostLooked)]
	return r, nil
}

// all wants every socket of a job.
func all(j *bench.Job) []bool {
	wanted := make([]bool, len(j.Sockets))
	for i := range wanted {
		wanted[i] = true
	}
	return wanted
}

// closely are the series that a look shows, read from the record.
func closely(s *record.Store, d *report.Data, l *report.Look) ([]*chart.Series, error) {
	b, j := d.Bench, d.Job
	lines := l.Lines(j)
	wanted := make([]bool, len(j.Sockets))
	at := make([]*chart.Series, len(j.Sockets))
	var series []*chart.Series
	for _, i := range lines {
		wanted[i] = true
		at[i] = chart.NewFineSeries(4*max(l.Width, 1), (l.To-l.From)/time.Duration(2*max(l.Width, 1)))
		series = append(series, at[i])
	}
	f := alarms.NewFollower(b, j, d.Final.HT.Settled.X, wanted, func(i int, t time.Duration, f socket.Estimates) {
		if t < l.From {
			return
		}
		v := f.DissipationRatio
		switch l.Show {
		case report.Current:
			if v = f.CathodeCurrent; !v.Known {
				v = f.PlateCurrent
			}
		case report.Volts:
			v = f.PlateVolts
		}
		add(at[i], t, v)
	})
	lead := time.Duration(0)
	for i := range b.Meters {
		if f.Uses(i) {
			lead = max(lead, b.Meters[i].SilentAfter)
		}
	}
	for in, err := range s.Stretch(d.RunID, f.Uses, l.From-lead, l.To) {
		if err != nil {
			return nil, err
		}
		f.Feed(in)
	}
	return series, nil
}

// look gives what a look shows of a run: its data, the look made to fit, and the
// series of its lines.
func (d *daemon) look(ctx context.Context, run string, l report.Look) (data *report.Data, fits report.Look, series []*chart.Series, err error) {
	var fine bool
	if data, series, fine = d.lookLive(run, &l); data == nil {
		if run == "" {
			return nil, l, nil, fmt.Errorf("%w: no run is on", panel.ErrNotFound)
		}
		r, err := d.looks.get(ctx, d.store, d.keep, run)
		if err != nil {
			return nil, l, nil, err
		}
		data, l = r.data, l.Within(r.info.Advanced)
		series, fine = r.traces.cut(&l)
	}
	if !fine {
		series, err = closely(d.store, data, &l)
	}
	return data, l, series, err
}

// lookLive is look for the run in memory, from which core is kept for moments
// only; data is nil for any other. fine is false where the record tells more.
func (d *daemon) lookLive(run string, l *report.Look) (data *report.Data, series []*chart.Series, fine bool) {
	s := d.State()
	d.shown.RLock()
	defer d.shown.RUnlock()
	if d.shown.collector == nil || run != "" && run != d.shown.id {
		return nil, nil, false
	}
	*l = l.Within(s.Snapshot.T)
	series, fine = d.shown.traces.cut(l)
	data = d.shown.about(s.Snapshot)
	data.RunID, data.Started, data.Ended = d.shown.id, s.Started, s.Snapshot.Phase == alarms.Ended
	return data, series, fine
}

// Look makes the daemon the panel's source: what a look shows of a run.
func (d *daemon) Look(ctx context.Context, run string, l report.Look) (panel.Seen, error) {
	data, l, series, err := d.look(ctx, run, l)
	if err != nil {
		return panel.Seen{}, err
	}
	return panel.Seen{Trace: l.Trace(data, series), Look: l, Run: data.RunID, Job: data.Job, Started: data.Started, End: data.End, Live: !data.Ended && d.State().RunID == data.RunID}, nil
}

// Extremes makes the daemon the panel's source: what the lines of a look did
// between its two times. Where they have no reading between, it is the last
// before that still counted.
func (d *daemon) Extremes(ctx context.Context, run string, l report.Look) (panel.Extremes, error) {
	l.Width = 1
	data, fits, series, err := d.look(ctx, run, l)
	if err != nil {
		return panel.Extremes{}, err
	}
	l.From, l.To = max(l.From, 0), min(max(l.To, l.From), fits.To)
	if l.To-l.From <= mostRead {
		if series, err = closely(d.store, data, &l); err != nil {
			return panel.Extremes{}, err
		}
	}
	x := panel.Extremes{Look: l, Started: data.Started}
	var before []*chart.Series
	for n, i := range l.Lines(data.Job) {
		e := panel.Extreme{Name: l.Name(data.Bench, data.Job, i)}
		e.Least, e.Greatest = extremes(series[n], l.From, l.To)
		if !e.Least.Known {
			if before == nil {
				held := l
				held.From = max(0, l.From-heldFor)
				held.Width = int((held.To - held.From).Milliseconds())
				if before, err = closely(d.store, data, &held); err != nil {
					return panel.Extremes{}, err
				}
			}
			for p := range before[n].Points(max(0, l.From-heldFor), l.To+1, 1<<20) {
				if e.Least, e.Greatest = (socket.Value{}), (socket.Value{}); !p.Break {
					e.Least = socket.Value{X: p.Max, Known: true}
					e.Greatest = e.Least
				}
			}
		}
		x.Lines = append(x.Lines, e)
	}
	return x, nil
}

// mostRead is how long a stretch is read from the record for its extremes,
// reading by reading; in a longer one they are known to a stretch of its trace.
// heldFor is how long a reading is shown where no other came.
const (
	mostRead = 10 * time.Minute
	heldFor  = 5 * time.Second
)

// extremes are the least and the greatest value between two run times.
func extremes(s *chart.Series, from, to time.Duration) (least, greatest socket.Value) {
	for p := range s.Points(from, to+1, 1) {
		if !p.Break {
			least, greatest = socket.Value{X: p.Min, Known: true}, socket.Value{X: p.Max, Known: true}
		}
	}
	return least, greatest
}

// Found makes the daemon the panel's source: what a recorded run came to.
func (d *daemon) Found(ctx context.Context, id string) (panel.Found, error) {
	data, _, _, err := d.look(ctx, id, report.Look{Width: 1})
	if err != nil {
		return panel.Found{}, err
	}
	var f panel.Found
	f.Words, f.Alarm, f.Beside = report.Verdict(data)
	f.Run, f.Ticket, f.Amplifier, f.Started, f.Long, f.Ended = data.RunID, data.Job.Ticket, data.Job.Amplifier, data.Started, data.End, data.Ended
	f.Events = data.Events
	return f, nil
}

// Verdict makes the daemon the panel's source.
func (d *daemon) Verdict(info record.Info) (words string, alarm, ok bool) {
	data, ok := d.keep.kept(info)
	if !ok {
		return "", false, false
	}
	var err error
	if data.Bench, data.Job, err = filesOf(info); err != nil {
		return "", false, false
	}
	data.Ended = info.Ended != nil
	words, alarm, _ = report.Verdict(data)
	return words, alarm, true
}
