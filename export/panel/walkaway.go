package panel

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"

	"nightsoak/alarms"
	"nightsoak/alarms/drill"
	"nightsoak/alarms/walkaway"
)

// walkaway takes POST /api/walkaway.
func (p *panel) walkaway(w http.ResponseWriter, r *http.Request) {
	var ask walkaway.Ask
	if !p.let(w, r, "walkaway") || !readInto(w, r, &ask) {
		return
	}
	result, err := p.src.Walkaway(r.Context(), ask, true)
	if err != nil {
		refuseErr(w, err, http.StatusConflict)
		return
	}
	answer(w, http.StatusOK, result)
}

// drill takes POST /api/drill.
func (p *panel) drill(w http.ResponseWriter, r *http.Request) {
	var ask drill.Ask
	if !p.let(w, r, "drill") || !readInto(w, r, &ask) {
		return
	}
	result, err := p.src.Drill(r.Context(), ask)
	if err != nil {
		refuseErr(w, err, http.StatusConflict)
		return
	}
	answer(w, http.StatusOK, result)
}

// readInto reads a JSON body strictly into v, or answers why it cannot. No body
// is an empty object.
func readInto(w http.ResponseWriter, r *http.Request, v any) bool {
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	d.DisallowUnknownFields()
	err := d.Decode(v)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("there is more behind it")
		}
	}
	if err != nil && !errors.Is(err, io.EOF) {
		refuse(w, http.StatusBadRequest, "the body is not the JSON object that is asked for: %s", err)
		return false
	}
	return true
}

// formCSP is pageCSP for a page without script, whose form goes back to it.
var formCSP = strings.Replace(strings.Replace(pageCSP, "form-action 'none'", "form-action 'self'", 1), "script-src 'self'", "script-src 'none'", 1)

// walkawayView is the page of the departure check.
type walkawayView struct {
	Build, Bench, Ticket string
	Look                 string
	Err                  string // why there is no check
	Kept                 bool   // it is in the record
	Tried                bool   // the channels were, and nothing was judged
	Cautions             []string
	At, Text             string
	OK                   bool
	By                   string
	Lines                []walkawayLine
	Channels             []walkaway.Channel
}

type walkawayLine struct {
	alarms.Finding
	Class     string
	Asks      bool // a person confirms it
	Confirmed bool
}

// walkawayPage shows how everything stands now; only a check that is asked for
// goes into the record.
func (p *panel) walkawayPage(w http.ResponseWriter, r *http.Request) {
	p.drawWalkaway(w, r, walkaway.Ask{}, false)
}

// walkawayForm takes the page's own form, which needs no script. A token may come
// in it, since a form can send no header.
func (p *panel) walkawayForm(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		refuse(w, http.StatusBadRequest, "the form cannot be read: %s", err)
		return
	}
	if token := r.PostForm.Get("token"); token != "" && r.Header.Get("Authorization") == "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	if !p.let(w, r, "walkaway") {
		return
	}
	ask := walkaway.Ask{Try: r.PostForm.Get("do") == "try", Heard: map[string]string{}}
	ask.Answers = walkaway.Answers{Confirm: r.PostForm["confirm"], By: strings.TrimSpace(r.PostForm.Get("by")), Waive: map[string]string{}}
	for field, values := range r.PostForm {
		kind, name, ok := strings.Cut(field, ":")
		value := strings.TrimSpace(values[0])
		switch {
		case !ok || value == "":
		case kind == "waive":
			ask.Waive[name] = value
		case kind == "heard":
			ask.Heard[name] = value
		}
	}
	p.drawWalkaway(w, r, ask, true)
}

func (p *panel) drawWalkaway(w http.ResponseWriter, r *http.Request, ask walkaway.Ask, keep bool) {
	s := p.src.State()
	v := walkawayView{Build: build, Look: wanted(w, r), Bench: s.Bench, Ticket: s.Ticket, Cautions: walkaway.Cautions, By: ask.By, Kept: keep && !ask.Try, Tried: ask.Try}
	status := http.StatusOK
	result, err := p.src.Walkaway(r.Context(), ask, keep)
	if err != nil {
		v.Err, status, v.Kept, v.Tried = err.Error(), http.StatusConflict, false, false
		if errors.Is(err, ErrInvalid) {
			status = http.StatusUnprocessableEntity
		}
	}
	if keep && (err != nil || ask.Try) { // the lines beside it, not kept
		tried := result
		answers := ask.Answers
		if err != nil {
			answers = walkaway.Answers{}
		}
		if result, err = p.src.Walkaway(r.Context(), walkaway.Ask{Answers: answers}, false); err == nil && v.Tried {
			result.Channels, result.Text, result.OK = tried.Channels, tried.Text, tried.OK
		}
	}
	if err == nil {
		v.At, v.Text, v.OK, v.Channels = result.At.Format("2006-01-02 15:04:05 UTC"), result.Text, result.OK, result.Channels
	}
	for _, l := range result.Lines {
		line := walkawayLine{Finding: l, Asks: slices.Contains(result.Confirm, l.Name), Confirmed: slices.Contains(ask.Confirm, l.Name)}
		if l.Is == alarms.Fail {
			line.Class = "medium"
		}
		v.Lines = append(v.Lines, line)
	}
	if !keep && errors.Is(err, alarms.ErrRefused) { // no run is on, which the page says
		status = http.StatusOK
	}
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, "walkaway.html", &v); err != nil {
		refuse(w, http.StatusInternalServerError, "the page cannot be drawn: %s", fmt.Sprint(err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Security-Policy", formCSP)
	h.Set("Referrer-Policy", "same-origin") // else the form's Origin is "null", which is nobody's page
	w.WriteHeader(status)
	w.Write(b.Bytes())
}
