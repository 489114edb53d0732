package panel

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"
)

const (
	beat     = 250 * time.Millisecond // how often the stream looks for events
	perState = 500 * time.Millisecond // least time between two states
	silence  = 2 * time.Second        // a stream says something at least this often
	slowest  = 10 * time.Second       // a client that takes nothing for so long is let go
)

// events is the stream of /api/events: "state" (or with ?view=bench, wall or
// idle "view": the page's changed sections as HTML), "event" with the sequence
// number as id, "beat" when there is nothing else to say. Each client has its
// own goroutine and asks the Source itself, so a slow one misses states, gets
// every event, and holds nobody up.
//
// While a run is on, a state is news only when run time has moved: should the
// core stop, the stream falls silent and its viewers see that they are out of
// date, however well this end still works.
func (p *panel) events(w http.ResponseWriter, r *http.Request) {
	name := r.FormValue("view")
	if _, ok := sections[name]; !ok && name != "" {
		refuse(w, http.StatusBadRequest, "there is no view %q: ask for bench, wall or idle, or leave it out for JSON", name)
		return
	}
	after := 0
	for _, given := range []string{r.FormValue("after"), r.Header.Get("Last-Event-ID")} { // the browser's own wins
		if given == "" {
			continue
		}
		n, err := strconv.Atoi(given)
		if err != nil || n < 0 {
			refuse(w, http.StatusBadRequest, "%q is no event's number: send the id of the last event seen", given)
			return
		}
		after = n
	}
	if all := p.src.Events(0); len(all) == 0 || all[len(all)-1].Seq < after {
		after = 0 // the number is of another run
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no")
	s := &stream{p: p, r: r, name: name, after: after, sent: map[string]string{}, drawn: map[string]time.Time{}}
	s.width, s.height = traceSize(r)
	s.run = p.src.State().RunID
	fmt.Fprintf(&s.out, "retry: 2000\nevent: build\ndata: %s\n\n", build)

	control := http.NewResponseController(w)
	tick := time.NewTicker(beat)
	defer tick.Stop()
	for {
		s.gather(time.Now())
		if s.out.Len() > 0 {
			// Not every writer knows deadlines; the server's do.
			if err := control.SetWriteDeadline(time.Now().Add(slowest)); err != nil && !errors.Is(err, http.ErrNotSupported) {
				return
			}
			if _, err := w.Write(s.out.Bytes()); err != nil {
				return
			}
			if err := control.Flush(); err != nil {
				return
			}
			s.out.Reset()
		}
		select {
		case <-r.Context().Done():
			return
		case <-tick.C:
		}
	}
}

// stream is one client's.
type stream struct {
	p             *panel
	r             *http.Request
	name          string // of the view; empty for JSON
	width, height int    // of its trace
	after         int    // sequence number of the last event sent
	run           string

	out     bytes.Buffer
	stated  time.Time     // when a state was last sent, or looked at and found unchanged
	said    time.Time     // when anything was last sent
	t       time.Duration // run time of the last state sent
	sent    map[string]string
	drawn   map[string]time.Time // slow sections: when
	lastErr string
}

// gather puts into out what is new at the wall-clock moment now.
func (s *stream) gather(now time.Time) {
	state := s.p.src.State()
	if state.RunID != s.run {
		s.run, s.after = state.RunID, 0
	}
	if s.name == "" {
		for _, e := range s.p.src.Events(s.after) {
			data, err := json.Marshal(e)
			if err != nil {
				s.trouble(err)
				continue
			}
			s.say("event", data, e.Seq)
			s.after = e.Seq
		}
	}
	frozen := state.RunID != "" && state.Snapshot.T == s.t && !s.said.IsZero()
	if frozen {
		return
	}
	if s.stated.IsZero() || now.Sub(s.stated) >= perState {
		s.stated = now
		if s.name == "" {
			data, err := json.Marshal(state)
			if err != nil {
				s.trouble(err)
			} else if string(data) != s.sent[""] {
				s.sent[""] = string(data)
				s.say("state", data, 0)
			}
		} else {
			s.view(now)
		}
	}
	if s.out.Len() == 0 && now.Sub(s.said) >= silence {
		if s.name == "" {
			s.say("state", []byte(s.sent[""]), 0)
		} else {
			s.say("beat", []byte("-"), 0)
		}
	}
	if s.out.Len() > 0 {
		s.said, s.t = now, state.Snapshot.T
	}
}

// view says which of the page's sections have changed.
func (s *stream) view(now time.Time) {
	due := func(section string) bool {
		every, isSlow := slow[section]
		return !isSlow || now.Sub(s.drawn[section]) >= every
	}
	v := s.p.compose(s.r.Context(), s.name, s.width, s.height, due)
	var changed, one bytes.Buffer
	for _, section := range sections[s.name] {
		if !due(section) {
			continue
		}
		if _, isSlow := slow[section]; isSlow {
			s.drawn[section] = now
		}
		one.Reset()
		if err := pages.ExecuteTemplate(&one, section, v); err != nil {
			s.trouble(err)
			return
		}
		if one.String() != s.sent[section] {
			s.sent[section] = one.String()
			one.WriteTo(&changed)
		}
	}
	if changed.Len() > 0 {
		s.say("view", changed.Bytes(), 0)
	}
}

// trouble logs what should not happen, once for each different thing.
func (s *stream) trouble(err error) {
	if err.Error() != s.lastErr {
		s.lastErr = err.Error()
		s.p.opt.Logger.Error().Err(err).Msg("the panel's stream has something that it cannot say")
	}
}

// say appends one event; id is left out when 0. Lines that are empty but for
// blanks carry nothing in HTML and are left out.
func (s *stream) say(event string, data []byte, id int) {
	if id > 0 {
		fmt.Fprintf(&s.out, "id: %d\n", id)
	}
	fmt.Fprintf(&s.out, "event: %s\n", event)
	for line := range bytes.Lines(data) {
		if line = bytes.TrimSpace(line); len(line) > 0 {
			fmt.Fprintf(&s.out, "data: %s\n", line)
		}
	}
	s.out.WriteByte('\n')
}
