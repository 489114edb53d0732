// Package scpi asks a meter that speaks SCPI (IEEE 488.2): one question a
// reading, the figure taken digit by digit as it was sent.
//
// The settings are all optional:
//
//	function  what to measure: "VOLT:DC", "RES" and so on; without it the meter
//	          is left as it stands, and is asked before every reading what it
//	          measures, since somebody may turn its knob
//	range     the largest value expected, SI unit, or MIN, MAX, DEF; else automatic
//	channel   which channel of a scanner
//	nplc      power line cycles that a conversion takes: more is slower and quieter
//	ask       the question, "READ?" if not given; see below
//	figure    which of the figures in an answer, from 1; commas and semicolons part them
//	remote    "yes" for a meter that obeys over RS-232 only after SYST:REM;
//	          it is sent SYST:LOC when left. Otherwise neither is sent.
//	timeout   how long one answer may take, wall time
//
// Three kinds of question take a reading. READ? triggers the meter, which is
// configured once with CONF. MEAS:<function>? configures it each time, so there
// is no CONF, and function may be left out. FETC? gives the last reading and
// triggers nothing: it repeats that reading until the meter takes another, and
// fails with -230 when there is none. So write "INIT;:FETC?", except for a
// meter that triggers itself.
//
// A meter that was set is set again after every error, since it may have been
// switched off and on in between. Every 10 s it is asked whether its function
// is still the same, and whether it has errors to report.
package scpi

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightsoak/drivers"
)

// Format describes the wire format.
var Format = drivers.Format{
	Name:     "scpi",
	Line:     "9600 8N1",
	Lines:    []string{"19200 8N1", "115200 8N1", "9600 8E1"},
	Source:   "IEEE 488.2 clause 8.7 and SCPI-99, as instrument manuals quote them; clause numbers from memory",
	Keys:     []string{"function", "range", "channel", "nplc", "ask", "figure", "remote", "timeout"},
	NewAsker: newAsker,
	Identify: identify,
}

const (
	usualAsk     = "READ?"
	usualTimeout = 3 * time.Second
	checkEvery   = 10 * time.Second // wall time
	identifyIn   = 2 * time.Second

	whoQuestion   = "*IDN?"
	errorQuestion = "SYST:ERR?"
)

type asker struct {
	ask     string
	figure  int // in the answer, from 1
	timeout time.Duration
	remote  bool
	conf    []string // commands that configure, none where ask does or the meter is left as it stands
	shared  bool     // others may set the meter differently between two questions

	function function // short is empty where the meter is left as it stands
	whatNow  []string // the questions for the function, best first; none when it does not say

	identity string    // the answer to *IDN?
	inStep   bool      // set up, and no answer is outstanding
	checked  time.Time // that the meter is still set as it should be
	owed     bool      // a question was given up: its answer may come yet
	rest     []byte    // read, but beyond the line that was taken
}

// newAsker checks the settings.
func newAsker(s drivers.Settings) (drivers.Asker, error) {
	a := &asker{ask: cmp.Or(s["ask"], usualAsk), figure: 1, remote: s["remote"] == "yes"}
	if !strings.Contains(a.ask, "?") || strings.ContainsFunc(a.ask, func(c rune) bool { return c < ' ' || c > '~' }) {
		return nil, drivers.BadSetting("ask", "%q is not a question: write for example %q", a.ask, usualAsk)
	}
	if text, given := s["figure"]; given {
		var err error
		if a.figure, err = strconv.Atoi(text); err != nil || a.figure < 1 {
			return nil, drivers.BadSetting("figure", "%q is not a place in the answer: write 1 for its first figure", text)
		}
	}
	if text, given := s["remote"]; given && text != "yes" && text != "no" {
		return nil, drivers.BadSetting("remote", `%q is neither "yes" nor "no"`, text)
	}
	each, err := a.choose(s)
	if err != nil {
		return nil, err
	}
	usual := usualTimeout
	if a.function.short != "" {
		conversions, err := a.configuration(s, each)
		if err != nil {
			return nil, err
		}
		usual += conversions
	}
	a.timeout, err = s.Timeout(usual)
	return a, err
}

// choose finds the function, in its key or in the question; each says that the
// question configures the meter each time.
func (a *asker) choose(s drivers.Settings) (each bool, err error) {
	header, _, _ := strings.Cut(a.ask, "?")
	measured, each := measures(header)
	if each {
		if a.function, err = findFunction(measured); err != nil {
			return each, drivers.BadSetting("ask", "%w", err)
		}
	}
	if s["function"] == "" {
		if !each && s["range"]+s["nplc"]+s["channel"] != "" {
			return each, drivers.BadSetting("function", `range, nplc and channel need it: write for example function = "VOLT:DC"`)
		}
		a.whatNow = []string{"CONF?", "FUNC?"}
		return each, nil
	}
	f, err := findFunction(s["function"])
	switch {
	case err != nil:
		return each, drivers.BadSetting("function", "%w", err)
	case each && f.short != a.function.short:
		return each, drivers.BadSetting("function", "%s is not what %q measures: leave it out", f.short, a.ask)
	}
	a.function = f
	a.whatNow = []string{"FUNC?", "CONF?"}
	return each, nil
}

// configuration works out how a meter with a function is told about it: by conf,
// or each time by ask. It returns how long the conversions of one reading may
// take, where nplc sets that.
func (a *asker) configuration(s drivers.Settings, each bool) (conversions time.Duration, err error) {
	header, parameters, _ := strings.Cut(a.ask, "?")
	parameters = strings.TrimSpace(parameters)
	var with []string
	tries := 1 // ranges that the meter may have to try
	switch r := strings.ToUpper(s["range"]); {
	case r == "" || r == "AUTO":
		if !each || parameters == "" || parameters[0] == '(' {
			a.function.flags |= drivers.Auto
			tries = rangesTried
		}
	default:
		if _, _, _, err := decimal(r); err != nil && !slices.Contains([]string{"MIN", "MAX", "DEF"}, r) {
			return 0, drivers.BadSetting("range", "%q is not a number: write for example 0.1, or leave it out for automatic", r)
		}
		with = append(with, r)
	}
	at := "" // which channel
	if channel := s["channel"]; channel != "" {
		if strings.Trim(channel, "0123456789") != "" {
			return 0, drivers.BadSetting("channel", "%q is not a channel number: write for example 101", channel)
		}
		at = "(@" + channel + ")"
		with = append(with, at)
	}
	a.shared = strings.Contains(parameters+at, "(@")
	switch {
	case each && parameters != "" && len(with) > 0:
		return 0, drivers.BadSetting("ask", `%q says range or channel itself: write them there, or as the keys "range" and "channel"`, a.ask)
	case each:
		a.ask = strings.TrimSpace(header + "? " + cmp.Or(parameters, strings.Join(with, ",")))
	default:
		a.conf = []string{strings.TrimSpace("CONF:" + a.function.short + " " + strings.Join(with, ","))}
	}

	nplc := s["nplc"]
	if nplc == "" {
		return 0, nil
	}
	_, _, _, err = decimal(nplc)
	n, _ := strconv.ParseFloat(nplc, 64) // a number, since decimal reads it
	switch {
	case err != nil || n < 0.0001 || n > 1000:
		return 0, drivers.BadSetting("nplc", "%q is not a number of power line cycles: write for example 10", nplc)
	case !a.function.integrates:
		return 0, drivers.BadSetting("nplc", "%s has no integration time in power line cycles: leave nplc out", a.function.short)
	case each:
		return 0, drivers.BadSetting("nplc", "%q sets the meter's own integration time at each question: leave nplc out, or ask %q with a function", a.ask, usualAsk)
	case at != "":
		nplc += "," + at
	}
	a.conf = append(a.conf, "SENS:"+a.function.short+":NPLC "+nplc)
	return time.Duration(n * float64(conversion) * float64(tries)), nil
}

const (
	// conversion is the time of one conversion for each power line cycle of its
	// integration: 20 ms at 50 Hz, twice, since autozero measures the meter's
	// own zero after each input (common practice, no source).
	conversion = 2 * 20 * time.Millisecond
	// rangesTried: automatic range may convert once in each of five decades, as
	// 0.1 V to 1000 V are (common practice, no source).
	rangesTried = 5
)

// Shared tells the asker that other meters are asked on the same port, so that
// the instrument may have been set differently since the last question, and may
// still owe somebody else an answer.
func (a *asker) Shared() { a.shared = true }

// Leave gives the meter back to its front panel if it was taken from it. Its
// error is the port's.
func (a *asker) Leave(c drivers.Conn) error {
	if !a.remote {
		return nil
	}
	if err := send(c, "SYST:LOC"); err != nil {
		return fmt.Errorf("scpi: %w", err)
	}
	return nil
}

// Ask performs one exchange. Each question in it is given the timeout: one
// question in the ordinary case, two on a scanner, on a shared port and without
// a function; a few more after an error, and every 10 s.
func (a *asker) Ask(c drivers.Conn) (drivers.Reading, error) {
	r, err := a.reading(c)
	a.inStep = err == nil
	a.owed = a.owed && !a.inStep
	if err != nil && a.identity != "" {
		err = fmt.Errorf("scpi: %w (meter %q)", err, a.identity)
	} else if err != nil {
		err = fmt.Errorf("scpi: %w", err)
	}
	return r, err
}

func (a *asker) reading(c drivers.Conn) (drivers.Reading, error) {
	var err error
	f := a.function
	switch set := f.short != ""; {
	case !a.inStep:
		err = a.setUp(c)
	case set && a.shared:
		err = a.configure(c)
	case set && time.Since(a.checked) >= checkEvery:
		err = a.check(c)
	}
	if err == nil && f.short == "" {
		f, err = a.functionNow(c)
	}
	if err != nil {
		return drivers.Reading{}, err
	}
	line, err := a.query(c, a.ask, figures)
	if err != nil {
		return drivers.Reading{}, a.explain(c, err)
	}
	r, err := readFigure(line, a.figure, f)
	if err != nil {
		return drivers.Reading{}, a.explain(c, badReply("answer %.60q to %s: %w", line, a.ask, err))
	}
	return r, nil
}

// setUp brings question and answer in step and configures the meter.
func (a *asker) setUp(c drivers.Conn) error {
	if a.remote {
		if err := send(c, "SYST:REM"); err != nil {
			return err
		}
	}
	if a.function.short == "" {
		return a.settle(c)
	}
	if err := send(c, "*CLS"); err != nil {
		return err
	}
	if err := a.settle(c); err != nil {
		return err
	}
	who, err := a.query(c, whoQuestion, words)
	if err != nil {
		return err
	}
	if a.identity = who; who == "" {
		return badReply("answer to *IDN? is empty; check the line settings")
	}
	if err := a.configure(c); err != nil {
		return err
	}
	a.checked = time.Now()
	if len(a.conf) == 0 || a.shared {
		return nil // set at each question, so there is nothing to be checked
	}
	return a.confirm(c)
}

// configure sets the meter, and hears whether it takes that. On a shared port
// this also puts question and answer in step: no figure looks like the answer.
func (a *asker) configure(c drivers.Conn) error {
	for _, command := range a.conf {
		if err := send(c, command); err != nil {
			return err
		}
	}
	k := anything
	if a.shared {
		k = fault
	}
	entries, err := a.errorQueue(c, k)
	if err == nil && len(entries) > 0 {
		err = badReply("%s was refused: %s; check function, range, nplc and channel against the meter's manual",
			cmp.Or(strings.Join(a.conf, " or "), "a command"), listed(entries))
	}
	return err
}

// check finds out what a reading does not show: that the meter no longer
// measures what it was set to, or met errors.
func (a *asker) check(c drivers.Conn) error {
	a.checked = time.Now()
	if err := a.confirm(c); err != nil {
		return err
	}
	entries, err := a.errorQueue(c, anything)
	if err == nil && len(entries) > 0 {
		err = badReply("the meter reports %s; it is set up anew", listed(entries))
	}
	return err
}

// confirm makes sure that the meter measures what it was set to. One that does
// not say so at set-up, or not in words known here, is not asked again.
func (a *asker) confirm(c drivers.Conn) error {
	if len(a.whatNow) == 0 {
		return nil
	}
	first := a.whatNow[0]
	now, err := a.functionNow(c)
	_, isReply := errors.AsType[*drivers.Reply](err)
	switch {
	case isReply && !a.inStep:
		a.whatNow = nil
	case err != nil:
		return err
	case now.quantity != a.function.quantity || (now.flags^a.function.flags)&^drivers.Auto != 0:
		return badReply("the meter measures %s, but was set to %s: somebody turned its knob, or it was switched off and on; it is set again", now.short, a.function.short)
	}
	if len(a.whatNow) == 0 || a.whatNow[0] != first {
		return send(c, "*CLS") // a question that it does not know is an error in its queue
	}
	return nil
}

// functionNow asks what the meter measures.
func (a *asker) functionNow(c drivers.Conn) (function, error) {
	const mend = `; set it in the bench file, for example function = "VOLT:DC"`
	for i, question := range a.whatNow {
		line, err := a.query(c, question, words)
		if reply, ok := errors.AsType[*drivers.Reply](err); ok && reply.Reason == drivers.NoReply {
			continue
		} else if err != nil {
			return function{}, err
		}
		f, err := answeredFunction(line, a.figure)
		if err != nil {
			return function{}, badReply("answer %.60q to %s: %w"+mend, line, question, err)
		}
		a.whatNow = a.whatNow[i : i+1]
		return f, nil
	}
	return function{}, &drivers.Reply{Reason: drivers.NoReply, Err: fmt.Errorf(
		"the meter does not say what it measures, no answer to %s within %v: check that it is on and its line settings"+mend,
		strings.Join(a.whatNow, " or "), a.timeout)}
}

// identify asks who is there. IEEE 488.2 has four fields in the answer: maker,
// model, serial number, firmware. What only echoes is no instrument.
func identify(c drivers.Conn) (drivers.Settings, float64, error) {
	a := &asker{timeout: identifyIn}
	line, err := a.query(c, whoQuestion, words)
	if _, isReply := errors.AsType[*drivers.Reply](err); err != nil && !isReply {
		return nil, 0, fmt.Errorf("scpi: %w", err)
	}
	switch {
	case line == "" || strings.Contains(line, whoQuestion) || strings.ContainsFunc(line, func(c rune) bool { return c < ' ' || c > '~' }):
		return nil, 0, nil
	case strings.Count(line, ",") == 3:
		return nil, 0.95, nil
	}
	return nil, 0.5, nil
}
