// Package bench reads the bench file (which meters, where) and the job file
// (which amplifier, which sockets): strict TOML, checked against each other,
// every error with its place and its mend.
package bench

import (
	"slices"
	"time"

	"nightsoak/acquire/tube"
	"nightsoak/drivers"
)

// Bench is a bench file, validated, with defaults filled in.
type Bench struct {
	Name    string
	DataDir string  // where the records are kept
	Meters  []Meter // at least one
	Panel   Panel
	Record  Record
	Lines   []Lines
	Notify  []Notify
	Cutoff  *Cutoff // nil without a [cutoff] table
	Text    []byte  // the file as it was read
}

// Meter is one [[meter]].
type Meter struct {
	Name        string // [a-z0-9-]+, unique
	Port        string // as the bench file gives it; meters told apart by their Settings may share one
	Format      drivers.Format
	Line        string // line settings, the format's own if the file gives none
	Accuracy    Accuracy
	Scale       float64          // probe division: 1000 for a 1000:1 divider; default 1
	SilentAfter time.Duration    // run time
	Every       time.Duration    // run time between questions to a meter that is asked
	Settings    drivers.Settings // what its format has beyond these
}

// Accuracy is "0.5% + 3": of reading, plus counts of the last digit.
type Accuracy struct {
	Given     bool    // false: not stated, the others mean nothing
	OfReading float64 // ratio: 0.005
	Counts    float64 // counts of the last digit
}

// Panel is [panel].
type Panel struct {
	Listen    string // host:port
	TokenFile string // empty when not given
}

// Record is [record]: how long ended runs stay.
type Record struct {
	KeepFor   time.Duration // since a run ended; 0 for ever
	KeepUnder int64         // bytes of all records; 0 for any number
}

// Lines is one [[lines]] outlet.
type Lines struct {
	To string // "file:PATH", "http://...", "https://...", "udp://host:port"
}

// Notify is one [[notify]] channel. One of URL, URLFile and Command is given.
type Notify struct {
	URL     string   // may hold a password
	URLFile string   // holds the URL
	Command []string // program and arguments; the event comes as JSON on its input
	AtLeast string   // priority from which it tells: low, medium, high
}

// Cutoff is [cutoff].
type Cutoff struct {
	By          string        // line, bytes, modbus, command, http
	Port        string        // of line, bytes and modbus
	Line        string        // of line: dtr, rts
	When        []string      // alarm names
	ProveWithin time.Duration // run time for HT and currents to be seen to fall
}

// MeterIndex is the index of the meter with that name, or -1.
func (b *Bench) MeterIndex(name string) int {
	return slices.IndexFunc(b.Meters, func(m Meter) bool { return m.Name == name })
}

// Job is a job file, validated against a bench, with defaults filled in.
type Job struct {
	Ticket     string
	Amplifier  string        // in words; empty when not given
	Bias       string        // "fixed" or "cathode"
	IdleTarget float64       // ratio of the plate dissipation limit; 0 when not given
	SoakFor    time.Duration // run time of the soak; 0 when not given
	CutAtEnd   bool          // drop the mains once SoakFor is over
	HTFuse     float64       // rated current of the HT fuse, ampere; 0 when not given
	Sockets    []Socket      // at least one
	Watches    []Watch
	Limits     Limits
	Text       []byte // the file as it was read
}

// Socket is one [[socket]]. Meters are indices into Bench.Meters, -1 for none.
type Socket struct {
	Name  string     // unique
	Tube  *tube.Type // a copy of the handbook's, or the job's own when the type is not in it
	Half  string     // which half of the push-pull pair: "a", "b" or empty
	Limit float64    // plate dissipation limit in use, watt
	Sheet string     // where the limit comes from
	Sense Sense

	PlateMeter   int     // plate supply to chassis
	CathodeMeter int     // cathode to chassis, where those volts matter
	ScreenShare  float64 // ratio of the cathode current; 0 when not given
	ScreenMeter  int     // across the screen resistor
	ScreenOhms   float64 // of the screen resistor; 0 without ScreenMeter
	ScreenSupply int     // screen supply to chassis, before the screen resistor
}

// Sense is how a socket's current is sensed.
type Sense struct {
	Meter           int     // across Ohms or TransformerOhms
	Ohms            float64 // of the cathode resistor; 0 with TransformerOhms
	Tolerance       float64 // ratio, of Ohms; 0 when not given
	SharedBy        int     // sockets whose cathodes share the resistor; 1 for one
	TransformerOhms float64 // winding resistance of half the primary; 0 with Ohms
	WarmsBy         float64 // kelvin that the winding may be warmer than when its ohms were measured; 0 when not given
	Isolated        bool    // the job says that this meter may sit at HT
	Roving          bool    // one probe moved from socket to socket
}

// Watch is one [[watch]].
type Watch struct {
	Name      string // unique
	Meter     int    // index into Bench.Meters
	Unit      string // as the job gives it, with prefix
	Quantity  drivers.Quantity
	Low, High float64 // limits, in the SI unit of Quantity; ±Inf when not given
}

// Limits is [limits], in SI units and ratios.
type Limits struct {
	Dissipation    float64       // ratio of the plate dissipation limit
	DissipationFor time.Duration // run time
	SettleRate     float64       // ratio per SettlePer
	SettlePer      time.Duration // run time
	SettleBy       time.Duration // run time from HT up
	Drift          float64       // ratio of the settled value
	Step           float64       // ratio
	RunawayWithin  time.Duration // run time
	Imbalance      float64       // ratio
	Supply         float64       // ratio of the settled plate volts
	Conduction     float64       // ampere
	IdleTolerance  float64       // in dissipation ratio, either side of the target
	HTUp           float64       // volt
}

// DefaultLimits are the limits of a job file that names none.
func DefaultLimits() Limits {
	return Limits{
		Dissipation: 1, DissipationFor: 3 * time.Second,
		SettleRate: 0.01, SettlePer: 5 * time.Minute, SettleBy: 45 * time.Minute,
		Drift: 0.10, Step: 0.10, RunawayWithin: 10 * time.Minute, Imbalance: 0.10,
		Supply: 0.10, Conduction: 0.002, IdleTolerance: 0.05, HTUp: 60,
	}
}
