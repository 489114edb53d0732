package main

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/export/record"
)

// dataDir is where the records are.
type dataDir struct {
	Data string `placeholder:"DIR" help:"Where the records are (default: as for a bench file without data_dir)."`
}

// reader opens the records for reading.
func (d *dataDir) reader() (*record.Store, error) {
	dir := d.Data
	if dir == "" {
		dir = bench.DefaultDataDir()
	}
	return record.OpenReader(dir)
}

type replayCmd struct {
	What  string `arg:"" name:"RUN|readings.csv" help:"A recorded run, or a readings file."`
	Bench string `placeholder:"FILE" help:"Bench file (default: the one the run ran with)."`
	Job   string `placeholder:"FILE" help:"Job file (default: the one the run ran with)."`
	Acts  string `placeholder:"FILE" help:"What the operator did, beside a readings file: one event a line, as replay --json prints."`
	JSON  bool   `help:"One line of JSON per event, the bytes that were recorded."`
	dataDir
}

// Run judges again and prints the events.
func (c *replayCmd) Run(a *app) error {
	event := func(ev alarms.Event) error {
		b, err := line(ev)
		if err == nil {
			if !c.JSON {
				b = append([]byte(people(ev)), '\n')
			}
			_, err = a.out.Write(b)
		}
		return err
	}
	if strings.EqualFold(filepath.Ext(c.What), ".csv") {
		return c.replayCSV(event)
	}
	if c.Acts != "" {
		return usage(errors.New("--acts goes with a readings file: a recorded run has its acts"))
	}
	s, err := c.reader()
	if err != nil {
		return err
	}
	defer s.Close()
	info, err := s.Find(c.What)
	if err != nil {
		return usage(err)
	}
	b, err := benchOf(info)
	if c.Bench != "" {
		b, err = bench.Load(c.Bench)
	}
	if err != nil {
		return usage(err)
	}
	j, err := bench.ParseJob("job file of run "+info.ID, info.JobText, b)
	if c.Job != "" {
		j, err = bench.LoadJob(c.Job, b)
	}
	if err != nil {
		return usage(err)
	}
	return judge(alarms.New(b, j), s.Inputs(info.ID), info.Advanced, event)
}

func (c *replayCmd) replayCSV(event func(alarms.Event) error) error {
	if c.Bench == "" || c.Job == "" {
		return usage(errors.New("a readings file needs --bench and --job beside it"))
	}
	b, j, err := (&files{c.Bench, c.Job}).load()
	if err != nil {
		return err
	}
	f, err := os.Open(c.What)
	if err != nil {
		return usage(err)
	}
	defer f.Close()
	inputs := record.ReadCSV(f, c.What, b.MeterIndex)
	acts := io.Reader(strings.NewReader(""))
	if c.Acts != "" {
		af, err := os.Open(c.Acts)
		if err != nil {
			return usage(err)
		}
		defer af.Close()
		acts = af
	}
	inputs = record.Merge(begun(record.ReadActs(acts, c.Acts)), inputs)
	err = judge(alarms.New(b, j), inputs, 0, event)
	if bad := new(record.SyntaxError); errors.Is(err, alarms.ErrRefused) || errors.As(err, &bad) {
		return usage(err)
	}
	return err
}

// begun puts a begin before acts that have none: a readings file alone is a
// run from its first second.
func begun(acts iter.Seq2[alarms.Input, error]) iter.Seq2[alarms.Input, error] {
	return func(yield func(alarms.Input, error) bool) {
		first := true
		begin := func() bool { return yield(alarms.Input{Act: &alarms.Act{Act: "begin"}}, nil) }
		for in, err := range acts {
			if first && (in.Act == nil || in.Act.Act != "begin") && !begin() {
				return
			}
			first = false
			if !yield(in, err) {
				return
			}
		}
		if first {
			begin()
		}
	}
}

// people is an event in words, one line.
func people(ev alarms.Event) string {
	w := []string{clock(time.Duration(ev.T)), ev.Event}
	for _, s := range []string{string(ev.Phase), ev.Act, ev.ID, ev.Socket, ev.Meter, string(ev.Priority), string(ev.State)} {
		if s != "" {
			w = append(w, s)
		}
	}
	if ev.Open != nil {
		w = append(w, map[bool]string{true: "open", false: "lost"}[*ev.Open])
	}
	if v := ev.CathodeCurrent; v != nil && v.Known {
		w = append(w, fmt.Sprintf("%.1f mA", 1000*v.X))
	}
	if v := ev.DissipationRatio; v != nil && v.Known {
		w = append(w, fmt.Sprintf("%.0f %%", 100*v.X))
	}
	s := strings.Join(w, " ")
	if ev.Text != "" {
		s += ": " + ev.Text
	}
	return s
}

// clock is a run time as hours, minutes and seconds.
func clock(t time.Duration) string {
	s := int(t.Seconds())
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}
