package main

import (
	"context"
	"fmt"
	"time"

	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/export"
)

// cutting is the daemon's hand: all of it but hand is owned by core.
type cutting struct {
	hand    *cutoff.Hand // nil without a [cutoff]
	failure string       // as last said in the record
	seen    string       // likewise
}

const cutoffFailed = "cutoff-failed"

func (d *daemon) openCutoff() (err error) {
	if d.bench.Cutoff != nil {
		d.cut.hand, err = cutoff.Open(d.bench.Cutoff, d.bench.DataDir, d.log)
	}
	return err
}

func (d *daemon) closeCutoff() error {
	if d.cut.hand == nil {
		return nil
	}
	return d.cut.hand.Close()
}

// judged renews the lease of what holds the mains.
func (d *daemon) judged(at time.Time) {
	if d.cut.hand != nil {
		d.cut.hand.Judged(at)
	}
}

// watched says that a run is on, and its alarms are of this moment.
func (d *daemon) watched() bool {
	return d.run.writer != nil && !d.run.ended && !d.run.past
}

// cutOn drops the mains on what has just happened, before anybody is told.
func (d *daemon) cutOn(events []alarms.Event) {
	if d.cut.hand == nil || !d.watched() {
		return
	}
	rules := cutoff.RulesOf(d.bench.Cutoff, d.run.job)
	for i := range events {
		switch e := &events[i]; {
		case rules.AtOnce(e):
			d.cut.hand.Cut(cutoff.CauseOf(e.ID, e.Subject, e.Meter, e.Text, d.bench, d.run.job, d.run.engine.Last))
		case e.Event == alarms.EventSoakOver && d.run.job.CutAtEnd:
			d.cut.hand.Cut(cutoff.Cause{Text: "the soak is over, and the job says cut_at_end"})
		}
	}
}

// recordCuts puts what the hand did into the run.
func (d *daemon) recordCuts() {
	if d.cut.hand == nil || d.run.past {
		return
	}
	for _, act := range d.cut.hand.Untold() {
		d.log.Warn().Str("act", act.Act).Str("id", act.ID).Msg("cut-off: " + act.Text)
		if d.watched() && d.run.engine.Check(act) == nil {
			d.feed(alarms.Input{T: max(d.run.clock.Now(), d.run.engine.Now()), Act: &act})
		}
	}
}

// showCutoff shows the hand the state, lets it act on what stands in it, and adds
// to it how the hand is.
func (d *daemon) showCutoff(s *export.State) {
	hand := d.cut.hand
	if hand == nil {
		return
	}
	hand.Look(s.RunID, &s.Snapshot)
	if a := d.standingCut(s.Snapshot.Alarms, true); a != nil {
		hand.Cut(cutoff.CauseOf(a.ID, a.Subject, a.Meter, a.Text, d.bench, d.run.job, d.run.engine.Last))
	}
	s.Cutoff = hand.State()
	failure := hand.Failure()
	d.notice(cutoffFailed, failure)
	d.hostCutoff(s.Cutoff.Seen, &d.cut.seen)
	d.hostCutoff(failure, &d.cut.failure)
}

// hostCutoff puts what is new into the record, beside what is replayed.
func (d *daemon) hostCutoff(now string, said *string) {
	if now != *said && now != "" && d.watched() {
		d.run.writer.Host(time.Now(), "cut-off: "+now)
	}
	*said = now
}

// standingCut is the first alarm for which the mains are to be dropped, or with
// due false, for which they may not be held.
func (d *daemon) standingCut(standing []alarms.AlarmState, due bool) *alarms.AlarmState {
	if !d.watched() {
		return nil
	}
	rules := cutoff.RulesOf(d.bench.Cutoff, d.run.job)
	for i := range standing {
		if a := &standing[i]; rules.Cuts(a, d.run.engine.Now()) || !due && rules.Names(a) {
			return a
		}
	}
	return nil
}

// errNoCutoff says that there is nothing to drop.
var errNoCutoff = fmt.Errorf("%w: the bench file has no [cutoff]: nothing here drops the mains", alarms.ErrRefused)

// cutNow drops the mains because a person says so, past the core and whatever it
// does, and waits until it is done.
func (d *daemon) cutNow(ctx context.Context) error {
	if d.cut.hand == nil {
		return errNoCutoff
	}
	d.cut.hand.Cut(cutoff.Cause{Text: "a person said: cut now", Person: true})
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	return d.cut.hand.Dropped(ctx)
}

// rearm arms the cut-off again, if the core sees nothing that it would drop for.
func (d *daemon) rearm(ctx context.Context) error {
	if d.cut.hand == nil {
		return errNoCutoff
	}
	if err := d.ask(ctx, ask{act: alarms.Act{Act: "rearm"}}); err != nil {
		return err
	}
	return d.cut.hand.Rearm()
}

// mayRearm is core's part of rearm.
func (d *daemon) mayRearm() error {
	s := d.run.engine.Snapshot()
	s.Alarms = append(s.Alarms, d.hostAlarms()...)
	if a := d.standingCut(s.Alarms, false); a != nil {
		return fmt.Errorf("%w: rearm: %s stands, and would drop the mains again: %s", alarms.ErrRefused, a.ID, a.Text)
	}
	return nil
}

type cutCmd struct{ remote }

// Run drops the mains now.
func (c *cutCmd) Run(a *app) error { return c.act(a, alarms.Act{Act: "cut"}) }

type rearmCmd struct{ remote }

// Run arms the cut-off again.
func (c *rearmCmd) Run(a *app) error { return c.act(a, alarms.Act{Act: "rearm"}) }
