package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"path/filepath"
	"regexp"
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
func (d *dataDir) reader() (*record.Store, error) { return record.OpenReader(d.dir()) }

func (d *dataDir) dir() string {
	if d.Data == "" {
		return bench.DefaultDataDir()
	}
	return d.Data
}

// writer opens the records for a command that changes something, beside a
// daemon or without one.
func (d *dataDir) writer() (*record.Store, error) {
	dir := d.Data
	if dir == "" {
		dir = bench.DefaultDataDir()
	}
	return record.OpenBeside(dir)
}

type replayCmd struct {
	What  string `arg:"" name:"RUN|readings.csv" help:"A recorded run, or a readings file."`
	Bench string `placeholder:"FILE" help:"Bench file (default: the one the run ran with)."`
	Job   string `placeholder:"FILE" help:"Job file (default: the one the run ran with)."`
	Acts  string `placeholder:"FILE" help:"What the operator did, beside a readings file: one event a line, as replay --json prints."`
	JSON  bool   `help:"One line of JSON per event, the bytes that were recorded; one object with --explain."`

	Limits  string  `placeholder:"FILE" help:"What if: a file with a [limits] table, whose keys replace the job's for this replay."`
	Explain string  `placeholder:"SOCKET" help:"Print how this socket is judged and why, instead of the events."`
	At      *moment `placeholder:"T" help:"The moment to explain: seconds since the run began, or h:mm:ss (default: the end)."`
	dataDir
}

// Run judges again and prints the events, or explains a socket.
func (c *replayCmd) Run(a *app) error {
	if c.At != nil && c.Explain == "" {
		return usage(errors.New("--at goes with --explain: name the socket to explain"))
	}
	if strings.EqualFold(filepath.Ext(c.What), ".csv") {
		return c.replayCSV(a)
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
	return c.judge(a, b, j, s.Inputs(info.ID), info.Advanced)
}

func (c *replayCmd) replayCSV(a *app) error {
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
	err = c.judge(a, b, j, inputs, 0)
	if bad := new(record.SyntaxError); errors.Is(err, alarms.ErrRefused) || errors.As(err, &bad) {
		return usage(err)
	}
	return err
}

// judge judges inputs, which end at end (0: with the last input).
func (c *replayCmd) judge(a *app, b *bench.Bench, j *bench.Job, inputs iter.Seq2[alarms.Input, error], end time.Duration) error {
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
	if c.Limits != "" {
		if err := j.LoadLimits(c.Limits); err != nil {
			return usage(err)
		}
	}
	e := alarms.New(b, j)
	if c.Explain == "" {
		return judge(e, c.possible(a, e, inputs, event), end, event)
	}

	if _, err := e.Explain(c.Explain); err != nil {
		return usage(err)
	}
	event = func(alarms.Event) error { return nil }
	at := time.Duration(math.MaxInt64)
	if c.At != nil {
		at = time.Duration(*c.At)
	}
	if err := judge(e, c.possible(a, e, until(inputs, at, &end), event), 0, event); err != nil {
		return err
	}
	e.Advance(min(at, end))
	if c.At != nil && e.Now() < at {
		return usage(fmt.Errorf("--at %s is after the end at %s", clock(at), clock(e.Now())))
	}
	x, err := e.Explain(c.Explain)
	if err == nil && c.JSON {
		err = json.NewEncoder(a.out).Encode(x)
	} else if err == nil {
		_, err = fmt.Fprint(a.out, x)
	}
	return err
}

// possible leaves out, and logs, what cannot be done to an alarm: under the limits
// of --limits it may never have been raised, or be elsewhere.
func (c *replayCmd) possible(a *app, e *alarms.Engine, inputs iter.Seq2[alarms.Input, error], event func(alarms.Event) error) iter.Seq2[alarms.Input, error] {
	if c.Limits == "" {
		return inputs
	}
	return func(yield func(alarms.Input, error) bool) {
		for in, err := range inputs {
			if err == nil && in.Act != nil && in.Act.ID != "" {
				for _, ev := range e.Advance(in.T) { // it may have been raised just before, by a delay that ended
					err = errors.Join(err, event(ev))
				}
				if refused := e.Check(*in.Act); refused != nil && err == nil {
					a.log.Warn().Str("t", clock(in.T)).Msg("under these limits an act is left out: " + refused.Error())
					continue
				}
			}
			if !yield(in, err) {
				return
			}
		}
	}
}

// until is inputs up to and at the moment at, and reads one more at most: when
// there is one, the run goes on and *end is at. Within a gap it is an error.
func until(inputs iter.Seq2[alarms.Input, error], at time.Duration, end *time.Duration) iter.Seq2[alarms.Input, error] {
	return func(yield func(alarms.Input, error) bool) {
		for in, err := range inputs {
			if err == nil && in.T > at {
				*end = at
				if g := in.Gap; g != nil && at > time.Duration(g.From) {
					yield(in, usage(fmt.Errorf("--at %s is in a gap: nothing was watched from %s to %s; ask for a moment outside it",
						clock(at), clock(time.Duration(g.From)), clock(in.T))))
				}
				return
			}
			if !yield(in, err) {
				return
			}
		}
	}
}

// moment is a run time on the command line: "9120" or "2:32:00".
type moment time.Duration

var clockTime = regexp.MustCompile(`^(\d+):([0-5]\d):([0-5]\d)`)

// UnmarshalText reads seconds or h:mm:ss, rounded to 1 ms.
func (m *moment) UnmarshalText(b []byte) error {
	digits := strings.Trim(string(b), "0123456789.:") == ""
	d, err := time.ParseDuration(clockTime.ReplaceAllString(string(b), "${1}h${2}m${3}") + "s")
	if err != nil || !digits {
		return fmt.Errorf("%q is not a moment: write seconds since the run began, such as 9120, or h:mm:ss, such as 2:32:00", b)
	}
	*m = moment(d.Round(time.Millisecond))
	return nil
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
