// Package export is what every outlet is told: the state of the daemon at one
// moment. Its sub-packages show it, keep it and pass it on.
package export

import (
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

// State is the daemon at one moment. It is a value: outlets may keep it.
type State struct {
	Bench     string
	RunID     string    // empty when no run is on
	Ticket    string    // empty when no run is on
	Amplifier string    // as the job names it
	Anchor    time.Time // wall clock at run time 0, UTC
	Snapshot  alarms.Snapshot
	Rejects   []drivers.Rejects // per meter, in the order of Snapshot.Meters
	// Notices are what the daemon itself has to say, in words: a record that
	// fails, a cut-off that is configured but not driven.
	Notices []string
}

// Wall is the wall-clock stamp of a run time: the anchor plus t, UTC.
func (s *State) Wall(t time.Duration) time.Time { return s.Anchor.Add(t).UTC() }
