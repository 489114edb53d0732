package panel

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export/record"
	"nightsoak/export/report"
	"nightsoak/export/report/chart"
)

// Seen is what a look at a run shows.
type Seen struct {
	Trace   *chart.Trace
	Look    report.Look // made to fit the run
	Run     string
	Job     *bench.Job
	Started time.Time     // wall clock at run time 0
	End     time.Duration // run time up to which there is something to see
	Live    bool          // there will be more
}

// Extremes are what the lines of a look did between its two times.
type Extremes struct {
	Look    report.Look
	Started time.Time // wall clock at run time 0
	Lines   []Extreme
}

// Extreme is the least and the greatest value of a line.
type Extreme struct {
	Name            string
	Least, Greatest socket.Value
}

// Found is a run and what it came to.
type Found struct {
	Run, Ticket, Amplifier string
	Started                time.Time
	Long                   time.Duration // run time of the last thing recorded
	Ended                  bool
	Words                  string // the verdict
	Alarm                  bool   // it is one
	Beside                 []string
	Events                 []alarms.Event
}

// scopeView is a trace with all that one can do to it. Everything works by links,
// so that no script is needed; assets/trace.js does the same by hand and keys.
type scopeView struct {
	Up            string // way to the panel's root: "" or "../"
	Run           string
	Live          bool
	Err           string
	SVG           template.HTML
	From, To, End string  // run time, second
	Wide          int     // the drawing, pixels
	Left, Right   float64 // edges of its plot
	Span          string  // "0:10 to 0:35, 22:22 to 22:47 on the clock"
	Query         string  // what the drawing was asked by
	Whole         bool
	Move          []choice // in, out, earlier, later, whole
	Show, Sockets []choice
	Marks         []markView
}

// choice is a link to another look.
type choice struct {
	Words, Does string
	Query       template.URL // "?from=…"
	Now         bool         // that is what is shown
	None        bool         // there is nothing there
}

type markView struct {
	N         int
	At, Clock string
	Text      string
	Rank      int
	Symbol    string
	Class     string
	Query     template.URL
}

// lookAsked is the look that a request asks for: from, to or the last of so many
// seconds, show, socket and size.
func lookAsked(r *http.Request) (l report.Look, last time.Duration) {
	second := func(name string) time.Duration {
		x, err := strconv.ParseFloat(r.FormValue(name), 64)
		if err != nil || !(x > 0) || x > 1e9 {
			return 0
		}
		return time.Duration(math.Round(x*1000)) * time.Millisecond
	}
	l.Width, l.Height = traceSize(r)
	if r.FormValue("h") == "" {
		l.Height = 360 // as the page asks for it, so that nothing moves when it does
	}
	l.From, l.To, last = second("from"), second("to"), second("last")
	l.Socket = r.FormValue("socket")
	switch show := report.Shown(r.FormValue("show")); show {
	case report.Current, report.Volts:
		l.Show = show
	default:
		l.Show = report.Share
	}
	return l, last
}

// seen asks the source for a look; the last of so many seconds follows the run.
func (p *panel) seen(ctx context.Context, run string, l report.Look, last time.Duration) (Seen, error) {
	if last > 0 {
		l.From, l.To = max(0, p.runTime(run)-last), 0
	}
	return p.src.Look(ctx, run, l)
}

// runTime is how far a run has come; of a recorded one, where it ends.
func (p *panel) runTime(run string) time.Duration {
	s := p.src.State()
	if run == "" || run == s.RunID {
		return s.Snapshot.T
	}
	return math.MaxInt64 / 2
}

func inSeconds(t time.Duration) string {
	return strconv.FormatFloat(t.Seconds(), 'f', -1, 64)
}

// scope draws a look at a run and what there is to do from there; run is empty
// for the one now on.
func (p *panel) scope(ctx context.Context, up, run string, l report.Look, last time.Duration) *scopeView {
	v := &scopeView{Up: up, Run: run}
	if run == "" && p.src.State().RunID == "" {
		v.Err = "No run is on."
		return v
	}
	seen, err := p.seen(ctx, run, l, last)
	if err != nil {
		v.Err = err.Error()
		return v
	}
	drawing := seen.Trace.Draw()
	var b bytes.Buffer
	if err := drawing.SVG(&b); err != nil {
		v.Err = err.Error()
		return v
	}
	v.SVG = template.HTML(b.String()) // the chart escapes what came from people
	v.Live = seen.Live
	l = seen.Look
	v.From, v.To, v.End = inSeconds(l.From), inSeconds(l.To), inSeconds(seen.End)
	v.Wide, v.Left, v.Right = int(drawing.Width), drawing.Left, drawing.Right
	clock := func(t time.Duration) string { return seen.Started.Add(t).Local().Format("15:04:05") }
	v.Span = fmt.Sprintf("%s to %s of %s into the run; %s to %s on the clock", chart.ClockSeconds(l.From), chart.ClockSeconds(l.To), chart.ClockSeconds(seen.End), clock(l.From), clock(l.To))
	end := max(seen.End, report.LeastLook)
	v.Whole = l.From == 0 && l.To >= end
	follows := seen.Live && l.To >= end

	// query is the link to another look; a live one that reaches the end goes on following it.
	query := func(from, to time.Duration, show report.Shown, socket string) template.URL {
		q := url.Values{}
		to = min(to, end)
		switch from = max(0, from); {
		case from <= 0 && to >= end:
		case seen.Live && to >= end:
			q.Set("last", inSeconds(to-from))
		default:
			q.Set("from", inSeconds(from))
			q.Set("to", inSeconds(to))
		}
		if show != report.Share {
			q.Set("show", string(show))
		}
		if socket != "" {
			q.Set("socket", socket)
		}
		return template.URL("?" + q.Encode())
	}
	at := func(from, to time.Duration) template.URL { return query(from, to, l.Show, l.Socket) }
	span := l.To - l.From
	middle := l.From + span/2
	if follows {
		middle = l.To // zooming in on what is going on
	}
	in := max(span/2, report.LeastLook)
	from := min(max(middle-in/2, l.From), l.To-in)
	earlier := min(l.From, span/2)
	later := min(end-l.To, span/2)
	outFrom := max(0, l.From-span/2)
	outTo := min(end, outFrom+2*span)
	outFrom = max(0, outTo-2*span)
	v.Move = []choice{
		{"+", "zoom in", at(from, from+in), false, span <= report.LeastLook},
		{"\u2212", "zoom out", at(outFrom, outTo), false, v.Whole},
		{"\u2190", "earlier", at(l.From-earlier, l.To-earlier), false, l.From <= 0},
		{"\u2192", "later", at(l.From+later, l.To+later), false, l.To >= end},
		{"Whole run", "", at(0, end), v.Whole, false},
	}
	if seen.Live {
		for _, d := range []struct {
			long  time.Duration
			words string
		}{{time.Hour, "Last hour"}, {10 * time.Minute, "Last 10 min"}} {
			v.Move = append(v.Move, choice{Words: d.words, Query: at(end-d.long, end), Now: follows && span == d.long, None: end <= d.long})
		}
	}
	for _, c := range []struct {
		show  report.Shown
		words string
	}{{report.Share, "Share of limit"}, {report.Current, "Current"}, {report.Volts, "Plate volts"}} {
		v.Show = append(v.Show, choice{Words: c.words, Query: query(l.From, l.To, c.show, l.Socket), Now: c.show == l.Show})
	}
	v.Sockets = append(v.Sockets, choice{Words: "All", Query: query(l.From, l.To, l.Show, ""), Now: l.Socket == ""})
	for i := range seen.Job.Sockets {
		name := seen.Job.Sockets[i].Name
		v.Sockets = append(v.Sockets, choice{Words: name, Query: query(l.From, l.To, l.Show, name), Now: l.Socket == name})
	}
	v.Query = string(at(l.From, l.To))
	for i, m := range seen.Trace.Marks {
		k := markView{N: i + 1, At: chart.ClockSeconds(m.T), Clock: clock(m.T), Text: m.Text, Rank: m.Rank, Query: at(m.T-2*time.Minute, m.T+3*time.Minute)}
		for p, symbol := range symbols {
			if p.Rank() == m.Rank && m.Rank > 0 {
				k.Symbol, k.Class = symbol, string(p)
			}
		}
		v.Marks = append(v.Marks, k)
	}
	return v
}

// trace serves the drawing of a look by itself.
func (p *panel) trace(w http.ResponseWriter, r *http.Request) {
	l, last := lookAsked(r)
	seen, err := p.seen(r.Context(), r.FormValue("run"), l, last)
	if err != nil {
		refuseErr(w, err, http.StatusInternalServerError)
		return
	}
	seen.Trace.Paper = true // by itself it has no page to take its colours from
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Content-Security-Policy", reportCSP)
	if err := seen.Trace.SVG(w); err != nil {
		p.opt.Logger.Debug().Err(err).Msg("trace not delivered")
	}
}

// scopePart serves the trace of a page anew, as it is after a step.
func (p *panel) scopePart(w http.ResponseWriter, r *http.Request) {
	l, last := lookAsked(r)
	up := ""
	if r.FormValue("up") != "" {
		up = "../"
	}
	p.part(w, "scope", p.scope(r.Context(), up, r.FormValue("run"), l, last))
}

// readView is what the trace says at one place.
type readView struct {
	At, Clock, Err string
	Lines          []readLine
}

type readLine struct{ Name, Value string }

// read serves the figures between two run times in words: what stands at one
// place of a drawing, be it a pixel that hides an hour.
func (p *panel) read(w http.ResponseWriter, r *http.Request) {
	l, _ := lookAsked(r)
	x, err := p.src.Extremes(r.Context(), r.FormValue("run"), l)
	if err != nil {
		p.part(w, "read", &readView{Err: err.Error()})
		return
	}
	l = x.Look
	middle := l.From + (l.To-l.From)/2
	v := &readView{At: chart.ClockSeconds(middle), Clock: x.Started.Add(middle).Local().Format("15:04:05")}
	if l.To-l.From < 10*time.Second {
		v.At += fmt.Sprintf(".%d", middle.Milliseconds()/100%10)
	}
	unit, scale, decimals := l.Show.Unit()
	for _, e := range x.Lines {
		v.Lines = append(v.Lines, readLine{e.Name, between(e.Least, e.Greatest, unit, scale, decimals)})
	}
	p.part(w, "read", v)
}

// between is a figure, or two that it lay between.
func between(least, greatest socket.Value, unit string, scale float64, decimals int) string {
	if !least.Known {
		return "unknown"
	}
	words := func(v socket.Value) string {
		p := math.Pow10(decimals)
		return fmt.Sprintf("%.*f", decimals, math.Round(v.X*scale*p)/p+0)
	}
	a, b := words(least), words(greatest)
	if a != b {
		a += " to " + b
	}
	return strings.ReplaceAll(a, "-", "\u2212") + " " + unit
}

// part serves a piece of a page.
func (p *panel) part(w http.ResponseWriter, name string, v any) {
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, name, v); err != nil {
		p.opt.Logger.Error().Err(err).Str("part", name).Msg("not drawn")
		refuse(w, http.StatusInternalServerError, "this cannot be drawn: %s", err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(b.Bytes())
}

// runRow is one recorded run, as lists show it.
type runRow struct {
	ID, Ticket, Amplifier string
	Started, Long         string
	On                    bool // now
	Ended                 bool
	Words                 string
	Alarm                 bool
}

// mostRuns is how many runs a page lists.
const mostRuns = 50

// runRows words runs.
func (p *panel) runRows(runs []record.Info) (rows []runRow) {
	s := p.src.State()
	for _, in := range runs {
		r := runRow{ID: in.ID, Ticket: in.Ticket, Amplifier: in.Amplifier, Started: in.Started.Local().Format("2006-01-02 15:04"), Long: ago(in.Advanced),
			Ended: in.Ended != nil, On: in.ID == s.RunID && in.Ended == nil}
		switch words, alarm, ok := p.src.Verdict(in); {
		case r.On:
			r.Words, r.Long = "on now: "+string(s.Snapshot.Phase), ago(s.Snapshot.T)
		case !r.Ended:
			r.Words = "not ended"
		case ok:
			r.Words, r.Alarm = words, alarm
		default:
			r.Words = "open it to see"
		}
		rows = append(rows, r)
	}
	return rows
}
