package alarms

import "nightsoak/acquire/socket"

// The kinds of Event.
const (
	EventPhase   = "phase"
	EventSettled = "settled"
	EventAlarm   = "alarm"
	EventAct     = "act"
	EventPort    = "port"
	EventGap     = "gap"
	// EventRange says that a meter switched range, which changes its error and its last digit.
	EventRange = "range"
	// EventSetting says that bench or job file set something of an alarm anew.
	EventSetting = "setting"
	// EventSoakOver says that the job's soak_for has passed since the soak began.
	EventSoakOver = "soak-over"
)

// Event is something the run's record says happened. Events are values,
// numbered from 1 in the order they were made, appended once and never edited.
// Its JSON is one line and the same bytes for the same inputs.
type Event struct {
	Seq   int     `json:"-"`
	T     Seconds `json:"t"`
	Event string  `json:"event"`

	Phase Phase `json:"phase,omitempty"` // phase

	Act string `json:"act,omitempty"` // act: see Act for the fields that go with each

	Socket           string        `json:"socket,omitempty"`            // settled, act
	CathodeCurrent   *socket.Value `json:"cathode_current_a,omitempty"` // settled
	DissipationRatio *socket.Value `json:"dissipation_ratio,omitempty"` // settled

	ID       string   `json:"id,omitempty"`       // alarm, act: "runaway/V7"
	Alarm    string   `json:"alarm,omitempty"`    // alarm: "runaway"
	Subject  string   `json:"subject,omitempty"`  // alarm: socket, watch, meter or the bench's name
	Priority Priority `json:"priority,omitempty"` // alarm
	State    State    `json:"state,omitempty"`    // alarm
	// Active says that the condition stands behind a state that does not tell:
	// shelved, suppressed, out-of-service.
	Active   bool `json:"active,omitempty"`   // alarm
	Weakened bool `json:"weakened,omitempty"` // setting: of an alarm that is or grows high, and to less

	Meter      string   `json:"meter,omitempty"`       // port, act, range; alarm: whose figure a bench-wide one stands by
	Watch      string   `json:"watch,omitempty"`       // act
	Switches   int      `json:"switches,omitempty"`    // range: since the last event of that meter's
	Open       *bool    `json:"open,omitempty"`        // port
	From       *Seconds `json:"from,omitempty"`        // gap
	For        string   `json:"for,omitempty"`         // act
	By         string   `json:"by,omitempty"`          // act: who, by name
	FirstPower bool     `json:"first_power,omitempty"` // act
	Reading    string   `json:"reading,omitempty"`     // act
	ReadT      *Seconds `json:"reading_t,omitempty"`   // act

	Lines []Finding `json:"lines,omitempty"` // act: walkaway, drill

	Text   string `json:"text,omitempty"`   // alarm, act, port, gap, range, setting: what, for people
	Advice string `json:"advice,omitempty"` // alarm: what to do
}

// Stands says whether an alarm's condition stands as of this event, whatever
// people or a flood make of it: what must act on conditions, and not on who was
// told, goes by this.
func (e *Event) Stands() bool {
	return e.Event == EventAlarm && (e.State == Unacknowledged || e.State == Acknowledged || e.Active)
}

// Phase is where a run stands.
type Phase string

// The phases, in their usual order.
const (
	Standby  Phase = "standby"   // before HT
	WarmUp   Phase = "warm-up"   // from HT up
	Soak     Phase = "soak"      // from settled, or from settle_by
	CoolDown Phase = "cool-down" // from HT under half its settled value
	Ended    Phase = "ended"
)

// Priority is how soon a person must act.
type Priority string

// The priorities.
const (
	Low    Priority = "low"
	Medium Priority = "medium"
	High   Priority = "high"
)

// Rank is 1 for low, 2 for medium, 3 for high, 0 for anything else.
func (p Priority) Rank() int {
	switch p {
	case Low:
		return 1
	case Medium:
		return 2
	case High:
		return 3
	}
	return 0
}

// State is an alarm's state after ISA-18.2 / IEC 62682.
type State string

// The states.
const (
	Normal         State = "normal"
	Unacknowledged State = "unacknowledged"
	Acknowledged   State = "acknowledged"
	Returned       State = "returned" // back to normal, not yet acknowledged
	// Latched is over and seen, but was high: it stays until a person resets it.
	Latched      State = "latched"
	Shelved      State = "shelved"
	Suppressed   State = "suppressed" // by design: another alarm says it already
	OutOfService State = "out-of-service"
)
