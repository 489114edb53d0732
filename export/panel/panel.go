// Package panel is what people look at: the bench page, the wall view, the
// page for setting the idle, the JSON API and its stream of events, and the acts that come back from them.
// Everything it needs is embedded; no page asks anything of another host.
package panel

import (
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"net/http"
	"path"
	"strconv"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/alarms/drill"
	"nightsoak/alarms/walkaway"
	"nightsoak/export"
	"nightsoak/export/record"
	"nightsoak/export/report"
	"nightsoak/export/report/chart"
)

// Source is the daemon as the panel sees it. Its methods are called from many
// goroutines at once. State, Events and Trace must return at once, from memory,
// with values that nobody writes to any more. While a run is on, the run time
// of State must move at least once a second: a panel whose run time stands
// still for 5 s tells its viewers that it is out of date.
type Source interface {
	// State is the daemon at this moment.
	State() export.State
	// Events are this run's events with a sequence number above after, in order.
	Events(after int) []alarms.Event
	// Trace is the drawing of this run so far, width by height pixels; false
	// when there is nothing to draw.
	Trace(width, height int) (*chart.Trace, bool)
	// Act takes what an operator did. An error that wraps ErrInvalid or
	// ErrNotFound is answered so; any other means that the state of affairs
	// does not allow it (409).
	Act(ctx context.Context, act alarms.Act) error
	// Begin begins a run with the job file given; errors as with Act.
	Begin(ctx context.Context, jobTOML []byte, firstPower bool) error
	// Walkaway makes the departure check, or tries the channels; with keep its
	// result goes into the run. Errors as with Act.
	Walkaway(ctx context.Context, ask walkaway.Ask, keep bool) (walkaway.Result, error)
	// Drill gives a fault to a copy of the core; errors as with Act.
	Drill(ctx context.Context, ask drill.Ask) (drill.Result, error)
	// Look is what a look shows of a run; run is empty for the one now on. An
	// unknown run wraps ErrNotFound, as in what follows.
	Look(ctx context.Context, run string, l report.Look) (Seen, error)
	// Extremes are what the lines of a look did between its two times.
	Extremes(ctx context.Context, run string, l report.Look) (Extremes, error)
	// Runs lists the recorded runs, newest first.
	Runs(ctx context.Context) ([]record.Info, error)
	// Verdict is the verdict of a recorded run, and whether it is an alarm; ok is
	// false where it would have to be judged first.
	Verdict(info record.Info) (words string, alarm, ok bool)
	// Found is a run and what it came to.
	Found(ctx context.Context, id string) (Found, error)
	// Report writes the report of a run in the format that suffix names, one of
	// report.Suffixes or ".csv"; against, where it is not empty, is a run before
	// to compare it with.
	Report(ctx context.Context, w io.Writer, id, against, suffix string) error
}

// What a Source's error may wrap to choose the answer's status.
var (
	ErrInvalid  = errors.New("invalid")   // 422: the job file is wrong
	ErrNotFound = errors.New("not found") // 404: no such run, alarm, socket or meter
)

// Options are the panel's settings.
type Options struct {
	// Token lets acts in from elsewhere than a direct loopback connection.
	// Empty: nobody else may act.
	Token string
	// Hosts are names under which the panel is asked for beside addresses and
	// local names; a request for any other is refused.
	Hosts []string
	// Origins are those of our own pages where a proxy renames the Host that it
	// passes on: "https://bench.example".
	Origins []string
	Logger  zerolog.Logger
	Metrics http.Handler // served at /metrics; nil for none
	// Job is the job of the run with that id, which nobody writes to any more,
	// or nil when it is not the run now on. Without it the idle page has no targets.
	Job func(run string) *bench.Job
}

//go:embed assets
var assets embed.FS

// openAPI describes what is served under /api, for programs. It is written by
// hand; TestOpenAPI of cmd/nightsoak holds the daemon's real answers to it.
//
//go:embed openapi.json
var openAPI []byte

type panel struct {
	src  Source
	opt  Options
	door *door
	pace pace
}

// The content policies: the panel's pages run only what is embedded here; a
// report is a self-contained document that runs nothing.
const (
	pageCSP   = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
	reportCSP = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"
)

// New is the panel over src. The streams of /api/events last as long as their
// requests' contexts: a server that shuts down cancels its BaseContext first.
func New(src Source, opt Options) http.Handler {
	p := &panel{src: src, opt: opt, door: newDoor(src.State().Bench, opt)}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", p.page("bench"))
	mux.HandleFunc("GET /wall", p.page("wall"))
	mux.HandleFunc("GET /idle", p.page("idle"))
	mux.HandleFunc("GET /walkaway", p.walkawayPage)
	mux.HandleFunc("POST /walkaway", p.walkawayForm)
	mux.HandleFunc("POST /login", p.login)
	mux.HandleFunc("POST /logout", p.logout)
	mux.HandleFunc("POST /api/walkaway", p.walkaway)
	mux.HandleFunc("POST /api/drill", p.drill)
	mux.HandleFunc("GET /assets/{file}", p.asset)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		io.WriteString(w, "ok\n")
	})
	mux.HandleFunc("GET /api/state", func(w http.ResponseWriter, _ *http.Request) { answer(w, http.StatusOK, p.src.State()) })
	mux.HandleFunc("GET /api/openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		w.Write(openAPI)
	})
	mux.HandleFunc("GET /api/events", p.events)
	mux.HandleFunc("GET /api/runs", p.runs)
	mux.HandleFunc("GET /api/runs/{id}/{file}", p.report)
	mux.HandleFunc("GET /trace.svg", p.trace)
	mux.HandleFunc("GET /trace", p.scopePart)
	mux.HandleFunc("GET /trace/at", p.read)
	mux.HandleFunc("GET /runs", p.runsPage)
	mux.HandleFunc("GET /runs/{id}", p.runPage)
	mux.HandleFunc("GET /runs/{id}/job.toml", p.jobFile)
	mux.HandleFunc("GET /compare", p.compare)
	mux.HandleFunc("POST /api/{act}", p.act)
	if opt.Metrics != nil {
		mux.Handle("GET /metrics", opt.Metrics)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", pageCSP)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !p.door.knows(r.Host) {
			refuse(w, http.StatusForbidden, "%q is no name of this panel: ask for its address, or put the name into hosts under [panel]", r.Host)
			return
		}
		mux.ServeHTTP(w, r)
	})
}

// answer writes v as JSON.
func answer(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		status, b = http.StatusInternalServerError, []byte(`{"error":"the answer cannot be written as JSON"}`)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	w.Write(append(b, '\n'))
}

// refuse answers with an error in words.
func refuse(w http.ResponseWriter, status int, format string, args ...any) {
	answer(w, status, map[string]string{"error": fmt.Sprintf(format, args...)})
}

// refuseErr answers with a Source's error; otherwise is the status of one that does not say.
func refuseErr(w http.ResponseWriter, err error, otherwise int) {
	switch {
	case errors.Is(err, ErrInvalid):
		otherwise = http.StatusUnprocessableEntity
	case errors.Is(err, ErrNotFound):
		otherwise = http.StatusNotFound
	}
	refuse(w, otherwise, "%s", err)
}

func (p *panel) runs(w http.ResponseWriter, r *http.Request) {
	runs, err := p.src.Runs(r.Context())
	if err != nil {
		refuseErr(w, err, http.StatusInternalServerError)
		return
	}
	answer(w, http.StatusOK, runs)
}

// reportTypes are the report formats served, by suffix.
var reportTypes = map[string]string{
	".html": "text/html; charset=utf-8",
	".csv":  "text/csv; charset=utf-8",
	".json": "application/json",
	".svg":  "image/svg+xml",
	".pdf":  "application/pdf",
	".png":  "image/png",
}

func (p *panel) report(w http.ResponseWriter, r *http.Request) {
	id, file := r.PathValue("id"), r.PathValue("file")
	suffix := path.Ext(file)
	kind, ok := reportTypes[suffix]
	if !ok || file != "report"+suffix {
		refuse(w, http.StatusNotFound, "there is no %q of a run: ask for report.pdf, report.html, report.csv, report.json, report.svg or report.png", file)
		return
	}
	late := &lateHeader{ResponseWriter: w, set: func(h http.Header) {
		h.Set("Content-Type", kind)
		h.Set("Content-Security-Policy", reportCSP)
		if suffix == ".csv" {
			h.Set("Content-Disposition", `attachment; filename="report.csv"`)
		}
	}}
	err := p.src.Report(r.Context(), late, id, r.FormValue("against"), suffix)
	if err == nil {
		return
	}
	if late.begun { // the only way left to say that the file is not whole
		p.opt.Logger.Warn().Err(err).Str("run", id).Str("format", suffix).Msg("report broke off")
		panic(http.ErrAbortHandler)
	}
	refuseErr(w, err, http.StatusInternalServerError)
}

// lateHeader sets headers at the first byte, so that an error before it can
// still be answered as one.
type lateHeader struct {
	http.ResponseWriter
	set   func(http.Header)
	begun bool
}

func (l *lateHeader) Write(b []byte) (int, error) {
	if !l.begun {
		l.begun = true
		l.set(l.Header())
	}
	return l.ResponseWriter.Write(b)
}

// traceSize is the drawing's size asked for, within what a screen may need.
func traceSize(r *http.Request) (width, height int) {
	size := func(name string, otherwise, lo, hi int) int {
		n, err := strconv.Atoi(r.FormValue(name))
		if err != nil {
			return otherwise
		}
		return min(max(n, lo), hi)
	}
	return size("w", 1200, 240, 4000), size("h", 220, 60, 2000)
}

// assetTypes are the kinds of file embedded, so that no machine's own table decides.
var assetTypes = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

// build tells one version of the pages and assets from another.
var build = func() string {
	h := fnv.New64a()
	files, err := assets.ReadDir("assets")
	for _, f := range files {
		b, e := assets.ReadFile("assets/" + f.Name())
		err = errors.Join(err, e)
		h.Write(b)
	}
	if err != nil {
		panic(err) // the files are in the binary: only a broken build gets here
	}
	return strconv.FormatUint(h.Sum64(), 36)
}()

func (p *panel) asset(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	kind := assetTypes[path.Ext(name)]
	b, err := assets.ReadFile("assets/" + name)
	if kind == "" || err != nil {
		refuse(w, http.StatusNotFound, "there is no asset %q", name)
		return
	}
	w.Header().Set("Content-Type", kind)
	if r.FormValue("v") == build {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	w.Write(b)
}
