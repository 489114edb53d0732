package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export/report/chart"
)

//go:embed report.tmpl
var pageText string

var page = template.Must(template.New("report").Parse(pageText))

// view is what the template shows: words only, nothing left to work out.
type view struct {
	Workshop                              string
	Address                               []string
	Title                                 [][2]string // who, what and with which parts
	Notes                                 []string
	Paper                                 string        // as style sheets call it
	Warm                                  template.HTML // enlarged; on the owner's page where there is room for it
	WarmFront                             bool
	Against                               *viewAgainst
	First                                 *viewFirst
	Verify                                [][2]string
	Ticket, Amplifier, Bench, RunID       string
	Started, SoftwareVersion, CoreVersion string
	Verdict                               verdict
	Facts                                 [][2]string
	Share, Current, Supply                template.HTML // Current only where a share was never known
	Alarms                                []viewAlarm
	Sockets                               []viewSocket
	Figures                               viewFigures
	Sources                               [][2]string
	BenchFacts                            [][2]string
	Meters                                []viewMeter
	Limits                                [][2]string
	Log                                   []viewLog
	About                                 [][2]string // each kind of alarm that came
	Quality                               []alarms.QualityLine
	QualityWords                          string
	Checks                                []viewCheck
	HT                                    string
	AlarmsLeft                            int // not told on the owner's page
}

type viewAlarm struct {
	Number                    int
	At, Words, Priority, Text string
	Advice, State             string
	Changes                   []string
	Front                     bool
	Grave                     bool
}

type viewSocket struct {
	Name, Tube, Half, Limit   string
	SettledAt, Current, Share string
	Worst, WorstAt, Last      string
	Over                      string
}

type viewMeter struct{ Name, Format, Accuracy, Scale, Readings, Rejected, State string }

type viewLog struct{ At, Clock, What, Words string }

func writeHTML(w io.Writer, f *facts) error {
	v := f.view()
	var err error
	height := 340 // less where there is more to tell, so that the owner's page stays one page
	if n := len(v.Alarms) + len(v.Verdict.Beside)/2; n > 4 {
		height = 240
	} else if n > 0 {
		height = 290
	}
	v.WarmFront = len(v.Alarms) == 0 && len(v.Verdict.Beside) < 4 && len(v.Notes) < 4
	front, second := f.frontTrace(720, height)
	if second {
		if v.Current, err = inline(f.currentTrace(720, 200)); err != nil {
			return err
		}
	}
	if v.Share, err = inline(front); err != nil {
		return err
	}
	if t := f.warmTrace(720, 150); t != nil {
		if v.Warm, err = inline(t); err != nil {
			return err
		}
	}
	if v.Against != nil {
		if v.Against.Picture, err = inline(f.againstTrace(720, 320)); err != nil {
			return err
		}
	}
	if _, ok := f.HT.Last(); ok {
		if v.Supply, err = inline(f.supplyTrace(720, 190)); err != nil {
			return err
		}
	}
	var b bytes.Buffer
	if err := page.Execute(&b, v); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

// frontTrace is the picture on the owner's page: shares of the limit, or the
// currents where no share was ever known. second says that the currents of
// some sockets are not in it and want a picture of their own.
func (f *facts) frontTrace(width, height int) (t *chart.Trace, second bool) {
	var shares, currentsOnly bool // of any socket; the latter as without a plate meter
	for i := range f.Job.Sockets {
		share := seen(f.Ratio, i)
		shares = shares || share
		currentsOnly = currentsOnly || !share && seen(f.Current, i)
	}
	if currentsOnly && !shares {
		return f.currentTrace(width, height), false
	}
	return f.shareTrace(width, height), currentsOnly
}

// inline is a trace as part of a page. The chart escapes whatever people wrote.
func inline(t *chart.Trace) (template.HTML, error) {
	var b strings.Builder
	err := t.SVG(&b)
	return template.HTML(b.String()), err
}

// stacked are the traces one above the other: shares of the limit with the
// alarms in words, then the plate supply.
func stacked(f *facts) *chart.Drawing {
	share, supply := f.shareTrace(1000, 440), f.supplyTrace(1000, 220)
	share.Title = strings.TrimPrefix(f.Job.Ticket+": ", ": ") + share.Title
	share.Key, share.Paper, supply.Paper = true, true, true
	return chart.Stack(share, supply)
}

// wall is a run time as a wall clock shows it.
func (f *facts) wall(t time.Duration) string { return f.Started.Add(t).Format("15:04:05") }

func (f *facts) view() *view {
	v := &view{
		Ticket: f.Job.Ticket, Amplifier: f.Job.Amplifier, Bench: f.Bench.Name, RunID: f.RunID,
		Started:         f.Started.Format("Monday 2 January 2006, 15:04 MST"),
		SoftwareVersion: f.SoftwareVersion, CoreVersion: f.CoreVersion,
		Verdict: f.verdict(), HT: f.htWords(),
	}
	v.titleBlock(f)
	v.ownerFacts(f)
	v.alarmRows(f)
	v.socketRows(f)
	v.Figures = f.figures()
	v.benchFacts(f)
	v.meterRows(f)
	v.limitRows(f)
	v.Quality = f.quality.Lines()
	v.QualityWords = "Counted each time an alarm asked for a person. Targets: " + alarms.PerHour.Source + "; they are meant for a month or more, so one run only says which way it leans. Chattering is told three times within a minute, fleeting over within one: conventions for finding them."
	v.Checks = f.checks()
	v.logRows(f)
	v.Against = f.against()
	v.First = f.firstPower()
	v.Verify = f.verifyWords()
	return v
}

// given is s, or that it was not given.
func given(s string) string {
	if s == "" {
		return "not given"
	}
	return s
}

// titleBlock is what the job file says of the work.
func (v *view) titleBlock(f *facts) {
	j := f.Job
	v.Workshop, v.Address = j.Workshop.Name, j.Workshop.Address
	if j.Notes != "" {
		v.Notes = strings.Split(j.Notes, "\n")
	}
	v.Paper = "A4"
	if f.Paper == Letter {
		v.Paper = "letter"
	}
	parts := "none given"
	if len(j.Parts) > 0 {
		parts = strings.Join(j.Parts, "; ")
	}
	var codes []string
	for _, s := range j.Sockets {
		if s.DateCode != "" {
			codes = append(codes, s.Name+" "+s.DateCode)
		}
	}
	tubes := "not given"
	if len(codes) > 0 {
		tubes = strings.Join(codes, "; ")
	}
	v.Title = [][2]string{
		{"Amplifier", given(j.Amplifier)}, {"Serial number", given(j.Serial)}, {"Ticket", given(j.Ticket)},
		{"Date codes of the tubes", tubes}, {"Parts replaced", parts}, {"Technician", given(j.Technician)},
	}
}

// verifyWords say how a doubter can check the report.
func (f *facts) verifyWords() [][2]string {
	rows := [][2]string{
		{"Run", f.RunID},
		{"Judged by", "nightsoak " + f.SoftwareVersion + ", core " + f.CoreVersion},
	}
	hash := unknown
	if f.Hash != "" {
		hash = f.Hash
	}
	return append(rows,
		[2]string{"Readings, SHA-256", hash},
		[2]string{"To check them", "nightsoak report " + f.RunID + " --out readings.csv writes every reading as displayed; sha256sum readings.csv must print the figure above."},
		[2]string{"To judge again", "nightsoak replay " + f.RunID + " --json must print the events attached to the PDF, byte for byte, by the same core version."})
}

func (v *view) ownerFacts(f *facts) {
	add := func(k, s string) { v.Facts = append(v.Facts, [2]string{k, s}) }
	var kinds, order []string
	byKind := map[string][]string{}
	for _, s := range f.Job.Sockets {
		k := tubeName(s)
		if byKind[k] == nil {
			order = append(order, k)
		}
		byKind[k] = append(byKind[k], s.Name)
	}
	for _, k := range order {
		kinds = append(kinds, strings.TrimSpace(k+" in "+list(byKind[k])))
	}
	if len(kinds) > 0 {
		add("What was tested", "The output tubes at idle: "+strings.Join(kinds, "; ")+".")
	} else {
		add("What was tested", "Not known.")
	}
	how := "Watched for " + long(f.watched)
	if f.soak > 0 {
		how += ", of it " + long(f.soak) + " on soak"
	}
	add("How long", how+".")

	var settled, loose []string // with a share, and without
	var least, most float64
	var low, high string
	for i, s := range f.Job.Sockets {
		switch e := f.settled[i]; {
		case e == nil:
		case e.DissipationRatio != nil && e.DissipationRatio.Known:
			settled = append(settled, s.Name+" at "+rough(*e.DissipationRatio, 100, "%"))
			x := fmt.Sprintf("%.0f", 100*e.DissipationRatio.X)
			if len(settled) == 1 || e.DissipationRatio.X < least {
				least, low = e.DissipationRatio.X, x
			}
			if len(settled) == 1 || e.DissipationRatio.X > most {
				most, high = e.DissipationRatio.X, x
			}
		case e.CathodeCurrent != nil:
			loose = append(loose, s.Name+" at "+rough(*e.CathodeCurrent, 1000, "mA"))
		}
	}
	var at []string
	switch {
	case len(settled) > 6: // the picture and the bench's page tell each
		at = append(at, fmt.Sprintf("%d tubes, %s", len(settled), between(low, high))+" of the limit")
	case len(settled) > 0:
		at = append(at, list(settled)+" of the limit")
	}
	if len(loose) > 0 {
		at = append(at, list(loose)+", share of the limit unknown")
	}
	if u := f.unsettled(); len(at) > 0 && len(u) > 0 {
		at = append(at, list(u)+" not settled")
	}
	if len(at) == 0 {
		at = []string{"Not seen to settle"}
	}
	add("Settled", strings.Join(at, "; ")+".")
	if w := f.worstOfAll(); w >= 0 {
		x := f.worst(w)
		add("Worst moment", fmt.Sprintf("%s at %s of its limit, %s into the run.", f.Job.Sockets[w].Name, rough(x.Ratio, 100, "%"), long(x.T)))
	} else {
		add("Worst moment", "Not known.")
	}
	switch n := len(f.alarms); n {
	case 0:
		add("Alarms", "None.")
	case 1:
		add("Alarms", "One; it is numbered in the picture and told below.")
	default:
		add("Alarms", fmt.Sprintf("%d; they are numbered in the picture and told below.", n))
	}
}

// between is a range of percentages in words.
func between(low, high string) string {
	if low == high {
		return "each at " + low + nbsp + "%"
	}
	return "from " + low + " to " + high + nbsp + "%"
}

// mostOnFront is how many alarms the owner's page tells.
const mostOnFront = 6

func (v *view) alarmRows(f *facts) {
	// The owner's page tells the gravest; the bench's page tells all.
	order := make([]int, len(f.alarms))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return f.alarms[b].priority.Rank() - f.alarms[a].priority.Rank() })
	front := order[:min(len(order), mostOnFront)]
	v.AlarmsLeft = len(order) - len(front)
	for i, e := range f.alarms {
		a := viewAlarm{
			Front:  slices.Contains(front, i),
			Number: i + 1, At: chart.ClockSeconds(e.from), Words: capital(e.words()), Priority: string(e.priority),
			Text: sentence(e.text), Advice: e.advice, Grave: e.priority.Rank() >= 3, State: "still standing at the end",
		}
		switch last := e.changes[len(e.changes)-1]; {
		case e.over:
			a.State = "over"
		case last.State == alarms.Returned:
			a.State = "gone at " + chart.ClockSeconds(time.Duration(last.T)) + ", never acknowledged"
		case last.State == alarms.Latched:
			a.State = "gone at " + chart.ClockSeconds(time.Duration(last.T)) + ", never reset"
		}
		about := [2]string{capital(strings.ReplaceAll(e.alarm, "-", " "))}
		if s, ok := alarms.About(e.alarm); ok && !slices.ContainsFunc(v.About, func(a [2]string) bool { return a[0] == about[0] }) {
			about[1] = fmt.Sprintf("To be acted on %s. Likely cause: %s If nobody acts: %s", s.Within, s.Cause, s.Consequence)
			v.About = append(v.About, about)
		}
		was := ""
		for _, c := range e.changes {
			s := string(c.State)
			if c.State != alarms.Normal && c.Priority != "" {
				s = string(c.Priority) + ", " + s
			}
			if c.Active {
				s += ", stands"
			}
			if s != was {
				a.Changes = append(a.Changes, chart.ClockSeconds(time.Duration(c.T))+" "+s)
			}
			was = s
		}
		v.Alarms = append(v.Alarms, a)
	}
}

func (v *view) socketRows(f *facts) {
	bySource := map[string][]string{}
	var order []string
	for i, s := range f.Job.Sockets {
		r := viewSocket{
			Name: s.Name, Tube: tubeName(s), Half: s.Half, Limit: fmt.Sprintf("%.4g%sW", s.Limit, nbsp),
			SettledAt: "not settled", Current: unknown, Share: unknown, Worst: unknown, Last: unknown,
		}
		if e := f.settled[i]; e != nil {
			r.SettledAt = chart.ClockSeconds(time.Duration(e.T))
			if e.CathodeCurrent != nil {
				r.Current = figure(*e.CathodeCurrent, 1000, 1, "mA")
			}
			if e.DissipationRatio != nil {
				r.Share = figure(*e.DissipationRatio, 100, 1, "%")
			}
		}
		if w := f.worst(i); w.Ratio.Known {
			r.Worst, r.WorstAt = figure(w.Ratio, 100, 1, "%"), chart.ClockSeconds(w.T)
			r.Over = over(w.Ratio, f.Job.Limits.Dissipation)
		}
		if l := nth(f.Final.Sockets, i); l != nil {
			r.Last = figure(l.DissipationRatio, 100, 1, "%")
		}
		v.Sockets = append(v.Sockets, r)
		k := sources(&s, r.Limit)
		if bySource[k] == nil {
			order = append(order, k)
		}
		bySource[k] = append(bySource[k], s.Name)
	}
	for _, k := range order {
		v.Sources = append(v.Sources, [2]string{strings.Join(bySource[k], ", "), k})
	}
}

// htWords say what the probe last read. Only what has stayed at 60 V or less is
// given as a figure alone, and even that proves one node only.
func (f *facts) htWords() string {
	h, charged := f.Final.HT.Volts, f.Final.HT.Charged
	switch {
	case !h.Known:
		return "When the record ended the plate supply was not being measured: take it as still charged."
	case charged == nil:
		return "When the record ended this probe read " + rough(h, 1, "V") + ", but its clip had come off: that proves nothing. Take the plate supply as still charged."
	case *charged:
		return "When the record ended the plate supply stood at " + rough(h, 1, "V") + ": still charged."
	}
	fell := ""
	for _, p := range f.phases {
		if low := f.Final.HT.Low; p.name == alarms.CoolDown && low.Known {
			fell = fmt.Sprintf("HT fell at %s and was still charged until this probe read 60%sV or less, from %s on. ",
				chart.ClockSeconds(p.from), nbsp, chart.ClockSeconds(time.Duration(low.X*float64(time.Second))))
		}
	}
	return fell + "When the record ended this probe read " + rough(h, 1, "V") + ". It proves one place only: prove every capacitor dead before touching."
}

func (v *view) benchFacts(f *facts) {
	add := func(k, s string) { v.BenchFacts = append(v.BenchFacts, [2]string{k, s}) }
	if f.Job.Bias != "" {
		add("Bias", f.Job.Bias)
	}
	if f.Job.IdleTarget > 0 {
		add("Idle target", percent(f.Job.IdleTarget)+" of the limit")
	}
	s := "not settled"
	if f.Final.HT.Settled.Known {
		s = "settled at " + figure(f.Final.HT.Settled, 1, 0, "V")
	}
	if f.soak > 0 {
		// The end is left out: HT may have been falling for a while before it
		// was under half and the soak was over.
		to := f.soakTo - max(2*time.Minute, (f.soakTo-f.soakFrom)/100)
		lo, hi, known := math.Inf(1), math.Inf(-1), false
		for p := range f.HT.Points(f.soakFrom, to, 1) {
			if !p.Break {
				lo, hi, known = min(lo, p.Min), max(hi, p.Max), true
			}
		}
		if known {
			s += fmt.Sprintf("; between %.0f and %.0f%sV while settled", lo, hi, nbsp)
		}
	}
	add("Plate supply", s+"; last "+figure(f.Final.HT.Volts, 1, 0, "V"))
	if ia, ib, diff := f.balance(); diff.Known {
		add("Balance", fmt.Sprintf("half a %s, half b %s: difference %s of their mean",
			figure(ia, 1000, 1, "mA"), figure(ib, 1000, 1, "mA"), figure(diff, 100, 1, "%")))
	} else {
		add("Balance", "not known")
	}
	if w := f.amplifierWords(); w != "" {
		add("Amplifier", w)
	}
	for i, w := range f.Job.Watches {
		var last alarms.WatchState
		if l := nth(f.Final.Watches, i); l != nil {
			last = *l
		}
		_, prefix, _ := drivers.ParseUnit(w.Unit) // the job was validated
		unit, scale := w.Unit, math.Pow10(-int(prefix))
		s := "last " + figure(last.Value, scale, 2, unit)
		if !math.IsInf(w.Low, 0) || !math.IsInf(w.High, 0) {
			s += "; allowed"
			if !math.IsInf(w.Low, 0) {
				s += fmt.Sprintf(" from %.4g", w.Low*scale)
			}
			if !math.IsInf(w.High, 0) {
				s += fmt.Sprintf(" up to %.4g", w.High*scale)
			}
			s += nbsp + unit
		}
		add(w.Name, s)
		for k, m := range last.Marks {
			s := m.Reading.Text() + nbsp + m.Reading.Unit() + " at " + chart.Clock(m.T)
			if first := last.Marks[0]; k > 0 && m.Reading.HasValue() && first.Reading.HasValue() {
				s += fmt.Sprintf(", %+.3g%s%s from %s", scale*(m.Reading.Value()-first.Reading.Value()), nbsp, unit, first.Label)
			}
			add(w.Name+", "+m.Label, s)
		}
	}
	if len(f.gaps) == 0 {
		add("Gaps", "none: the record has no stretch without a watch")
	}
	for _, h := range f.Host {
		add("Record", h)
	}
	for _, g := range f.gaps {
		add("Gap", fmt.Sprintf("%s to %s (%s): %s", chart.ClockSeconds(g.from), chart.ClockSeconds(g.to), long(g.to-g.from), g.text))
	}
}

func (v *view) meterRows(f *facts) {
	for i, m := range f.Bench.Meters {
		r := viewMeter{Name: m.Name, Format: m.Format.Name, Accuracy: "not stated", Scale: fmt.Sprintf("%.6g", m.Scale),
			Readings: count(nth(f.Readings, i)), Rejected: count(nth(f.Rejects, i)), State: unknown}
		if m.Accuracy.Given {
			r.Accuracy = accuracy(m.Accuracy)
		}
		if s := nth(f.Final.Meters, i); s != nil {
			r.State = s.State
		}
		v.Meters = append(v.Meters, r)
	}
}

func (v *view) limitRows(f *facts) {
	l := f.Job.Limits
	v.Limits = [][2]string{
		{"Dissipation", percent(l.Dissipation) + " of the handbook’s figure for " + long(l.DissipationFor)},
		{"Settled", "moving less than " + percent(l.SettleRate) + " per " + long(l.SettlePer) + "; expected by " + long(l.SettleBy)},
		{"Drift", percent(l.Drift) + " of the settled value"},
		{"Step", percent(l.Step) + " between 10" + nbsp + "s before and 10" + nbsp + "s after"},
		{"Runaway", "limit expected within " + long(l.RunawayWithin)},
		{"Imbalance", percent(l.Imbalance) + " between the halves"},
		{"Supply", percent(l.Supply) + " of the settled value"},
		{"Conduction", fmt.Sprintf("at least %.4g%smA", l.Conduction*1000, nbsp)},
		{"Idle", "within " + percent(l.IdleTolerance) + " of the limit either side of the target"},
		{"HT up", fmt.Sprintf("above %.4g%sV", l.HTUp, nbsp)},
	}
}

func (v *view) logRows(f *facts) {
	for _, e := range f.Events {
		t := time.Duration(e.T)
		r := viewLog{At: chart.ClockSeconds(t), Clock: f.wall(t)}
		switch e.Event {
		case alarms.EventPhase:
			r.What, r.Words = "phase", string(e.Phase)
		case alarms.EventSettled:
			r.What, r.Words = "settled", e.Socket
			if e.CathodeCurrent != nil && e.DissipationRatio != nil {
				r.Words += ": " + figure(*e.CathodeCurrent, 1000, 1, "mA") + ", " + figure(*e.DissipationRatio, 100, 1, "%") + " of the limit"
			}
		case alarms.EventAct:
			r.What = e.Act
			var parts []string
			for _, s := range []string{e.Text, e.ID, e.Meter, e.Socket, e.By} {
				if s != "" {
					parts = append(parts, s)
				}
			}
			if e.For != "" {
				parts = append(parts, "for "+e.For)
			}
			if e.FirstPower {
				parts = append(parts, "first power")
			}
			r.Words = strings.Join(parts, ", ")
			switch {
			case r.Words != "":
			case e.Act == "begin":
				r.Words = "the run begins"
			case e.Act == "end":
				r.Words = "the run is ended"
			}
		case alarms.EventPort:
			r.What, r.Words = "port", e.Meter+" lost"
			if e.Open != nil && *e.Open {
				r.Words = e.Meter + " open"
			}
			if e.Text != "" {
				r.Words += ": " + e.Text
			}
		case alarms.EventGap:
			r.What, r.Words = "gap", e.Text
		case alarms.EventAlarm:
			continue // told in full under Alarms
		case alarms.EventSetting:
			r.What, r.Words = "setting", e.Alarm+": "+e.Text
			if e.Weakened {
				r.Words += " (weaker than its own)"
			}
		default:
			r.What, r.Words = e.Event, e.Text
		}
		v.Log = append(v.Log, r)
	}
}
