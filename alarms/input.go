package alarms

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"time"

	"nightsoak/drivers"
)

// Input is one thing that happened, in the order it arrived. Readings, acts,
// port changes and gaps are all that the engine ever sees; everything it says
// follows from them.
type Input struct {
	T       time.Duration // run time, whole milliseconds
	Meter   int           // index into the bench's meters, of a Reading
	Reading drivers.Reading
	Act     *Act        // set: an act, Reading means nothing
	Port    *PortChange // set: a port change
	Gap     *Gap        // set: the daemon was not there
}

// Act is what an operator did.
type Act struct {
	Act        string   `json:"act"`                   // begin end note mark adjusted move acknowledge reset shelve unshelve out-of-service in-service cut rearm walkaway drill
	ID         string   `json:"id,omitempty"`          // of an act on an alarm: its id; cut: of the alarm that cut
	By         string   `json:"by,omitempty"`          // out-of-service, in-service, walkaway: who, by name
	Text       string   `json:"text,omitempty"`        // note; mark: "before", "after"; out-of-service, cut: why; walkaway, drill: what came of it
	Watch      string   `json:"watch,omitempty"`       // mark
	For        string   `json:"for,omitempty"`         // shelve: how long, "30m"
	Meter      string   `json:"meter,omitempty"`       // move; cut: whose reading caused it
	Socket     string   `json:"socket,omitempty"`      // move, adjusted (or "all")
	FirstPower bool     `json:"first_power,omitempty"` // begin
	Reading    string   `json:"reading,omitempty"`     // cut: that reading as displayed, "83.1 mV"
	ReadT      *Seconds `json:"reading_t,omitempty"`   // cut: when it came

	Lines []Finding `json:"lines,omitempty"` // walkaway, drill: what was looked at
}

// Finding is one thing that a departure check or a drill looked at.
type Finding struct {
	Name string   `json:"line"`
	Is   Standing `json:"is"`
	Text string   `json:"text"`          // one sentence
	Why  string   `json:"why,omitempty"` // waived: why, in a person's words
}

// Standing is how a Finding stands.
type Standing string

// The standings.
const (
	Pass    Standing = "pass"
	Fail    Standing = "fail"
	Waived  Standing = "waived"  // it does not pass, and a person answers for that
	Untried Standing = "untried" // nobody could or wanted to try it
)

// PortChange is a meter's port opened, lost or refused.
type PortChange struct {
	Meter string `json:"meter"`
	Open  bool   `json:"open"`
	Text  string `json:"text,omitempty"` // what is wrong and how to mend it
}

// Gap is a stretch of run time in which no daemon ran.
type Gap struct {
	From Seconds `json:"from"` // run time up to which the run had been judged
	Text string  `json:"text"`
}

// Seconds is a run time or a duration that shows in JSON as seconds with three decimals.
type Seconds time.Duration

// MarshalJSON is seconds with three decimals: 613.000.
func (s Seconds) MarshalJSON() ([]byte, error) {
	return strconv.AppendFloat(nil, time.Duration(s).Seconds(), 'f', 3, 64), nil
}

// UnmarshalJSON reads seconds and rounds them to 1 ms.
func (s *Seconds) UnmarshalJSON(b []byte) error {
	var x float64
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	if !(math.Abs(x) < 1e9) {
		return fmt.Errorf("time of %g s is out of range", x)
	}
	*s = Seconds(time.Duration(math.Round(x*1000)) * time.Millisecond)
	return nil
}
