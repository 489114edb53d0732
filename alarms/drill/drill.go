// Package drill injects a fault into a copy of a running core, to see that the
// alarm for it comes. The copy is an engine that was fed what the run recorded;
// from there on it is given readings that nobody measured. They never reach the
// record.
package drill

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// ErrAsk is wrapped by the errors of a drill that cannot be had.
var ErrAsk = errors.New("drill")

// Faults are the faults that can be injected.
var Faults = []string{"runaway", "over-dissipation", "open", "dead", "silent", "plate-lead"}

// raises is the alarm that a fault must raise.
var raises = map[string]string{"runaway": "runaway", "over-dissipation": "over-dissipation", "open": "sense-open", "dead": "no-conduction",
	"silent": "meter-silent", "plate-lead": "plate-lead"}

// Ask is the drill that a person asks for.
type Ask struct {
	Fault  string `json:"fault"`
	Socket string `json:"socket,omitempty"` // where; empty for the first whose current is known
	Cut    bool   `json:"cut,omitempty"`    // really drop the mains
}

// Result is what came of it.
type Result struct {
	OK    bool             `json:"ok"` // nothing failed; what could not be tried is no failure
	Text  string           `json:"text"`
	Lines []alarms.Finding `json:"lines"`
}

// Outcome is what the copy did with the fault.
type Outcome struct {
	Alarm   alarms.Event  // the alarm that had to come; its Event is empty when it did not
	Wanted  string        // that alarm's id
	Meter   string        // whose readings were false
	Reading string        // the first false one as displayed, or "nothing"
	Began   time.Duration // run time of the first false reading
	Judging time.Duration // on the wall, what judging the last of them took
	Others  []string      // ids of alarms that came before it
	Until   time.Duration // run time at which it came or was given up
}

const (
	// step is how often each meter of the copy shows something, run time. It is
	// less than any meter's silence.
	step = 500 * time.Millisecond
	// runawayTakes is how long the injected runaway takes to the limit, run time,
	// and steepness its exponent then: about the demo's.
	runawayTakes = 15 * time.Minute
	steepness    = 4
	// patience is how long an alarm may take to come, run time.
	patience = 30 * time.Minute
	// over is how far past its limit an over-dissipation goes.
	over = 1.3
)

// Inject gives e, a copy of the core judging b and j, readings of a fault from its
// present run time on, until the alarm for it asks for a person at the highest
// priority it may take, or patience is over. Its error wraps ErrAsk.
func Inject(e *alarms.Engine, b *bench.Bench, j *bench.Job, ask Ask) (Outcome, error) {
	f, err := newFault(e, b, j, ask)
	if err != nil {
		return Outcome{}, err
	}
	o := f.Outcome
	highest := alarms.Low
	if about, ok := alarms.About(raises[ask.Fault]); ok {
		highest = about.Priority
		if p := alarms.Priority(j.Alarms[raises[ask.Fault]].Priority); p != "" {
			highest = p
		}
	}
	// came says whether the alarm is among events.
	came := func(events []alarms.Event) bool {
		for k := range events {
			switch ev := &events[k]; {
			case ev.Event != alarms.EventAlarm || ev.State != alarms.Unacknowledged:
			case ev.ID == o.Wanted && ev.Priority.Rank() >= highest.Rank():
				o.Alarm = *ev
				return true
			case !slices.Contains(o.Others, ev.ID):
				o.Others = append(o.Others, ev.ID)
			}
		}
		return false
	}
	for t := e.Now() + step; t-o.Began < patience; t += step {
		began := time.Now()
		done := came(e.Advance(t))
		for i := 0; i < len(f.now.Meters) && !done; i++ {
			r, shows := f.shows(i)
			if !shows {
				continue
			}
			if i == f.guilty && o.Reading == "" {
				o.Reading = r.Text() + " " + r.Unit()
			}
			began = time.Now()
			done = came(e.Feed(alarms.Input{T: t, Meter: i, Reading: r}))
		}
		if o.Until = t; done {
			o.Judging = time.Since(began)
			break
		}
	}
	return o, nil
}

// fault is one being injected.
type fault struct {
	Outcome
	kind   string
	now    alarms.Snapshot // as it was
	guilty int             // meter
	grows  float64         // to what multiple of itself the guilty reading comes
	n      []int64         // readings given, by meter
}

func newFault(e *alarms.Engine, b *bench.Bench, j *bench.Job, ask Ask) (*fault, error) {
	refuse := func(format string, args ...any) (*fault, error) {
		return nil, fmt.Errorf("%w: %s", ErrAsk, fmt.Sprintf(format, args...))
	}
	if raises[ask.Fault] == "" {
		return refuse("no fault %q; faults are %s", ask.Fault, strings.Join(Faults, ", "))
	}
	f := &fault{kind: ask.Fault, now: e.Snapshot(), n: make([]int64, len(b.Meters))}
	at := slices.IndexFunc(f.now.Sockets, func(k alarms.SocketState) bool {
		if ask.Socket != "" {
			return k.Name == ask.Socket
		}
		return k.Why == "" && !k.NotConducting
	})
	switch {
	case at < 0 && ask.Socket != "":
		return refuse("no socket %q in this run", ask.Socket)
	case at < 0:
		return refuse("no socket conducts now, so there is nothing to go wrong: bring HT up first")
	}
	k, s := &f.now.Sockets[at], &j.Sockets[at]
	subject := k.Name
	f.guilty = s.Sense.Meter
	switch ask.Fault {
	case "silent":
		subject = b.Meters[f.guilty].Name
	case "plate-lead":
		subject = b.Name
		if f.guilty = s.PlateMeter; f.guilty < 0 {
			return refuse("%s has no plate meter, whose clip could come off", k.Name)
		}
	case "runaway", "over-dissipation":
		r := k.DissipationRatio
		if !r.Known || r.X <= 0 {
			return refuse("what %s dissipates is not known, so it cannot be made more", k.Name)
		}
		f.grows = j.Limits.Dissipation / r.X
		if ask.Fault == "over-dissipation" {
			f.grows *= over
		}
	}
	if m := &f.now.Meters[f.guilty]; m.State != "ok" {
		return refuse("%s is not heard now (%s), so it cannot go wrong", m.Name, m.State)
	}
	f.Wanted, f.Meter, f.Began = raises[ask.Fault]+"/"+subject, b.Meters[f.guilty].Name, e.Now()+step
	if ask.Fault == "silent" {
		f.Reading = "nothing"
		f.Began = e.Now() - time.Duration(f.now.Meters[f.guilty].Age.X*float64(time.Second)) // its last reading
	}
	return f, nil
}

// shows is what a meter shows next: what it showed last, the last digit restless,
// but for the guilty one.
func (f *fault) shows(meter int) (r drivers.Reading, shows bool) {
	m := &f.now.Meters[meter]
	if m.State != "ok" {
		return r, false
	}
	r = m.Reading
	f.n[meter]++
	tremble := f.n[meter] % 3
	if meter == f.guilty {
		switch f.kind {
		case "silent":
			return r, false
		case "open":
			r.Digits, r.Flags = 0, r.Flags|drivers.Overload
			return r, true
		case "dead", "plate-lead":
			r.Digits = 0
		case "over-dissipation":
			r.Digits = int64(math.Round(float64(r.Digits) * f.grows))
		case "runaway":
			x := float64(f.n[meter]) * float64(step) / float64(runawayTakes)
			r.Digits = int64(math.Round(float64(r.Digits) * (1 + (f.grows-1)*math.Expm1(steepness*x)/math.Expm1(steepness))))
		}
	}
	r.Digits += tremble
	return r, true
}
