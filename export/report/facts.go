package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export/report/chart"
)

// facts are what the events and the final state amount to.
type facts struct {
	*Data
	phases   []phase
	gaps     []gap
	alarms   []*episode
	cuts     []*alarms.Event // acts
	quality  alarms.Quality
	weakened []string        // what the files took from alarms that are high
	settled  []*alarms.Event // per socket, since the last warm-up and the last adjustment; nil if not
	watched  time.Duration   // run time less gaps
	soak     time.Duration   // settled and under HT, less gaps
	before   *facts          // of Data.Against; nil without one
	soakFrom time.Duration
	soakTo   time.Duration
}

type phase struct {
	from, to time.Duration
	name     alarms.Phase
}

type gap struct {
	from, to time.Duration
	text     string
}

// episode is one alarm from its raise until it is normal again.
type episode struct {
	alarm, subject string
	from           time.Duration
	priority       alarms.Priority // the highest it reached
	text, advice   string          // at its highest
	changes        []alarms.Event
	raised         bool // it stood at some time
	over           bool
}

func (e *episode) words() string { return words(e.alarm, e.subject) }

// aboutMeter says whether the alarm speaks of the measuring, not of the amplifier.
func (e *episode) aboutMeter() bool {
	return strings.HasPrefix(e.alarm, "meter-") || slices.Contains([]string{"sense-open", "plate-lead", "record-failing", "clock-jumped"}, e.alarm)
}

// stood takes that its condition stands or stood: what is told of that goes
// before what was told of an alarm that was only put aside.
func (e *episode) stood(ev *alarms.Event) {
	if !e.raised && ev.Text != "" {
		e.priority, e.text = ev.Priority, ev.Text
	}
	e.raised = true
}

// gather works out the facts. Missing parts of d are filled with empty ones.
func gather(in *Data) *facts {
	d := *in
	if d.Bench == nil {
		d.Bench = &bench.Bench{}
	}
	if d.Job == nil {
		d.Job = &bench.Job{Limits: bench.DefaultLimits()}
	}
	f := &facts{Data: &d, settled: make([]*alarms.Event, len(d.Job.Sockets))}
	open := map[string]*episode{}
	for i := range d.Events {
		e := &d.Events[i]
		t := time.Duration(e.T)
		switch e.Event {
		case alarms.EventPhase:
			f.closePhase(t)
			f.phases = append(f.phases, phase{from: t, name: e.Phase})
			if e.Phase == alarms.WarmUp {
				clear(f.settled)
			}
		case alarms.EventSettled:
			if s := f.socketIndex(e.Socket); s >= 0 {
				f.settled[s] = e
			}
		case alarms.EventAct:
			if e.Act == "cut" {
				f.cuts = append(f.cuts, e)
			}
			if e.Act != "adjusted" {
				break
			}
			for s := range f.settled {
				if e.Socket == "all" || e.Socket == d.Job.Sockets[s].Name {
					f.settled[s] = nil
				}
			}
		case alarms.EventGap:
			g := gap{to: t, from: t, text: e.Text}
			if e.From != nil {
				g.from = time.Duration(*e.From)
			}
			f.gaps = append(f.gaps, g)
		case alarms.EventSetting:
			if e.Weakened {
				f.weakened = append(f.weakened, strings.ReplaceAll(e.Alarm, "-", " ")+" ("+e.Text+")")
			}
		case alarms.EventAlarm:
			a := open[e.ID]
			if a == nil {
				if e.State == alarms.Normal {
					break
				}
				a = &episode{alarm: e.Alarm, subject: e.Subject, from: t}
				open[e.ID] = a
				f.alarms = append(f.alarms, a)
			}
			a.changes = append(a.changes, *e)
			switch e.State {
			case alarms.Unacknowledged, alarms.Acknowledged, alarms.Returned, alarms.Latched:
				a.stood(e)
			default:
				if e.Active {
					a.stood(e)
				}
			}
			if e.Priority.Rank() > a.priority.Rank() {
				a.priority, a.text = e.Priority, e.Text
			}
			if e.Advice != "" {
				a.advice = e.Advice
			}
			if e.State == alarms.Normal {
				a.over = true
				delete(open, e.ID)
			}
		}
	}
	// An alarm shelved before it ever stood is no finding.
	f.alarms = slices.DeleteFunc(f.alarms, func(e *episode) bool {
		return !e.raised && !slices.ContainsFunc(e.changes, func(c alarms.Event) bool { return c.State != alarms.Shelved && c.State != alarms.Normal })
	})
	f.closePhase(d.End)
	f.watched = d.End - f.gapIn(0, d.End)
	f.quality = alarms.MeasureQuality(d.Events, d.End)
	f.findSoak()
	if d.Against != nil {
		f.before = gather(d.Against)
	}
	return f
}

func (f *facts) closePhase(t time.Duration) {
	if n := len(f.phases); n > 0 {
		f.phases[n-1].to = t
	}
}

func (f *facts) socketIndex(name string) int {
	return slices.IndexFunc(f.Job.Sockets, func(s bench.Socket) bool { return s.Name == name })
}

// gapIn is how much of a stretch nobody watched.
func (f *facts) gapIn(from, to time.Duration) time.Duration {
	var sum time.Duration
	for _, g := range f.gaps {
		sum += max(0, min(g.to, to)-max(g.from, from))
	}
	return sum
}

// findSoak finds the last stretch in which every socket was settled with HT up.
func (f *facts) findSoak() {
	if len(f.unsettled()) > 0 || len(f.settled) == 0 {
		return
	}
	for _, p := range f.phases {
		if p.name != alarms.Soak {
			continue
		}
		from := p.from
		for _, e := range f.settled {
			from = max(from, time.Duration(e.T))
		}
		if from < p.to {
			f.soakFrom, f.soakTo, f.soak = from, p.to, p.to-from-f.gapIn(from, p.to)
		}
	}
}

// unsettled names the sockets that have not settled, or not since the last
// warm-up or adjustment.
func (f *facts) unsettled() []string {
	var names []string
	for i, e := range f.settled {
		if e == nil {
			names = append(names, f.Job.Sockets[i].Name)
		}
	}
	return names
}

// htUp says whether HT ever came up.
func (f *facts) htUp() bool {
	return slices.ContainsFunc(f.phases, func(p phase) bool { return p.name == alarms.WarmUp })
}

// worst is socket i's worst moment.
func (f *facts) worst(i int) Worst {
	if i < len(f.Worst) {
		return f.Worst[i]
	}
	return Worst{}
}

// worstOfAll is the index of the socket with the highest worst moment, or -1.
func (f *facts) worstOfAll() int {
	best := -1
	for i := range f.Job.Sockets {
		if w := f.worst(i); w.Ratio.Known && (best < 0 || w.Ratio.X > f.worst(best).Ratio.X) {
			best = i
		}
	}
	return best
}

// raised lists alarms of a rank in words, each once, the amplifier's or the
// meters'. A runaway that passed the limit is one thing to a reader, not two.
func (f *facts) raised(rank int, aboutMeter bool) []string {
	var kept []*episode
	for _, e := range f.alarms {
		if e.raised && e.priority.Rank() == rank && e.aboutMeter() == aboutMeter && e.alarm != alarms.FloodName {
			kept = append(kept, e)
		}
	}
	has := func(alarm, subject string) bool {
		return slices.ContainsFunc(kept, func(e *episode) bool { return e.alarm == alarm && e.subject == subject })
	}
	var w []string
	for _, e := range kept {
		s := e.words()
		switch {
		case e.alarm == "runaway" && has("over-dissipation", e.subject):
			s += ", past its limit"
		case e.alarm == "over-dissipation" && has("runaway", e.subject):
			continue
		}
		if !slices.Contains(w, s) {
			w = append(w, s)
		}
	}
	return w
}

// unwatched lists the alarms that were out of service at some time, in words.
func (f *facts) unwatched() []string {
	var w []string
	for _, e := range f.alarms {
		out := slices.ContainsFunc(e.changes, func(c alarms.Event) bool { return c.State == alarms.OutOfService })
		if out && !slices.Contains(w, e.words()) {
			w = append(w, e.words())
		}
	}
	return w
}

// cause is what the mains were dropped for, in words.
func (f *facts) cause(cut *alarms.Event) string {
	for _, e := range f.alarms {
		if cut.ID != "" && e.changes[0].ID == cut.ID {
			return e.words()
		}
	}
	return cut.Text
}

// fell says whether HT was seen to go after the mains were told to drop.
func (f *facts) fell(cut time.Duration) string {
	for _, p := range f.phases {
		if p.name == alarms.CoolDown && p.from >= cut && p.from-cut < 5*time.Minute {
			return "HT was under half of what it had been at " + chart.ClockSeconds(p.from) + "."
		}
	}
	return "HT was not seen to fall after it."
}

// verdict is what can be said of the run in a sentence, and what must be said
// beside it. It follows from the record alone; where the record does not
// tell, it says so.
type verdict struct {
	Headline string
	Alarm    bool     // shown in the alarm colour
	Beside   []string // whole sentences
}

// Verdict is what can be said of a run in a sentence, whether that is an alarm,
// and what must be said beside it, in whole sentences.
func Verdict(d *Data) (headline string, alarm bool, beside []string) {
	v := gather(d).verdict()
	return v.Headline, v.Alarm, v.Beside
}

func (f *facts) verdict() verdict {
	var v verdict
	unsettled := f.unsettled()
	serious := append(f.raised(3, false), f.raised(3, true)...)
	medium, blind := f.raised(2, false), f.raised(2, true)
	w := f.worstOfAll()
	peak := w >= 0 && f.worst(w).Ratio.X > f.Job.Limits.Dissipation
	var unseen []string
	for i, s := range f.Job.Sockets {
		if !f.worst(i).Ratio.Known {
			unseen = append(unseen, s.Name)
		}
	}
	held := fmt.Sprintf("for %s", long(f.soak))
	switch {
	case len(serious) > 0:
		v.Headline, v.Alarm = capital(few(serious))+": see the alarms.", true
	case !f.htUp():
		v.Headline = "Not known: the high voltage was never seen to come up."
	case len(medium) > 0:
		v.Headline, v.Alarm = capital(few(medium))+": see the alarms.", true
	case len(unseen) > 0:
		v.Headline = "Not known: the load on " + list(unseen) + " was never measured."
	case len(unsettled) > 0:
		v.Headline = "Not settled: " + list(unsettled) + " had not come to rest."
	case f.soak <= 0:
		v.Headline = "Not known: the run stopped before a soak began."
	case peak:
		v.Headline = "Settled, but " + f.Job.Sockets[w].Name + " passed its limit for a moment."
		if x := over(f.worst(w).Ratio, f.Job.Limits.Dissipation); x != "over" {
			v.Headline = "Settled, but for a moment " + f.Job.Sockets[w].Name + " was " + x + " of the measurement."
		}
	case len(blind) > 0 || len(f.gaps) > 0:
		v.Headline = "Settled; within its limits as far as was seen, " + held + ". Not known throughout."
	default:
		v.Headline = "Settled and stayed within its limits " + held + "."
	}
	say := func(format string, a ...any) { v.Beside = append(v.Beside, fmt.Sprintf(format, a...)) }
	for _, c := range f.cuts {
		say("The mains were told to drop at %s: %s. %s", chart.ClockSeconds(time.Duration(c.T)), f.cause(c), f.fell(time.Duration(c.T)))
	}
	if len(serious) > 0 && len(medium) > 0 {
		say("Also: %s.", few(medium))
	}
	if len(blind) > 0 {
		say("Measuring was troubled: %s. What happened meanwhile is not known.", few(blind))
	}
	for _, g := range f.gaps {
		say("Nobody watched from %s to %s (%s): what happened then is not known.", chart.Clock(g.from), chart.Clock(g.to), long(g.to-g.from))
	}
	if f.htUp() && len(unsettled) > 0 && len(unseen) == 0 && !strings.HasPrefix(v.Headline, "Not settled") {
		say("%s had not settled.", list(unsettled))
	}
	if w >= 0 && !peak {
		for i, s := range f.Job.Sockets {
			if x := f.worst(i).Ratio; x.Known && x.X+2*x.U > f.Job.Limits.Dissipation {
				say("At its worst %s was so near its limit that the meters cannot tell which side it was on.", s.Name)
			}
		}
	}
	if low := f.raised(1, false); len(low) > 0 {
		say("Worth knowing: %s.", few(low))
	}
	if low := f.raised(1, true); len(low) > 0 {
		say("Worth knowing about the meters: %s.", few(low))
	}
	if out := f.unwatched(); len(out) > 0 {
		say("Not watched for, at least for a time: %s.", few(out))
	}
	if len(f.weakened) > 0 {
		say("The files made alarms less than they are: %s.", list(f.weakened))
	}
	if want := f.Job.SoakFor; want > 0 && f.soak <= 0 {
		say("The soak asked for was %s; none was seen.", long(want))
	} else if f.soak < want {
		say("The soak asked for was %s; this one was %s.", long(want), long(f.soak))
	}
	if !f.Ended {
		say("The run is unfinished: this is how things stood at %s.", chart.Clock(f.End))
	}
	return v
}

// alarmed says whether a socket had an alarm of at least medium priority.
func (f *facts) alarmed(name string) bool {
	return slices.ContainsFunc(f.alarms, func(e *episode) bool { return e.raised && e.subject == name && e.priority.Rank() >= 2 })
}

// balance is the difference of the halves' settled currents over their mean.
func (f *facts) balance() (ia, ib, diff socket.Value) {
	ia.Known, ib.Known = true, true
	sums := map[string]*socket.Value{"a": &ia, "b": &ib}
	count := map[string]int{}
	for i, s := range f.Job.Sockets {
		sum := sums[s.Half]
		if sum == nil {
			continue
		}
		count[s.Half]++
		if e := f.settled[i]; e == nil || e.CathodeCurrent == nil || !e.CathodeCurrent.Known {
			sum.Known = false
		} else {
			sum.X += e.CathodeCurrent.X
			sum.U = math.Hypot(sum.U, e.CathodeCurrent.U)
		}
	}
	ia.Known, ib.Known = ia.Known && count["a"] > 0, ib.Known && count["b"] > 0
	if mean := (ia.X + ib.X) / 2; ia.Known && ib.Known && mean > 0 {
		// d = 2(a-b)/(a+b): its derivatives are 4b/(a+b)² and -4a/(a+b)² (GUM eq. 10).
		s2 := 4 * mean * mean
		diff = socket.Value{Known: true, X: (ia.X - ib.X) / mean, U: math.Hypot(4*ib.X*ia.U/s2, 4*ia.X*ib.U/s2)}
	}
	return ia, ib, diff
}

// cooled says whether the run went on to cool down: its lines then end at
// nothing, which is no place for their names.
func (f *facts) cooled() bool {
	n := len(f.phases)
	return n > 0 && (f.phases[n-1].name == alarms.CoolDown || n > 1 && f.phases[n-2].name == alarms.CoolDown)
}

// label gives a line its figure: the last one, or after a cool-down the
// settled one, at whose height its name then stands.
func (f *facts) label(l *chart.Line, settled *socket.Value, last socket.Value, scale float64, unit string) {
	v := last
	if f.cooled() {
		if settled == nil || !settled.Known {
			return
		}
		v, l.At = *settled, settled.X
	}
	if l.Series != nil {
		l.Note = rough(v, scale, unit)
	}
}

// traceOf is the frame that every trace of the run shares.
func (f *facts) traceOf(title string, width, height int) *chart.Trace {
	t := &chart.Trace{Title: title, To: max(f.End, time.Minute), Width: width, Height: height}
	for _, p := range f.phases {
		t.Phases = append(t.Phases, chart.Span{From: p.from, To: p.to, Name: string(p.name)})
	}
	for _, g := range f.gaps {
		t.Gaps = append(t.Gaps, chart.Span{From: g.from, To: g.to, Name: "nobody watched"})
	}
	return t
}

// socketTrace is a trace with the alarms and a line per socket: its series, its
// figure at its settling and the last one (see label).
func (f *facts) socketTrace(t *chart.Trace, series []*chart.Series,
	settled func(*alarms.Event) *socket.Value, last func(*alarms.SocketState) socket.Value) *chart.Trace {
	for i, s := range f.Job.Sockets {
		l := chart.Line{Name: s.Name, Alarm: f.alarmed(s.Name), Note: unknown}
		if seen(series, i) {
			l.Series, l.Note = series[i], ""
		}
		var at *socket.Value
		if e := f.settled[i]; e != nil {
			at = settled(e)
		}
		if s := nth(f.Final.Sockets, i); s != nil {
			f.label(&l, at, last(s), t.Scale, t.Unit)
		}
		t.Lines = append(t.Lines, l)
	}
	t.Marks = f.marks()
	return t
}

// shareTrace is every socket's share of its limit over the run, with the alarms.
func (f *facts) shareTrace(width, height int) *chart.Trace {
	t := f.traceOf("Heat at each tube's plate (plate dissipation), as a share of its limit", width, height)
	t.Unit, t.Scale = "%", 100
	t.Limits = f.shareLimits()
	return f.socketTrace(t, f.Ratio,
		func(e *alarms.Event) *socket.Value { return e.DissipationRatio },
		func(s *alarms.SocketState) socket.Value { return s.DissipationRatio })
}

func (f *facts) shareLimits() []chart.Level {
	text := "limit: what the handbook allows at the plate"
	if x := f.Job.Limits.Dissipation; x != 1 {
		text = "limit set for this job: " + percent(x) + " of what the handbook allows"
	}
	return []chart.Level{{Text: text, Y: f.Job.Limits.Dissipation}}
}

// currentTrace is every socket's cathode current over the run, with the alarms.
func (f *facts) currentTrace(width, height int) *chart.Trace {
	t := f.traceOf("Cathode current of each tube", width, height)
	t.Unit, t.Scale = "mA", 1000
	return f.socketTrace(t, f.Current,
		func(e *alarms.Event) *socket.Value { return e.CathodeCurrent },
		func(s *alarms.SocketState) socket.Value { return s.CathodeCurrent })
}

// marks are the alarms, numbered as the report's tables number them.
func (f *facts) marks() (m []chart.Mark) {
	for _, e := range f.alarms {
		m = append(m, chart.Mark{T: e.from, Text: capital(e.words()) + " (" + string(e.priority) + ")", Rank: e.priority.Rank()})
	}
	return m
}

// nth is element i of s; nil where s is short.
func nth[T any](s []T, i int) *T {
	if i < len(s) {
		return &s[i]
	}
	return nil
}

// seen says whether series i is there and holds anything.
func seen(s []*chart.Series, i int) bool {
	if i >= len(s) {
		return false
	}
	_, ok := s[i].Last()
	return ok
}

// supplyTrace is the plate supply over the run.
func (f *facts) supplyTrace(width, height int) *chart.Trace {
	t := f.traceOf("Plate supply at its meter", width, height)
	t.Unit = "V"
	t.Lines = []chart.Line{{Name: "HT", Series: f.HT}}
	f.label(&t.Lines[0], &f.Final.HT.Settled, f.Final.HT.Volts, 1, "V")
	return t
}
