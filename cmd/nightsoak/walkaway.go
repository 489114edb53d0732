package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"runtime/debug"
	"slices"
	"text/tabwriter"
	"time"

	"nightsoak/alarms"
	"nightsoak/alarms/walkaway"
)

// testWait is how long, wall time, a test or drill message has to be taken: more
// than a channel's first few tries.
const testWait = 20 * time.Second

// Walkaway tries the channels or makes the departure check, and with keep puts
// that into the run.
func (d *daemon) Walkaway(ctx context.Context, ask walkaway.Ask, keep bool) (walkaway.Result, error) {
	s := d.State()
	job := d.Job(s.RunID)
	if s.RunID == "" || job == nil || s.Snapshot.Phase == alarms.Ended {
		return walkaway.Result{}, fmt.Errorf("%w: walkaway: no run is on", alarms.ErrRefused)
	}
	if ask.Try {
		return d.tryChannels(ctx, s.RunID)
	}
	for _, name := range slices.Sorted(maps.Keys(ask.Heard)) {
		t, err := d.tell.Confirm(ask.Heard[name])
		if err == nil && t.Channel != name {
			err = fmt.Errorf("the code of %s was sent to %s, and counts there", name, t.Channel)
		}
		if err != nil {
			return walkaway.Result{}, invalid{err}
		}
	}
	f := walkaway.Facts{Bench: d.bench, Job: job, Run: s.RunID, Started: s.Started, Snapshot: s.Snapshot, Trials: d.tell.Trials(), Cutoff: s.Cutoff,
		Disk: diskAt(d.bench.DataDir), Clock: walkaway.Clock{Now: time.Now(), Synced: clockSynced()}, Awake: staysAwake()}
	if d.cut.hand != nil {
		f.CutTry = d.cut.hand.Try()
	}
	if err := d.notBefore(&f.Clock); err != nil {
		return walkaway.Result{}, err
	}
	r, err := walkaway.Check(&f, ask.Answers)
	if err != nil {
		return r, invalid{err}
	}
	if keep {
		err = d.ask(ctx, found("walkaway", ask.By, r.Text, r.Lines))
	}
	return r, err
}

// found is an act with what was looked at.
func found(act, by, text string, lines []alarms.Finding) ask {
	return ask{act: alarms.Act{Act: act, By: by, Text: text, Lines: lines}}
}

func (d *daemon) tryChannels(ctx context.Context, run string) (walkaway.Result, error) {
	if len(d.bench.Notify) == 0 {
		return walkaway.Result{}, fmt.Errorf("%w: walkaway: the bench file has no [[notify]] to try", alarms.ErrRefused)
	}
	within, cancel := context.WithTimeout(ctx, testWait)
	defer cancel()
	r := walkaway.Result{At: time.Now().UTC().Round(time.Second), Run: run, Cautions: walkaway.Cautions, Channels: walkaway.Channels(d.tell.Test(within))}
	sent := 0
	for _, c := range r.Channels {
		if c.Delivered {
			sent++
		}
	}
	r.OK = sent == len(r.Channels)
	r.Text = fmt.Sprintf("%d of %d channels have taken a test message; what counts is its code, typed back", sent, len(r.Channels))
	return r, nil
}

// notBefore is the latest moment that the clock must be past: this program's
// commit, and the begin and end of every run.
func (d *daemon) notBefore(c *walkaway.Clock) error {
	later := func(t time.Time, because string) {
		if t.After(c.NotBefore) {
			c.NotBefore, c.Because = t, because
		}
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if t, err := time.Parse(time.RFC3339, s.Value); s.Key == "vcs.time" && err == nil {
				later(t, "this program was written")
			}
		}
	}
	runs, err := d.store.Runs()
	for _, run := range runs {
		later(run.Started, "run "+run.ID+" began")
		if run.Ended != nil {
			later(*run.Ended, "run "+run.ID+" ended")
		}
	}
	return err
}

type walkawayCmd struct {
	Confirm []string          `placeholder:"LINE,..." help:"Lines that only a person can confirm, and does."`
	Waive   map[string]string `placeholder:"LINE=WHY" mapsep:"none" help:"A line that may fail, and why; once for each. Needs --by."`
	By      string            `placeholder:"NAME" help:"Who confirms and waives."`
	Try     bool              `help:"Send a test message with a code on every channel, and judge nothing."`
	Heard   map[string]string `placeholder:"CHANNEL=CODE" mapsep:"none" help:"The code that a channel's test message brought; once for each."`
	JSON    bool              `help:"As JSON, as POST /api/walkaway answers."`
	remote
}

// Run asks the daemon and prints how each line stands.
func (c *walkawayCmd) Run(a *app) error {
	if c.Try && len(c.Confirm)+len(c.Waive)+len(c.Heard) > 0 {
		return usage(errors.New("walkaway: --try only sends messages: type their codes back with --heard, and confirm then"))
	}
	b, err := c.callFor(a.ctx, testWait+10*time.Second, "/api/walkaway",
		walkaway.Ask{Answers: walkaway.Answers{Confirm: c.Confirm, Waive: c.Waive, By: c.By}, Try: c.Try, Heard: c.Heard})
	if err != nil {
		return err
	}
	var r walkaway.Result
	if err := json.Unmarshal(b, &r); err != nil {
		return fmt.Errorf("%s does not answer like this version's daemon: %w", c.At, err)
	}
	if c.JSON {
		_, err = a.out.Write(b)
	} else {
		err = printWalkaway(a.out, &r)
	}
	if err == nil && !r.OK {
		err = &status{code: exitNotSo}
	}
	return err
}

func printWalkaway(out io.Writer, r *walkaway.Result) error {
	for _, c := range r.Cautions {
		fmt.Fprintln(out, c)
	}
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	printFindings(w, r.Lines)
	if len(r.Lines) == 0 {
		for _, c := range r.Channels {
			switch {
			case c.Delivered:
				fmt.Fprintf(w, "sent\t%s\ttype its code back with --heard %s=CODE, or the channel's name for a sound\n", c.Channel, c.Channel)
			default:
				fmt.Fprintf(w, "not sent\t%s\t%s\n", c.Channel, c.Err)
			}
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out, "\nRun %s at %s: %s.\n", r.Run, r.At.Format(time.RFC3339), r.Text)
	return err
}

// printFindings is one line each; the writer's errors come with its Flush.
func printFindings(w io.Writer, lines []alarms.Finding) {
	for _, l := range lines {
		why := ""
		if l.Why != "" {
			why = " (waived: " + l.Why + ")"
		}
		fmt.Fprintf(w, "%s\t%s\t%s%s\n", l.Is, l.Name, l.Text, why)
	}
}
