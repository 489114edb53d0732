package panel

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export"
)

// idleView is the page for the moment at which a hand turns a trimmer.
type idleView struct {
	HT      string // what the hand must know of it
	Trimmer bool   // there is one to turn
	Words   string // why there is none, or no target
	Sum     string // what all of them come to
	Trims   []trimView
}

// trimView is one socket while its trimmer is turned.
type trimView struct {
	socketView
	Numeral   string // present milliampere; empty when unknown
	Kind      string // "mA", of cathode or plate
	U         string // "± 0.4"
	Sense     string // "41.0 mV across 1 Ω"
	Shared    string // "mean of 2 on one resistor"
	Go        string // "3.2 mA to go: up"
	GoSign    string // id of the drawn symbol
	There     bool   // on target, as far as these meters can tell
	Aims      []aimView
	NoAim     string // why there is none
	HasBand   bool
	Band      [2]float64 // left edge and width, percent of the scale
	Pointer   float64    // the same
	Limit100  float64    // where 100 % stands, the same
	AsFound   string
	AsLeft    string
	OldFigure string // "read 49 s ago", when it is not of just now
}

// aimView is what the sense meter must show for one share of the limit.
type aimView struct {
	Tick, Percent, Volts, Current string
	Own                           bool // the job's idle target
	At                            float64
}

// aims are the shares of the limit that targets are given for, beside the job's own.
var aims = []float64{0.60, 0.65, 0.70}

// The scale of the idle page shows these shares of the limit; what lies outside
// them stands at its ends.
const scaleFrom, scaleTo = 0.4, 1.05

// across is where a share of the limit stands on the scale, percent from its left.
func across(ratio float64) float64 {
	return 100 * (min(max(ratio, scaleFrom), scaleTo) - scaleFrom) / (scaleTo - scaleFrom)
}

// lookIdle adds to a view what the idle page shows beside it. job is nil where
// it is not known.
func lookIdle(v *view, s *export.State, job *bench.Job) {
	snap := &s.Snapshot
	up := v.On && (snap.Phase == alarms.WarmUp || snap.Phase == alarms.Soak)
	v.Idle = &idleView{HT: "HT: " + strings.TrimPrefix(v.HT.Words, "HT ")}
	switch {
	case !v.On:
		v.Idle.HT = ""
	case up && v.HT.Volts != "":
		v.Idle.HT = "HT is up: " + v.HT.Volts + " V"
	case up:
		v.Idle.HT = "HT is up"
	case v.HT.Words == "":
		v.Idle.HT = "HT may be charged"
	}
	switch {
	case job == nil:
		v.Idle.Words = "The job file is not known here: no targets."
	case job.Bias == "cathode":
		v.Idle.Words = "Cathode bias: there is no trimmer to turn. The tubes set their own idle by the cathode resistor; these are the figures."
	default:
		v.Idle.Trimmer = true
		if job.IdleTarget == 0 {
			v.Idle.Words = "The job file gives no idle_target, so nothing here says which way."
		}
	}
	if a := snap.Amplifier; up && a.HTCurrent.Known {
		v.Idle.Sum = unit(a.HTCurrent, 1000, "mA") + " of HT current in all"
		if b := a.Imbalance; b.Known {
			above := [2]string{"a", "b"}
			if b.X < 0 {
				above = [2]string{"b", "a"}
			}
			v.Idle.Sum += fmt.Sprintf("; half %s %.1f %% above half %s", above[0], 100*math.Abs(b.X), above[1])
		}
	}
	for i := range snap.Sockets {
		k := &snap.Sockets[i]
		t := lookTrim(v.Sockets[i], k, s)
		if snap.Phase == alarms.WarmUp && !k.Settled && !k.NotConducting && current(k).Known {
			t.Settle = "warming up: " + t.Settle
		}
		if job != nil && i < len(job.Sockets) {
			t.sense(&job.Sockets[i], k)
			if v.Idle.Trimmer {
				t.aim(job, i, k, up)
			}
			// Nobody is to reach for a trimmer while the alarm says to switch off.
			if slices.ContainsFunc(snap.Alarms, func(a alarms.AlarmState) bool {
				return a.Subject == k.Name && a.Active && a.Priority == alarms.High
			}) {
				t.Go, t.There, t.NoAim = "", false, "not now: do what the alarm says"
			}
		}
		v.Idle.Trims = append(v.Idle.Trims, t)
	}
}

// lookTrim is what can be said of a socket without its job.
func lookTrim(v socketView, k *alarms.SocketState, s *export.State) trimView {
	t := trimView{socketView: v, Kind: "mA", Pointer: across(k.DissipationRatio.X), Limit100: across(1)}
	if c := current(k); c.Known {
		t.Numeral = strconv.FormatFloat(math.Round(1e4*c.X)/10+0, 'f', 1, 64)
		t.U = plusMinus(export.U95(c), 1000)
		if !k.CathodeCurrent.Known {
			t.Kind = "mA plate"
		}
	}
	if k.Age.X >= 3 && k.Age.Known {
		t.OldFigure = "read " + t.Age + " ago"
	}
	was := func(i *alarms.Idle) string {
		if i == nil {
			return ""
		}
		words := unit(cmp.Or(i.CathodeCurrent, i.PlateCurrent), 1000, "mA")
		if i.DissipationRatio.Known {
			words += ", " + unit(i.DissipationRatio, 100, "%")
		}
		if i.PlateVolts.Known {
			words += ", " + places(i.PlateVolts.X) + " V"
		}
		return words + " at " + s.Wall(i.T).Local().Format("15:04")
	}
	t.AsFound, t.AsLeft = was(k.AsFound), was(k.AsLeft)
	return t
}

// plusMinus is an expanded uncertainty times scale, never shown as nothing;
// empty where it cannot be stated.
func plusMinus(u socket.Value, scale float64) string {
	if !u.Known {
		return ""
	}
	return fmt.Sprintf("± %.1f", max(u.X*scale, 0.1))
}

// sense says what the sense meter shows.
func (t *trimView) sense(s *bench.Socket, k *alarms.SocketState) {
	ohms, sensed, what := s.Sense.Ohms, k.CathodeCurrent, "across"
	if s.Sense.TransformerOhms > 0 {
		ohms, sensed, what = s.Sense.TransformerOhms, k.PlateCurrent, "across half the primary,"
	}
	if n := s.Sense.SharedBy; n > 1 {
		t.Shared = fmt.Sprintf("mean of %d on one resistor", n)
	}
	if sensed.Known {
		a, _ := perVolt(s)
		t.Sense = fmt.Sprintf("%s %s %.4g Ω", senseVolts(sensed.X/a), what, ohms)
	}
}

// senseVolts is a sense voltage as a meter shows it.
func senseVolts(v float64) string {
	if math.Abs(v) >= 1 {
		return fmt.Sprintf("%.3f V", v)
	}
	return unit(socket.Value{X: v, Known: true}, 1000, "mV")
}

// aim works out the targets at the plate volts of this moment, and how far it
// is to the job's own.
func (t *trimView) aim(job *bench.Job, i int, k *alarms.SocketState, up bool) {
	s, volts := &job.Sockets[i], k.PlateVolts
	switch {
	case !up:
		t.NoAim = "no target until HT is up"
		return
	case !volts.Known:
		t.NoAim = "plate volts unknown: no target"
		return
	case s.ScreenMeter >= 0 && !k.ScreenCurrent.Known:
		t.NoAim = "screen current unknown: no target"
		return
	case !(volts.X > job.Limits.HTUp):
		t.NoAim = "plate volts too low: no target"
		return
	}
	shares := slices.Clone(aims)
	if own := job.IdleTarget; own > 0 && !slices.ContainsFunc(shares, func(r float64) bool { return same(r, own) }) {
		shares = append(shares, own)
		slices.Sort(shares)
	}
	for _, ratio := range shares {
		amperes, v := sensedAt(s, k, ratio)
		t.Aims = append(t.Aims, aimView{
			Tick: fmt.Sprintf("%.4g", 100*ratio), Percent: fmt.Sprintf("%.4g %%", 100*ratio), Volts: senseVolts(v), Current: fmt.Sprintf("%.1f mA", 1000*amperes),
			Own: same(ratio, job.IdleTarget), At: across(ratio),
		})
	}
	if job.IdleTarget == 0 {
		return
	}
	t.HasBand = true
	low := across(job.IdleTarget - job.Limits.IdleTolerance)
	t.Band = [2]float64{low, across(job.IdleTarget+job.Limits.IdleTolerance) - low}
	if r := k.DissipationRatio; r.Known {
		t.direct(socket.Value{X: (job.IdleTarget - r.X) * s.Limit / volts.X, U: r.U * s.Limit / volts.X, Known: true})
	}
}

// same says whether two shares are one to a reader.
func same(a, b float64) bool { return math.Abs(a-b) < 1e-6 }

// direct says which way and how far: more is what the plate current lacks. Its
// uncertainty is the share's, at the target, where that of the plate volts
// counts through the share alone.
func (t *trimView) direct(more socket.Value) {
	slack := max(export.U95(more).X, 0.00005) // the least that the page shows
	switch mA := fmt.Sprintf("%.1f mA", 1000*math.Abs(more.X)); {
	case math.Abs(more.X) <= slack:
		t.Go, t.GoSign, t.There = "on target", "there", true
		if u := plusMinus(export.U95(more), 1000); u != "" {
			t.Go += " " + u + " mA"
		}
	case more.X > 0:
		t.Go, t.GoSign = mA+" to go: up", "drift-steep-up"
	default:
		t.Go, t.GoSign = mA+" over: down", "drift-steep-down"
	}
}

// perVolt are the sensed current and the plate current for each volt at the
// sense meter, ampere, the screen's measured current left out.
func perVolt(s *bench.Socket) (sensed, plate float64) {
	f := socket.Convert(s, socket.Measured{Sense: socket.Value{X: 1, Known: true}, Screen: socket.Value{Known: true}})
	if s.Sense.TransformerOhms > 0 {
		return f.PlateCurrent.X, f.PlateCurrent.X
	}
	return f.CathodeCurrent.X, f.PlateCurrent.X
}

// sensedAt is the current that the sense meter of a socket stands for when the
// plate dissipates ratio of its limit at the plate volts of this moment, and
// what it shows then, volt. The screen's part of it keeps its share where the
// job sets one, and its present amperes where they are measured.
func sensedAt(s *bench.Socket, k *alarms.SocketState, ratio float64) (amperes, volts float64) {
	sensed, plate := perVolt(s)
	amperes, _ = socket.Target(s.Limit, k.PlateVolts.X, ratio, 0)
	if s.ScreenMeter >= 0 && s.Sense.TransformerOhms == 0 {
		amperes += k.ScreenCurrent.X
	}
	volts = amperes / plate
	return volts * sensed, volts
}
