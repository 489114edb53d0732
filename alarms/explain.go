package alarms

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"strings"
	"text/tabwriter"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/alarms/trend"
)

// ErrNoSocket is wrapped by Explain for a socket that the job has not.
var ErrNoSocket = errors.New("no such socket")

// Explanation is how one socket is judged at one moment and what that rests
// on. Figures are in SI units; times are run times; null is unknown.
type Explanation struct {
	T          Seconds `json:"t"`
	Socket     string  `json:"socket"`
	Tube       string  `json:"tube"`
	Limit      float64 `json:"limit_w"` // plate dissipation limit
	Phase      Phase   `json:"phase"`
	PhaseSince Seconds `json:"phase_since"`

	Now OperatingPoint `json:"now"`
	Why string         `json:"why,omitempty"` // why the current is unknown; empty when it is known
	// Settled is false also while the current is unknown: what was learnt of it
	// is not said as if it held. SettledAt and SettledTo are of the last
	// settling, whether or not it holds; nil before it and once the trimmer was turned.
	Settled   bool            `json:"settled"`
	SettledAt *Seconds        `json:"settled_at"`
	SettledTo *OperatingPoint `json:"settled_to"`
	// ComparedWith is what drift is measured from: where it settled, or where
	// a step left it. It is nil while nothing is compared.
	ComparedWith *OperatingPoint `json:"compared_with"`

	Sections []Section      `json:"sections"`
	Alarms   []AlarmVerdict `json:"alarms"` // all of the socket's, then all of the bench's
}

// OperatingPoint is what a tube does at one moment.
type OperatingPoint struct {
	CathodeCurrent   socket.Value `json:"cathode_current_a"`
	PlateCurrent     socket.Value `json:"plate_current_a"`
	PlateVolts       socket.Value `json:"plate_volts"` // plate to cathode
	PlateDissipation socket.Value `json:"plate_dissipation_w"`
	DissipationRatio socket.Value `json:"dissipation_ratio"` // of the plate dissipation limit
}

// Section is one part of what a judgement rests on, such as the inner state of
// a detector.
type Section struct {
	Name  string `json:"name"`
	Lines []Line `json:"lines"`
}

// Line is one figure or one statement.
type Line struct {
	Name string `json:"name"`
	// Value is nil for a statement. Unit is its SI unit; "ratio" is shown to
	// people as a percentage, "ratio/h" as one for each hour, and "" as a plain number.
	Value *socket.Value `json:"value,omitempty"`
	U     *socket.Value `json:"standard_uncertainty,omitempty"` // of a fit its standard error; nil where none can be stated
	Unit  string        `json:"unit,omitempty"`
	Text  string        `json:"text,omitempty"` // beside the figure, or the statement
}

// AlarmVerdict is where one alarm is, raised or not.
type AlarmVerdict struct {
	ID       string   `json:"id"`
	Stands   bool     `json:"stands"`
	Unknown  bool     `json:"unknown"` // there is no telling now whether its condition stands
	Changes  *Seconds `json:"changes"` // when it is raised, or if it stands returns, should its condition stay as it is; null when no delay runs
	Raised   *Seconds `json:"raised"`  // last; null for never
	Priority Priority `json:"priority"`
	State    State    `json:"state"`
	Text     string   `json:"text"` // of the last raise; of now while it stands
}

// explained are the sections of an Explanation, in order. Snapshot is that of
// the moment. A detector whose inner state is to be seen has a line here.
var explained = []struct {
	name  string
	lines func(*socketState, *Snapshot) []Line
}{
	{"settling", settlingLines},
	{"supply taken out", answerLines},
	{"its own movement", movementLines},
	{"runaway", runawayLines},
	{"around it", aroundLines},
	{"meters", meterLines},
}

// Explain is the state of the judgement of the socket with that name now. It
// changes nothing. The error wraps ErrNoSocket and names the job's sockets.
func (e *Engine) Explain(name string) (Explanation, error) {
	s := e.socket(name)
	if s == nil {
		return Explanation{}, fmt.Errorf("%w: %q; known are %s", ErrNoSocket, name, e.socketNames())
	}
	sn := e.Snapshot()
	st := &sn.Sockets[s.index]
	x := Explanation{
		T: Seconds(sn.T), Socket: st.Name, Tube: st.Tube, Limit: st.Limit, Phase: sn.Phase, PhaseSince: Seconds(sn.PhaseSince),
		Now: OperatingPoint{st.CathodeCurrent, st.PlateCurrent, st.PlateVolts, st.PlateDissipation, st.DissipationRatio},
		Why: st.Why, Settled: st.Settled,
	}
	if st.SettledAt > 0 {
		x.SettledAt, x.SettledTo = seconds(st.SettledAt), s.point(s.settledBin)
	}
	if s.settled {
		x.ComparedWith = s.point(s.reference)
	}
	for _, k := range explained {
		x.Sections = append(x.Sections, Section{k.name, k.lines(s, &sn)})
	}
	for _, conds := range [][]*cond{s.conds, e.own} {
		for _, c := range conds {
			x.Alarms = append(x.Alarms, c.verdict(&sn))
		}
	}
	return x, nil
}

// point is a bin of the socket as an operating point.
func (s *socketState) point(b bin) *OperatingPoint {
	i := b.idle(0)
	return &OperatingPoint{i.CathodeCurrent, i.PlateCurrent, i.PlateVolts, known(b.ratio * s.Limit), i.DissipationRatio}
}

func (c *cond) verdict(sn *Snapshot) AlarmVerdict {
	v := AlarmVerdict{ID: c.id, Stands: c.active, Unknown: c.unsure, Priority: cmp.Or(c.priority, c.set.starts), State: c.state, Text: c.text}
	if c.timer.armed {
		v.Changes = seconds(c.timer.at)
	}
	if c.text != "" {
		v.Raised = seconds(c.since)
	}
	for _, a := range sn.Alarms {
		if a.ID == c.id {
			v.Text = a.Text
		}
	}
	return v
}

func seconds(d time.Duration) *Seconds {
	s := Seconds(d)
	return &s
}

// figureLine is a line of a figure, with its standard uncertainty where one is
// stated. What is not a finite number is unknown.
func figureLine(name string, v socket.Value, unit string) Line {
	if v.Known = v.Known && !math.IsNaN(v.X) && !math.IsInf(v.X, 0); !v.Known {
		v = socket.Value{}
	}
	l := Line{Name: name, Value: &v, Unit: unit}
	if v.U > 0 && !math.IsInf(v.U, 0) {
		l.U = &socket.Value{X: v.U, Known: true}
	}
	return l
}

func settlingLines(s *socketState, sn *Snapshot) []Line {
	st := &sn.Sockets[s.index]
	points := figureLine("points kept", known(float64(min(len(s.bins), keepBins))), "")
	points.Text = "each the middle of " + people(binLength)
	lines := []Line{points, figureLine("drift", st.DriftPerHour, "ratio/h")}
	if !st.Settled {
		lines = append(lines, figureLine("settles in", st.SettlesIn, "s"), figureLine("settles at", st.SettlesAt, "A"))
	}
	return lines
}

func answerLines(s *socketState, _ *Snapshot) []Line {
	if s.plate == nil {
		return []Line{{Name: "answer", Text: "no plate meter: what all sockets have in common is taken out"}}
	}
	n := figureLine("percent of current for one of plate volts", socket.Value{X: s.answer.n, U: s.answer.se(), Known: true}, "")
	n.Text = "learnt from the volts' own movements"
	if s.answer.precision <= 1/(priorAnswerSE*priorAnswerSE) {
		n.Text = "the three-halves law: nothing seen yet to learn from"
	}
	return []Line{n}
}

func movementLines(s *socketState, _ *Snapshot) []Line {
	if !s.settled || len(s.bins) == 0 {
		return []Line{{Name: "from its settled current", Text: "not settled"}}
	}
	own, unsure := s.moved(s.recent())
	return []Line{
		figureLine("from its settled current", socket.Value{X: trend.Expm1(own), U: unsure / 2, Known: true}, "ratio"),
		figureLine("what all sockets have in common", known(trend.Expm1(s.e.common.net)), "ratio"),
		figureLine("drop-outs counted", known(float64(s.contact.seen)), ""),
	}
}

func runawayLines(s *socketState, _ *Snapshot) []Line {
	h, g := &s.history, &s.growth
	if len(h.points) == 0 {
		return []Line{{Name: "history", Text: "none yet"}}
	}
	last := h.points[len(h.points)-1].z
	ev := figureLine("evidence for a growth", known(g.evidence), "")
	ev.Text = fmt.Sprintf("chi-square by which it fits better than any other explanation; from %g on it is told", evidence)
	lines := []Line{
		figureLine("half minutes looked at", known(float64(min(len(h.points), keepPoints))), ""),
		figureLine("worth so many independent ones", known(h.noise.EffectiveSize(min(len(h.points), keepPoints))), ""),
		figureLine("noise of a half minute, over 4 min", known(h.noise.Over(8)), "ratio"),
		figureLine("noise of a half minute, over 1 h", known(h.noise.Over(120)), "ratio"),
		ev,
	}
	if g.evidence > 0 {
		lines = append(lines, figureLine("rise", known(g.rise/last), "ratio"), figureLine("within", known(g.span.Seconds()), "s"))
	}
	if g.rising {
		lines = append(lines, figureLine("limit at the earliest in", known(g.early), "s"), figureLine("limit at the latest in", known(g.late), "s"))
	}
	return lines
}

func aroundLines(s *socketState, sn *Snapshot) []Line {
	st := &sn.Sockets[s.index]
	lines := []Line{
		figureLine("HT now", sn.HT.Volts, "V"),
		figureLine("HT settled", sn.HT.Settled, "V"),
		figureLine("off the others of its half", st.Neighbour, "ratio"),
	}
	if st.Target > 0 {
		l := figureLine("idle target", known(st.Target), "ratio")
		l.Text = fmt.Sprintf("±%.3g %% of the limit", 100*st.TargetTolerance)
		lines = append(lines, l)
	}
	return lines
}

func meterLines(s *socketState, sn *Snapshot) (lines []Line) {
	for _, m := range []struct {
		role  string
		index int
	}{{"sense", s.Sense.Meter}, {"plate", s.PlateMeter}, {"cathode", s.CathodeMeter}, {"screen", s.ScreenMeter}, {"screen supply", s.ScreenSupply}} {
		if m.index < 0 {
			continue
		}
		st := &sn.Meters[m.index]
		text := st.Name + " " + st.State
		if st.Age.Known {
			text += fmt.Sprintf(": %s %s, %s ago", st.Reading.Text(), st.Reading.Unit(), quantityWords(st.Age.X, "s"))
		}
		lines = append(lines, Line{Name: m.role, Text: text})
	}
	return lines
}

// String is the explanation for people: several lines, in mA and percent.
func (x Explanation) String() string {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	row := func(name, text string) { fmt.Fprintf(w, "%s\t%s\n", name, text) }
	fmt.Fprintf(w, "%s (%s) at %s: %s since %s, for %s\n", x.Socket, x.Tube, x.T.clock(), x.Phase, x.PhaseSince.clock(), (x.T - x.PhaseSince).clock())
	now := x.Now.words(x.Limit)
	if x.Why != "" {
		now = "current unknown: " + x.Why
	}
	row("now", now)
	settled := "no"
	if x.Settled {
		settled = "yes"
	}
	if x.SettledAt != nil {
		last := ", last at "
		if x.Settled {
			last = ", since "
		}
		settled += last + x.SettledAt.clock() + ": " + x.SettledTo.words(x.Limit)
	}
	row("settled", settled)
	compared := "nothing"
	if x.ComparedWith != nil {
		compared = x.ComparedWith.words(x.Limit)
	}
	row("compared with", compared)
	for _, s := range x.Sections {
		fmt.Fprintln(w, s.Name)
		for _, l := range s.Lines {
			row("  "+l.Name, l.words())
		}
	}
	fmt.Fprintln(w, "alarms")
	for _, a := range x.Alarms {
		row("  "+a.ID, a.words())
	}
	w.Flush() // into memory
	return b.String()
}

func (p *OperatingPoint) words(limit float64) string {
	figure := func(v socket.Value, scale float64, unit, of string) string {
		if !v.Known {
			return of + " unknown"
		}
		return fmt.Sprintf("%.1f %s", scale*v.X, unit)
	}
	current := figure(p.CathodeCurrent, 1000, "mA", "current")
	if !p.CathodeCurrent.Known && p.PlateCurrent.Known {
		current = figure(p.PlateCurrent, 1000, "mA", "") + " of the plate"
	}
	return strings.Join([]string{current, figure(p.PlateVolts, 1, "V", "volts"), figure(p.PlateDissipation, 1, "W", "watts"),
		figure(p.DissipationRatio, 100, fmt.Sprintf("%% of %.3g W", limit), "share")}, ", ")
}

func (l *Line) words() string {
	if l.Value == nil {
		return l.Text
	}
	words := "unknown"
	if l.Value.Known {
		words = quantityWords(l.Value.X, l.Unit)
		if l.U != nil {
			words += ", standard uncertainty " + quantityWords(l.U.X, l.Unit)
		}
	}
	if l.Text != "" {
		words += ", " + l.Text
	}
	return words
}

// quantityWords is a figure in the unit that people read.
func quantityWords(x float64, unit string) string {
	switch unit {
	case "":
		return fmt.Sprintf("%.4g", x)
	case "A":
		return fmt.Sprintf("%.3g mA", 1000*x)
	case "s":
		return people(time.Duration(x * float64(time.Second)).Round(100 * time.Millisecond))
	case "ratio":
		return fmt.Sprintf("%.3g %%", 100*x)
	case "ratio/h":
		return fmt.Sprintf("%.3g %% per hour", 100*x)
	}
	return fmt.Sprintf("%.1f %s", x, unit)
}

func (a *AlarmVerdict) words() string {
	words := "no"
	switch {
	case a.Stands && a.Changes != nil:
		words = "stands, its condition gone: returns at " + a.Changes.clock() + " if that stays so"
	case a.Stands:
		words = "stands"
	case a.Changes != nil:
		words = "its condition stands: raised at " + a.Changes.clock() + " if that stays so"
	case a.Unknown:
		words = "no telling"
	}
	if a.Unknown && (a.Stands || a.Changes != nil) {
		words += ", no telling now"
	}
	if a.Raised != nil {
		words += fmt.Sprintf("; %s raised at %s", a.Priority, a.Raised.clock())
	}
	if a.State != Normal {
		words += ", " + string(a.State)
	}
	if a.Text != "" {
		words += ": " + a.Text
	}
	return words
}

// clock is a run time as hours, minutes and seconds.
func (s Seconds) clock() string {
	n := int(time.Duration(s).Seconds())
	return fmt.Sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
}
