package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"nightsoak/alarms"
	"nightsoak/alarms/notify"
)

// startTelling starts the bench's [[notify]] channels; their queues stand
// beside the record.
func (d *daemon) startTelling() *notify.Notifier {
	return notify.Open(d.bench, notify.Options{Dir: filepath.Join(d.bench.DataDir, "notify"), Notice: d.notice, Status: d.inALine,
		Speed: d.speed, Log: d.log})
}

// stopTelling tries once more what waits; the rest keeps for the next start.
func (d *daemon) stopTelling() {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := d.tell.Close(ctx); err != nil {
		d.log.Warn().Err(err).Msg("not told")
	}
}

// tellHost tells people how an alarm of the daemon's own stands.
func (d *daemon) tellHost(name string, state alarms.State, text string) {
	about, _ := alarms.About(name)
	e := alarms.Event{ID: name + "/" + d.bench.Name, Alarm: name, Subject: d.bench.Name, Priority: about.Priority, State: state}
	if state == alarms.Unacknowledged {
		e.Text, e.Advice = text, about.Advice
	}
	d.tell.Host(e)
}

// inALine is how the bench does, for the daily sign of life.
func (d *daemon) inALine() string {
	s := d.state.Load()
	if s == nil || s.RunID == "" {
		return "No run is on."
	}
	standing := 0
	for _, a := range s.Snapshot.Alarms {
		if a.Active {
			standing++
		}
	}
	return fmt.Sprintf("Run %s is in %s for %v; %d alarms stand.", s.RunID, s.Snapshot.Phase,
		(s.Snapshot.T - s.Snapshot.PhaseSince).Truncate(time.Minute), standing)
}
