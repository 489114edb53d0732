package scpi

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"nightsoak/drivers"
)

// mostErrors is how many entries of the error queue are read at once. Meters
// keep 10 to 30.
const mostErrors = 32

// entry is one error of a meter's queue: negative numbers are the standard's,
// positive ones the meter's own.
type entry struct {
	number int
	text   string
}

// parseEntry reads an answer to SYST:ERR?: number and quoted text; some meters
// leave the quotes away, or the text.
func parseEntry(line string) (entry, bool) {
	number, text, _ := strings.Cut(line, ",")
	n, err := strconv.Atoi(strings.TrimSpace(number))
	if text = strings.TrimSpace(text); err != nil || isFigure(text) {
		return entry{}, false
	}
	return entry{n, unquote(text)}, true
}

// String is the entry as SCPI writes it, or named by number where it has no text.
func (e entry) String() string {
	if e.text != "" {
		return fmt.Sprintf("%d,%q", e.number, e.text)
	}
	return fmt.Sprintf("%d (%s)", e.number, errorName(e.number))
}

// errorName says what an error number of SCPI-99 means: its own name where
// that tells how to go on, else its class.
func errorName(n int) string {
	switch n {
	case -113:
		return "undefined header"
	case -222:
		return "data out of range"
	case -230:
		return "data corrupt or stale"
	case -350:
		return "queue overflow"
	case -363:
		return "input buffer overrun"
	case -410:
		return "query interrupted"
	case -420:
		return "query unterminated"
	}
	if n >= 0 {
		return "the meter's own error"
	}
	switch n / 100 {
	case -1:
		return "command error"
	case -2:
		return "execution error"
	case -3:
		return "device-specific error"
	case -4:
		return "query error"
	case -5:
		return "power on"
	case -6:
		return "user request"
	case -7:
		return "request control"
	case -8:
		return "operation complete"
	}
	return "unknown error"
}

// listed names every entry, oldest first; one that comes several times running
// is counted.
func listed(entries []entry) string {
	var s []string
	for i := 0; i < len(entries); {
		n := 1
		for i+n < len(entries) && entries[i+n] == entries[i] {
			n++
		}
		text := entries[i].String()
		if n > 1 {
			text += fmt.Sprintf(" %d times", n)
		}
		s = append(s, text)
		i += n
	}
	if len(entries) == mostErrors {
		s = append(s, "and perhaps more")
	}
	return strings.Join(s, "; ")
}

// errorQueue empties the meter's error queue, oldest entry first.
func (a *asker) errorQueue(c drivers.Conn, k kind) ([]entry, error) {
	var entries []entry
	for range mostErrors {
		line, err := a.query(c, errorQuestion, k)
		if err != nil {
			return entries, err
		}
		e, ok := parseEntry(line)
		if !ok {
			return entries, badReply("answer %.60q to %s is not an error number and text", line, errorQuestion)
		}
		if e.number == 0 {
			break
		}
		entries = append(entries, e)
	}
	return entries, nil
}

// explain adds to a fault what the meter says of it, and gets question and
// answer in step again, so that no other meter on the port takes a late answer
// for its own. A fault of the port, also one met here, stays as it is.
func (a *asker) explain(c drivers.Conn, trouble error) error {
	reply, ok := errors.AsType[*drivers.Reply](trouble)
	if !ok {
		return trouble
	}
	var who string
	var entries []entry
	a.owed = false // but for what the next question passes over
	err := a.settle(c)
	if err == nil {
		who, err = a.query(c, whoQuestion, words)
	}
	if err == nil {
		a.identity = who
		entries, err = a.errorQueue(c, anything)
	}
	met, ok := errors.AsType[*drivers.Reply](err)
	var says string
	switch {
	case err != nil && !ok:
		return err
	case len(entries) > 0:
		says = "the meter reports " + listed(entries)
	case reply.Reason != drivers.NoReply:
		return trouble
	case err == nil:
		says = "it answers *IDN? and has no error to report, so it waits for a trigger, or takes longer than the timeout"
	case who == "" && met.Reason == drivers.NoReply:
		says = "nor is *IDN? answered"
	default:
		return trouble
	}
	return &drivers.Reply{Reason: reply.Reason, Err: fmt.Errorf("%w; %s", reply.Err, says)}
}
