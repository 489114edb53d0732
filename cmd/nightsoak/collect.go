package main

import (
	"encoding/json"
	"fmt"
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
type collector struct{ report.Data }

func newCollector(b *bench.Bench, j *bench.Job) *collector {
	c := &collector{report.Data{Bench: b, Job: j, HT: chart.NewSeries(tracePoints), Worst: make([]report.Worst, len(j.Sockets)),
		SoftwareVersion: version(), CoreVersion: alarms.Core}}
	for range j.Sockets {
		c.Current = append(c.Current, chart.NewSeries(tracePoints))
		c.Ratio = append(c.Ratio, chart.NewSeries(tracePoints))
	}
	return c
}

// figures takes what the engine's OnFigures tells.
func (c *collector) figures(i int, t time.Duration, f socket.Figures) {
	add(c.Current[i], t, f.CathodeCurrent)
	add(c.Ratio[i], t, f.DissipationRatio)
	if f.PlateVolts.Known {
		c.HT.Add(t, f.PlateVolts.X)
	}
	if r := f.DissipationRatio; r.Known && (!c.Worst[i].Ratio.Known || r.X > c.Worst[i].Ratio.X) {
		c.Worst[i] = report.Worst{Ratio: r, T: t}
	}
}

func add(s *chart.Series, t time.Duration, v socket.Value) {
	if v.Known {
		s.Add(t, v.X)
	} else {
		s.Break()
	}
}

// at is the data as of a snapshot, sharing nothing that is still written to.
func (c *collector) at(s alarms.Snapshot) *report.Data {
	d := c.Data
	d.End, d.Final = s.T, s
	d.Events = slices.Clone(c.Events)
	d.Worst = slices.Clone(c.Worst)
	d.HT = c.HT.Clone()
	d.Current, d.Ratio = slices.Clone(c.Current), slices.Clone(c.Ratio)
	for i := range d.Ratio {
		d.Current[i], d.Ratio[i] = c.Current[i].Clone(), c.Ratio[i].Clone()
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

// collect judges a recorded run again and gathers its report.
func collect(s *record.Store, info record.Info) (*report.Data, error) {
	b, j, err := filesOf(info)
	if err != nil {
		return nil, err
	}
	c := newCollector(b, j)
	e := alarms.New(b, j)
	e.OnFigures = c.figures
	err = judge(e, s.Inputs(info.ID), info.Advanced, func(ev alarms.Event) error {
		c.Events = append(c.Events, ev)
		if ev.Event == alarms.EventSettled {
			c.Idle = e.Snapshot()
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	host, err := s.HostEvents(info.ID)
	if err != nil {
		return nil, err
	}
	d := c.at(e.Snapshot())
	for _, h := range host {
		d.Host = append(d.Host, h.Wall.Format(time.RFC3339)+": "+h.Text)
	}
	d.RunID, d.Started, d.Ended = info.ID, info.Started, info.Ended != nil
	return d, nil
}

// writeReport writes a recorded run in the form that suffix names. rejected is
// how many frames of each meter were, where it is still known.
func writeReport(w io.Writer, suffix string, s *record.Store, info record.Info, rejected []uint64) error {
	if suffix == ".csv" {
		return record.WriteCSV(w, info.Meters, s.Inputs(info.ID))
	}
	if !slices.Contains(report.Suffixes, suffix) {
		return &report.SuffixError{Suffix: suffix}
	}
	d, err := collect(s, info)
	if err != nil {
		return err
	}
	d.Rejects = rejected
	return report.Write(w, suffix, d)
}

// line is an event as it is printed and recorded: one line of JSON.
func line(ev alarms.Event) ([]byte, error) {
	b, err := json.Marshal(ev)
	return append(b, '\n'), err
}
