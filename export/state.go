// Package export is what every outlet is told: the state of the daemon at one
// moment. Its sub-packages show it, keep it and pass it on.
package export

import (
	"strings"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/drivers"
)

// State is the daemon at one moment. It is a value: outlets may keep it.
type State struct {
	Bench     string
	RunID     string    // empty when no run is on
	Ticket    string    // empty when no run is on
	Amplifier string    // as the job names it
	Started   time.Time // wall clock at run time 0, UTC
	Snapshot  alarms.Snapshot
	Rejects   []drivers.Rejects // per meter, in the order of Snapshot.Meters
	// Notices are what the daemon itself has to say, in words: a record that
	// fails.
	Notices []string
	Cutoff  cutoff.State
}

// Wall is the wall-clock stamp of run time t, UTC.
func (s *State) Wall(t time.Duration) time.Time { return s.Started.Add(t).UTC() }

// Rejected is what the meter with that index rejected so far; none where nothing is known of it.
func (s *State) Rejected(meter int) drivers.Rejects {
	if meter < len(s.Rejects) {
		return s.Rejects[meter]
	}
	return drivers.Rejects{}
}

// Heard says whether a meter is talking now, whatever it says: its last
// reading is then fresh. It is false for "waiting", "silent" and "port".
func Heard(m *alarms.MeterState) bool {
	switch m.State {
	case "waiting", "silent", "port":
		return false
	}
	return m.Age.Known
}

// U95 is the expanded uncertainty of v, in v's unit, with coverage factor 2:
// a level of confidence of about 95 % (JCGM 100:2008, 6.3.3). It is unknown
// where v is unknown or its uncertainty cannot be stated.
func U95(v socket.Value) socket.Value {
	return known(socket.Value{X: 2 * v.U, Known: v.Known && v.U > 0})
}

// known lets no figure through that JSON cannot show: what is not a finite
// number is not known.
func known(v socket.Value) socket.Value {
	if v.X-v.X != 0 {
		return socket.Value{}
	}
	return v
}

// ActWords is what goes with an act, on one line: its alarm, meter, socket,
// time and text, whichever it has.
func ActWords(e *alarms.Event) string {
	return strings.Join(strings.Fields(strings.Join([]string{e.ID, e.Meter, e.Socket, e.Watch, e.For, e.By, e.Text}, " ")), " ")
}
