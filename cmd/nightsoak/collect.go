package main

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"iter"
	"slices"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export/record"
	"nightsoak/export/report"
	"nightsoak/export/report/chart"
)

// tracePoints is how fine a trace is kept: twice what a wide screen can show.
const tracePoints = 4000

// collector gathers from a run, live or replayed, what a report and the
// panel's trace are made of.
type collector struct {
	report.Data
	warm time.Duration // when HT last came up; -1 before
}

// warmHour is how much of a warm-up is kept finer than the rest.
const warmHour = time.Hour

func newCollector(b *bench.Bench, j *bench.Job) *collector {
	c := &collector{warm: -1, Data: report.Data{Bench: b, Job: j, HT: chart.NewSeries(tracePoints), Worst: make([]report.Worst, len(j.Sockets)),
		SoftwareVersion: version(), CoreVersion: alarms.Core}}
	for range j.Sockets {
		c.Warm = append(c.Warm, chart.NewSeries(tracePoints))
		c.Current = append(c.Current, chart.NewSeries(tracePoints))
		c.Ratio = append(c.Ratio, chart.NewSeries(tracePoints))
	}
	return c
}

// figures takes what the engine's OnFigures tells.
func (c *collector) figures(i int, t time.Duration, f socket.Figures) {
	add(c.Current[i], t, f.CathodeCurrent)
	add(c.Ratio[i], t, f.DissipationRatio)
	if c.Table != nil {
		c.Table.Add(i, t, &f)
	}
	if c.warm >= 0 && t-c.warm <= warmHour {
		add(c.Warm[i], t, f.DissipationRatio)
	}
	if f.PlateVolts.Known {
		c.HT.Add(t, f.PlateVolts.X)
	}
	if r := f.DissipationRatio; r.Known && (!c.Worst[i].Ratio.Known || r.X > c.Worst[i].Ratio.X) {
		c.Worst[i] = report.Worst{Ratio: r, T: t}
	}
}

// event takes an event in its turn.
func (c *collector) event(ev alarms.Event) {
	c.Events = append(c.Events, ev)
	if ev.Event == alarms.EventPhase && ev.Phase == alarms.WarmUp {
		c.warm = time.Duration(ev.T)
		for i := range c.Warm {
			c.Warm[i] = chart.NewSeries(tracePoints)
		}
	}
}

func add(s *chart.Series, t time.Duration, v socket.Value) {
	if v.Known {
		s.Add(t, v.X)
	} else {
		s.Break()
	}
}

// about is the data as of a snapshot but for series and table, sharing nothing
// that is still written to.
func (c *collector) about(s alarms.Snapshot) *report.Data {
	d := c.Data
	d.End, d.Final = s.T, s
	d.Events = c.Events[:len(c.Events):len(c.Events)] // events are only ever added
	d.Worst = slices.Clone(c.Worst)
	d.HT, d.Current, d.Ratio, d.Warm, d.Table = nil, nil, nil, nil, nil
	return &d
}

// at is the data as of a snapshot, sharing nothing that is still written to.
func (c *collector) at(s alarms.Snapshot) *report.Data {
	d := *c.about(s)
	d.HT = c.HT.Clone()
	d.Current, d.Ratio, d.Warm = slices.Clone(c.Current), slices.Clone(c.Ratio), slices.Clone(c.Warm)
	for i := range d.Ratio {
		d.Current[i], d.Ratio[i], d.Warm[i] = c.Current[i].Clone(), c.Ratio[i].Clone(), c.Warm[i].Clone()
	}
	if c.Table != nil {
		d.Table = c.Table.Close()
	}
	d.Readings = nil
	for _, m := range s.Meters {
		d.Readings = append(d.Readings, m.Readings)
	}
	return &d
}

// filesOf parses the bench and job files that a recorded run ran with.
func filesOf(info record.Info) (*bench.Bench, *bench.Job, error) {
	b, err := benchOf(info)
	if err != nil {
		return nil, nil, err
	}
	j, err := bench.ParseJob("job file of run "+info.ID, info.JobText, b)
	return b, j, err
}

// benchOf parses the bench file that a recorded run ran with.
func benchOf(info record.Info) (*bench.Bench, error) {
	return bench.Parse("bench file of run "+info.ID, info.BenchText)
}

// judge runs inputs through an engine to the end time (0: that of the last
// input) and passes on every event.
func judge(e *alarms.Engine, inputs iter.Seq2[alarms.Input, error], end time.Duration, event func(alarms.Event) error) error {
	pass := func(events []alarms.Event) error {
		for _, ev := range events {
			if err := event(ev); err != nil {
				return err
			}
		}
		return nil
	}
	for in, err := range inputs {
		if err != nil {
			return err
		}
		if in.Act != nil {
			// What was due by then comes first: it may be what the act is about.
			if err := pass(e.Advance(in.T)); err != nil {
				return err
			}
			if err := e.Check(*in.Act); err != nil {
				return fmt.Errorf("at %.3f s: %w", in.T.Seconds(), err)
			}
		}
		if err := pass(e.Feed(in)); err != nil {
			return err
		}
	}
	return pass(e.Advance(end))
}

// collect is the report of a recorded run: the one kept when it ended, or else
// gathered by judging the run again.
func collect(ctx context.Context, s *record.Store, info record.Info, keep *keeper) (*report.Data, error) {
	b, j, err := filesOf(info)
	if err != nil {
		return nil, err
	}
	d, err := keep.get(info, func() (*report.Data, error) { return judgeAgain(ctx, s, info, b, j) })
	if err != nil {
		return nil, err
	}
	d.Bench, d.Job = b, j
	host, err := s.HostEvents(info.ID)
	if err != nil {
		return nil, err
	}
	for _, h := range host {
		d.Host = append(d.Host, h.Wall.Format(time.RFC3339)+": "+h.Text)
	}
	d.RunID, d.Started, d.Ended = info.ID, info.Started, info.Ended != nil
	d.SoftwareVersion, d.CoreVersion = version(), alarms.Core
	return d, nil
}

// judgeAgain judges a recorded run and gathers what a report is made of.
func judgeAgain(ctx context.Context, s *record.Store, info record.Info, b *bench.Bench, j *bench.Job) (*report.Data, error) {
	c := newCollector(b, j)
	c.Table = report.NewTable(len(j.Sockets))
	e := alarms.New(b, j)
	e.OnFigures = c.figures
	readings := newHashing(info.Meters)
	inputs := func(yield func(alarms.Input, error) bool) {
		n := 0
		for in, err := range s.Inputs(info.ID) {
			if n++; n%4096 == 0 && err == nil {
				err = ctx.Err()
			}
			if err == nil {
				readings.take(in)
			}
			if !yield(in, err) {
				return
			}
		}
	}
	err := judge(e, inputs, info.Advanced, func(ev alarms.Event) error {
		c.event(ev)
		if ev.Event == alarms.EventSettled {
			c.Idle = e.Snapshot()
		}
		return nil
	})
	hash, hashErr := readings.sum()
	if err = errors.Join(err, hashErr); err != nil {
		return nil, err
	}
	d := c.at(e.Snapshot())
	d.Hash = hash
	return d, nil
}

// hashing is the SHA-256 of readings as CSV, worked out beside their judging.
type hashing struct {
	batch []alarms.Input
	full  chan []alarms.Input
	done  chan struct{}
	hash  hash.Hash
	err   error
}

// hashBatch is how many inputs go to the other goroutine at a time.
const hashBatch = 1024

func newHashing(meters []string) *hashing {
	h := &hashing{full: make(chan []alarms.Input, 4), done: make(chan struct{}), hash: sha256.New()}
	go func() {
		defer close(h.done)
		w := bufio.NewWriterSize(h.hash, 1<<16)
		h.err = record.WriteCSV(w, meters, func(yield func(alarms.Input, error) bool) {
			for batch := range h.full {
				for _, in := range batch {
					if !yield(in, nil) {
						return
					}
				}
			}
		})
		for range h.full { // whoever gives is not to wait for one that stopped
		}
		h.err = errors.Join(h.err, w.Flush())
	}()
	return h
}

func (h *hashing) take(in alarms.Input) {
	if h.batch = append(h.batch, in); len(h.batch) == hashBatch {
		h.full <- h.batch
		h.batch = make([]alarms.Input, 0, hashBatch)
	}
}

func (h *hashing) sum() (string, error) {
	h.full <- h.batch
	close(h.full)
	<-h.done
	return hex.EncodeToString(h.hash.Sum(nil)), h.err
}

// reporting is how a report is asked for.
type reporting struct {
	suffix  string // one of report.Suffixes, or ".csv"
	paper   report.Paper
	against *record.Info
}

// writeReport writes a recorded run.
func writeReport(ctx context.Context, w io.Writer, s *record.Store, info record.Info, how reporting, keep *keeper) error {
	if how.suffix == ".csv" {
		return record.WriteCSV(w, info.Meters, s.Inputs(info.ID))
	}
	if !slices.Contains(report.Suffixes, how.suffix) {
		return &report.SuffixError{Suffix: how.suffix}
	}
	d, err := collect(ctx, s, info, keep)
	if err != nil {
		return err
	}
	d.Rejects, d.Paper = info.Rejected, how.paper
	if how.against != nil {
		if d.Against, err = collect(ctx, s, *how.against, keep); err != nil {
			return err
		}
	}
	return report.Write(w, how.suffix, d)
}

// line is an event as it is printed and recorded: one line of JSON.
func line(ev alarms.Event) ([]byte, error) {
	b, err := json.Marshal(ev)
	return append(b, '\n'), err
}
