package walkaway

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/drivers"
)

// line is a line and how it is judged: in words what is so, or why it fails.
type line struct {
	Line
	look func(*Facts) (is, why string) // nil: only a person knows
}

// asks says whether a person must confirm it.
func (l *line) asks(f *Facts) bool {
	return l.Person || l.look == nil || l.Name == awake && f.Awake == ""
}

const awake = "awake"

var lines = []line{
	{Line{"meters-live", "every meter of this job live and fresh", false}, metersLive},
	{Line{"meters-function", "every meter in its right function", false}, metersFunction},
	{Line{"meters-hold", "no meter on hold, relative or min/max", false}, flag(drivers.Hold|drivers.Relative|drivers.MinMax, "on hold, relative or min/max", "shows what is not live: switch it off at the meter")},
	{Line{"meters-battery", "no battery low", false}, flag(drivers.LowBattery, "low on battery", "is low on battery: change it before the night")},
	{Line{"meters-auto-off", "no meter that switches itself off", false}, flag(drivers.AutoPowerOff, "set to switch itself off", "will switch itself off: its manual says how to keep it on")},
	{Line{"settled", "every socket settled", false}, settled},
	{Line{"on-target", "every socket on its idle target", false}, onTarget},
	{Line{"alarms-able", "every limit set and every alarm able to work", false}, alarmsAble},
	{Line{"alarms-quiet", "no alarm that asks for a person", false}, alarmsQuiet},
	{Line{"channels", "every channel tried in this run, and heard by someone", false}, channels},
	{Line{"cut-off", "the cut-off proved in this run", false}, cutOff},
	{Line{"disk", "room for the record of the night", false}, disk},
	{Line{"clock", "a clock that can be right", false}, clock},
	{Line{awake, "this machine will not go to sleep", false}, func(f *Facts) (string, string) { return f.Awake, "" }},
	{Line{"dummy-load", "dummy load fitted, and rated for what this amplifier can put out", true}, nil},
	{Line{"ht-fuse", "HT fuse fitted, of the right value and kind", true}, nil},
	{Line{"covers", "covers and guards on", true}, nil},
	{Line{"surroundings", "a working smoke alarm that someone hears, and nothing near that burns", true}, nil},
	{Line{"access", "nobody untrained can reach it, nor any animal", true}, nil},
	{Line{"local-rules", "local rules and whoever answers for the place allow it", true}, nil},
}

// used are the states of the meters that the job uses.
func (f *Facts) used() (used []*alarms.MeterState) {
	for i := range f.Snapshot.Meters {
		if f.uses(i) {
			used = append(used, &f.Snapshot.Meters[i])
		}
	}
	return used
}

func (f *Facts) uses(meter int) bool {
	return slices.ContainsFunc(f.Job.Sockets, func(k bench.Socket) bool {
		return slices.Contains([]int{k.Sense.Meter, k.PlateMeter, k.CathodeMeter, k.ScreenMeter, k.ScreenSupply}, meter)
	}) || slices.ContainsFunc(f.Job.Watches, func(w bench.Watch) bool { return w.Meter == meter })
}

func metersLive(f *Facts) (is, why string) {
	var bad []string
	oldest := 0.0
	for _, m := range f.used() {
		oldest = max(oldest, m.Age.X)
		switch m.State {
		case "waiting":
			bad = append(bad, m.Name+" has said nothing yet")
		case "silent":
			bad = append(bad, fmt.Sprintf("%s has said nothing for %.0f s", m.Name, m.Age.X))
		case "port":
			bad = append(bad, m.Name+" has no port: "+m.Text)
		case "frozen":
			bad = append(bad, m.Name+" shows the same digits for too long to be live")
		case "overload":
			bad = append(bad, m.Name+" is over range")
		}
	}
	return fmt.Sprintf("%d meters live, the oldest reading %.1f s old", len(f.used()), oldest), join(bad)
}

func metersFunction(f *Facts) (is, why string) {
	var bad []string
	for _, m := range f.used() {
		if m.State == "wrong-function" {
			bad = append(bad, fmt.Sprintf("%s shows %s, which is not what this job asks of it", m.Name, m.Reading))
		}
	}
	return "every meter shows what this job asks of it", join(bad)
}

// flag is a line that no meter's display may show one of flags.
func flag(flags drivers.Flags, what, words string) func(*Facts) (string, string) {
	return func(f *Facts) (is, why string) {
		var bad []string
		for _, m := range f.used() {
			if m.Reading.Flags&flags != 0 {
				bad = append(bad, m.Name+" "+words)
			}
		}
		return "no meter says that it is " + what, join(bad)
	}
}

func settled(f *Facts) (is, why string) {
	s := &f.Snapshot
	var bad []string
	if s.Phase != alarms.Soak {
		bad = append(bad, "the run is in "+string(s.Phase)+", not in its soak")
	}
	last := time.Duration(0)
	for i := range s.Sockets {
		k := &s.Sockets[i]
		last = max(last, k.SettledAt)
		switch {
		case k.Why != "":
			bad = append(bad, k.Name+" is not known: "+k.Why)
		case k.NotConducting:
			bad = append(bad, k.Name+" does not conduct")
		case !k.Settled && k.SettlesIn.Known:
			bad = append(bad, fmt.Sprintf("%s has not settled; by its forecast it has in %.0f min", k.Name, math.Ceil(k.SettlesIn.X/60)))
		case !k.Settled:
			bad = append(bad, k.Name+" has not settled")
		}
	}
	return fmt.Sprintf("%d sockets settled, the last %v into the run", len(s.Sockets), last.Round(time.Second)), join(bad)
}

func onTarget(f *Facts) (is, why string) {
	if f.Job.IdleTarget == 0 {
		return "", "the job gives no idle_target, so nobody can tell whether the idle is right"
	}
	var bad []string
	for i := range f.Snapshot.Sockets {
		k := &f.Snapshot.Sockets[i]
		switch r := k.DissipationRatio; {
		case !r.Known:
			bad = append(bad, k.Name+"'s share of its limit is not known")
		case math.Abs(r.X-k.Target) > k.TargetTolerance:
			bad = append(bad, fmt.Sprintf("%s at %.1f %% of its limit; the job asks for %.4g %%, %.3g either side", k.Name, 100*r.X, 100*k.Target, 100*k.TargetTolerance))
		}
	}
	return fmt.Sprintf("%d sockets within %.3g points of %.4g %% of their limit", len(f.Snapshot.Sockets), 100*f.Job.Limits.IdleTolerance, 100*f.Job.IdleTarget), join(bad)
}

func alarmsAble(f *Facts) (is, why string) {
	bad := bench.CannotWork(f.Bench, f.Job)
	for i := range f.Snapshot.Alarms {
		switch a := &f.Snapshot.Alarms[i]; a.State {
		case alarms.Shelved:
			bad = append(bad, a.ID+" is shelved until "+f.wall(a.Until))
		case alarms.OutOfService, alarms.Suppressed:
			bad = append(bad, a.ID+" is "+string(a.State))
		}
	}
	return "every limit is set, and no alarm is shelved, suppressed or out of service", join(bad)
}

func (f *Facts) wall(t time.Duration) string { return f.Started.Add(t).UTC().Format("2 Jan 15:04 UTC") }

func alarmsQuiet(f *Facts) (is, why string) {
	var bad, seen []string
	for i := range f.Snapshot.Alarms {
		switch a := &f.Snapshot.Alarms[i]; {
		case a.State == alarms.Unacknowledged, a.State == alarms.Returned, a.State == alarms.Latched:
			bad = append(bad, a.ID+" is "+string(a.State))
		case a.State == alarms.Acknowledged && a.Priority == alarms.High:
			bad = append(bad, a.ID+" stands, and is of high priority, acknowledged or not")
		case a.State == alarms.Acknowledged:
			seen = append(seen, a.ID)
		}
	}
	if is = "no alarm stands"; len(seen) > 0 {
		is = "nothing stands but what was acknowledged, and will not call again: " + strings.Join(seen, ", ")
	}
	return is, join(bad)
}

func channels(f *Facts) (is, why string) {
	if len(f.Trials) == 0 {
		return "", "the bench file has no [[notify]]: an alarm shows on the panel, and calls nobody"
	}
	var bad, heard []string
	for i := range f.Trials {
		switch t := &f.Trials[i]; {
		case t.Asked.IsZero():
			bad = append(bad, t.Channel+" was not tried in this run")
		case !t.Confirmed.IsZero():
			heard = append(heard, t.Channel+" heard "+t.Confirmed.UTC().Format("2 Jan 15:04 UTC"))
		case t.Delivered.IsZero() && t.Err != "":
			bad = append(bad, t.Channel+" could not deliver its test message: "+t.Err)
		case t.Delivered.IsZero():
			bad = append(bad, t.Channel+" has not delivered its test message yet")
		default:
			bad = append(bad, "nobody has typed back the code that "+t.Channel+" was sent")
		}
	}
	return join(heard), join(bad)
}

func cutOff(f *Facts) (is, why string) {
	c := &f.Cutoff
	switch {
	case f.Bench.Cutoff == nil:
		return "", "no cut-off: nothing drops the mains"
	case len(cutoff.RulesOf(f.Bench.Cutoff, f.Job).When) == 0:
		return "", "the job names no alarm that cuts: only a person drops the mains"
	case c.State != cutoff.Armed:
		return "", strings.TrimSuffix("the cut-off is "+c.State+", not armed: "+c.Why, ": ")
	case f.CutTry != nil && !errors.Is(f.CutTry, cutoff.ErrOnlyCut):
		return "", "the cut-off could not drop now: " + f.CutTry.Error()
	case c.ProvedAt == nil:
		return "", "armed by " + c.By + ", but never seen to drop the mains: cut once with HT up, look, switch on again by hand and re-arm"
	case c.ProvedRun != f.Run:
		return "", fmt.Sprintf("armed by %s, but last seen to drop the mains %s, in run %s and not in this one", c.By, c.ProvedAt.UTC().Format("2 Jan 2006 15:04 UTC"), c.ProvedRun)
	}
	return fmt.Sprintf("armed by %s; HT and currents were seen to fall in this run, %s", c.By, c.ProvedAt.UTC().Format("2 Jan 2006 15:04 UTC")), ""
}

const (
	// rowBytes is what a reading takes in the record before it is sealed, which is
	// most: measured, see the table in DEVELOPERS.md.
	rowBytes = 29
	// spare is what must be left for all else on that disk, bytes (estimate).
	spare = 100e6
	// night is how long a run without soak_for is taken to go on.
	night = 12 * time.Hour
)

func disk(f *Facts) (is, why string) {
	if !f.Disk.Known {
		return "", "how much room is left on the disk is not known here"
	}
	long := f.Job.SoakFor
	if long == 0 {
		long = night
	}
	var readings uint64
	for i := range f.Snapshot.Meters {
		readings += f.Snapshot.Meters[i].Readings
	}
	rate := float64(readings) / max(1, f.Snapshot.T.Seconds())
	need := rate*long.Seconds()*rowBytes + spare
	words := fmt.Sprintf("%s free; %v at %.3g readings a second takes %s at most, with %s to spare",
		megabytes(float64(f.Disk.Free)), long, rate, megabytes(need), megabytes(spare))
	if float64(f.Disk.Free) < need {
		return "", "too little room for the record: " + words
	}
	return words, ""
}

func megabytes(x float64) string { return fmt.Sprintf("%.0f MB", x/1e6) }

func clock(f *Facts) (is, why string) {
	c := &f.Clock
	const form = "2 Jan 2006 15:04 UTC"
	if c.Now.Before(c.NotBefore) {
		return "", fmt.Sprintf("the clock says %s, but %s %s: set it", c.Now.UTC().Format(form), c.Because, c.NotBefore.UTC().Format(form))
	}
	synced := c.Synced
	if synced == "" {
		synced = "whether it is synchronised is not known"
	}
	return c.Now.UTC().Format(form) + "; " + synced, ""
}

func join(s []string) string { return strings.Join(s, "; ") }
