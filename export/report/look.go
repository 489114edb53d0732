package report

import (
	"math"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export"
	"nightsoak/export/report/chart"
)

// Look is a look at a run's trace: which stretch of it, which of its figures, of
// one socket or of all, on a drawing of what size.
type Look struct {
	From, To      time.Duration // run time; To 0 is the end
	Show          Shown
	Socket        string // empty for all
	Width, Height int    // pixels
}

// Shown is a figure that a Look shows.
type Shown string

// What can be shown. The zero Shown is Share.
const (
	Share   Shown = "share"   // plate dissipation, as a ratio of its limit
	Current Shown = "current" // cathode or, where the sense gives none, plate current, ampere
	Volts   Shown = "volts"   // plate to cathode, volt
)

// LeastLook is the shortest stretch that is shown.
const LeastLook = 10 * time.Second

// Within is the look made to fit a run that is end long.
func (l Look) Within(end time.Duration) Look {
	end = max(end, LeastLook)
	if l.To <= 0 || l.To > end {
		l.To = end
	}
	l.From = max(0, min(l.From, l.To-LeastLook))
	l.To = max(l.To, l.From+LeastLook)
	return l
}

// Unit is a figure's unit as people read it, what to multiply its value by for
// that, and how many decimals its meters tell.
func (s Shown) Unit() (unit string, scale float64, decimals int) {
	switch s {
	case Current:
		return "mA", 1000, 1
	case Volts:
		return "V", 1, 1
	}
	return "%", 100, 1
}

// Lines are the sockets that a look shows, by their index in the job. Of plate
// volts, those that hang on one meter are one line.
func (l *Look) Lines(j *bench.Job) (lines []int) {
	for i := range j.Sockets {
		s := &j.Sockets[i]
		if l.Socket != "" && l.Socket != s.Name {
			continue
		}
		if l.Show == Volts && slices.ContainsFunc(lines, func(k int) bool {
			return j.Sockets[k].PlateMeter == s.PlateMeter && j.Sockets[k].CathodeMeter == s.CathodeMeter
		}) {
			continue
		}
		lines = append(lines, i)
	}
	return lines
}

// narrow is the width, pixels, under which a drawing has no room for figures
// beside its lines' names.
const narrow = 520

// rounded is x with so many decimals, and never a zero below zero.
func rounded(x float64, decimals int) float64 {
	p := math.Pow10(decimals)
	return math.Round(x*p)/p + 0
}

// Name is what the line of socket i is called: its socket or, where it is that of
// several, the meter.
func (l *Look) Name(b *bench.Bench, j *bench.Job, i int) string {
	s := &j.Sockets[i]
	if l.Show == Volts && l.Socket == "" && s.PlateMeter >= 0 && len(l.Lines(j)) < len(j.Sockets) {
		return b.Meters[s.PlateMeter].Name
	}
	return s.Name
}

// Trace is what the look shows. Series are those of its lines, in their order.
func (l Look) Trace(d *Data, series []*chart.Series) *chart.Trace {
	f := gather(d)
	t := f.traceOf("", l.Width, l.Height)
	t.From, t.To = l.From, l.To
	var decimals int
	t.Unit, t.Scale, decimals = l.Show.Unit()
	if l.Show == Share || l.Show == "" {
		t.Limits = f.shareLimits()
		if f.Job.IdleTarget > 0 {
			t.Limits = append(t.Limits, chart.Level{Text: "idle asked for", Y: f.Job.IdleTarget})
		}
		if l.Width < narrow {
			t.Limits[0].Text = "limit"
		}
	}
	for n, i := range l.Lines(f.Job) {
		line := chart.Line{Name: l.Name(f.Bench, f.Job, i), Note: unknown}
		line.Alarm = f.alarmed(line.Name)
		if seen(series, n) {
			line.Series, line.Note = series[n], ""
			for p := range series[n].Points(l.From, l.To, max(l.Width, 1)) { // the last one stays
				if p.Break {
					line.Note = unknown
				} else {
					line.Note = figure(socket.Value{X: rounded((p.Min+p.Max)/2*t.Scale, decimals), Known: true}, 1, decimals, t.Unit)
				}
			}
		}
		if l.Width < narrow {
			line.Note = ""
		}
		t.Lines = append(t.Lines, line)
	}
	t.Marks = f.looked(l)
	return t
}

// markedActs are the acts that explain a trace; what was done to alarms does not.
var markedActs = []string{"note", "mark", "adjusted", "move", "out-of-service", "cut", "rearm", "walkaway", "drill"}

// looked are the alarms and acts of a stretch, in order of time.
func (f *facts) looked(l Look) (marks []chart.Mark) {
	for _, m := range f.marks() {
		if m.T >= l.From && m.T <= l.To {
			marks = append(marks, m)
		}
	}
	for i := range f.Events {
		e := &f.Events[i]
		t := time.Duration(e.T)
		if e.Event != alarms.EventAct || !slices.Contains(markedActs, e.Act) || t < l.From || t > l.To {
			continue
		}
		marks = append(marks, chart.Mark{T: t, Text: strings.TrimSuffix(capital(strings.ReplaceAll(e.Act, "-", " "))+": "+export.ActWords(e), ": ")})
	}
	slices.SortStableFunc(marks, func(a, b chart.Mark) int { return int(a.T - b.T) })
	return marks
}
