package panel

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/acquire/tube"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/alarms/drill"
	"nightsoak/alarms/walkaway"
	"nightsoak/drivers"
	"nightsoak/export"
	"nightsoak/export/record"
	"nightsoak/export/report"
	"nightsoak/export/report/chart"
)

// fake is a Source that shows what it is given and remembers what it was told.
type fake struct {
	mu     sync.Mutex
	state  export.State
	events []alarms.Event
	trace  *chart.Trace
	acts   []string
	err    error
	jobs   bench.Job // of every run
	report func(w io.Writer, id, suffix string) error
	check  walkaway.Result
}

func (f *fake) State() export.State {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.state
}

func (f *fake) Events(after int) []alarms.Event {
	f.mu.Lock()
	defer f.mu.Unlock()
	i := slices.IndexFunc(f.events, func(e alarms.Event) bool { return e.Seq > after })
	if i < 0 {
		return nil
	}
	return slices.Clone(f.events[i:])
}

func (f *fake) Trace(width, height int) (*chart.Trace, bool) {
	if f.trace == nil {
		return nil, false
	}
	t := *f.trace
	t.Width, t.Height = width, height
	return &t, true
}

func (f *fake) did(format string, args ...any) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.acts = append(f.acts, fmt.Sprintf(format, args...))
	return f.err
}

func (f *fake) Act(_ context.Context, a alarms.Act) error { return f.did("%+v", a) }

func (f *fake) Begin(_ context.Context, job []byte, first bool) error {
	return f.did("begin %q %t", job, first)
}

func (f *fake) Walkaway(_ context.Context, ask walkaway.Ask, keep bool) (walkaway.Result, error) {
	return f.check, f.did("walkaway %+v %t", ask, keep)
}

func (f *fake) Drill(_ context.Context, ask drill.Ask) (drill.Result, error) {
	return drill.Result{OK: true, Text: "seen"}, f.did("drill %+v", ask)
}

func (f *fake) Runs(context.Context) ([]record.Info, error) {
	ended := time.Date(2026, 1, 13, 6, 1, 12, 0, time.UTC)
	return []record.Info{
		{ID: "20260114-2012-R-1187", Ticket: "R-1187", Amplifier: f.amplifier(), Started: time.Date(2026, 1, 14, 20, 12, 0, 0, time.UTC), Readings: 182_400, Events: 14, Advanced: minutes(152.4), JobText: []byte("ticket = \"R-1187\"\n")},
		{ID: "20260112-1955-R-1180", Ticket: "R-1180", Amplifier: "two-tube combo, 20 W", Started: time.Date(2026, 1, 12, 19, 55, 0, 0, time.UTC), Ended: &ended, Readings: 907_211, Events: 22, Advanced: minutes(606.2)},
		{ID: "20260110-1802-R-1180", Ticket: "R-1180", Amplifier: "two-tube combo, 20 W", Started: time.Date(2026, 1, 10, 18, 2, 0, 0, time.UTC), Ended: &ended, Readings: 9_211, Events: 9, Advanced: minutes(61)},
	}, f.err
}

// knows says whether it is the run now on, which "" is too, or one that is listed.
func (f *fake) knows(run string) bool {
	listed, _ := f.Runs(context.Background())
	return run == "" || run == f.state.RunID || slices.ContainsFunc(listed, func(in record.Info) bool { return in.ID == run })
}

func (f *fake) amplifier() string { return cmp.Or(f.state.Amplifier, "four-tube bass head, 100 W") }

func (f *fake) Verdict(in record.Info) (string, bool, bool) {
	return "Runaway of V7: see the alarms.", true, in.ID == "20260112-1955-R-1180"
}

func (f *fake) Look(_ context.Context, run string, l report.Look) (Seen, error) {
	if f.trace == nil || !f.knows(run) {
		return Seen{}, fmt.Errorf("%w: no trace of %q", ErrNotFound, run)
	}
	t := *f.trace
	l = l.Within(f.state.Snapshot.T)
	t.Width, t.Height, t.From, t.To = l.Width, l.Height, l.From, l.To
	return Seen{Trace: &t, Look: l, Run: f.state.RunID, Job: &f.jobs, Started: f.state.Started, End: f.state.Snapshot.T, Live: true}, nil
}

func (f *fake) Extremes(_ context.Context, run string, l report.Look) (Extremes, error) {
	if !f.knows(run) {
		return Extremes{}, fmt.Errorf("%w: %q", ErrNotFound, run)
	}
	return Extremes{Look: l, Started: f.state.Started, Lines: []Extreme{{"V5", is(0.6314), is(0.6314)}, {"V6", is(0.62), is(1.52)}, {Name: "V7"}}}, f.err
}

func (f *fake) Found(_ context.Context, id string) (Found, error) {
	if id == "" || !f.knows(id) {
		return Found{}, fmt.Errorf("%w: %q", ErrNotFound, id)
	}
	return Found{Run: id, Ticket: f.state.Ticket, Amplifier: f.state.Amplifier, Started: f.state.Started, Long: f.state.Snapshot.T,
		Words: "Settled and stayed within its limits for 2 h 9 min.", Beside: []string{"The run is unfinished: this is how things stood at 2:32."}, Events: f.events}, nil
}

func (f *fake) Report(_ context.Context, w io.Writer, id, against, suffix string) error {
	if against != "" {
		id += " against " + against
	}
	return f.report(w, id, suffix)
}

func is(x float64) socket.Value           { return socket.Value{X: x, Known: true} }
func isWithin(x, u float64) socket.Value  { return socket.Value{X: x, U: u, Known: true} }
func charged(b bool) *bool                { return &b }
func minutes(m float64) time.Duration     { return time.Duration(m * float64(time.Minute)) }
func seconds(m float64) alarms.Seconds    { return alarms.Seconds(minutes(m)) }
func reading(text string) drivers.Reading { return mustReading(text, "mV", "dc auto") }

func mustReading(text, unit, flags string) drivers.Reading {
	r, err := drivers.ParseReading(text, unit, flags)
	if err != nil {
		panic(err)
	}
	return r
}

func (f *fake) job(run string) *bench.Job {
	if run != f.state.RunID || run == "" {
		return nil
	}
	return &f.jobs
}

// figures are a 6L6GC's at a cathode current of ma milliampere and volts.
func figures(ma, volts float64) socket.Figures {
	w := ma / 1000 * volts
	return socket.Figures{
		CathodeCurrent: is(ma / 1000), PlateCurrent: is(ma / 1000), PlateVolts: is(volts),
		PlateDissipation: is(w), DissipationRatio: isWithin(w/30, w/30*0.006),
	}
}

// scene is the demo's bench "north" in one of the states that the panel must show well.
func scene(name string) *fake {
	f := &fake{}
	s := export.State{
		Bench: "north", RunID: "20260114-2012-R-1187", Ticket: "R-1187", Amplifier: "four-tube bass head, 100 W",
		Started: time.Date(2026, 1, 14, 20, 12, 0, 0, time.UTC),
	}
	snap := alarms.Snapshot{T: minutes(152.4), Phase: alarms.Soak, PhaseSince: minutes(23.5),
		HT: alarms.HTState{Volts: is(462), Charged: charged(true), Settled: is(462.4)}}
	for i, ma := range []float64{41, 40.6, 41.3, 40.2} {
		snap.Sockets = append(snap.Sockets, alarms.SocketState{
			Name: fmt.Sprint("V", 5+i), Tube: "6L6GC", Half: "aabb"[i : i+1], Figures: figures(ma, 462), Limit: 30, Target: 0.65, TargetTolerance: 0.05,
			DriftPerHour: is([]float64{0.004, -0.002, 0.006, -0.013}[i]), Settled: true, SettledRatio: is(ma * 462 / 30000), SettledAt: minutes(23.5), Age: is(0.2),
		})
		snap.Meters = append(snap.Meters, alarms.MeterState{Name: fmt.Sprint("k", 1+i), State: "ok", Reading: reading(fmt.Sprintf("%.1f", ma)), Age: is(0.2), Readings: 45_600})
	}
	snap.Meters = append(snap.Meters, alarms.MeterState{Name: "ht", State: "ok", Reading: mustReading("462.1", "V", "dc"), Age: is(0.4), Readings: 22_800})
	f.events = []alarms.Event{
		{T: 0, Event: "act", Act: "begin"}, {T: 0, Event: "phase", Phase: alarms.Standby}, {T: seconds(10.2), Event: "phase", Phase: alarms.WarmUp},
		{T: seconds(21.7), Event: "settled", Socket: "V5", CathodeCurrent: ptr(is(0.041)), DissipationRatio: ptr(is(0.6314))},
		{T: seconds(23.5), Event: "phase", Phase: alarms.Soak},
		{T: seconds(60), Event: "act", Act: "note", Text: "fan turned to the back panel"},
	}
	raise := func(id, alarm, subject string, p alarms.Priority, st alarms.State, text, advice string) {
		snap.Alarms = append(snap.Alarms, alarms.AlarmState{ID: id, Alarm: alarm, Subject: subject, Priority: p, State: st, Active: true, Since: minutes(148), Text: text, Advice: advice})
		f.events = append(f.events, alarms.Event{T: seconds(148), Event: "alarm", ID: id, Alarm: alarm, Subject: subject, Priority: p, State: st, Text: text, Advice: advice})
	}
	runaway := func(p alarms.Priority, st alarms.State) {
		raise("runaway/V7", "runaway", "V7", p, st, "V7 runs away: 100 % in 4 to 7 min", "Switch HT off now. Then check V7's grid leak and coupling capacitor.")
	}
	k := snap.Sockets
	switch name {
	case "well", "stuck":
	case "trimmed":
		k[1].AsFound = &alarms.Idle{T: minutes(140), CathodeCurrent: is(0.0341), PlateVolts: is(470), DissipationRatio: is(0.534)}
		k[1].AsLeft = &alarms.Idle{T: minutes(151), CathodeCurrent: is(0.0406), PlateVolts: is(462), DissipationRatio: is(0.625)}
		k[2].Figures = figures(44.9, 461)
		k[3].Figures, k[3].Why, k[3].Age, k[3].Settled = socket.Figures{}, "k4 silent for 49 s", is(49), false
	case "warm-up":
		snap.Phase, snap.PhaseSince, snap.T = alarms.WarmUp, minutes(10.2), minutes(14.9)
		for i := range k {
			k[i].Figures = figures([]float64{33, 31.7, 34.5, 30.1}[i], 474)
			k[i].Settled, k[i].SettledRatio, k[i].DriftPerHour = false, socket.Value{}, is([]float64{0.31, 0.42, 0.22, 1.33}[i])
			k[i].SettlesIn = is(float64(300 + 40*i))
			k[i].SettlesAt = socket.Value{X: 0.0412, U: 0.0004, Known: true}
		}
		k[3].SettlesIn, k[3].SettlesAt = socket.Value{}, socket.Value{}
	case "first-power":
		snap.Phase, snap.PhaseSince, snap.T = alarms.WarmUp, minutes(4.2), minutes(6)
		snap.HT, snap.FirstPower = alarms.HTState{Volts: is(244.6), Charged: charged(true)}, &alarms.FirstPowerState{Holds: true, Watched: true, Mains: is(124.2), MainsRatio: is(0.54), HTLimit: is(274.4)}
		for i, ma := range []float64{0.62, 1.04, 10.3, 0} {
			k[i].Figures, k[i].Settled, k[i].SettledRatio, k[i].DriftPerHour = figures(ma, 244.6), false, socket.Value{}, socket.Value{}
		}
		k[3].Figures = socket.Figures{}
	case "runaway":
		k[2].Figures, k[2].DriftPerHour, k[2].Settled = figures(52.8, 459), is(0.84), false
		runaway(alarms.High, alarms.Unacknowledged)
		raise("imbalance/north", "imbalance", "north", alarms.Low, alarms.Acknowledged, "Halves differ by 14 %", "Match the tubes or look for a fault in one half.")
	case "over":
		k[2].Figures, k[2].DriftPerHour, k[2].Settled = figures(69.3, 455), is(2.1), false
		raise("over-dissipation/V7", "over-dissipation", "V7", alarms.High, alarms.Acknowledged, "V7 at 105 % of its limit", "Switch HT off now.")
		runaway(alarms.High, alarms.Acknowledged)
	case "drift":
		k[1].Figures, k[1].DriftPerHour, k[1].Settled = figures(45.4, 462), is(0.08), false
		raise("drift/V6", "drift", "V6", alarms.Medium, alarms.Unacknowledged, "V6 is 12 % above its settled current", "Look at V6 before you leave. Turn the trimmer only with the meter in view.")
	case "unknown":
		k[3].Figures, k[3].DriftPerHour, k[3].Age, k[3].Settled, k[3].Why = socket.Figures{}, socket.Value{}, is(49), false, "k4 silent for 49 s"
		snap.Meters[3].State, snap.Meters[3].Age = "silent", is(49)
		raise("meter-silent/k4", "meter-silent", "k4", alarms.Medium, alarms.Unacknowledged, "k4 is silent for 49 s: V8 is not watched", "Switch k4 on again; turn off its automatic power-off.")
		s.Notices = []string{"the job file was changed since this run began"}
		s.Cutoff = cutoff.State{State: cutoff.Failed, By: "line", Why: "the cut-off cannot drop the mains: /dev/ttyUSB9: no such device"}
	case "cool-down":
		snap.Phase, snap.PhaseSince, snap.T = alarms.CoolDown, minutes(612), minutes(613.2)
		snap.HT.Volts = is(121)
		for i := range k {
			k[i].Figures, k[i].DriftPerHour, k[i].NotConducting = figures(0.1, 121), socket.Value{}, true
		}
	case "discharged", "charge-unknown":
		snap.Phase, snap.PhaseSince, snap.T = alarms.CoolDown, minutes(612), minutes(640)
		snap.HT.Volts, snap.HT.Charged = is(41.3), charged(false)
		if name == "charge-unknown" {
			snap.HT = alarms.HTState{}
		}
		for i := range k {
			k[i].Figures, k[i].DriftPerHour, k[i].NotConducting = figures(0, 41), socket.Value{}, true
		}
	case "none":
		s.RunID, s.Ticket, s.Amplifier = "", "", ""
		snap = alarms.Snapshot{Meters: snap.Meters}
		f.events = nil
	default:
		var n int
		fmt.Sscan(name, &n)
		snap.Sockets = nil
		for i := range n {
			c := k[i%4]
			c.Name = fmt.Sprint("V", 1+i)
			snap.Sockets = append(snap.Sockets, c)
		}
	}
	for i := range f.events {
		f.events[i].Seq = i + 1
	}
	f.jobs = bench.Job{Bias: "fixed", IdleTarget: 0.65, Limits: bench.DefaultLimits()}
	for i, c := range snap.Sockets {
		f.jobs.Sockets = append(f.jobs.Sockets, bench.Socket{Name: c.Name, Tube: &tube.Type{Name: c.Tube}, Limit: c.Limit,
			Sense: bench.Sense{Meter: i, Ohms: 1, SharedBy: 1}, PlateMeter: 4, CathodeMeter: -1, ScreenMeter: -1, ScreenSupply: -1})
	}
	s.Snapshot = snap
	s.Rejects = make([]drivers.Rejects, len(snap.Meters))
	if len(s.Rejects) > 1 {
		s.Rejects[1][drivers.Noise] = 3
	}
	f.state = s
	f.trace = &chart.Trace{Title: "share of the limit", Unit: "%", Scale: 100, To: snap.T, Limits: []chart.Level{{Text: "limit", Y: 1}, {Text: "target", Y: 0.65}}}
	for _, c := range snap.Sockets {
		series := chart.NewSeries(600)
		for t := minutes(10); t < snap.T; t += minutes(snap.T.Minutes() / 500) {
			x := c.DissipationRatio.X * (1 - 0.3*math.Exp(-(t-minutes(10)).Minutes()/4))
			if c.Name == "V7" && len(snap.Alarms) > 0 && t > minutes(120) {
				x = 0.636 + (c.DissipationRatio.X-0.636)*math.Pow((t-minutes(120)).Minutes()/(snap.T.Minutes()-120), 2)
			}
			series.Add(t, x)
		}
		f.trace.Lines = append(f.trace.Lines, chart.Line{Name: c.Name, Series: series, Alarm: c.Name == "V7" && len(snap.Alarms) > 0})
	}
	return f
}

func ptr[T any](v T) *T { return &v }
