package report

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/acquire/tube"
	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export/report/chart"
)

const (
	htUp      = 2 * time.Minute
	settledAt = 12*time.Minute + 30*time.Second
)

func known(x, u float64) socket.Value { return socket.Value{X: x, U: u, Known: true} }

// night is a model of the demo's amplifier: four 6L6GC at about 462 V, warm-up
// in ten minutes, then a soak; with a fault, V7 runs away near the end.
func night(end time.Duration, runaway bool) *Data {
	sixL6, err := tube.Find("6L6GC")
	if err != nil {
		panic(err) // the handbook is in the binary
	}
	rnd := rand.New(rand.NewPCG(1187, 1))
	d := &Data{
		RunID:   "20261124-210400-R-1187",
		Started: time.Date(2026, 11, 24, 21, 4, 0, 0, time.UTC), End: end, Ended: true,
		SoftwareVersion: "0.2.0", CoreVersion: "1",
		Bench: &bench.Bench{Name: "north"},
		Job: &bench.Job{Ticket: "R-1187", Amplifier: "four-tube bass head, 100 W", Bias: "fixed",
			IdleTarget: 0.65, SoakFor: 10 * time.Hour, HTFuse: 0.5, Limits: bench.DefaultLimits()},
		HT: chart.NewSeries(1500),
	}
	for i, name := range []string{"k1", "k2", "k3", "k4", "ht"} {
		m := bench.Meter{Name: name, Format: drivers.Format{Name: "fs9721"}, Scale: 1}
		m.Accuracy = bench.Accuracy{Given: true, OfReading: 0.005, Counts: 3}
		d.Bench.Meters = append(d.Bench.Meters, m)
		d.Readings = append(d.Readings, uint64(end/(300*time.Millisecond))+uint64(i))
		d.Rejects = append(d.Rejects, uint64(i*i))
		d.Final.Meters = append(d.Final.Meters, alarms.MeterState{Name: name, State: "ok"})
	}
	for i, name := range []string{"V5", "V6", "V7", "V8"} {
		d.Job.Sockets = append(d.Job.Sockets, bench.Socket{
			Name: name, Tube: sixL6, Half: string("aabb"[i]), Limit: 30,
			Sheet:      "RCA 6L6-GC, DATA 1, August 1960",
			Sense:      bench.Sense{Meter: i, Ohms: 1, Tolerance: 0.01, SharedBy: 1},
			PlateMeter: 4, CathodeMeter: -1, ScreenMeter: -1, ScreenSupply: -1,
		})
		d.Current = append(d.Current, chart.NewSeries(1500))
		d.Ratio = append(d.Ratio, chart.NewSeries(1500))
		d.Worst = append(d.Worst, Worst{})
	}
	idle := []float64{0.0412, 0.0404, 0.0409, 0.0417}
	hot := end - 12*time.Minute // when the runaway passes the limit
	off := end - 7*time.Minute
	for t := htUp; t < end; t += 4 * time.Second {
		since := (t - htUp).Seconds()
		mains := 1 + 0.008*math.Sin(2*math.Pi*t.Hours()/2.7) + 0.002*rnd.NormFloat64()
		ht := 462 * mains * (1 - math.Exp(-since/2))
		if t > off {
			ht = 462 * math.Exp(-(t-off).Seconds()/40)
		}
		d.HT.Add(t, math.Round(ht*10)/10)
		for i := range idle {
			i0 := idle[i] * (1 - math.Exp(-math.Pow(since/14, 2))) * (1 - 0.12*math.Exp(-since/170)) * math.Pow(mains, 1.5)
			if runaway && i == 2 {
				i0 *= 1 + 0.58*math.Exp((t-hot).Seconds()/340)
			}
			if t > off {
				i0 *= math.Exp(-(t - off).Seconds() / 20)
			}
			i0 = math.Round(i0*1e4) / 1e4
			d.Current[i].Add(t, i0)
			r := i0 * ht / 30
			d.Ratio[i].Add(t, r)
			if r > d.Worst[i].Ratio.X {
				d.Worst[i] = Worst{Ratio: known(r, 0.0085*r), T: t}
			}
		}
	}
	event := func(t time.Duration, e alarms.Event) {
		e.Seq, e.T = len(d.Events)+1, alarms.Seconds(t)
		d.Events = append(d.Events, e)
	}
	opened := true
	event(0, alarms.Event{Event: alarms.EventAct, Act: "begin"})
	event(0, alarms.Event{Event: alarms.EventPhase, Phase: alarms.Standby})
	event(300*time.Millisecond, alarms.Event{Event: alarms.EventPort, Meter: "k1", Open: &opened})
	event(htUp, alarms.Event{Event: alarms.EventPhase, Phase: alarms.WarmUp})
	for i, s := range d.Job.Sockets {
		c, r := known(idle[i], 0.00029), known(idle[i]*462/30, 0.0054)
		event(settledAt+time.Duration(i*7)*time.Second, alarms.Event{Event: alarms.EventSettled, Socket: s.Name, CathodeCurrent: &c, DissipationRatio: &r})
		d.Final.Sockets = append(d.Final.Sockets, alarms.SocketState{Name: s.Name, Tube: "6L6GC", Half: s.Half, Settled: true,
			Figures: socket.Figures{DissipationRatio: known(0, 0), CathodeCurrent: known(0, 0)}})
	}
	event(settledAt+21*time.Second, alarms.Event{Event: alarms.EventPhase, Phase: alarms.Soak})
	event(25*time.Minute, alarms.Event{Event: alarms.EventAct, Act: "note", Text: "cover back on, fan off"})
	if runaway {
		alarm := func(t time.Duration, p alarms.Priority, s alarms.State) {
			event(t, alarms.Event{Event: alarms.EventAlarm, ID: "runaway/V7", Alarm: "runaway", Subject: "V7", Priority: p, State: s,
				Text:   "V7 rises faster and faster: 100 % of its limit expected in about 9 min.",
				Advice: "Switch the HT off now. Then look for a leaky coupling capacitor, a grid leak of too high value, a gassy tube."})
		}
		alarm(hot-14*time.Minute, alarms.Low, alarms.Unacknowledged)
		alarm(hot-12*time.Minute, alarms.Medium, alarms.Unacknowledged)
		alarm(hot-7*time.Minute, alarms.High, alarms.Unacknowledged)
		event(hot-6*time.Minute, alarms.Event{Event: alarms.EventAlarm, ID: "imbalance/north", Alarm: "imbalance", Subject: "north",
			Priority: alarms.Low, State: alarms.Unacknowledged, Text: "Half b draws 11 % more than half a.", Advice: "Look at V7 first."})
		event(hot+3*time.Second, alarms.Event{Event: alarms.EventAlarm, ID: "over-dissipation/V7", Alarm: "over-dissipation", Subject: "V7",
			Priority: alarms.High, State: alarms.Unacknowledged, Text: "V7 at 30.2 W, over its limit of 30 W for 3 s.", Advice: "Switch the HT off now."})
		alarm(off-time.Minute, alarms.High, alarms.Acknowledged)
		alarm(off+20*time.Second, alarms.High, alarms.Normal)
		event(off+21*time.Second, alarms.Event{Event: alarms.EventAlarm, ID: "over-dissipation/V7", Alarm: "over-dissipation", Subject: "V7",
			Priority: alarms.High, State: alarms.Normal, Text: "V7 back under its limit."})
	}
	event(off+28*time.Second, alarms.Event{Event: alarms.EventPhase, Phase: alarms.CoolDown})
	event(end, alarms.Event{Event: alarms.EventAct, Act: "end"})
	event(end, alarms.Event{Event: alarms.EventPhase, Phase: alarms.Ended})
	d.Final.T, d.Final.Phase = end, alarms.Ended
	d.idled(idle)
	d.Final.HT = alarms.HTState{Volts: known(41, 0.3), Charged: new(false), Settled: known(462, 1.4)}
	return d
}

// idled fills in what the sockets stood at when the last had settled, worked out
// from what their meters showed; V6's trimmer had been turned.
func (d *Data) idled(idle []float64) {
	d.Idle = alarms.Snapshot{}
	sn := &d.Idle
	sn.T, sn.Phase = settledAt+21*time.Second, alarms.WarmUp
	for i, m := range d.Bench.Meters {
		text, unit := "462.0", "V"
		if i < len(idle) {
			text, unit = fmt.Sprintf("%.1f", 1000*idle[i]), "mV"
		}
		r, err := drivers.ParseReading(text, unit, "dc")
		if err != nil {
			panic(err)
		}
		sn.Meters = append(sn.Meters, alarms.MeterState{Name: m.Name, State: "ok", Reading: r, Age: known(0.1, 0)})
	}
	f := gather(d)
	sum, power := socket.Value{Known: true}, socket.Value{Known: true}
	for i := range d.Job.Sockets {
		s := &d.Job.Sockets[i]
		k := alarms.SocketState{Name: s.Name, Tube: s.Tube.Name, Half: s.Half, Settled: true, Figures: socket.Convert(s, f.measured(s, sn)),
			Neighbour: known(idle[i]/idle[i^1]-1, 0.01)}
		sum.X += k.CathodeCurrent.X
		sum.U = math.Hypot(sum.U, k.CathodeCurrent.U)
		power.X += k.PlateDissipation.X
		power.U += k.PlateDissipation.U
		sn.Sockets = append(sn.Sockets, k)
	}
	sn.Amplifier = alarms.AmplifierState{HTCurrent: sum, Power: power, FuseRatio: known(sum.X/d.Job.HTFuse, sum.U/d.Job.HTFuse), Imbalance: known(-0.012, 0.01)}
	d.Final.Sockets[1].AsFound = &alarms.Idle{T: 11 * time.Minute, CathodeCurrent: known(0.0341, 0.0003), PlateVolts: known(470, 1.4), DissipationRatio: known(0.534, 0.005)}
	d.Final.Sockets[1].AsLeft = &alarms.Idle{T: settledAt + 7*time.Second, CathodeCurrent: known(0.0404, 0.0003), PlateVolts: known(462, 1.4), DissipationRatio: known(0.622, 0.005)}
}

// large is a night of n sockets, each with words as long as a job file lets them
// be, and alarms and gaps in number.
func large(n, alarmed int, end time.Duration) *Data {
	d := night(max(end, time.Hour), false)
	d.End, d.Final.T = end, end
	long := strings.Repeat("a long name of many words ", 4)[:99]
	socketOf, current, ratio, worst, final, idle := d.Job.Sockets, d.Current, d.Ratio, d.Worst, d.Final.Sockets, d.Idle.Sockets
	d.Job.Sockets, d.Current, d.Ratio, d.Worst, d.Final.Sockets, d.Idle.Sockets = nil, nil, nil, nil, nil, nil
	var settled []alarms.Event
	for i := range n {
		k := i % 4
		s := socketOf[k]
		s.Name = fmt.Sprintf("V%d", i+1)
		if alarmed >= 40 && i == 0 {
			s.Name = long
		}
		s.DateCode = fmt.Sprintf("188-6-%d", 40+i)
		d.Job.Sockets, d.Current, d.Ratio = append(d.Job.Sockets, s), append(d.Current, current[k]), append(d.Ratio, ratio[k])
		d.Worst = append(d.Worst, worst[k])
		f, id := final[k], idle[k]
		f.Name, id.Name = s.Name, s.Name
		d.Final.Sockets, d.Idle.Sockets = append(d.Final.Sockets, f), append(d.Idle.Sockets, id)
		c, r := known(0.04+float64(i)*1e-4, 0.00029), known(0.62+float64(i)*0.002, 0.0054)
		settled = append(settled, alarms.Event{T: alarms.Seconds(settledAt + time.Duration(i)*time.Second), Event: alarms.EventSettled, Socket: s.Name, CathodeCurrent: &c, DissipationRatio: &r})
	}
	d.Events = slices.DeleteFunc(d.Events, func(e alarms.Event) bool { return e.Event == alarms.EventSettled })
	at := slices.IndexFunc(d.Events, func(e alarms.Event) bool { return e.Phase == alarms.Soak })
	d.Events = slices.Insert(d.Events, at, settled...)
	d.Events = slices.DeleteFunc(d.Events, func(e alarms.Event) bool { return time.Duration(e.T) > end })
	if alarmed > 0 {
		d.Job.Amplifier, d.Job.Serial, d.Job.Technician = long, long, long
		d.Job.Workshop = bench.Workshop{Name: long, Address: []string{long, long, "3", "4", "5", long}}
		d.Job.Parts = []string{long, long, long, "C31", long}
		d.Job.Notes = strings.Repeat("Came in with a blown HT fuse; the owner says it crackled for a week.\n", 20)
		d.Bench.Meters[0].Name = strings.Repeat("k1-", 20)
		d.Job.Watches = []bench.Watch{{Name: long, Meter: 4, Unit: "V", Quantity: drivers.Voltage, Low: 5.67, High: 6.93}}
	}
	for i := range alarmed {
		from := end/2 + time.Duration(i)*end/100
		s := d.Job.Sockets[i%n].Name
		name := [...]string{"drift", "step", "not-settled", "idle-off-target"}[i%4]
		for k, st := range []alarms.State{alarms.Unacknowledged, alarms.Acknowledged, alarms.Normal} {
			d.Events = append(d.Events, alarms.Event{T: alarms.Seconds(from + time.Duration(k)*time.Minute), Event: alarms.EventAlarm,
				ID: name + "/" + s + fmt.Sprint(i), Alarm: name, Subject: s, Priority: [...]alarms.Priority{alarms.Medium, alarms.High, alarms.Low, alarms.Low}[i%4], State: st,
				Text:   s + " has moved by 11 % from where it settled, supply movement taken out, and goes on moving.",
				Advice: "Look at the tube, its grid leak and its socket; measure the bias supply while it moves. Then settle it anew."})
		}
	}
	slices.SortStableFunc(d.Events, func(a, b alarms.Event) int { return cmp.Compare(a.T, b.T) })
	return d
}
