package report

import (
	"html/template"
	"math"
	"strings"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export/report/chart"
)

// viewAgainst is this run beside an earlier one.
type viewAgainst struct {
	Words   string // which run
	Sockets []viewBefore
	Picture template.HTML
}

// viewBefore is a socket in both runs: what it settled at and its worst moment.
type viewBefore struct {
	Name, TubeThen, TubeNow         string
	CurrentThen, CurrentNow, Change string
	ShareThen, ShareNow             string
	WorstThen, WorstNow             string
}

// settledAt is what a socket settled at in a run; unknown where it did not.
func (f *facts) settledAt(i int) (current, share socket.Value) {
	if i < 0 || f.settled[i] == nil {
		return
	}
	if v := f.settled[i].CathodeCurrent; v != nil {
		current = *v
	}
	if v := f.settled[i].DissipationRatio; v != nil {
		share = *v
	}
	return current, share
}

// change is by how much a figure moved, as a ratio of what it was; the two are
// taken as independent.
func change(then, now socket.Value) socket.Value {
	if !then.Known || !now.Known || !(then.X > 0) {
		return socket.Value{}
	}
	r := now.X / then.X
	v := socket.Value{Known: true, X: r - 1}
	if then.U > 0 && now.U > 0 {
		v.U = r * math.Hypot(then.U/then.X, now.U/now.X)
	}
	return v
}

// against puts the run beside the one of Data.Against; nil without one.
func (f *facts) against() *viewAgainst {
	if f.Data.Against == nil {
		return nil
	}
	o := f.before
	v := &viewAgainst{Words: "Run " + o.RunID + " of " + o.Started.Format("2 January 2006") + ", ticket " + given(o.Job.Ticket) + ", is called then; this run is now. " +
		"A change is of the settled current; its ± takes the two measurements as independent of each other."}
	row := func(name string, then, now int) {
		r := viewBefore{Name: name, TubeThen: "not in that run", TubeNow: "not in this run", WorstThen: unknown, WorstNow: unknown}
		ct, st := o.settledAt(then)
		cn, sn := f.settledAt(now)
		if then >= 0 {
			r.TubeThen = tubeWithCode(o, then)
			r.WorstThen = figure(o.worst(then).Ratio, 100, 0, "%")
		}
		if now >= 0 {
			r.TubeNow = tubeWithCode(f, now)
			r.WorstNow = figure(f.worst(now).Ratio, 100, 0, "%")
		}
		r.CurrentThen, r.CurrentNow = figure(ct, 1000, 1, "mA"), figure(cn, 1000, 1, "mA")
		r.ShareThen, r.ShareNow = figure(st, 100, 1, "%"), figure(sn, 100, 1, "%")
		c := change(ct, cn)
		r.Change = strings.Replace(figure(c, 100, 1, "%"), "-", "−", 1)
		if c.Known && c.X > 0 {
			r.Change = "+" + r.Change
		}
		v.Sockets = append(v.Sockets, r)
	}
	for i, s := range f.Job.Sockets {
		row(s.Name, o.socketIndex(s.Name), i)
	}
	for i, s := range o.Job.Sockets {
		if f.socketIndex(s.Name) < 0 {
			row(s.Name, i, -1)
		}
	}
	return v
}

func tubeWithCode(f *facts, i int) string {
	s := f.Job.Sockets[i]
	if s.DateCode == "" {
		return tubeName(s)
	}
	return tubeName(s) + ", " + s.DateCode
}

// cameUp is when HT first came up; 0 when it never did.
func (f *facts) cameUp() time.Duration {
	for _, p := range f.phases {
		if p.name == alarms.WarmUp {
			return p.from
		}
	}
	return 0
}

// againstTrace is both runs on one trace from where HT first came up in each.
// The earlier run's lines have the pattern of now and are fainter.
func (f *facts) againstTrace(width, height int) *chart.Trace {
	o := f.before
	from, then := f.cameUp(), o.cameUp()
	to := max(f.End-from, o.End-then, time.Minute)
	t := &chart.Trace{Title: "Share of the limit, then and now, from the moment the high voltage came up", Unit: "%", Scale: 100,
		To: to, Width: width, Height: height, Limits: []chart.Level{{Text: "limit", Y: f.Job.Limits.Dissipation}}, Since: "since the high voltage came up"}
	add := func(f *facts, i int, shift time.Duration, name string, faint bool) {
		l := chart.Line{Name: name, Note: unknown, Shift: -shift, Faint: faint}
		if seen(f.Ratio, i) {
			l.Series, l.Note = f.Ratio[i], ""
		}
		if _, share := f.settledAt(i); share.Known {
			l.At, l.Note = share.X, rough(share, 100, "%")
		}
		t.Lines = append(t.Lines, l)
	}
	for i, s := range f.Job.Sockets {
		add(f, i, from, s.Name, false)
		if k := o.socketIndex(s.Name); k >= 0 {
			add(o, k, then, s.Name+" then", true)
		}
	}
	return t
}

// warmTrace is the last warm-up, enlarged: from HT up until a fifth after the
// last socket has settled, or an hour. It is nil where there is nothing finer to show.
func (f *facts) warmTrace(width, height int) *chart.Trace {
	from, to := time.Duration(-1), time.Duration(0)
	for _, p := range f.phases {
		if p.name == alarms.WarmUp {
			from, to = p.from, p.to
		}
	}
	if from < 0 {
		return nil
	}
	for _, e := range f.settled {
		if e != nil {
			to = max(to, time.Duration(e.T))
		}
	}
	to = min(to+(to-from)/5, from+time.Hour, f.End)
	any := false
	for i := range f.Job.Sockets {
		any = any || seen(f.Warm, i)
	}
	if !any || to-from < 10*time.Second {
		return nil
	}
	t := &chart.Trace{Title: "The warm-up, enlarged", Unit: "%", Scale: 100, From: from, To: to, Width: width, Height: height}
	for i, s := range f.Job.Sockets {
		l := chart.Line{Name: s.Name, Note: unknown, Alarm: false}
		if seen(f.Warm, i) {
			l.Series, l.Note = f.Warm[i], ""
		}
		if e := f.settled[i]; e != nil && time.Duration(e.T) >= from && time.Duration(e.T) <= to {
			l.Note = "settled " + chart.Clock(time.Duration(e.T))
		} else if l.Series != nil {
			l.Note = "not settled"
		}
		t.Lines = append(t.Lines, l)
	}
	return t
}
