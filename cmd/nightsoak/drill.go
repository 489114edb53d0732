package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/alarms/drill"
)

// Drill gives a fault to a copy of the core and follows the alarm to people and to
// the relay. What it found goes into the run as an act; the fault does not.
func (d *daemon) Drill(ctx context.Context, ask drill.Ask) (drill.Result, error) {
	refuse := func(format string, args ...any) (drill.Result, error) {
		return drill.Result{}, fmt.Errorf("%w: drill: %s", alarms.ErrRefused, fmt.Sprintf(format, args...))
	}
	if !d.drilling.TryLock() {
		return refuse("another one is on")
	}
	defer d.drilling.Unlock()
	s := d.State()
	if s.RunID == "" || s.Snapshot.Phase == alarms.Ended {
		return refuse("no run is on")
	}
	if ask.Cut && d.cut.hand == nil {
		return drill.Result{}, errNoCutoff
	}
	e, err := d.copyCore(ctx, s.RunID)
	if err != nil {
		return drill.Result{}, err
	}
	o, err := drill.Inject(e.Engine, e.bench, e.job, ask)
	if err != nil {
		return drill.Result{}, invalid{err}
	}
	came := time.Now()
	after := time.Duration(o.Alarm.T) - o.Began // run time from the guilty reading to the alarm
	lines := []alarms.Finding{alarmFinding(&o)}
	if o.Alarm.Event != "" {
		// from is how long it was, in earnest, since the guilty reading.
		from := func(at time.Time) string {
			took := at.Sub(came) + o.Judging
			return fmt.Sprintf("%v after the alarm, %.3f s after the guilty reading", took.Round(10*time.Microsecond), (after + time.Duration(d.speed*float64(took))).Seconds())
		}
		lines = append(lines, d.drillCut(ctx, ask, &o.Alarm, e, from)) // first, as in earnest
		lines = append(lines, d.drillChannels(ctx, o.Alarm, from)...)
	}
	r := drill.Result{OK: true, Lines: lines}
	var words []string
	for _, l := range lines {
		r.OK = r.OK && l.Is != alarms.Fail
		words = append(words, l.Name+" "+string(l.Is))
	}
	r.Text = fmt.Sprintf("%s in a copy of the run, by false readings of %s: %s", ask.Fault, o.Meter, strings.Join(words, ", "))
	return r, d.ask(ctx, found("drill", "", r.Text, lines))
}

// copied is a copy of the running core, and the files it judges by.
type copied struct {
	*alarms.Engine
	bench *bench.Bench
	job   *bench.Job
}

// copyCore is a fresh engine that was fed what the run has recorded up to now.
func (d *daemon) copyCore(ctx context.Context, run string) (*copied, error) {
	d.shown.RLock()
	writer := d.shown.writer
	d.shown.RUnlock()
	flush, cancel := context.WithTimeout(ctx, flushWait)
	defer cancel()
	if err := writer.Flush(flush); err != nil {
		return nil, fmt.Errorf("drill: the copy needs what is recorded: %w", err)
	}
	info, err := d.store.Find(run)
	if err != nil {
		return nil, err
	}
	b, j, err := filesOf(info)
	if err != nil {
		return nil, err
	}
	e := alarms.New(b, j)
	for in, err := range d.store.Inputs(run) {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return nil, err
		}
		e.Feed(in)
	}
	return &copied{e, b, j}, nil
}

func alarmFinding(o *drill.Outcome) alarms.Finding {
	f := alarms.Finding{Name: "alarm", Is: alarms.Pass}
	if o.Alarm.Event == "" {
		f.Is = alarms.Fail
		f.Text = fmt.Sprintf("%s did not come within %v of run time, with %s showing what it must come of", o.Wanted, (o.Until - o.Began).Round(time.Second), o.Meter)
		if len(o.Others) > 0 {
			f.Text += "; what came was " + strings.Join(o.Others, ", ")
		}
		return f
	}
	f.Text = fmt.Sprintf("%s, %s priority, %.3f s of run time after the first guilty reading (%s: %s); the last one was judged in %v", o.Wanted, o.Alarm.Priority,
		(time.Duration(o.Alarm.T) - o.Began).Seconds(), o.Meter, o.Reading, o.Judging.Round(time.Microsecond))
	return f
}

// drillCut tries the way to the relay; only with ask.Cut it drops the mains.
func (d *daemon) drillCut(ctx context.Context, ask drill.Ask, e *alarms.Event, c *copied, from func(time.Time) string) alarms.Finding {
	f := alarms.Finding{Name: "cut-off", Is: alarms.Pass}
	hand := d.cut.hand
	if hand == nil {
		f.Is, f.Text = alarms.Untried, "no cut-off: nothing drops the mains"
		return f
	}
	earnest := ""
	switch rules := cutoff.RulesOf(c.bench.Cutoff, c.job); {
	case e.Priority != alarms.High || !slices.Contains(rules.When, e.Alarm):
		earnest = "; in earnest " + e.Alarm + " drops nothing by these files"
	case rules.After > 0:
		earnest = fmt.Sprintf("; in earnest it must have stood for %v", rules.After)
	}
	if !ask.Cut {
		switch err := hand.Try(); {
		case errors.Is(err, cutoff.ErrOnlyCut):
			f.Is, f.Text = alarms.Untried, err.Error()+": drill with --cut to see it drop"
		case err != nil:
			f.Is, f.Text = alarms.Fail, "it could not drop now: "+err.Error()
		default:
			f.Text = "its way was found in order " + from(time.Now()) + "; nothing was dropped"
		}
		f.Text += earnest
		return f
	}
	hand.Cut(cutoff.Cause{ID: e.ID, Text: "a drill of " + e.ID + " that was asked to cut", Person: true})
	within, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if err := hand.Dropped(within); err != nil {
		f.Is, f.Text = alarms.Fail, err.Error()
	} else {
		f.Text = "the mains were told to drop, and that was on the disk, " + from(time.Now()) + "; what HT and currents do now is being watched"
	}
	f.Text += earnest
	return f
}

func (d *daemon) drillChannels(ctx context.Context, e alarms.Event, from func(time.Time) string) (lines []alarms.Finding) {
	within, cancel := context.WithTimeout(ctx, testWait)
	defer cancel()
	for _, t := range d.tell.Drill(within, e) {
		f := alarms.Finding{Name: "channel " + t.Channel, Is: alarms.Pass}
		switch {
		case t.Asked.IsZero():
			f.Is, f.Text = alarms.Untried, t.Channel+" "+t.Err
		case !t.Delivered.IsZero():
			f.Text = "delivered " + from(t.Delivered)
		case t.Err != "":
			f.Is, f.Text = alarms.Fail, "not delivered: "+t.Err
		default:
			f.Is, f.Text = alarms.Fail, fmt.Sprintf("not delivered within %v", testWait)
		}
		lines = append(lines, f)
	}
	if len(lines) == 0 {
		lines = []alarms.Finding{{Name: "channels", Is: alarms.Untried, Text: "the bench file has no [[notify]]: an alarm calls nobody"}}
	}
	return lines
}

type drillCmd struct {
	Fault  string `arg:"" enum:"runaway,over-dissipation,open,dead,silent,plate-lead" help:"${enum}."`
	Socket string `placeholder:"SOCKET" help:"Where (default: the first whose current is known)."`
	Cut    bool   `help:"Really drop the mains. Without it the cut-off's way is only looked at."`
	JSON   bool   `help:"As JSON, as POST /api/drill answers."`
	remote
}

// drillWait is how long the daemon may take: a long night is judged again first.
const drillWait = 2 * time.Minute

// Run asks the daemon for a drill and prints what came of it.
func (c *drillCmd) Run(a *app) error {
	b, err := c.callFor(a.ctx, drillWait, "/api/drill", drill.Ask{Fault: c.Fault, Socket: c.Socket, Cut: c.Cut})
	if err != nil {
		return err
	}
	var r drill.Result
	if err := json.Unmarshal(b, &r); err != nil {
		return fmt.Errorf("%s does not answer like this version's daemon: %w", c.At, err)
	}
	if c.JSON {
		_, err = a.out.Write(b)
	} else {
		fmt.Fprintln(a.out, "A drill: nothing of it has happened, and the record says so.")
		w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
		printFindings(w, r.Lines)
		err = w.Flush()
	}
	if err == nil && !r.OK {
		err = &status{code: exitNotSo}
	}
	return err
}
