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
	Alarms  map[string]Alarm
	Text    []byte // the file as it was read
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

// MostReadings is how many readings a second of run time are used of a meter
// that talks by itself (estimate: handheld meters send up to ten). What is more
// is left out and counted as [drivers.TooMany].
const MostReadings = 50

// Accuracy is "0.5% + 3": of reading, plus counts of the last digit.
type Accuracy struct {
	Given     bool    // false: not stated, the others mean nothing
	OfReading float64 // ratio: 0.005
	Counts    float64 // counts of the last digit
}

// Panel is [panel].
type Panel struct {
	Listen    string   // host:port
	TokenFile string   // empty when not given
	Link      string   // the panel's address for links in messages; empty when not given
	Hosts     []string // names under which it may be asked for, beside addresses, local names and Link's
	WebConfig string   // file of TLS, client certificates and passwords; empty for plain HTTP
}

// Record is [record]: how long ended runs stay.
type Record struct {
	KeepFor   time.Duration // since a run ended; 0 for ever
	KeepUnder int64         // bytes of all records; 0 for any number
}

// Lines is one [[lines]] outlet.
type Lines struct {
	// "http://...", "https://...", "tcp://host:port", "udp://host:port",
	// "unix:PATH", "file:PATH" or "stdout"; may hold a password
	To        string
	TokenFile string        // of HTTP; without a slash, a systemd credential; empty when not given
	Gzip      bool          // of HTTP
	Precision string        // of the stamps: ns, us, ms, s
	Every     time.Duration // 0: every reading; else mean, min and max over so long, wall time
	Batch     int           // lines in one delivery
	Age       time.Duration // how long a line waits for company, wall time
	Spool     int64         // bytes that may wait on the disk; 0: lines wait in memory only
	Rotate    int64         // bytes after which a file is begun anew; 0 for never
	Keep      int           // rotated files that stay
}

// Notify is one [[notify]] channel. One of URL, URLFile and Command is given.
type Notify struct {
	Name          string        // [a-z0-9-]+, unique; "notify-1" for the first without one
	Place         string        // of the table: "bench.toml:12"
	URL           string        // may hold a password
	URLFile       string        // holds the URL; without a slash, a systemd credential
	Secret        string        // the file that holds what stands for {secret} in the URL; likewise
	Command       []string      // program and arguments; the event comes as JSON on its input
	AtLeast       string        // priority from which it tells: low, medium, high
	Quiet         Hours         // when only high priority is told; what is lower waits for their end
	Resolved      bool          // tells also that what it told is over
	EscalateAfter time.Duration // tells only what nobody has acknowledged for so long, run time; 0 for at once
	AliveAt       Clock         // when it tells every day that the daemon is alive
	Timeout       time.Duration // wall time for one try
}

// Clock is a time of day, local.
type Clock struct {
	Given  bool // false: not stated, Minute means nothing
	Minute int  // since midnight
}

// Hours are a stretch of every day, local, which may run over midnight.
type Hours struct {
	Given    bool // false: not stated, the others mean nothing
	From, To int  // minutes since midnight, From included, To not; they differ
}

// Within says whether a minute of the day is in h.
func (h Hours) Within(minute int) bool {
	if h.From < h.To {
		return h.Given && minute >= h.From && minute < h.To
	}
	return h.Given && (minute >= h.From || minute < h.To)
}

// Cutoff is [cutoff]: how the mains are dropped, and on what. Times are wall
// time where nothing else stands.
type Cutoff struct {
	By          string        // line, bytes, modbus, command, http
	When        []string      // alarm names
	After       time.Duration // run time that one of them must have stood at high priority; 0: at once
	ProveWithin time.Duration // run time for HT and currents to be seen to fall
	Port        string        // of line, bytes and modbus
	Timeout     time.Duration // for one attempt to drop

	// Lease is how long a judged reading lets the hold go on, of ways that hold
	// by repeating; HoldEvery is the repetition, of line the time between edges.
	// 0: the hold is sent once, when armed, or never.
	Lease, HoldEvery time.Duration

	Line   string // of line: dtr, rts
	Serial string // line settings of bytes and modbus, on a port that has them

	Hold, Drop, Reply []byte // of bytes: what holds, what drops, what then must come back; empty for none

	Address byte   // of modbus
	Coil    uint16 // by its address in the request
	TCP     bool   // framing "tcp"
	DropOn  bool   // the coil that is on drops; else the one that is off

	Command []string // program and arguments

	Method, URL, URLFile, Body, TokenFile string // of http; one of URL and URLFile, which may hold a password
}

// JobCutoff is [cutoff] of a job: what it says of when the bench's acts.
type JobCutoff struct {
	When  []string      // alarm names; nil: as the bench says
	After time.Duration // as Cutoff.After; negative: as the bench says
}

// MeterIndex is the index of the meter with that name, or -1.
func (b *Bench) MeterIndex(name string) int {
	return slices.IndexFunc(b.Meters, func(m Meter) bool { return m.Name == name })
}

// Job is a job file, validated against a bench, with defaults filled in.
type Job struct {
	Ticket     string
	Amplifier  string // in words; empty when not given
	Serial     string // the amplifier's serial number; empty when not given
	Technician string // who answers for the work; empty when not given
	Workshop   Workshop
	Parts      []string      // replaced, in words, each on a line; may be empty
	Notes      string        // for the report, lines parted by \n; empty when not given
	Bias       string        // "fixed" or "cathode"
	IdleTarget float64       // ratio of the plate dissipation limit; 0 when not given
	SoakFor    time.Duration // run time of the soak; 0 when not given
	CutAtEnd   bool          // drop the mains once SoakFor is over
	Cutoff     JobCutoff
	HTFuse     float64  // rated current of the HT fuse, ampere; 0 when not given
	Sockets    []Socket // at least one
	Watches    []Watch
	Limits     Limits
	FirstPower FirstPower
	Alarms     map[string]Alarm // the bench's, with the job's own keys in their place
	Text       []byte           // the file as it was read
}

// Workshop is [workshop]: whose report it is.
type Workshop struct {
	Name    string   // empty when not given
	Address []string // its lines, telephone and the like among them; may be empty
}

// Socket is one [[socket]]. Meters are indices into Bench.Meters, -1 for none.
type Socket struct {
	Name  string     // unique
	Tube  *tube.Type // a copy of the handbook's, or the job's own when the type is not in it
	Half  string     // which half of the push-pull pair: "a", "b" or empty
	Limit float64    // plate dissipation limit in use, watt
	Sheet string     // where the limit comes from
	Sense Sense

	DateCode string // as the maker put it on the tube; empty when not given

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
