package report

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/acquire/tube"
	"nightsoak/alarms"
	"nightsoak/export"
	"nightsoak/export/report/chart"
)

// viewFigures is what every socket stood at, at one moment.
type viewFigures struct {
	When    string // what moment that was
	Screens bool   // of any socket the screen current is known
	Sockets []viewFigure
	Notes   []string // whole sentences
	Trimmed []viewTrim
	Budgets []viewBudget
}

// viewFigure is one socket; currents in mA, volts in V, watts in W.
type viewFigure struct {
	Name, Cathode, Plate, Screen, Volts, Watts, ScreenWatts, Neighbour string
	AtMost                                                             bool // plate current and watts are
	Shares                                                             [4]viewShare
}

// viewShare is a figure as a share of a limit.
type viewShare struct {
	Share, Of string
	Over      string // "over", or by how little; empty when not
}

// viewTrim is a socket whose trimmer was turned.
type viewTrim struct {
	Name        string
	Found, Left viewIdle
}

type viewIdle struct{ At, Current, Volts, Share string }

// viewBudget is one line of an uncertainty budget; Name stands on the first of a socket's.
type viewBudget struct {
	Name, Input, Estimate, Uncertainty, Contribution, Share string
	Sum                                                     bool
}

// at is the snapshot that the figures are taken from: that of the last settling
// while it holds, else the end of the record.
func (f *facts) at() (s *alarms.Snapshot, when string) {
	if f.Idle.Sockets != nil && len(f.unsettled()) == 0 {
		return &f.Idle, "Taken " + chart.ClockSeconds(f.Idle.T) + " into the run, when the last of them had settled."
	}
	when = "Taken at the end of the record, " + chart.ClockSeconds(f.Final.T) + " into the run"
	if u := f.unsettled(); len(u) > 0 {
		when += "; " + list(u) + " not settled"
	}
	return &f.Final, when + "."
}

// countsScreen says whether a socket's screen current counts as plate current,
// so that the plate's figures are at most.
func countsScreen(s *bench.Socket) bool {
	t := s.Tube
	return t != nil && s.Sense.TransformerOhms == 0 && s.ScreenMeter < 0 && s.ScreenShare == 0 &&
		(t.ScreenPin != "" || t.ScreenDissipation > 0 || t.ScreenShareHigh > 0)
}

// over is what there is to say of a share that is over a limit, itself a share.
func over(v socket.Value, limit float64) string {
	switch {
	case !v.Known || v.X <= limit:
		return ""
	case v.X-limit < 2*v.U:
		return "over by less than the uncertainty"
	}
	return "over"
}

// bare is a figure without its unit, which the table's head gives.
func bare(v socket.Value, scale float64, decimals int) string {
	return strings.TrimSuffix(figure(v, scale, decimals, ""), nbsp)
}

func (f *facts) figures() viewFigures {
	snap, when := f.at()
	v := viewFigures{When: when}
	atMost, share := map[string][]string{}, map[string]string{}
	var order []string
	for i := range f.Job.Sockets {
		s := &f.Job.Sockets[i]
		k := nth(snap.Sockets, i)
		if k == nil {
			k = &alarms.SocketState{}
		}
		r := viewFigure{Name: s.Name, AtMost: countsScreen(s) && k.PlateCurrent.Known,
			Cathode: bare(k.CathodeCurrent, 1000, 1), Plate: bare(k.PlateCurrent, 1000, 1), Screen: bare(k.ScreenCurrent, 1000, 1),
			Volts: bare(k.PlateVolts, 1, 0), Watts: bare(k.PlateDissipation, 1, 1), ScreenWatts: bare(k.ScreenDissipation, 1, 1), Neighbour: "–"}
		v.Screens = v.Screens || k.ScreenCurrent.Known
		if n := k.Neighbour; n.Known {
			r.Neighbour = strings.Replace(figure(n, 100, 1, "%"), "-", "−", 1)
			if n.X > 0 {
				r.Neighbour = "+" + r.Neighbour
			}
		}
		var rating tube.Rating
		if s.Tube != nil {
			rating = s.Tube.Rating
		}
		r.Shares = [...]viewShare{
			shareOf(k.DissipationRatio, of(s.Limit, 1, "W")),
			shareOf(k.ScreenRatio, of(rating.ScreenDissipation, 1, "W")),
			shareOf(k.PlateVoltsRatio, of(rating.PlateVolts, 1, "V")),
			shareOf(k.CathodeCurrentRatio, of(rating.CathodeCurrent, 1000, "mA")),
		}
		v.Sockets = append(v.Sockets, r)
		if r.AtMost {
			t := tubeName(*s)
			if atMost[t] == nil {
				order = append(order, t)
				if s.Tube.ScreenShareHigh > 0 {
					share[t] = fmt.Sprintf(" By the handbook %.3g to %s of the cathode current of a %s is the screen’s at idle: shown here, not applied.",
						100*s.Tube.ScreenShareLow, percent(s.Tube.ScreenShareHigh), t)
				}
			}
			atMost[t] = append(atMost[t], s.Name)
		}
		if k := nth(f.Final.Sockets, i); k != nil && (k.AsFound != nil || k.AsLeft != nil) {
			v.Trimmed = append(v.Trimmed, viewTrim{s.Name, idleWords(k.AsFound, "not known"), idleWords(k.AsLeft, "not settled since")})
		}
		v.Budgets = append(v.Budgets, f.budget(s, snap, k)...)
	}
	for _, t := range order {
		v.Notes = append(v.Notes, "At most for "+list(atMost[t])+": the screen current is neither measured nor set in the job, so it counts as plate current."+share[t])
	}
	return v
}

// shareOf is a share of the limit that of words.
func shareOf(ratio socket.Value, of string) viewShare {
	if of == "" {
		return viewShare{Share: "no limit known"}
	}
	return viewShare{Share: figure(ratio, 100, 1, "%"), Of: of, Over: over(ratio, 1)}
}

// of is a limit in its unit; empty when there is none.
func of(limit, scale float64, unit string) string {
	if !(limit > 0) {
		return ""
	}
	return fmt.Sprintf("%.4g%s%s", limit*scale, nbsp, unit)
}

func idleWords(i *alarms.Idle, otherwise string) viewIdle {
	if i == nil {
		return viewIdle{At: otherwise}
	}
	return viewIdle{At: chart.ClockSeconds(i.T), Current: figure(cmp.Or(i.CathodeCurrent, i.PlateCurrent), 1000, 1, "mA"),
		Volts: figure(i.PlateVolts, 1, 0, "V"), Share: figure(i.DissipationRatio, 100, 1, "%")}
}

// measured is what the meters of a socket showed at a snapshot.
func (f *facts) measured(s *bench.Socket, snap *alarms.Snapshot) socket.Measured {
	show := func(meter int) socket.Value {
		if meter < 0 || meter >= len(snap.Meters) || meter >= len(f.Bench.Meters) || !export.Heard(&snap.Meters[meter]) {
			return socket.Value{}
		}
		return socket.Volts(snap.Meters[meter].Reading, f.Bench.Meters[meter].Accuracy)
	}
	return socket.Measured{Sense: show(s.Sense.Meter), Plate: show(s.PlateMeter), Cathode: show(s.CathodeMeter),
		Screen: show(s.ScreenMeter), ScreenSupply: show(s.ScreenSupply)}
}

// budget is the uncertainty budget of a socket's share of its limit; nothing
// where the share was not known.
func (f *facts) budget(s *bench.Socket, snap *alarms.Snapshot, k *alarms.SocketState) (lines []viewBudget) {
	if !k.DissipationRatio.Known || s.Tube == nil {
		return nil
	}
	b := socket.NewBudget(s, f.measured(s, snap))
	for _, l := range b.Lines {
		v := viewBudget{Input: l.Input, Estimate: si(l.Estimate, 4, l.Unit), Uncertainty: "not stated", Contribution: unknown, Share: unknown}
		if l.Uncertainty > 0 {
			v.Uncertainty = si(l.Uncertainty, 2, l.Unit)
			v.Contribution = fmt.Sprintf("%.2f%s%%", 100*l.Contribution, nbsp)
		}
		if b.U > 0 {
			v.Share = fmt.Sprintf("%.0f%s%%", 100*l.Share, nbsp)
		}
		lines = append(lines, v)
	}
	if len(lines) == 0 {
		return nil
	}
	lines[0].Name = s.Name
	sum := viewBudget{Input: "together: " + b.Why, Estimate: fmt.Sprintf("%.1f%s%%", 100*b.Ratio, nbsp), Sum: true}
	if b.U > 0 {
		sum.Contribution = fmt.Sprintf("%.2f%s%%", 100*b.U, nbsp)
		sum.Share = fmt.Sprintf("±%s%.1f%[1]s%%", nbsp, 100*b.Expanded)
	}
	return append(lines, sum)
}

// si is a number with its unit, volts under one as millivolts.
func si(x float64, digits int, unit string) string {
	if unit == "V" && math.Abs(x) < 1 {
		x, unit = 1000*x, "mV"
	}
	return strings.TrimSuffix(fmt.Sprintf("%.*g%s%s", digits, x, nbsp, unit), nbsp)
}

// amplifierWords are the amplifier's figures as a whole; empty where not known.
func (f *facts) amplifierWords() string {
	snap, _ := f.at()
	a := snap.Amplifier
	var parts []string
	if a.HTCurrent.Known {
		parts = append(parts, "HT current of the output tubes "+figure(a.HTCurrent, 1000, 1, "mA"))
	}
	if a.Power.Known {
		parts = append(parts, "idle power "+figure(a.Power, 1, 1, "W"))
	}
	if a.FuseRatio.Known {
		w := figure(a.FuseRatio, 100, 0, "%") + " of the HT fuse of " + of(f.Job.HTFuse, 1000, "mA")
		if o := over(a.FuseRatio, 1); o != "" {
			w += " (" + o + ")"
		}
		parts = append(parts, w)
	}
	return strings.Join(parts, "; ")
}

// sources are a socket's limits with where they come from: its plate
// dissipation, limit, and what else the handbook has for its type.
func sources(s *bench.Socket, limit string) string {
	plate, sheet := tubeName(*s)+": "+limit+" at the plate", s.Sheet
	if sheet == "" {
		sheet = "source not stated"
	}
	t := s.Tube
	if t == nil {
		return plate + ": " + sheet
	}
	var others []string
	for _, x := range [...]struct{ what, limit, key string }{
		{" at the screen", of(t.ScreenDissipation, 1, "W"), "screen_dissipation_w"},
		{" at the plate", of(t.PlateVolts, 1, "V"), "plate_volts_max"},
		{" of cathode current", of(t.CathodeCurrent, 1000, "mA"), "cathode_current_max_a"},
	} {
		if x.limit == "" {
			continue
		}
		w := x.limit + x.what
		if m := t.Weaker[x.key]; m != "" {
			w += " (" + markWords(m) + ")"
		}
		others = append(others, w)
	}
	book := t.Source + " (" + t.System + ", " + markWords(t.Mark) + ")"
	switch {
	case len(others) == 0:
		return plate + ": " + sheet
	case strings.HasPrefix(sheet, t.Source):
		return plate + ", " + list(others) + ": " + book
	}
	return plate + ": " + sheet + "; " + list(others) + ": " + book
}

func markWords(m tube.Mark) string { return strings.ReplaceAll(string(m), "-", " ") }

type jsonFigure struct {
	Value socket.Value `json:"value"`
	U95   socket.Value `json:"u95"`
}

func toJSON(v socket.Value) jsonFigure { return jsonFigure{v, export.U95(v)} }

// jsonFigures are a socket's, at jsonRun.FiguresT.
type jsonFigures struct {
	CathodeCurrent      jsonFigure `json:"cathode_current_a"`
	PlateCurrent        jsonFigure `json:"plate_current_a"`
	PlateAtMost         bool       `json:"plate_at_most"` // the screen's current counts as the plate's
	ScreenCurrent       jsonFigure `json:"screen_current_a"`
	PlateVolts          jsonFigure `json:"plate_volts"`
	PlateDissipation    jsonFigure `json:"plate_dissipation_w"`
	ScreenDissipation   jsonFigure `json:"screen_dissipation_w"`
	DissipationRatio    jsonFigure `json:"dissipation_ratio"`
	ScreenRatio         jsonFigure `json:"screen_ratio"`
	PlateVoltsRatio     jsonFigure `json:"plate_volts_ratio"`
	CathodeCurrentRatio jsonFigure `json:"cathode_current_ratio"`
	Neighbour           jsonFigure `json:"neighbour"`
}

func figuresJSON(s *bench.Socket, k *alarms.SocketState) *jsonFigures {
	if k == nil {
		return nil
	}
	return &jsonFigures{toJSON(k.CathodeCurrent), toJSON(k.PlateCurrent), countsScreen(s), toJSON(k.ScreenCurrent), toJSON(k.PlateVolts),
		toJSON(k.PlateDissipation), toJSON(k.ScreenDissipation), toJSON(k.DissipationRatio), toJSON(k.ScreenRatio),
		toJSON(k.PlateVoltsRatio), toJSON(k.CathodeCurrentRatio), toJSON(k.Neighbour)}
}

type jsonIdle struct {
	T                seconds    `json:"t"`
	CathodeCurrent   jsonFigure `json:"cathode_current_a"`
	PlateCurrent     jsonFigure `json:"plate_current_a"`
	PlateVolts       jsonFigure `json:"plate_volts"`
	DissipationRatio jsonFigure `json:"dissipation_ratio"`
}

func idleJSON(i *alarms.Idle) *jsonIdle {
	if i == nil {
		return nil
	}
	return &jsonIdle{seconds(i.T), toJSON(i.CathodeCurrent), toJSON(i.PlateCurrent), toJSON(i.PlateVolts), toJSON(i.DissipationRatio)}
}

type jsonAmplifier struct {
	HTCurrent jsonFigure `json:"ht_current_a"`
	Power     jsonFigure `json:"power_w"`
	FuseRatio jsonFigure `json:"fuse_ratio"`
	Imbalance jsonFigure `json:"imbalance"`
}

func amplifierJSON(a alarms.AmplifierState) jsonAmplifier {
	return jsonAmplifier{toJSON(a.HTCurrent), toJSON(a.Power), toJSON(a.FuseRatio), toJSON(a.Imbalance)}
}
