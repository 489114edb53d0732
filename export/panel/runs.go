package panel

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"nightsoak/export"
	"nightsoak/export/record"
)

// linksCSP is pageCSP for a page with a form that only asks for another page.
var linksCSP = strings.Replace(pageCSP, "form-action 'none'", "form-action 'self'", 1)

// runsView is the list of runs.
type runsView struct {
	Build, Look, Up, Bench string
	Err                    string
	Runs                   []runRow
	Older                  string // the run that the next page begins behind; empty for none
	Ticket                 string // only those; empty for all
}

// runsPage lists the recorded runs, ?ticket= those of one, ?after= those begun
// before that run.
func (p *panel) runsPage(w http.ResponseWriter, r *http.Request) {
	v := &runsView{Build: build, Look: wanted(w, r), Bench: p.src.State().Bench, Ticket: strings.TrimSpace(r.FormValue("ticket"))}
	runs, err := p.src.Runs(r.Context())
	if err != nil {
		v.Err = err.Error()
	}
	if v.Ticket != "" {
		runs = slices.DeleteFunc(slices.Clone(runs), func(in record.Info) bool { return in.Ticket != v.Ticket })
	}
	if i := slices.IndexFunc(runs, func(in record.Info) bool { return in.ID == r.FormValue("after") }); i >= 0 {
		runs = runs[i+1:]
	}
	if len(runs) > mostRuns {
		runs = runs[:mostRuns]
		v.Older = runs[mostRuns-1].ID
	}
	v.Runs = p.runRows(runs)
	w.Header().Set("Content-Security-Policy", linksCSP)
	p.part(w, "runs.html", v)
}

// runView is the page of one run.
type runView struct {
	Build, Look, Up, Bench string
	Found
	Err           string
	Began, Lasted string
	Scope         *scopeView
	Happened      []eventView
	Others        []runRow // to compare with
}

// runPage shows one recorded run.
func (p *panel) runPage(w http.ResponseWriter, r *http.Request) {
	v := &runView{Build: build, Look: wanted(w, r), Up: "../", Bench: p.src.State().Bench}
	found, err := p.src.Found(r.Context(), r.PathValue("id"))
	status := http.StatusOK
	switch {
	case err == nil:
		p.found(r, v, found)
	case errors.Is(err, ErrNotFound):
		v.Err, status = err.Error(), http.StatusNotFound
	default:
		v.Err, status = err.Error(), http.StatusInternalServerError
	}
	w.Header().Set("Content-Security-Policy", linksCSP)
	if status != http.StatusOK {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.WriteHeader(status)
	}
	p.part(w, "run.html", v)
}

func (p *panel) found(r *http.Request, v *runView, found Found) {
	v.Found = found
	v.Began, v.Lasted = found.Started.Local().Format("Monday 2 January 2006, 15:04"), ago(found.Long)
	l, last := lookAsked(r)
	v.Scope = p.scope(r.Context(), v.Up, found.Run, l, last)
	s := export.State{Started: found.Started}
	for i := range found.Events {
		v.Happened = append(v.Happened, lookEvent(&s, &found.Events[i]))
	}
	runs, err := p.src.Runs(r.Context())
	if err != nil {
		v.Err = err.Error()
	}
	// Those of its ticket come first: they are what one compares with.
	slices.SortStableFunc(runs, func(a, b record.Info) int {
		rank := func(in record.Info) int {
			if in.Ticket == found.Ticket {
				return 0
			}
			return 1
		}
		return rank(a) - rank(b)
	})
	for _, in := range runs[:min(len(runs), mostRuns)] {
		if in.ID != found.Run {
			v.Others = append(v.Others, runRow{ID: in.ID, Ticket: in.Ticket, Started: in.Started.Local().Format("2006-01-02 15:04")})
		}
	}
}

// jobFile serves the job file that a run ran with.
func (p *panel) jobFile(w http.ResponseWriter, r *http.Request) {
	runs, err := p.src.Runs(r.Context())
	if err != nil {
		refuseErr(w, err, http.StatusInternalServerError)
		return
	}
	i := slices.IndexFunc(runs, func(in record.Info) bool { return in.ID == r.PathValue("id") })
	if i < 0 {
		refuse(w, http.StatusNotFound, "there is no run %q", r.PathValue("id"))
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Write(runs[i].JobText)
}

// compare leads to the report of the later of two runs against the earlier:
// ?run=A&run=B.
func (p *panel) compare(w http.ResponseWriter, r *http.Request) {
	asked := r.URL.Query()["run"]
	slices.Sort(asked)
	asked = slices.Compact(asked)
	runs, err := p.src.Runs(r.Context())
	if err != nil {
		refuseErr(w, err, http.StatusInternalServerError)
		return
	}
	if len(asked) != 2 {
		p.sorry(w, http.StatusBadRequest, fmt.Sprintf("Choose two runs to compare; %d were chosen.", len(asked)))
		return
	}
	place := func(id string) int { return slices.IndexFunc(runs, func(in record.Info) bool { return in.ID == id }) }
	a, b := place(asked[0]), place(asked[1])
	if a < 0 || b < 0 {
		p.sorry(w, http.StatusNotFound, "One of these runs is not in the record.")
		return
	}
	later, earlier := runs[min(a, b)].ID, runs[max(a, b)].ID
	w.Header().Set("Location", "api/runs/"+url.PathEscape(later)+"/report.html?against="+url.QueryEscape(earlier))
	w.WriteHeader(http.StatusSeeOther)
}

// sorry is the list of runs with why it is not what was asked for.
func (p *panel) sorry(w http.ResponseWriter, status int, words string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	p.part(w, "runs.html", &runsView{Build: build, Bench: p.src.State().Bench, Err: words})
}
