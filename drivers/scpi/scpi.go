// Package scpi asks a meter that speaks SCPI (IEEE 488.2): one question a
// reading, the figure taken digit by digit as it was sent.
//
// With a function set, the meter is configured at the first question and again
// after every error, since it may have been switched off and on in between.
// Without one, the meter is left as it stands, and is asked before every
// reading what it measures, since somebody may turn its knob.
package scpi

import (
	"cmp"
	"errors"
	"fmt"
	"math"
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
	Source:   "IEEE 488.2 clause 8.7 and SCPI-99, as instrument manuals quote them; clause numbers from memory",
	Keys:     []string{"function", "range", "ask", "channel", "timeout"},
	NewAsker: newAsker,
}

const (
	usualAsk     = "READ?"
	usualTimeout = 3 * time.Second
	quiet        = 50 * time.Millisecond // no byte for so long: nothing is on its way
	drainFor     = 2 * time.Second       // a meter that still talks then was not waiting to be asked
	longestLine  = 4096                  // bytes

	overload   = 9.0e37  // SCPI-99 sends 9.9E37 for infinity
	notANumber = 9.91e37 // SCPI-99
)

// function is a measurement function by its SCPI names.
type function struct {
	short, long string
	quantity    drivers.Quantity
	flags       drivers.Flags
}

// Longer names are long forms; a name may stop before ":DC", which is the default.
var functions = []function{
	{"VOLT:DC", "VOLTAGE:DC", drivers.Voltage, drivers.DC},
	{"VOLT:AC", "VOLTAGE:AC", drivers.Voltage, drivers.AC},
	{"CURR:DC", "CURRENT:DC", drivers.Current, drivers.DC},
	{"CURR:AC", "CURRENT:AC", drivers.Current, drivers.AC},
	{"RES", "RESISTANCE", drivers.Resistance, 0},
	{"FRES", "FRESISTANCE", drivers.Resistance, 0},
	{"FREQ", "FREQUENCY", drivers.Frequency, 0},
	{"CAP", "CAPACITANCE", drivers.Capacitance, 0},
	{"TEMP", "TEMPERATURE", drivers.Temperature, 0},
	{"DIOD", "DIODE", drivers.Voltage, drivers.Diode},
	{"CONT", "CONTINUITY", drivers.Resistance, drivers.Continuity},
}

// findFunction takes short and long forms in any case, as SCPI does.
func findFunction(name string) (function, error) {
	name = strings.ToUpper(strings.TrimSpace(name))
	var known []string
	for _, f := range functions {
		for _, n := range []string{f.short, f.long} {
			if name == n || name+":DC" == n {
				return f, nil
			}
		}
		known = append(known, f.short)
	}
	return function{}, fmt.Errorf("%q is not known: write one of %s", name, strings.Join(known, ", "))
}

type asker struct {
	ask      string
	timeout  time.Duration
	conf     string // command that configures, empty where the meter is left as it stands
	scans    bool   // conf names a channel
	function function
	whatNow  []string // the questions for the function, best first
	identity string   // the answer to *IDN?, for messages
	inStep   bool     // set up, and no answer is outstanding
	rest     []byte   // read, but beyond the line that was taken
}

// newAsker checks the settings.
func newAsker(s drivers.Settings) (drivers.Asker, error) {
	a := &asker{ask: cmp.Or(s["ask"], usualAsk), whatNow: []string{"CONF?", "FUNC?"}}
	var err error
	if a.timeout, err = s.Timeout(usualTimeout); err != nil {
		return nil, err
	}
	switch {
	case !strings.Contains(a.ask, "?") || strings.ContainsFunc(a.ask, func(c rune) bool { return c < ' ' || c > '~' }):
		return nil, drivers.BadSetting("ask", "%q is not a question: write for example %q", a.ask, usualAsk)
	case s["function"] == "" && s["range"]+s["channel"] != "":
		return nil, drivers.BadSetting("function", `range and channel need it: write for example function = "VOLT:DC"`)
	case s["function"] == "":
		return a, nil
	}
	if a.function, err = findFunction(s["function"]); err != nil {
		return nil, drivers.BadSetting("function", "%w", err)
	}
	var with []string
	switch r := strings.ToUpper(s["range"]); {
	case r == "" || r == "AUTO":
		a.function.flags |= drivers.Auto
	case slices.Contains([]string{"MIN", "MAX", "DEF"}, r):
		with = append(with, r)
	default:
		if _, _, _, err := decimal(r); err != nil {
			return nil, drivers.BadSetting("range", "%q is not a number: write for example 0.1, or leave it out for automatic", r)
		}
		with = append(with, r)
	}
	if channel := s["channel"]; channel != "" {
		if strings.Trim(channel, "0123456789") != "" {
			return nil, drivers.BadSetting("channel", "%q is not a channel number: write for example 101", channel)
		}
		with = append(with, "(@"+channel+")")
		a.scans = true
	}
	a.conf = strings.TrimSpace("CONF:" + a.function.short + " " + strings.Join(with, ","))
	return a, nil
}

// Ask performs one exchange. Each question in it is given the timeout: one
// question in the ordinary case, two with a channel or without a function, three
// after an error.
func (a *asker) Ask(c drivers.Conn) (drivers.Reading, error) {
	r, err := a.reading(c)
	a.inStep = err == nil
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
	switch {
	case !a.inStep:
		err = a.setUp(c)
	case a.scans:
		// Another meter of the bench file shares the port: it may have moved
		// the scanner, and may have given up an answer that comes only now.
		if _, err = a.query(c, "*IDN?", true); err == nil {
			err = send(c, a.conf)
		}
	}
	if err == nil && a.conf == "" {
		f, err = a.functionNow(c)
	}
	if err != nil {
		return drivers.Reading{}, err
	}
	line, err := a.query(c, a.ask, false)
	if err != nil {
		return drivers.Reading{}, err
	}
	r, err := figure(line, f)
	if err != nil {
		return drivers.Reading{}, badReply("answer %q to %s: %w", line, a.ask, err)
	}
	return r, nil
}

// setUp brings question and answer in step and configures the meter.
func (a *asker) setUp(c drivers.Conn) error {
	if a.conf == "" {
		return a.drain(c)
	}
	if err := send(c, "*CLS"); err != nil {
		return err
	}
	if err := a.drain(c); err != nil {
		return err
	}
	var err error
	if a.identity, err = a.query(c, "*IDN?", true); err != nil {
		return err
	}
	if a.identity == "" {
		return badReply("answer to *IDN? is empty; check the line settings")
	}
	if err := send(c, a.conf); err != nil {
		return err
	}
	line, err := a.query(c, "SYST:ERR?", false)
	if err != nil {
		return err
	}
	number, _, _ := strings.Cut(line, ",")
	switch n, err := strconv.Atoi(number); {
	case err != nil:
		return badReply("answer %q to SYST:ERR? is not an error number and text", line)
	case n != 0:
		return badReply("%s was refused: %s; check function, range and channel against the meter's manual", a.conf, line)
	}
	return nil
}

// functionNow asks what the meter measures.
func (a *asker) functionNow(c drivers.Conn) (function, error) {
	const mend = `; set it in the bench file, for example function = "VOLT:DC"`
	for i, question := range a.whatNow {
		line, err := a.query(c, question, true)
		if reply, ok := errors.AsType[*drivers.Reply](err); ok && reply.Reason == drivers.NoReply {
			continue
		} else if err != nil {
			return function{}, err
		}
		name, _, _ := strings.Cut(strings.Trim(line, `"`), ",")
		name, _, _ = strings.Cut(strings.Trim(name, `" `), " ")
		f, err := findFunction(name)
		if err != nil {
			return function{}, badReply("answer %q to %s: %w"+mend, line, question, err)
		}
		a.whatNow = a.whatNow[i : i+1]
		return f, nil
	}
	return function{}, &drivers.Reply{Reason: drivers.NoReply, Err: fmt.Errorf(
		"the meter does not say what it measures, no answer to %s within %v: check that it is on and its line settings"+mend,
		strings.Join(a.whatNow, " or "), a.timeout)}
}

// query sends one question and takes one line. Where words are expected, lines
// that are figures are passed over: they answer an earlier question that was
// given up.
func (a *asker) query(c drivers.Conn, question string, words bool) (string, error) {
	a.rest = a.rest[:0] // what came before the question does not answer it
	if err := send(c, question); err != nil {
		return "", err
	}
	deadline := time.Now().Add(a.timeout)
	for {
		line, err := a.readLine(c, question, deadline)
		if err != nil {
			return "", err
		}
		if words {
			first, _, _ := strings.Cut(line, ",")
			if _, _, _, err := decimal(first); err == nil {
				continue
			}
		}
		return line, nil
	}
}

// readLine takes the next line, without its end and the space around it.
func (a *asker) readLine(c drivers.Conn, question string, deadline time.Time) (string, error) {
	var buf [256]byte
	for {
		if i := slices.Index(a.rest, '\n'); i >= 0 {
			line := strings.TrimSpace(string(a.rest[:i]))
			a.rest = slices.Delete(a.rest, 0, i+1)
			return line, nil
		}
		if len(a.rest) > longestLine {
			return "", badReply("answer to %s does not end within %d bytes; check the line settings", question, longestLine)
		}
		left := time.Until(deadline)
		if left <= 0 {
			return "", &drivers.Reply{Reason: drivers.NoReply, Err: fmt.Errorf(
				"no line in answer to %s within %v, but %d bytes %q: check that the meter is on and its line settings",
				question, a.timeout, len(a.rest), a.rest)}
		}
		if err := c.SetReadTimeout(left); err != nil {
			return "", fmt.Errorf("set the read timeout: %w", err)
		}
		n, err := c.Read(buf[:])
		if err != nil {
			return "", fmt.Errorf("read the answer to %s: %w", question, err)
		}
		a.rest = append(a.rest, buf[:n]...)
	}
}

// drain throws away what is still on its way.
func (a *asker) drain(c drivers.Conn) error {
	if err := c.SetReadTimeout(quiet); err != nil {
		return fmt.Errorf("set the read timeout: %w", err)
	}
	var buf [256]byte
	for deadline := time.Now().Add(drainFor); time.Now().Before(deadline); {
		n, err := c.Read(buf[:])
		if err != nil {
			return fmt.Errorf("drain the input: %w", err)
		}
		if n == 0 {
			return nil
		}
	}
	return badReply("the meter talks without being asked, last %q: switch its continuous output off, or use another format", buf)
}

func send(c drivers.Conn, line string) error {
	if _, err := c.Write([]byte(line + "\n")); err != nil {
		return fmt.Errorf("send %s: %w", line, err)
	}
	return nil
}

func badReply(format string, args ...any) error {
	return &drivers.Reply{Reason: drivers.BadReply, Err: fmt.Errorf(format, args...)}
}

// figure reads the first value of an answer.
func figure(line string, f function) (drivers.Reading, error) {
	first, _, _ := strings.Cut(line, ",")
	digits, exp, e, err := decimal(strings.TrimSpace(first))
	if err != nil {
		return drivers.Reading{}, err
	}
	r := drivers.Reading{Digits: digits, Exp: int8(exp), Quantity: f.quantity, Flags: f.flags}
	switch v := math.Abs(r.Value()); {
	case math.Abs(v/notANumber-1) < 1e-6:
		r.Flags |= drivers.NotANumber
	case v >= overload:
		r.Flags |= drivers.Overload
	default:
		r.Prefix = prefix(r, e)
		if places := int(r.Prefix) - exp; places < 0 || places > 18 {
			return drivers.Reading{}, errors.New("out of all reason for a meter")
		}
		return r, nil
	}
	r.Digits, r.Exp = 0, 0
	return r, nil
}

// prefix chooses the unit shown: without prefix, except where an answer with
// exponent is under one, or where the last digit stands above the unit.
func prefix(r drivers.Reading, e exponent) int8 {
	lead := int(r.Exp) + len(strconv.FormatUint(uint64(max(r.Digits, -r.Digits)), 10)) - 1 // decade of the first digit
	if r.Digits == 0 {
		lead = e.value
	}
	switch {
	case r.Exp > 0:
		return min((r.Exp+2)/3*3, 9)
	case !e.given || lead >= 0 || r.Quantity == drivers.Temperature:
		return 0
	case lead >= -3:
		return -3
	}
	return -6
}

// exponent is the exponent of an NR3 figure, as sent.
type exponent struct {
	value int
	given bool
}

// decimal reads NR1, NR2 and NR3 (IEEE 488.2 clauses 8.7.2 to 8.7.4) exactly:
// digits × 10^exp, with every trailing zero that was sent.
func decimal(s string) (digits int64, exp int, e exponent, err error) {
	bad := func(what string) (int64, int, exponent, error) {
		return 0, 0, exponent{}, fmt.Errorf("%q is not a number: %s", s, what)
	}
	if s == "" {
		return bad("nothing was sent")
	}
	mantissa, power := s, ""
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		mantissa, power = s[:i], s[i+1:]
		e.given = true
		if e.value, err = strconv.Atoi(power); err != nil || max(e.value, -e.value) > 60 {
			return bad("its exponent")
		}
	}
	unsigned := strings.TrimPrefix(strings.TrimPrefix(mantissa, "-"), "+")
	if len(mantissa)-len(unsigned) > 1 {
		return bad("two signs")
	}
	whole, fraction, _ := strings.Cut(unsigned, ".")
	all := whole + fraction
	if all == "" || strings.Trim(all, "0123456789") != "" {
		return bad("digits, a point and an exponent are expected")
	}
	if len(strings.TrimLeft(all, "0")) > 18 || len(fraction) > 60 {
		return bad("more than 18 digits")
	}
	n, err := strconv.ParseUint(all, 10, 63)
	if err != nil {
		return bad(err.Error())
	}
	digits = int64(n)
	if mantissa[0] == '-' {
		digits = -digits
	}
	return digits, e.value - len(fraction), e, nil
}
