// Package walkaway is the departure check: is everything in place to leave a run
// alone. Facts and a person's answers in, one line a check out; it asks nothing of
// the world itself.
//
// It says what was in place at one moment. It gives no permission, and whether a
// live amplifier may be left alone is for local rules and licensed practice.
package walkaway

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/alarms/notify"
)

// Cautions stand at the head of every check.
var Cautions = []string{
	"This list gives no permission. Where local rules, licensed practice, an insurer or a landlord say that a live amplifier is not left alone, they are right and it is not left alone.",
	"An amplifier on soak is live, hot and can catch fire. Fuse, cut-off, alarm and telephone can each fail, and they fail when they are needed. None of this is a safety device.",
	"Whoever is called must be near enough to come, awake enough to hear it, and know where the mains switch is.",
	"After HT off, prove every capacitor dead before anyone touches anything.",
}

// ErrAnswer is wrapped by the errors of answers that fit no line.
var ErrAnswer = errors.New("walkaway")

// Facts are what the lines are judged on, all of one moment.
type Facts struct {
	Bench    *bench.Bench
	Job      *bench.Job
	Run      string // its id
	Started  time.Time
	Snapshot alarms.Snapshot // with the daemon's own alarms among the others
	Trials   []notify.Trial  // of every channel
	Cutoff   cutoff.State
	CutTry   error // what is known to be wrong with the way, as cutoff.Hand.Try says
	Disk     Disk
	Clock    Clock
	// Awake says why this machine will not go to sleep by itself; empty when that
	// is not known, which a person must confirm.
	Awake string
}

// Disk is the room where the record is kept.
type Disk struct {
	Known bool
	Free  uint64 // bytes, to this user
}

// Clock is the wall clock and what it cannot be before.
type Clock struct {
	Now       time.Time
	NotBefore time.Time // zero when nothing is known
	Because   string    // of NotBefore: "run R began"
	Synced    string    // "synchronised", "not synchronised", or empty when unknown
}

// Answers are what a person says.
type Answers struct {
	Confirm []string          `json:"confirm,omitempty"` // lines that only a person can confirm
	Waive   map[string]string `json:"waive,omitempty"`   // why, by line
	By      string            `json:"by,omitempty"`      // who; needed to waive
}

// Ask is what a person asks of the daemon: a check, unless Try is set.
type Ask struct {
	Answers
	// Try sends a test message on each channel, and judges nothing.
	Try bool `json:"try,omitempty"`
	// Heard is what test messages said, typed back, by channel.
	Heard map[string]string `json:"heard,omitempty"`
}

// Result is what came of an Ask.
type Result struct {
	OK       bool             `json:"ok"` // every line passes or is waived by name
	At       time.Time        `json:"at"`
	Run      string           `json:"run"`
	Cautions []string         `json:"cautions"`
	Lines    []alarms.Finding `json:"lines,omitempty"`
	Confirm  []string         `json:"confirm,omitempty"` // the lines that a person confirms
	Channels []Channel        `json:"channels"`
	Text     string           `json:"text"` // what came of it, in a sentence
}

// Channel is how the test of a channel stands. Its code is not here: it must come
// back by way of the person who was reached.
type Channel struct {
	Channel   string `json:"channel"`
	Delivered bool   `json:"delivered"` // a test message of this run was taken by its server or command
	Heard     bool   `json:"heard"`     // and its code came back
	Err       string `json:"err,omitempty"`
}

// Channels is how the tests of this run stand.
func Channels(trials []notify.Trial) []Channel {
	all := []Channel{}
	for _, t := range trials {
		all = append(all, Channel{t.Channel, !t.Delivered.IsZero(), !t.Confirmed.IsZero(), t.Err})
	}
	return all
}

// Line is a line of the check.
type Line struct {
	Name   string
	About  string // what must be so
	Person bool   // only a person can confirm it
}

// Lines are the lines in their order. "awake" is a person's where the machine
// does not tell.
func Lines() []Line {
	all := make([]Line, len(lines))
	for i := range lines {
		all[i] = lines[i].Line
	}
	return all
}

// Check judges every line. Its error wraps ErrAnswer and says which answer fits
// no line.
func Check(f *Facts, a Answers) (Result, error) {
	if err := a.check(f); err != nil {
		return Result{}, err
	}
	r := Result{OK: true, At: f.Clock.Now.UTC().Round(time.Second), Run: f.Run, Cautions: Cautions, Channels: Channels(f.Trials)}
	var failed []string
	waived := 0
	for i := range lines {
		l := &lines[i]
		found := alarms.Finding{Name: l.Name, Is: alarms.Pass}
		if l.asks(f) {
			r.Confirm = append(r.Confirm, l.Name)
		}
		why := ""
		switch confirmed := slices.Contains(a.Confirm, l.Name); {
		case l.asks(f) && confirmed:
			found.Text = l.About + ": confirmed" + by(a.By)
		case l.asks(f):
			why = l.About + ": nobody has confirmed it"
		default:
			found.Text, why = l.look(f)
		}
		if why != "" {
			found.Is, found.Text = alarms.Fail, why
			if w, ok := a.Waive[l.Name]; ok {
				found.Is, found.Why = alarms.Waived, strings.TrimSpace(w)
				waived++
			} else {
				failed = append(failed, l.Name)
			}
		}
		r.Lines = append(r.Lines, found)
	}
	switch n := len(lines); {
	case len(failed) > 0:
		r.OK = false
		r.Text = fmt.Sprintf("%d of %d lines fail: %s", len(failed), n, strings.Join(failed, ", "))
	case waived > 0:
		r.Text = fmt.Sprintf("%d of %d lines pass, %d waived by %s", n-waived, n, waived, a.By)
	default:
		r.Text = fmt.Sprintf("all %d lines pass", n)
	}
	return r, nil
}

func by(name string) string {
	if name == "" {
		return ""
	}
	return " by " + name
}

// check finds answers that fit no line.
func (a *Answers) check(f *Facts) error {
	refuse := func(format string, args ...any) error {
		return fmt.Errorf("%w: %s", ErrAnswer, fmt.Sprintf(format, args...))
	}
	for _, name := range a.Confirm {
		switch l := find(name); {
		case l == nil:
			return refuse("no line %q to confirm; those that a person confirms are %s", name, names(f, true))
		case !l.asks(f):
			return refuse("%s is judged by what the daemon sees; it can be waived, not confirmed", name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(a.Waive)) {
		switch {
		case find(name) == nil:
			return refuse("no line %q to waive; lines are %s", name, names(f, false))
		case strings.TrimSpace(a.Waive[name]) == "":
			return refuse("say why %s is waived: who reads the record must know", name)
		case strings.TrimSpace(a.By) == "":
			return refuse("say who waives %s, by name", name)
		}
	}
	return nil
}

func find(name string) *line {
	if i := slices.IndexFunc(lines, func(l line) bool { return l.Name == name }); i >= 0 {
		return &lines[i]
	}
	return nil
}

func names(f *Facts, persons bool) string {
	var n []string
	for i := range lines {
		if !persons || lines[i].asks(f) {
			n = append(n, lines[i].Name)
		}
	}
	return strings.Join(n, ", ")
}
